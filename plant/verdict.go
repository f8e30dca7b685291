package plant

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Facts is what a verdict is read from. The order of the lists does not matter,
// and records of other machines are left out.
type Facts struct {
	Machine *bothyv1.Machine
	// Site at which the machine stands; nil if that is not known.
	Site *bothyv1.Site
	// Sheets of the machine's type: the editions in force, and those that Checks
	// were made by.
	Sheets []*bothyv1.Sheet
	// Checks of the machine, stored or expanded: at least those of the last
	// [WeeklyEvery] days and the latest weekly one.
	Checks []*bothyv1.Check
	// Amendments to Checks.
	Amendments []*bothyv1.Amendment
	// Defects of the machine: the open ones, and all that Checks or Amendments
	// opened or joined, open or closed. A check's answer of DEFECT that none of
	// them has as a finding counts as an open defect: its record is still on the
	// way.
	Defects []*bothyv1.Defect
	Holds   []*bothyv1.Hold
	// AsOf is the time up to which the records are known to be complete; zero if
	// that is not known.
	AsOf time.Time
	// SilentAfter is how old AsOf may be; 0 means [DefaultSilentAfter]. The
	// site's own setting goes before it.
	SilentAfter time.Duration
}

// Verdict is what the records say of a machine at a time, with every reason.
// It is a reading of records and never a promise that the machine is safe.
//
// The gravest reason gives the standing:
//
//   - OUT_OF_SERVICE: a hold stands; a HAZARD is not certified as mended (30 CFR
//     56.14100(c)); a SAFETY defect has no limit stated, or is past the time
//     until which it was (29 CFR 1926.601(b)(14): defects are put right before
//     the machine goes into service; LOLER 1998 reg. 10(3): not used after the
//     date stated). This stands however old the records are.
//   - UNKNOWN: the records are older than the silence allowed.
//   - CHECK_DUE: no check for the shift under way, or for the next one within
//     [NextShiftWithin], or no shift; the latest check for it did not look at
//     every point whose failure is a HAZARD; the weekly check is overdue; a
//     repair of a HAZARD or SAFETY defect waits for the check that proves it
//     (49 CFR 396.13).
//   - LIMITED: a SAFETY defect within its stated limit (30 CFR 56.14100(b)).
//   - FIT: none of these.
//
// Records are taken as they are known now: the time only says which shift is
// meant, and which dates are past. A check counts from when it was finished,
// with [FutureTolerance] for a clock that runs ahead.
func Verdict(f Facts, at time.Time) *bothyv1.Verdict {
	r := reader{Facts: f, at: at, zone: time.UTC}
	if r.roster, r.unzoned = rosterOf(f.Site); r.unzoned == nil {
		r.zone = r.roster.zone
	}
	r.read()
	r.judgeHolds()
	r.judgeDefects()
	r.judgeSilence()
	v := &bothyv1.Verdict{Machine: f.Machine.GetId(), Check: r.judgeShift(), Shift: r.shift}
	r.judgeWeekly()
	if !slices.ContainsFunc(r.reasons, func(x *bothyv1.Reason) bool { return x.GetStanding() < bothyv1.Standing_FIT }) {
		r.add(r.fit())
	}
	v.Reasons = weighed(r.reasons)
	v.Standing = v.Reasons[0].GetStanding()
	if !f.AsOf.IsZero() {
		v.AsOf = timestamppb.New(f.AsOf)
	}
	return v
}

// reader reads the records of one machine at one time.
type reader struct {
	Facts
	at      time.Time
	roster  roster         // of the site
	unzoned error          // why there is no roster
	zone    *time.Location // of the site, else UTC
	shift   *bothyv1.ShiftTime
	checked *bothyv1.Check // the latest for the shift, expanded and amended
	checks  []made         // that were finished, by sheets that are known, oldest first
	reasons []*bothyv1.Reason
}

// made is a check with the sheet that it was made by.
type made struct {
	*bothyv1.Check
	sheet *bothyv1.Sheet
}

func (r *reader) add(reason *bothyv1.Reason) { r.reasons = append(r.reasons, reason) }

// weighed is reasons in order of weight, each once: the gravest standing, then
// the gravest class, holds before defects.
func weighed(reasons []*bothyv1.Reason) []*bothyv1.Reason {
	slices.SortFunc(reasons, func(a, b *bothyv1.Reason) int {
		return cmp.Or(cmp.Compare(a.GetStanding(), b.GetStanding()), cmp.Compare(a.GetClass(), b.GetClass()),
			cmp.Compare(a.GetSource(), b.GetSource()), cmp.Compare(a.GetText(), b.GetText()))
	})
	return slices.CompactFunc(reasons, func(a, b *bothyv1.Reason) bool { return proto.Equal(a, b) })
}

// read brings the checks in order and completes the defects from them.
func (r *reader) read() {
	for _, c := range r.Checks {
		sheet := r.sheet(c.GetSheet())
		if c.GetMachine() == r.Machine.GetId() && sheet != nil && !timeOf(c.GetFinishedAt()).After(r.at.Add(FutureTolerance)) {
			r.checks = append(r.checks, made{c, sheet})
		}
	}
	slices.SortFunc(r.checks, func(a, b made) int {
		return cmp.Or(timeOf(a.GetFinishedAt()).Compare(timeOf(b.GetFinishedAt())), cmp.Compare(a.GetId(), b.GetId()))
	})
	r.Defects = slices.DeleteFunc(slices.Clone(r.Defects), func(d *bothyv1.Defect) bool { return d.GetMachine() != r.Machine.GetId() })
	for _, c := range r.checks {
		r.complete(c)
	}
}

