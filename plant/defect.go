package plant

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Lanes of urgency on a thin link, the most urgent first.
const (
	// LaneHazard is for a hazard, a hold, and the lifting of one.
	LaneHazard = 0
	// LaneDefect is for other defects and their progress.
	LaneDefect = 1
	// LaneRest is for checks and everything else.
	LaneRest = 2
)

// DefectWrite is one write to one defect.
type DefectWrite struct {
	// Defect as it reads after the write, whole.
	Defect *bothyv1.Defect
	// Fields that the write sets, by their names in the proto file, in the
	// order of that file. All of them must be written, those whose value did
	// not change as well: a field that is asserted again wins, by its rule, over
	// what somebody wrote who had not seen this write.
	Fields []string
	// New means that the defect did not exist before.
	New bool
	// Lane is how urgent the write is.
	Lane int
}

// write is the write that turns before (nil for a new defect) into after.
func write(before, after *bothyv1.Defect, fields ...string) DefectWrite {
	order := after.ProtoReflect().Descriptor().Fields()
	slices.SortFunc(fields, func(a, b string) int {
		return cmp.Compare(order.ByTextName(a).Number(), order.ByTextName(b).Number())
	})
	w := DefectWrite{Defect: after, Fields: slices.Compact(fields), New: before == nil, Lane: LaneDefect}
	if known(after.GetClass()) == bothyv1.Class_HAZARD || before != nil && known(before.GetClass()) == bothyv1.Class_HAZARD {
		w.Lane = LaneHazard
	}
	return w
}

// ProgressOf is how far a defect is on the chain of report, certificate and
// review (49 CFR 396.11 and 396.13), as far as its records bear it out.
// REPAIRED, DISMISSED and PROVED need a certificate that covers the class that
// the defect has now; without one the defect reads as REPORTED, and so does one
// whose progress this program does not know. So no merge of edits that were
// made apart can end a defect that its signer had not seen as grave as it is
// (49 CFR 398.8(c)(3): nobody takes the mark off before every repair is made).
func ProgressOf(d *bothyv1.Defect) bothyv1.Progress {
	switch p := d.GetProgress(); p {
	case bothyv1.Progress_TAKEN, bothyv1.Progress_WAITING:
		return p
	case bothyv1.Progress_REPAIRED, bothyv1.Progress_DISMISSED, bothyv1.Progress_PROVED:
		if covered(d) {
			return p
		}
	}
	return bothyv1.Progress_REPORTED
}

// Open holds until a defect is PROVED or DISMISSED.
func Open(d *bothyv1.Defect) bool {
	p := ProgressOf(d)
	return p != bothyv1.Progress_PROVED && p != bothyv1.Progress_DISMISSED
}

// unmended holds until somebody certified that a defect is mended or need not
// be.
func unmended(d *bothyv1.Defect) bool { return ProgressOf(d) < bothyv1.Progress_REPAIRED }

// covered holds if a named person certified the defect as it is now, or as
// something graver.
func covered(d *bothyv1.Defect) bool {
	c := d.GetCertificate()
	signed := c.GetPerson() != "" && c.GetText() != "" && c.GetSignedAt() != nil &&
		(c.GetOutcome() == bothyv1.Outcome_MENDED || c.GetOutcome() == bothyv1.Outcome_NO_REPAIR_NEEDED)
	return signed && c.GetClass() != bothyv1.Class_CLASS_UNSPECIFIED && c.GetClass() <= known(d.GetClass())
}

// FoundAt is when a defect was first found: its first finding in time. The
// zero time if it has none.
func FoundAt(d *bothyv1.Defect) time.Time {
	var first time.Time
	for _, f := range d.GetFindings() {
		if t := f.GetFoundAt().AsTime(); f.GetFoundAt() != nil && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	return first
}

// ReportFacts is what must be known to take the report of a defect that was
// found outside a check.
type ReportFacts struct {
	// Machine and Site that the report names; nil if there is none.
	Machine *bothyv1.Machine
	Site    *bothyv1.Site
	// Point that the report names, in any edition that has it; nil if it names
	// none or there is none.
	Point *bothyv1.Point
	// Person who reports. Anyone may, listed or not.
	Person string
	Now    time.Time
}

// ReportDefect takes the report of a defect outside a check. It reads machine,
// site, point (may be empty), text, class and marking (needed for a HAZARD),
// and keeps the id; whatever else is set is refused. The class may be more
// cautious than the point's own, never less.
func ReportDefect(d *bothyv1.Defect, f ReportFacts) (DefectWrite, error) {
	var v Violations
	if f.Machine == nil || d.GetMachine() != f.Machine.GetId() {
		v.add("defect.machine", "%q is not a machine on the register", d.GetMachine())
	}
	if f.Site == nil || d.GetSite() != f.Site.GetId() {
		v.add("defect.site", "%q is not a site on the register", d.GetSite())
	}
	if d.GetPoint() != f.Point.GetId() {
		v.add("defect.point", "%q is not a point of a sheet for this machine; leave it out if the defect is at none", d.GetPoint())
	}
	v.id("person", f.Person)
	v.needText("defect.text", d.GetText(), NoteMax, "say what was found")
	class := v.reportedClass(d, f.Point)
	v.marking("defect.marking", d.GetMarking(), class == bothyv1.Class_HAZARD)
	v.onlyReported(d)
	if len(v) > 0 {
		return DefectWrite{}, v
	}
	text := strings.TrimSpace(d.GetText())
	return write(nil, &bothyv1.Defect{
		Id: d.GetId(), Machine: d.GetMachine(), Site: d.GetSite(), Point: d.GetPoint(), Text: text,
		Class: class, Progress: bothyv1.Progress_REPORTED, Marking: d.GetMarking(),
		Findings: []*bothyv1.Finding{{Person: f.Person, FoundAt: seconds(f.Now), Note: text}},
	}, "machine", "site", "point", "text", "class", "progress", "findings", "marking"), nil
}

func (v *Violations) reportedClass(d *bothyv1.Defect, p *bothyv1.Point) bothyv1.Class {
	said := d.GetClass()
	if said != known(said) {
		v.add("defect.class", "is missing or not known; allowed are HAZARD, SAFETY and CONDITION")
	} else if p != nil && said > pointClass(p, 0) {
		v.add("defect.class", "is %s, but a defect of %q is at least %s", said, p.GetId(), pointClass(p, 0))
	}
	return said
}

// onlyReported refuses what a report does not carry.
func (v *Violations) onlyReported(d *bothyv1.Defect) {
	if p := d.GetProgress(); p != bothyv1.Progress_PROGRESS_UNSPECIFIED && p != bothyv1.Progress_REPORTED {
		v.add("defect.progress", "is %s; a new defect is REPORTED", p)
	}
	for _, f := range []struct {
		name string
		set  bool
	}{
		{"findings", len(d.GetFindings()) > 0},
		{"limit", d.GetLimit() != ""},
		{"limit_until", d.GetLimitUntil() != nil},
		{"fitter", d.GetFitter() != ""},
		{"due_at", d.GetDueAt() != nil},
		{"notes", len(d.GetNotes()) > 0},
		{"certificate", d.GetCertificate() != nil},
		{"proved_by", d.GetProvedBy() != ""},
	} {
		if f.set {
			v.add("defect."+f.name, "is not part of a report; leave it out and edit the defect afterwards")
		}
	}
}

// seconds is a time as records keep it: in whole seconds.
func seconds(t time.Time) *timestamppb.Timestamp {
	return timestamppb.New(t.Truncate(time.Second))
}
