package book

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// CreateDefect takes the report of a defect that was found outside a check.
// Anybody may report.
func (b *Book) CreateDefect(ctx context.Context, req *bothyv1.CreateDefectRequest) (*bothyv1.Defect, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		if req.GetDefect() == nil {
			return nil, wrong("defect", "is missing; send the defect that was found")
		}
		l := b.lookup(w)
		facts, v, err := l.reportFacts(req.GetDefect(), by)
		if err != nil {
			return nil, err
		}
		d := proto.CloneOf(req.GetDefect())
		d.Machine = facts.Machine.GetId()
		if facts.Site != nil {
			d.Site = facts.Site.GetId()
		}
		report, err := plant.ReportDefect(d, facts)
		if v, err = collected(v, err); err != nil {
			return nil, err
		}
		if len(v) > 0 {
			return nil, v
		}
		id, err := w.Create(report.Defect, store.Lane(report.Lane))
		return []string{id}, err
	})
	if err != nil {
		return nil, err
	}
	return b.GetDefect(ctx, &bothyv1.GetDefectRequest{Defect: ids[0]})
}

// reportFacts gathers what a report is judged by, with the violations that the
// trade cannot see.
func (l *lookup) reportFacts(d *bothyv1.Defect, by actor) (f plant.ReportFacts, v plant.Violations, err error) {
	f = plant.ReportFacts{Person: by.id, Now: l.now}
	if f.Machine, err = l.knownMachine("defect.machine", d.GetMachine()); err != nil {
		return f, nil, err
	}
	if f.Site, v, err = l.workplace("defect.site", d.GetSite(), f.Machine.GetSite()); err != nil {
		return f, nil, err
	}
	f.Point, err = l.point(f.Machine.GetMachineType(), d.GetPoint())
	return f, append(computed("defect", d), v...), err
}

// UpdateDefect edits a defect by the rules of plant.EditDefect. It needs the
// etag that its caller read. A stale one is no refusal: the edit is judged by
// what its editor had seen and kept beside what others wrote meanwhile, and the
// answer names the fields that now have two versions.
func (b *Book) UpdateDefect(ctx context.Context, req *bothyv1.UpdateDefectRequest) (*bothyv1.Defect, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		l := b.lookup(w)
		now, err := known[*bothyv1.Defect](l, "defect", "defect.id", req.GetDefect().GetId())
		if err != nil {
			return nil, err
		}
		seen, v := etagGiven("defect.etag", req.GetDefect().GetEtag(), now)
		fields, more := masked("defect", req.GetDefect(), req.GetUpdateMask())
		if v = append(v, more...); len(v) > 0 {
			return nil, v
		}
		facts, err := l.editFacts(now, by)
		if err != nil {
			return nil, err
		}
		before, edited := asSeen(now, req.GetDefect(), seen)
		edit, err := plant.EditDefect(before, edited, fields, facts)
		if err != nil {
			return nil, err
		}
		return []string{now.GetId()}, w.Change(edit.Defect, edit.Fields, seen.store, store.Lane(edit.Lane))
	})
	if err != nil {
		return nil, err
	}
	return b.GetDefect(ctx, &bothyv1.GetDefectRequest{Defect: ids[0]})
}

// editFacts gathers what an edit is judged by. A point that no sheet here has,
// because its sheet or its machine is still on the way, is taken for one whose
// class cannot be lowered.
func (l *lookup) editFacts(d *bothyv1.Defect, by actor) (f plant.EditFacts, err error) {
	f = plant.EditFacts{Editor: by.person, Now: l.now}
	m, err := l.machineByID(d.GetMachine())
	if err != nil || d.GetPoint() == "" {
		return f, err
	}
	if f.Point, err = l.point(m.GetMachineType(), d.GetPoint()); f.Point == nil {
		f.Point = &bothyv1.Point{Id: d.GetPoint(), AlwaysHazard: true}
	}
	return f, err
}

