package plant

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// EditFacts is what must be known to edit a defect.
type EditFacts struct {
	// Editor who asks; nil if the register does not have them.
	Editor *bothyv1.Person
	// Point of the defect, in any edition that has it; nil if it is at none.
	Point *bothyv1.Point
	Now   time.Time
}

// EditDefect takes the masked fields of edited into a defect that the editor
// saw as before (the one that the etag names, even if the record moved on
// since). It does all that was asked, or nothing: the error is a [*Denied] if
// the editor may not do it, else [Violations].
//
// Who may do what, by role:
//
//   - everybody on the register: add notes and findings, make the class more
//     cautious, say how the machine is marked, send a repair back to REPORTED;
//   - SUPERVISOR, who has the authority to correct (29 CFR 1926.32(f)): lower
//     the class with a note, set the limit within which a SAFETY defect may be
//     worked with and until when (30 CFR 56.14100(b)), set when it is due, take
//     it for a fitter, dismiss it;
//   - FITTER: take it, let it wait, certify that it is mended, dismiss it.
//
// Notes and findings are add-only. A new finding, or a graver class, sends a
// repair back to REPORTED and asserts class and progress again. A defect that
// is closed takes notes only: found again, it is a new defect. A certificate
// is signed by the editor, now, for the class that the editor saw; it comes
// with the progress that it allows and never alone. Only a check proves a
// repair. A point that is always a hazard cannot be lowered.
func EditDefect(before, edited *bothyv1.Defect, mask []string, f EditFacts) (DefectWrite, error) {
	if f.Editor == nil {
		return DefectWrite{}, &Denied{Field: "person", Problem: "only a person on the register may edit a defect"}
	}
	e := edit{EditFacts: f, before: before, after: proto.CloneOf(before), written: map[string]bool{}}
	e.copy(edited, mask)
	if len(e.v) > 0 {
		return DefectWrite{}, e.v
	}
	for _, judge := range []func(){
		e.judgeNotes, e.judgeFindings, e.judgeClass, e.judgeProgress, e.judgeCertificate,
		e.judgeLimit, e.judgeDue, e.judgeFitter, e.reopen, e.judgeMarking,
	} {
		judge()
	}
	if e.denied != nil {
		return DefectWrite{}, e.denied
	}
	if len(e.v) > 0 {
		return DefectWrite{}, e.v
	}
	return write(before, e.after, e.fields()...), nil
}

// editable is the fields of a defect that can be named in a mask.
func editable() []string {
	return []string{"class", "progress", "findings", "limit", "limit_until", "fitter", "due_at", "notes", "certificate", "marking"}
}

// edit is one edit under judgement.
type edit struct {
	EditFacts
	before, after *bothyv1.Defect
	written       map[string]bool // fields of after that the edit sets
	found         bool            // a finding was added
	said          bool            // a note was added
	v             Violations
	denied        *Denied // the first thing that the editor may not do
}

// copy takes the masked fields of edited over.
func (e *edit) copy(edited *bothyv1.Defect, mask []string) {
	if len(mask) == 0 {
		e.v.add("update_mask", "names no field; allowed are %s", strings.Join(editable(), ", "))
	}
	if edited == nil {
		edited = &bothyv1.Defect{}
	}
	from, to := proto.CloneOf(edited).ProtoReflect(), e.after.ProtoReflect()
	for i, name := range mask {
		if !slices.Contains(editable(), name) {
			e.v.add(fmt.Sprintf("update_mask[%d]", i), "%q cannot be edited; allowed are %s", name, strings.Join(editable(), ", "))
			continue
		}
		if !Open(e.before) && name != "notes" {
			e.v.add("defect."+name, "the defect is %s; it takes notes only, and if it is found again it is a new defect", ProgressOf(e.before))
			continue
		}
		field := to.Descriptor().Fields().ByTextName(name)
		to.Clear(field)
		if from.Has(field) {
			to.Set(field, from.Get(field))
		}
		e.written[name] = true
	}
}

func (e *edit) fields() []string {
	var names []string
	for name, set := range e.written {
		if set {
			names = append(names, name)
		}
	}
	return names
}

// may denies something to everybody but some roles.
func (e *edit) may(field, what string, roles ...bothyv1.Role) bool {
	if slices.Contains(roles, e.Editor.GetRole()) {
		return true
	}
	if e.denied == nil {
		e.denied = deny("defect."+field, e.Editor, what, roles...)
	}
	return false
}

func (e *edit) judgeNotes() {
	was, now := e.before.GetNotes(), e.after.GetNotes()
	if !e.written["notes"] || !e.addOnly("notes", len(was), len(now), func(i int) bool { return proto.Equal(was[i], now[i]) }) {
		return
	}
	for i := len(was); i < len(now); i++ {
		field := fmt.Sprintf("defect.notes[%d]", i)
		e.v.needText(field+".text", now[i].GetText(), NoteMax, "say something, or leave the note out")
		e.own(field+".person", now[i].GetPerson())
		now[i] = &bothyv1.Note{Person: e.Editor.GetId(), WrittenAt: seconds(e.Now), Text: strings.TrimSpace(now[i].GetText())}
		e.said = true
	}
}

