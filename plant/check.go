package plant

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// CheckFacts is what must be known to accept a check.
type CheckFacts struct {
	// Machine that was checked, and Site where it was; nil if there is none
	// with the id that the check names.
	Machine *bothyv1.Machine
	Site    *bothyv1.Site
	// Sheet is the edition that the check names, with all its points; nil if
	// there is none.
	Sheet *bothyv1.Sheet
	// InForce is the id of the edition in force for the same machine type and
	// purpose.
	InForce string
	// Previous is the machine's check with the latest meter reading, as
	// amended; nil if there is none.
	Previous *bothyv1.Check
	// Defects of the machine: at least the open ones. A check may name closed
	// ones as seen only if they are here.
	Defects []*bothyv1.Defect
	// Person who made the check; nil if the register does not have them.
	Person *bothyv1.Person
	// Now by the clock of the replica that accepts.
	Now time.Time
}

// AcceptCheck takes a check whole or refuses it with everything that is wrong.
//
// The check as sent has an answer for every point that the sheet has for the
// machine, in any order. As stored, answers are in the sheet's order, plain
// ones of OK are counted in points_ok and left out, the machine's options and
// the doubts are filled in, and times are cut to whole seconds. The id is the
// caller's business and is kept.
//
// An edition that is not in force is refused, because what it leaves out may be
// why there is a new one. A meter must not run backwards, nor gain on the clock
// by more than [MeterTolerance], whichever of the two checks was sent first. A
// meter that still shows 0.0 cannot be told from one that was not read, and is
// refused.
//
// What cannot be put right on the spot is not refused but doubted: a person or
// a machine that is not on the register, a ticket that is missing or out of
// date when the check was finished (one without a date counts as missing), a
// check that was finished later than the node's own time by more than
// [ClockTolerance] (CLOCK_DIFFERS), and one that was sent more than
// [LateTolerance] after it was finished (SENT_LATE, which a slow clock looks
// like too).
func AcceptCheck(check *bothyv1.Check, f CheckFacts) (*bothyv1.Check, Violations) {
	a := acceptance{CheckFacts: f, check: check}
	a.computed()
	a.subject()
	a.times()
	a.meter()
	a.v.text("check.note", check.GetNote(), NoteMax)
	a.seen()
	if a.edition() {
		a.answers()
	}
	if len(a.v) > 0 {
		return nil, a.v
	}
	return a.stored(), nil
}

// acceptance is one check on its way in.
type acceptance struct {
	CheckFacts
	check    *bothyv1.Check
	points   []*bothyv1.Point
	byPoint  map[string]*bothyv1.Answer
	started  time.Time
	finished time.Time // zero if not valid
	v        Violations
}

// computed refuses what only the server fills in.
func (a *acceptance) computed() {
	const leaveOut = "is filled in by the server; leave it out"
	c := a.check
	for _, f := range []struct {
		name string
		set  bool
	}{
		{"points_ok", c.GetPointsOk() != 0},
		{"doubts", len(c.GetDoubts()) > 0},
		{"accepted_at", c.GetAcceptedAt() != nil},
		{"amendments", len(c.GetAmendments()) > 0},
		{"defects", len(c.GetDefects()) > 0},
	} {
		if f.set {
			a.v.add("check."+f.name, leaveOut)
		}
	}
}

// subject looks at who checked which machine where.
func (a *acceptance) subject() {
	if a.Machine == nil || a.check.GetMachine() != a.Machine.GetId() {
		a.v.add("check.machine", "%q is not a machine on the register", a.check.GetMachine())
	}
	if a.Site == nil || a.check.GetSite() != a.Site.GetId() {
		a.v.add("check.site", "%q is not a site on the register", a.check.GetSite())
	}
	a.v.id("check.person", a.check.GetPerson())
	if a.Person != nil && a.Person.GetId() != a.check.GetPerson() {
		a.v.add("check.person", "is %q, but the person who sends it is %q", a.check.GetPerson(), a.Person.GetId())
	}
}