// asSeen is a defect as its editor saw it, and the edit as it continues from
// there, where the record moved on since. Class and progress are those that the
// etag carries, so that nobody signs for a class that they did not know of.
// Lists only grow: what others added meanwhile comes before what the editor
// adds.
func asSeen(now, edited *bothyv1.Defect, seen etag) (before, asked *bothyv1.Defect) {
	if current, ok := parseEtag(now.GetEtag(), now); ok && current.store == seen.store {
		return now, edited
	}
	before, asked = proto.CloneOf(now), proto.CloneOf(edited)
	before.Class, before.Progress = seen.class, seen.progress
	asked.Notes = continued(now.GetNotes(), edited.GetNotes())
	asked.Findings = continued(now.GetFindings(), edited.GetFindings())
	return before, asked
}

// continued is a list with those entries of another that it does not have.
func continued[T proto.Message](list, other []T) []T {
	out := slices.Clone(list)
	for _, m := range other {
		if !slices.ContainsFunc(out, func(o T) bool { return proto.Equal(o, m) }) {
			out = append(out, m)
		}
	}
	return out
}

// GetDefect is a defect as it reads now.
func (b *Book) GetDefect(ctx context.Context, req *bothyv1.GetDefectRequest) (*bothyv1.Defect, error) {
	var d *bothyv1.Defect
	err := b.read(ctx, req, func(l *lookup) (err error) {
		d, err = known[*bothyv1.Defect](l, "defect", "defect", req.GetDefect())
		return err
	})
	return d, err
}

// ListDefects is the open defects of a machine or of all, or the closed ones
// too, in the order in which they should be worked.
func (b *Book) ListDefects(ctx context.Context, req *bothyv1.ListDefectsRequest) (*bothyv1.ListDefectsResponse, error) {
	resp := new(bothyv1.ListDefectsResponse)
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, refusal(v)
	}
	err := b.read(ctx, req, func(l *lookup) error {
		defects, err := ofMachine[*bothyv1.Defect](l, req.GetMachine())
		if err != nil {
			return err
		}
		defects = slices.DeleteFunc(defects, func(d *bothyv1.Defect) bool { return !plant.Open(d) && !req.GetIncludeClosed() })
		slices.SortFunc(defects, byUrgency)
		resp.Defects, resp.NextPageToken, err = cut(p, defects, byUrgency, defectKey)
		return err
	})
	return resp, err
}

// byUrgency is the order of the queue, of defects by themselves.
func byUrgency(a, b *bothyv1.Defect) int {
	return plant.CompareForQueue(&bothyv1.QueueRow{Defect: a}, &bothyv1.QueueRow{Defect: b})
}

// defectKey is what the order of the queue looks at.
func defectKey(d *bothyv1.Defect) *bothyv1.Defect {
	return &bothyv1.Defect{Id: d.GetId(), Class: d.GetClass(), DueAt: d.GetDueAt(), ReportedAt: d.GetReportedAt()}
}

// ListMachineSheets is the sheets in force for a machine, with the points that
// its options leave, and the open defects that its plant operator must have
// seen before the check (49 CFR 396.13).
func (b *Book) ListMachineSheets(ctx context.Context, req *bothyv1.ListMachineSheetsRequest) (*bothyv1.ListMachineSheetsResponse, error) {
	resp := new(bothyv1.ListMachineSheetsResponse)
	err := b.read(ctx, req, func(l *lookup) error {
		m, err := l.knownMachine("machine", req.GetMachine())
		if err != nil {
			return err
		}
		if resp.Sheets, err = l.appliedSheets(m); err != nil {
			return err
		}
		defects, err := l.defectsOf(m.GetId())
		for _, d := range defects {
			if plant.Open(d) {
				resp.OpenDefects = append(resp.OpenDefects, d)
			}
		}
		slices.SortFunc(resp.OpenDefects, byUrgency)
		return err
	})
	return resp, err
}

func (l *lookup) appliedSheets(m *bothyv1.Machine) ([]*bothyv1.Sheet, error) {
	sheets, err := l.sheetsOf(m.GetMachineType())
	if err != nil {
		return nil, err
	}
	var out []*bothyv1.Sheet
	for _, purpose := range []bothyv1.Purpose{bothyv1.Purpose_PRE_USE, bothyv1.Purpose_WEEKLY} {
		inForce := plant.InForce(sheets, m.GetMachineType(), purpose)
		if inForce == nil {
			continue
		}
		if v := plant.ValidOptions(inForce, m.GetOptions()); len(v) > 0 {
			return nil, unfit(m, v)
		}
		out = append(out, plant.Applied(inForce, m.GetOptions()))
	}
	return out, nil
}