func (e *edit) judgeFindings() {
	was, now := e.before.GetFindings(), e.after.GetFindings()
	if !e.written["findings"] || !e.addOnly("findings", len(was), len(now), func(i int) bool { return proto.Equal(was[i], now[i]) }) {
		return
	}
	for i := len(was); i < len(now); i++ {
		field := fmt.Sprintf("defect.findings[%d]", i)
		e.v.needText(field+".note", now[i].GetNote(), NoteMax, "say what was found")
		e.own(field+".person", now[i].GetPerson())
		if now[i].GetCheck() != "" {
			e.v.add(field+".check", "is %q; a check adds its findings itself", now[i].GetCheck())
		}
		now[i] = &bothyv1.Finding{Person: e.Editor.GetId(), FoundAt: seconds(e.Now), Note: strings.TrimSpace(now[i].GetNote())}
		e.found = true
	}
}

// addOnly says whether a list still begins with what it was.
func (e *edit) addOnly(name string, was, now int, same func(int) bool) bool {
	kept := now >= was
	for i := 0; kept && i < was; i++ {
		kept = same(i)
	}
	switch {
	case !kept:
		e.v.add("defect."+name, "does not begin with the %d that stand there; nothing is taken away or changed, new ones come last", was)
	case now > ListMax:
		e.v.add("defect."+name, "has %d entries; at most %d are allowed", now, ListMax)
		return false
	}
	return kept
}

// own refuses words in somebody else's name.
func (e *edit) own(field, person string) {
	if person != "" && person != e.Editor.GetId() {
		e.v.add(field, "is %q; you are %q and speak for yourself", person, e.Editor.GetId())
	}
}

func (e *edit) judgeClass() {
	if !e.written["class"] {
		return
	}
	was, now := known(e.before.GetClass()), e.after.GetClass()
	if now != known(now) {
		e.v.add("defect.class", "is missing or not known; allowed are HAZARD, SAFETY and CONDITION")
	}
	if now <= was || !e.may("class", "lower a defect's class", bothyv1.Role_SUPERVISOR) {
		return
	}
	if e.Point.GetAlwaysHazard() {
		e.v.add("defect.class", "is %s, but a defect of %q is always a HAZARD; it ends when it is mended", now, e.Point.GetId())
	}
	if !e.said {
		e.v.add("defect.notes", "has nothing new; say why the class is lowered from %s to %s", was, now)
	}
}

func (e *edit) judgeProgress() {
	if !e.written["progress"] {
		return
	}
	const supervisor, fitter = bothyv1.Role_SUPERVISOR, bothyv1.Role_FITTER
	switch e.after.GetProgress() {
	case bothyv1.Progress_REPORTED:
		e.judgeBack()
	case bothyv1.Progress_TAKEN:
		if e.may("progress", "take a defect", fitter, supervisor) {
			e.judgeTaken()
		}
	case bothyv1.Progress_WAITING:
		e.may("progress", "let a defect wait", fitter)
	case bothyv1.Progress_REPAIRED:
		if e.may("progress", "certify a repair", fitter) {
			e.needCertificate(bothyv1.Outcome_MENDED)
		}
	case bothyv1.Progress_DISMISSED:
		if e.may("progress", "dismiss a defect", fitter, supervisor) {
			e.needCertificate(bothyv1.Outcome_NO_REPAIR_NEEDED)
		}
	case bothyv1.Progress_PROVED:
		e.v.add("defect.progress", "cannot be set to PROVED; the next check that finds the point in order proves the repair")
	default:
		e.v.add("defect.progress", "is missing or not known; allowed are REPORTED, TAKEN, WAITING, REPAIRED and DISMISSED")
	}
}

// judgeTaken names the fitter: themselves, or whom a supervisor says.
func (e *edit) judgeTaken() {
	if e.Editor.GetRole() == bothyv1.Role_FITTER && !e.written["fitter"] {
		e.after.Fitter, e.written["fitter"] = e.Editor.GetId(), true
	}
	if e.after.GetFitter() == "" {
		e.v.add("defect.fitter", "is missing; name the fitter who is to take it")
	}
}

// judgeBack is the way back to REPORTED: a fitter gives a defect back, or
// somebody says why a repair is none.
func (e *edit) judgeBack() {
	switch ProgressOf(e.before) {
	case bothyv1.Progress_TAKEN, bothyv1.Progress_WAITING:
		e.may("progress", "give a defect back", bothyv1.Role_FITTER, bothyv1.Role_SUPERVISOR)
	case bothyv1.Progress_REPAIRED:
		if !e.said && !e.found {
			e.v.add("defect.notes", "has nothing new; say why the repair is none")
		}
	}
}

