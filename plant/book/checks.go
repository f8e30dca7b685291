package book

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
)

// CreateCheck takes a check whole, with what it does to the machine's defects,
// or refuses it with everything that is wrong. Anybody may check a machine.
func (b *Book) CreateCheck(ctx context.Context, req *bothyv1.CreateCheckRequest) (*bothyv1.Check, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		if req.GetCheck() == nil {
			return nil, wrong("check", "is missing; send the check that was made")
		}
		l := b.lookup(w)
		facts, v, err := l.checkFacts(req.GetCheck(), by)
		if err != nil {
			return nil, err
		}
		check, more := plant.AcceptCheck(addressed(req.GetCheck(), facts, by), facts)
		if v = also(v, more); len(v) > 0 {
			return nil, v
		}
		if b.options.ClockDoubtful() && !slices.Contains(check.GetDoubts(), bothyv1.Doubt_CLOCK_DIFFERS) {
			check.Doubts = append(check.Doubts, bothyv1.Doubt_CLOCK_DIFFERS)
		}
		id, err := w.Create(check, store.Calm)
		if err != nil {
			return nil, err
		}
		if err := l.publishBrought(w, facts.Sheet); err != nil {
			return nil, err
		}
		return []string{id}, writeDefects(w, plant.Findings(check, facts.Sheet, facts.Defects))
	})
	if err != nil {
		return nil, err
	}
	return b.GetCheck(ctx, &bothyv1.GetCheckRequest{Check: ids[0]})
}

// checkFacts gathers what a check is judged by. The violations are those that
// the trade cannot see: who sends it, and from where.
func (l *lookup) checkFacts(check *bothyv1.Check, by actor) (f plant.CheckFacts, v plant.Violations, err error) {
	f = plant.CheckFacts{Person: by.person, Now: l.now}
	if finished := check.GetFinishedAt().AsTime(); l.book.options.ClockDoubtful() && finished.After(f.Now) {
		// A dead clock battery must not keep anybody from saving a check.
		f.Now = finished
	}
	if f.Machine, err = l.knownMachine("check.machine", check.GetMachine()); err != nil {
		return f, nil, err
	}
	if f.Site, v, err = l.workplace("check.site", check.GetSite(), f.Machine.GetSite()); err != nil {
		return f, nil, err
	}
	v = append(v, ownWord(check, by)...)
	sheets, err := l.sheetsOf(f.Machine.GetMachineType())
	if err != nil {
		return f, nil, err
	}
	if f.Sheet, err = l.sheet(check.GetSheet()); err != nil {
		return f, nil, err
	}
	purpose := f.Sheet.GetPurpose()
	if f.Sheet == nil {
		purpose = bothyv1.Purpose_PRE_USE
	}
	f.InForce = plant.InForce(sheets, f.Machine.GetMachineType(), purpose).GetId()
	if f.Defects, err = l.defectsOf(f.Machine.GetId()); err != nil {
		return f, nil, err
	}
	f.Previous, err = l.previous(f.Machine.GetId())
	return f, v, err
}

// ownWord refuses a check in somebody else's name, and one with an id.
func ownWord(check *bothyv1.Check, by actor) plant.Violations {
	var v violations
	if check.GetId() != "" {
		v.add("check.id", "is given by the server; leave it out")
	}
	if by.person == nil && check.GetPerson() != "" && check.GetPerson() != by.id {
		v.add("check.person", "is %q, but the person who sends it is %q", check.GetPerson(), by.id)
	}
	return plant.Violations(v)
}

// addressed is the check with the ids of its machine, site and person, where it
// left them out or spelt them in another way.
func addressed(check *bothyv1.Check, f plant.CheckFacts, by actor) *bothyv1.Check {
	c := proto.CloneOf(check)
	c.Machine = f.Machine.GetId()
	if f.Site != nil {
		c.Site = f.Site.GetId()
	}
	if c.GetPerson() == "" || f.Person == nil {
		c.Person = by.id
	}
	return c
}

// previousBack is among how many of a machine's checks the one with the latest
// reading of its meter is looked for: a few may have been sent out of order.
const previousBack = 20

// previous is the machine's check with the latest reading of the hour meter, as
// amended; nil if there is none.
func (l *lookup) previous(machine string) (*bothyv1.Check, error) {
	var latest *bothyv1.Check
	n := 0
	for c, err := range each[*bothyv1.Check](l.ListBy((*bothyv1.Check)(nil), "machine", machine, true)) {
		if err != nil {
			return nil, err
		}
		if latest == nil || c.GetFinishedAt().AsTime().After(latest.GetFinishedAt().AsTime()) {
			latest = c
		}
		if n++; n == previousBack {
			break
		}
	}
	if latest == nil {
		return nil, nil
	}
	amendments, err := listBy[*bothyv1.Amendment](l, "check", latest.GetId())
	return plant.Amended(latest, amendments), err
}

// writeDefects writes what a check or an amendment does to defects.
func writeDefects(w store.Writer, writes []plant.DefectWrite) error {
	for _, d := range writes {
		var err error
		if d.New {
			_, err = w.Create(d.Defect, store.Lane(d.Lane))
		} else {
			err = w.Change(d.Defect, d.Fields, "", store.Lane(d.Lane))
		}
		if err != nil {
			return fmt.Errorf("write defect %q: %w", d.Defect.GetId(), err)
		}
	}
	return nil
}

// AmendCheck puts a mistake in a check right without changing the check. Who may
// say what is in plant.AcceptAmendment.
func (b *Book) AmendCheck(ctx context.Context, req *bothyv1.AmendCheckRequest) (*bothyv1.Check, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		l := b.lookup(w)
		f, err := l.amendFacts(req.GetCheck(), by)
		if err != nil {
			return nil, err
		}
		a, err := plant.AcceptAmendment(&bothyv1.Amendment{
			Check: req.GetCheck(), Reason: req.GetReason(), Answers: req.GetAnswers(), MeterHours: req.MeterHours, Marking: req.GetMarking(),
		}, f)
		if err != nil {
			return nil, err
		}
		if _, err := w.Create(a, store.Calm); err != nil {
			return nil, err
		}
		return []string{f.Check.GetId()}, writeDefects(w, plant.AmendmentFindings(a, f.Check, f.Sheet, f.Defects))
	})
	if err != nil {
		return nil, err
	}
	return b.GetCheck(ctx, &bothyv1.GetCheckRequest{Check: ids[0]})
}

func (l *lookup) amendFacts(check string, by actor) (f plant.AmendFacts, err error) {
	f.Person = by.person
	if f.Check, err = known[*bothyv1.Check](l, "check", "check", check); err != nil {
		return f, err
	}
	if f.Sheet, err = l.sheet(f.Check.GetSheet()); err != nil {
		return f, err
	}
	if f.Sheet == nil {
		return f, fault.Precondition("the sheet %q of check %q has not reached this node yet; amend it where it was made", f.Check.GetSheet(), check)
	}
	f.Defects, err = l.defectsOf(f.Check.GetMachine())
	return f, err
}

// known is the record with an id, or the fault that says that there is none;
// field is where the request names it.
func known[T record](l *lookup, what, field, id string) (T, error) {
	if err := plant.ValidRecordID(id); err != nil {
		var none T
		return none, wrong(field, "%v", err)
	}
	m, err := get[T](l, id)
	if err == nil && !m.ProtoReflect().IsValid() {
		err = fault.Missing(what, id)
	}
	return m, err
}