// edition looks at the sheet and the options, and says whether the answers can
// be compared with its points.
func (a *acceptance) edition() bool {
	if a.Machine == nil {
		return false
	}
	before := len(a.v)
	c := a.check
	switch {
	case a.Sheet == nil || a.Sheet.GetId() != c.GetSheet():
		a.v.add("check.sheet", "%q is not a known edition; the one in force is %q", c.GetSheet(), a.InForce)
	case a.Sheet.GetMachineType() != a.Machine.GetMachineType():
		a.v.add("check.sheet", "%q is for machines of the type %q; %q is of the type %q",
			c.GetSheet(), a.Sheet.GetMachineType(), a.Machine.GetId(), a.Machine.GetMachineType())
	case a.Sheet.GetId() != a.InForce:
		a.v.add("check.sheet", "%q is not in force; check the machine by %q", c.GetSheet(), a.InForce)
	}
	options := sorted(a.Machine.GetOptions())
	if len(c.GetOptions()) > 0 && !slices.Equal(sorted(c.GetOptions()), options) {
		a.v.add("check.options", "are %s, but the machine has %s; load its sheet again, or leave them out",
			strings.Join(c.GetOptions(), ", "), strings.Join(options, ", "))
	}
	if len(a.v) == before {
		a.v = append(a.v, ValidOptions(a.Sheet, options)...)
	}
	a.points = pointsFor(a.Sheet, options)
	return len(a.v) == before
}

func sorted(options []string) []string { return slices.Sorted(slices.Values(options)) }

func (a *acceptance) times() {
	started := a.time("check.started_at", a.check.GetStartedAt())
	finished := a.time("check.finished_at", a.check.GetFinishedAt())
	if started.IsZero() || finished.IsZero() {
		return
	}
	if finished.Before(started) {
		a.v.add("check.finished_at", "is %s, before the start at %s", clockText(finished), clockText(started))
		return
	}
	a.started, a.finished = started, finished
}

// time is a time of the check in whole seconds; zero if it cannot be taken.
func (a *acceptance) time(field string, ts *timestamppb.Timestamp) time.Time {
	t, ok := a.v.time(field, ts)
	if ok && t.After(a.Now.Add(FutureTolerance)) {
		a.v.add(field, "is %s, but here it is %s; at most %v ahead is allowed: set the clock that is wrong", clockText(t), clockText(a.Now), FutureTolerance)
		return time.Time{}
	}
	return t
}

// time is a timestamp in whole seconds, if it is one that a set clock can show.
func (v *Violations) time(field string, ts *timestamppb.Timestamp) (time.Time, bool) {
	switch {
	case ts == nil:
		v.add(field, "is missing")
	case ts.CheckValid() != nil:
		v.add(field, "is not a valid time")
	case ts.GetSeconds() < EarliestUnix:
		v.add(field, "is %s; the clock was not set", clockText(ts.AsTime()))
	default:
		return ts.AsTime().Truncate(time.Second), true
	}
	return time.Time{}, false
}

