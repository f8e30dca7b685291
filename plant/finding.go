package plant

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Findings is what an accepted check does to the machine's defects. The check
// may be as stored or expanded; sheet is the edition that it names, whole;
// defects are those of the machine, open and closed.
//
//   - An answer of DEFECT joins every open defect at the same point, or opens a
//     new one with the id "<check>.<point>". The class only becomes more
//     cautious. A defect that was REPAIRED goes back to REPORTED. Class and
//     progress are asserted again, so that a repair which is certified elsewhere
//     meanwhile loses against the finding.
//   - An answer of OK proves a repair at that point, if the check began after
//     the certificate was signed (within [FutureTolerance]: two clocks) and was
//     finished later than it. It changes no other defect: nobody but the chain
//     ends one.
//   - A REPAIRED defect that is at no point of a sheet is proved by the next
//     pre-use check whose maker confirms having seen it (49 CFR 396.13(b)-(c)).
//
// The same check on the defects as they read afterwards gives nothing.
func Findings(check *bothyv1.Check, sheet *bothyv1.Sheet, defects []*bothyv1.Defect) []DefectWrite {
	f := finder{check: check, defects: defects}
	writes := f.discoveries(check.GetAnswers(), sheet)
	for _, point := range inOrder(check, sheet) {
		writes = append(writes, f.proved(point)...)
	}
	if sheet.GetPurpose() == bothyv1.Purpose_PRE_USE {
		writes = append(writes, f.reviewed()...)
	}
	return writes
}

// AmendmentFindings is what an amendment does to the machine's defects: its
// answers of DEFECT count like those of the check that it amends, also where
// that had found the defect already and the amendment makes it graver. An
// answer that was amended to OK neither closes nor proves anything.
func AmendmentFindings(a *bothyv1.Amendment, check *bothyv1.Check, sheet *bothyv1.Sheet, defects []*bothyv1.Defect) []DefectWrite {
	f := finder{check: proto.CloneOf(check), defects: defects}
	f.check.Person = a.GetPerson()
	f.check.Marking = cmp.Or(a.GetMarking(), check.GetMarking())
	f.suffix = "\n(amended: " + a.GetReason() + ")"
	return f.discoveries(a.GetAnswers(), sheet)
}

// inOrder is the points that a check answered OK, stored or expanded. Of a check
// that does not fit its sheet none can be told.
func inOrder(check *bothyv1.Check, sheet *bothyv1.Sheet) []string {
	whole, err := Expand(check, sheet)
	if err != nil {
		return nil
	}
	var points []string
	for _, a := range whole.GetAnswers() {
		if a.GetState() == bothyv1.AnswerState_OK {
			points = append(points, a.GetPoint())
		}
	}
	return points
}

// finder works one check into the defects of its machine.
type finder struct {
	check   *bothyv1.Check
	defects []*bothyv1.Defect
	suffix  string // of the notes of its findings
}

// discoveries is what answers of DEFECT do.
func (f finder) discoveries(answers []*bothyv1.Answer, sheet *bothyv1.Sheet) []DefectWrite {
	var writes []DefectWrite
	for _, a := range answers {
		if a.GetState() != bothyv1.AnswerState_DEFECT {
			continue
		}
		if p, ok := FindPoint(sheet, a.GetPoint()); ok {
			writes = append(writes, f.found(p, a)...)
		}
	}
	return writes
}

// at is the defects of the check's machine at a point.
func (f finder) at(point string) []*bothyv1.Defect {
	var at []*bothyv1.Defect
	for _, d := range f.defects {
		if d.GetMachine() == f.check.GetMachine() && d.GetPoint() == point {
			at = append(at, d)
		}
	}
	return at
}