// needCertificate wants the certificate in the same edit.
func (e *edit) needCertificate(want bothyv1.Outcome) {
	if c := e.after.GetCertificate(); !e.written["certificate"] || c == nil {
		e.v.add("defect.certificate", "is missing; %s needs one, with the outcome %s", e.after.GetProgress(), want)
	} else if c.GetOutcome() != want {
		e.v.add("defect.certificate.outcome", "is %s; %s needs %s", c.GetOutcome(), e.after.GetProgress(), want)
	}
}

func (e *edit) judgeCertificate() {
	if !e.written["certificate"] {
		return
	}
	p, c := e.after.GetProgress(), e.after.GetCertificate()
	if !e.written["progress"] || p != bothyv1.Progress_REPAIRED && p != bothyv1.Progress_DISMISSED {
		e.v.add("defect.certificate", "stands alone; sign it together with the progress REPAIRED or DISMISSED")
		return
	}
	if c == nil {
		return // needCertificate said so
	}
	e.v.needText("defect.certificate.text", c.GetText(), NoteMax, "say what was done, or why nothing had to be")
	e.own("defect.certificate.person", c.GetPerson())
	if seen := known(e.after.GetClass()); c.GetClass() != bothyv1.Class_CLASS_UNSPECIFIED && c.GetClass() != seen {
		e.v.add("defect.certificate.class", "is %s, but the defect is a %s; sign for that, or leave it out", c.GetClass(), seen)
	}
	e.after.Certificate = &bothyv1.Certificate{
		Outcome: c.GetOutcome(), Person: e.Editor.GetId(), SignedAt: seconds(e.Now),
		Text: strings.TrimSpace(c.GetText()), Class: known(e.after.GetClass()),
	}
}

// judgeLimit looks at the limit within which a machine with a SAFETY defect may
// work. What and until when are written together: one of them alone would read
// as something that nobody said.
func (e *edit) judgeLimit() {
	if !e.written["limit"] && !e.written["limit_until"] {
		return
	}
	if !e.may("limit", "state within what limit a machine may work", bothyv1.Role_SUPERVISOR) {
		return
	}
	e.written["limit"], e.written["limit_until"] = true, true
	e.after.Limit = strings.TrimSpace(e.after.GetLimit())
	if e.after.GetLimit() == "" && e.after.GetLimitUntil() == nil {
		return
	}
	if known(e.after.GetClass()) != bothyv1.Class_SAFETY {
		e.v.add("defect.limit", "cannot be set on a %s; only a machine with a SAFETY defect may work within a limit", known(e.after.GetClass()))
	}
	e.v.needText("defect.limit", e.after.GetLimit(), NoteMax, "say what the machine may still do")
	e.judgeLimitUntil()
}

func (e *edit) judgeLimitUntil() {
	until, ok := e.v.time("defect.limit_until", e.after.GetLimitUntil())
	if !ok {
		return
	}
	e.after.LimitUntil = timestamppb.New(until)
	if !until.After(e.Now) {
		e.v.add("defect.limit_until", "is %s, which is past; allowed are times to come", clockText(until))
	}
	if was := e.before.GetLimitUntil(); was != nil && until.After(was.AsTime()) && !e.said {
		e.v.add("defect.notes", "has nothing new; say why the limit is put off from %s to %s", clockText(was.AsTime()), clockText(until))
	}
}

func (e *edit) judgeDue() {
	if !e.written["due_at"] || !e.may("due_at", "say when a defect is due", bothyv1.Role_SUPERVISOR) || e.after.GetDueAt() == nil {
		return
	}
	if due, ok := e.v.time("defect.due_at", e.after.GetDueAt()); ok {
		e.after.DueAt = timestamppb.New(due)
	}
}

func (e *edit) judgeFitter() {
	if !e.written["fitter"] || !e.may("fitter", "say who mends a defect", bothyv1.Role_FITTER, bothyv1.Role_SUPERVISOR) {
		return
	}
	if fitter := e.after.GetFitter(); fitter != "" {
		e.v.id("defect.fitter", fitter)
		if e.Editor.GetRole() == bothyv1.Role_FITTER && fitter != e.Editor.GetId() {
			e.may("fitter", "give a defect to somebody else", bothyv1.Role_SUPERVISOR)
		}
	}
}

// judgeMarking keeps the mark on the machine until the repair is certified
// (49 CFR 398.8(c)(3)).
func (e *edit) judgeMarking() {
	if e.written["class"] || e.written["marking"] || e.written["progress"] {
		hazard := known(e.after.GetClass()) == bothyv1.Class_HAZARD && unmended(e.after)
		e.v.marking("defect.marking", e.after.GetMarking(), hazard)
	}
}

// reopen undoes a repair after a new finding or for a graver class, and asserts
// class and progress again so that a certificate that was signed elsewhere
// meanwhile loses.
func (e *edit) reopen() {
	graver := known(e.after.GetClass()) < known(e.before.GetClass())
	if !e.found && !graver {
		return
	}
	if !e.written["progress"] {
		e.after.Progress = reopened(e.before)
	}
	e.written["class"], e.written["progress"] = true, true
}