func clockText(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func (a *acceptance) meter() {
	const field = "check.meter_hours"
	before := len(a.v)
	a.v.meter(field, a.check.GetMeterHours())
	if len(a.v) > before || a.finished.IsZero() || a.Previous.GetMeterHours() <= 0 {
		return
	}
	hours := a.check.GetMeterHours() - a.Previous.GetMeterHours()
	elapsed := a.finished.Sub(a.Previous.GetFinishedAt().AsTime()).Hours()
	was := fmt.Sprintf("the check that was finished at %s read %.1f h", clockText(a.Previous.GetFinishedAt().AsTime()), a.Previous.GetMeterHours())
	backwards := "less"
	if elapsed < 0 { // this one was made first, and came late
		hours, elapsed, backwards = -hours, -elapsed, "more"
	}
	switch {
	case hours < 0:
		a.v.add(field, "is %.1f h, but %s; a meter does not run backwards, so it cannot be %s", a.check.GetMeterHours(), was, backwards)
	case hours > elapsed+MeterTolerance+1e-9:
		a.v.add(field, "is %.1f h, but %s; that is %.1f h of work in %.1f h", a.check.GetMeterHours(), was, hours, elapsed)
	}
}

// meter looks at an hour meter by itself.
func (v *Violations) meter(field string, hours float64) {
	switch {
	case !finite(hours):
		v.add(field, "is not a number")
	case hours == 0:
		v.add(field, "is missing; read the hour meter")
	case !within(hours, 0, MeterMax):
		v.add(field, "is %v h; allowed are 0 to %d", hours, MeterMax)
	}
}

// seen looks at whether the person saw every open defect before the check
// (49 CFR 396.13: review the last report before driving).
func (a *acceptance) seen() {
	seen := a.check.GetSeenDefects()
	if len(seen) > ListMax {
		a.v.add("check.seen_defects", "has %d ids; at most %d are allowed", len(seen), ListMax)
		return
	}
	for i, id := range seen {
		if !slices.ContainsFunc(a.Defects, func(d *bothyv1.Defect) bool { return d.GetId() == id }) {
			a.v.add(fmt.Sprintf("check.seen_defects[%d]", i), "%q is not a defect of this machine", id)
		}
	}
	var missing []string
	for _, d := range a.Defects {
		if Open(d) && !slices.Contains(seen, d.GetId()) {
			missing = append(missing, d.GetId())
		}
	}
	if len(missing) > 0 {
		slices.Sort(missing)
		a.v.add("check.seen_defects", "does not name %s; every open defect of the machine must be shown before the check", strings.Join(missing, ", "))
	}
}

func (a *acceptance) answers() {
	a.byPoint = a.v.answers("check.answers", a.check.GetAnswers(), a.points)
	if a.byPoint == nil {
		return
	}
	var missing []string
	for _, p := range a.points {
		if a.byPoint[p.GetId()] == nil {
			missing = append(missing, p.GetId())
		}
	}
	if len(missing) > 0 {
		a.v.add("check.answers", "has no answer for %s; every point needs one", strings.Join(missing, ", "))
	}
	a.v.marking("check.marking", a.check.GetMarking(), makesHazard(a.check.GetAnswers(), a.points, a.Defects))
}

// makesHazard holds if an answer opens a HAZARD or joins one.
func makesHazard(answers []*bothyv1.Answer, points []*bothyv1.Point, defects []*bothyv1.Defect) bool {
	return slices.ContainsFunc(answers, func(a *bothyv1.Answer) bool {
		if a.GetState() != bothyv1.AnswerState_DEFECT {
			return false
		}
		opens := slices.ContainsFunc(points, func(p *bothyv1.Point) bool {
			return p.GetId() == a.GetPoint() && pointClass(p, a.GetClass()) == bothyv1.Class_HAZARD
		})
		return opens || slices.ContainsFunc(defects, func(d *bothyv1.Defect) bool {
			return Open(d) && d.GetPoint() == a.GetPoint() && known(d.GetClass()) == bothyv1.Class_HAZARD
		})
	})
}

// marking looks at how a machine is marked, which a HAZARD needs: out of
// service goes with a tag, a posted area or an equal means (30 CFR 56.14100(c),
// 29 CFR 1926.20(b)(3)).
func (v *Violations) marking(field string, m bothyv1.Marking, needed bool) {
	const allowed = "allowed are TAGGED, POSTED_AREA, CONTROLS_LOCKED and REMOVED_FROM_SITE"
	switch {
	case m == bothyv1.Marking_MARKING_UNSPECIFIED:
		if needed {
			v.add(field, "is missing; a machine that is out of service must be marked so that nobody uses it; %s", allowed)
		}
	case bothyv1.Marking_name[int32(m)] == "":
		v.add(field, "is not known; %s", allowed)
	}
}

// stored is the accepted check.
func (a *acceptance) stored() *bothyv1.Check {
	c := &bothyv1.Check{
		Id:          a.check.GetId(),
		Machine:     a.check.GetMachine(),
		Site:        a.check.GetSite(),
		Sheet:       a.check.GetSheet(),
		Person:      a.check.GetPerson(),
		StartedAt:   timestamppb.New(a.started),
		FinishedAt:  timestamppb.New(a.finished),
		MeterHours:  a.check.GetMeterHours(),
		Options:     sorted(a.Machine.GetOptions()),
		SeenDefects: slices.Compact(sorted(a.check.GetSeenDefects())),
		Marking:     a.check.GetMarking(),
		Note:        strings.TrimSpace(a.check.GetNote()),
		Doubts:      a.doubts(),
	}
	for _, p := range a.points {
		c.Answers = append(c.Answers, tidied(a.byPoint[p.GetId()], p))
	}
	fold(c)
	return c
}

func (a *acceptance) doubts() []bothyv1.Doubt {
	var found []bothyv1.Doubt
	for _, d := range []struct {
		doubt bothyv1.Doubt
		holds bool
	}{
		{bothyv1.Doubt_PERSON_UNLISTED, a.Person == nil},
		{bothyv1.Doubt_MACHINE_UNLISTED, a.Machine.GetUnlisted()},
		{bothyv1.Doubt_CLOCK_DIFFERS, a.finished.After(a.Now.Add(ClockTolerance))},
		{bothyv1.Doubt_TICKET_MISSING, a.Person != nil && !hasTicket(a.Person, a.Machine.GetMachineType(), a.finished)},
		{bothyv1.Doubt_SENT_LATE, a.Now.Sub(a.finished) > LateTolerance},
	} {
		if d.holds {
			found = append(found, d.doubt)
		}
	}
	return found
}

// hasTicket says whether a person has a card of competence for a machine type
// that is in date at t (29 CFR 1926.20(b)(4): only qualified people operate).
func hasTicket(p *bothyv1.Person, machineType string, t time.Time) bool {
	return slices.ContainsFunc(p.GetTickets(), func(k *bothyv1.Ticket) bool {
		return k.GetMachineType() == machineType && k.GetExpiresAt() != nil && !t.After(k.GetExpiresAt().AsTime())
	})
}