func (r *reader) sheet(id string) *bothyv1.Sheet {
	i := slices.IndexFunc(r.Sheets, func(s *bothyv1.Sheet) bool { return s.GetId() == id })
	if i < 0 {
		return nil
	}
	return r.Sheets[i]
}

// complete adds what a check and its amendments found, where the defect's own
// record does not have it yet. Proofs are left to the defect's record.
func (r *reader) complete(c made) {
	r.apply(finder{check: c.Check, defects: r.Defects}.discoveries(c.GetAnswers(), c.sheet))
	for _, a := range amendmentsOf(c.Check, r.Amendments) {
		r.apply(AmendmentFindings(a, c.Check, c.sheet, r.Defects))
	}
}

func (r *reader) apply(writes []DefectWrite) {
	for _, w := range writes {
		at := slices.IndexFunc(r.Defects, func(d *bothyv1.Defect) bool { return d.GetId() == w.Defect.GetId() })
		if at < 0 {
			r.Defects = append(r.Defects, w.Defect)
			continue
		}
		r.Defects[at] = w.Defect
	}
}

func (r *reader) judgeHolds() {
	for _, h := range r.Holds {
		if h.GetMachine() == r.Machine.GetId() && Held(h) {
			r.add(r.held(h))
		}
	}
}

func (r *reader) judgeDefects() {
	for _, d := range r.Defects {
		class := known(d.GetClass())
		switch {
		case !Open(d):
		case class == bothyv1.Class_CONDITION:
			r.add(r.condition(d))
		case !unmended(d):
			r.add(r.unproved(d))
		case class == bothyv1.Class_HAZARD:
			r.add(r.hazard(d))
		case d.GetLimit() == "" || d.GetLimitUntil() == nil:
			r.add(r.unlimited(d))
		case r.at.After(d.GetLimitUntil().AsTime()):
			r.add(r.limitPast(d))
		default:
			r.add(r.limited(d))
		}
	}
}

func (r *reader) judgeSilence() {
	allowed := cmp.Or(r.SilentAfter, DefaultSilentAfter)
	if own := r.Site.GetSilentAfterHours(); own > 0 {
		allowed = time.Duration(own) * time.Hour
	}
	if r.AsOf.IsZero() || r.at.Sub(r.AsOf) > allowed {
		r.add(r.silent(allowed))
	}
}

// judgeShift finds the shift that the verdict speaks of and whether a check
// holds for it. It gives the check's id, empty if there is none.
func (r *reader) judgeShift() string {
	if r.unzoned != nil {
		r.add(r.noZone())
		return ""
	}
	shift, ok := r.roster.at(r.at)
	if !ok {
		shift, ok = r.roster.next(r.at)
	}
	if !ok || shift.GetStartAt().AsTime().After(r.at.Add(NextShiftWithin)) {
		r.add(r.noShift())
		return ""
	}
	r.shift = shift
	if InForce(r.Sheets, r.Machine.GetMachineType(), bothyv1.Purpose_PRE_USE) == nil {
		r.add(r.noSheet())
		return ""
	}
	c, ok := r.latest(bothyv1.Purpose_PRE_USE)
	if !ok || !validFor(c.Check, shift) {
		r.add(r.unchecked())
		return ""
	}
	if missed := r.missed(c); len(missed) > 0 {
		r.add(r.incomplete(c.Check, missed))
		return ""
	}
	r.checked = c.Check
	return c.GetId()
}

// latest is the latest check of the machine with a sheet of a purpose, expanded
// and as amended. A damaged one is passed over: it makes nothing checked.
func (r *reader) latest(p bothyv1.Purpose) (made, bool) {
	for _, c := range slices.Backward(r.checks) {
		if c.sheet.GetPurpose() != p || c.sheet.GetMachineType() != r.Machine.GetMachineType() {
			continue
		}
		if whole, err := Expand(c.Check, c.sheet); err == nil {
			return made{Amended(whole, r.Amendments), c.sheet}, true
		}
	}
	return made{}, false
}

// missed is the points whose failure is a HAZARD and that nobody looked at: they
// were answered NOT_CHECKED, or were not asked because the machine had other
// options then.
func (r *reader) missed(c made) []string {
	var missed []string
	for _, p := range pointsFor(c.sheet, r.Machine.GetOptions()) {
		i := slices.IndexFunc(c.GetAnswers(), func(a *bothyv1.Answer) bool { return a.GetPoint() == p.GetId() })
		if known(p.GetDefaultClass()) == bothyv1.Class_HAZARD && (i < 0 || c.GetAnswers()[i].GetState() == bothyv1.AnswerState_NOT_CHECKED) {
			missed = append(missed, p.GetId())
		}
	}
	return missed
}

// judgeWeekly counts days of the site's calendar: a check on a Monday holds
// through the Monday after.
func (r *reader) judgeWeekly() {
	if InForce(r.Sheets, r.Machine.GetMachineType(), bothyv1.Purpose_WEEKLY) == nil {
		return
	}
	c, ok := r.latest(bothyv1.Purpose_WEEKLY)
	if !ok {
		r.add(r.weeklyNever())
		return
	}
	if missed := r.missed(c); len(missed) > 0 {
		r.add(r.incomplete(c.Check, missed))
	}
	if due := c.GetFinishedAt().AsTime().In(r.zone).AddDate(0, 0, WeeklyEvery); dayOf(r.at.In(r.zone)).After(dayOf(due)) {
		r.add(r.weeklyOverdue(c.Check, due))
	}
}

// dayOf is the calendar day of a time in its own zone.
func dayOf(t time.Time) time.Time {
	year, month, day := t.Date()
	return time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
}