func (f finder) found(p *bothyv1.Point, a *bothyv1.Answer) []DefectWrite {
	finding := &bothyv1.Finding{
		Check: f.check.GetId(), Person: f.check.GetPerson(),
		FoundAt: proto.CloneOf(f.check.GetFinishedAt()), Note: a.GetNote() + f.suffix,
	}
	at := f.at(p.GetId())
	if slices.ContainsFunc(at, func(d *bothyv1.Defect) bool { return recorded(d, finding) }) {
		return nil
	}
	var joined []DefectWrite
	for _, d := range at {
		if Open(d) {
			joined = append(joined, f.join(d, pointClass(p, a.GetClass()), finding))
		}
	}
	if len(joined) > 0 {
		return joined
	}
	return []DefectWrite{f.open(p, a, finding)}
}

// recorded holds if a defect already has a finding. One that is closed takes
// no second finding from the same check.
func recorded(d *bothyv1.Defect, f *bothyv1.Finding) bool {
	return slices.ContainsFunc(d.GetFindings(), func(g *bothyv1.Finding) bool {
		return g.GetCheck() == f.GetCheck() && (!Open(d) || g.GetPerson() == f.GetPerson() && g.GetNote() == f.GetNote())
	})
}

func (f finder) open(p *bothyv1.Point, a *bothyv1.Answer, finding *bothyv1.Finding) DefectWrite {
	d := &bothyv1.Defect{
		Id:      f.check.GetId() + "." + p.GetId(),
		Machine: f.check.GetMachine(), Site: f.check.GetSite(), Point: p.GetId(), Text: a.GetNote(),
		Class: pointClass(p, a.GetClass()), Progress: bothyv1.Progress_REPORTED,
		Findings: []*bothyv1.Finding{finding},
	}
	fields := []string{"machine", "site", "point", "text", "class", "progress", "findings"}
	if d.Class == bothyv1.Class_HAZARD {
		d.Marking = f.check.GetMarking()
		fields = append(fields, "marking")
	}
	return write(nil, d, fields...)
}

func (f finder) join(before *bothyv1.Defect, class bothyv1.Class, finding *bothyv1.Finding) DefectWrite {
	d := proto.CloneOf(before)
	fields := []string{"class", "progress", "findings"}
	d.Findings = append(d.Findings, finding)
	d.Class = min(known(d.GetClass()), class)
	d.Progress = reopened(d)
	if d.Class == bothyv1.Class_HAZARD && f.check.GetMarking() != bothyv1.Marking_MARKING_UNSPECIFIED {
		d.Marking = f.check.GetMarking()
		fields = append(fields, "marking")
	}
	return write(before, d, fields...)
}

// reopened is the progress of a defect that was found again: a fitter who has
// it keeps it, a repair is undone.
func reopened(d *bothyv1.Defect) bothyv1.Progress {
	if unmended(d) {
		return ProgressOf(d)
	}
	return bothyv1.Progress_REPORTED
}

func (f finder) proved(point string) []DefectWrite {
	var writes []DefectWrite
	for _, d := range f.at(point) {
		if f.after(d) {
			writes = append(writes, f.prove(d))
		}
	}
	return writes
}

// reviewed proves the repairs of defects that are at no point of a sheet.
func (f finder) reviewed() []DefectWrite {
	var writes []DefectWrite
	for _, d := range f.at("") {
		if slices.Contains(f.check.GetSeenDefects(), d.GetId()) && f.after(d) {
			writes = append(writes, f.prove(d))
		}
	}
	return writes
}

func (f finder) prove(before *bothyv1.Defect) DefectWrite {
	d := proto.CloneOf(before)
	d.Progress, d.ProvedBy = bothyv1.Progress_PROVED, f.check.GetId()
	return write(before, d, "progress", "proved_by")
}

// after holds if a defect is repaired, and this check was made after its
// certificate was signed.
func (f finder) after(d *bothyv1.Defect) bool {
	if ProgressOf(d) != bothyv1.Progress_REPAIRED {
		return false
	}
	signed := d.GetCertificate().GetSignedAt().AsTime()
	return !timeOf(f.check.GetStartedAt()).Before(signed.Add(-FutureTolerance)) && timeOf(f.check.GetFinishedAt()).After(signed)
}

// timeOf is the zero time for a timestamp that is not set.
func timeOf(ts *timestamppb.Timestamp) time.Time {
	if ts == nil {
		return time.Time{}
	}
	return ts.AsTime()
}
