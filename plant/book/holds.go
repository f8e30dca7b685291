package book

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
)

// HoldMachine puts a machine out of service by a person's order, whatever its
// checks say. Anybody may, with a reason, and says how the machine is marked
// (29 CFR 1926.20(b)(3): tagged, controls locked, or removed).
func (b *Book) HoldMachine(ctx context.Context, req *bothyv1.HoldMachineRequest) (*bothyv1.Hold, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		m, err := b.lookup(w).knownMachine("machine", req.GetMachine())
		if err != nil {
			return nil, err
		}
		hold, err := plant.NewHold("", m, req.GetReason(), req.GetMarking(), by.asOperator(), b.options.Clock())
		if err != nil {
			return nil, err
		}
		id, err := w.Create(hold, store.Urgent)
		return []string{id}, err
	})
	if err != nil {
		return nil, err
	}
	holds, err := readAll[*bothyv1.Hold](ctx, b, ids)
	if err != nil {
		return nil, err
	}
	return holds[0], nil
}

// ReleaseMachine lifts every hold on a machine that this replica shows. Only a
// supervisor or a fitter may, with a reason (29 CFR 1926.32(f): somebody with
// the authority to correct). A hold that was given elsewhere and is not here yet
// stands.
func (b *Book) ReleaseMachine(ctx context.Context, req *bothyv1.ReleaseMachineRequest) (*bothyv1.ReleaseMachineResponse, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		m, err := b.lookup(w).knownMachine("machine", req.GetMachine())
		if err != nil {
			return nil, err
		}
		holds, err := listBy[*bothyv1.Hold](w, "machine", m.GetId())
		if err != nil {
			return nil, err
		}
		return b.lift(w, by, m, holds, req.GetReason())
	})
	if err != nil {
		return nil, err
	}
	holds, err := readAll[*bothyv1.Hold](ctx, b, ids)
	return &bothyv1.ReleaseMachineResponse{Holds: holds}, err
}

func (b *Book) lift(w store.Writer, by actor, m *bothyv1.Machine, holds []*bothyv1.Hold, reason string) ([]string, error) {
	var ids []string
	for _, h := range holds {
		if !plant.Held(h) {
			continue
		}
		lifted, err := plant.LiftHold(h, reason, by.asOperator(), b.options.Clock())
		if err != nil {
			return nil, err
		}
		if err := w.Change(lifted, plant.LiftFields(), "", store.Urgent); err != nil {
			return nil, err
		}
		ids = append(ids, h.GetId())
	}
	if len(ids) == 0 {
		var denied *plant.Denied
		if _, err := plant.LiftHold(nil, reason, by.asOperator(), b.options.Clock()); errors.As(err, &denied) {
			return nil, err
		}
		return nil, fault.Precondition("no hold stands on machine %q; what else speaks against its use is in its verdict", m.GetId())
	}
	return ids, nil
}

// ListHolds is the holds that stand, or all of them: the latest order first.
func (b *Book) ListHolds(ctx context.Context, req *bothyv1.ListHoldsRequest) (*bothyv1.ListHoldsResponse, error) {
	resp := new(bothyv1.ListHoldsResponse)
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, refusal(v)
	}
	err := b.read(ctx, req, func(l *lookup) error {
		holds, err := ofMachine[*bothyv1.Hold](l, req.GetMachine())
		if err != nil {
			return err
		}
		holds = slices.DeleteFunc(holds, func(h *bothyv1.Hold) bool { return !plant.Held(h) && !req.GetIncludeLifted() })
		slices.SortFunc(holds, compareHolds)
		resp.Holds, resp.NextPageToken, err = cut(p, holds, compareHolds, func(h *bothyv1.Hold) *bothyv1.Hold {
			return &bothyv1.Hold{Id: h.GetId(), HeldAt: h.GetHeldAt()}
		})
		return err
	})
	return resp, err
}

func compareHolds(a, b *bothyv1.Hold) int {
	return cmp.Or(b.GetHeldAt().AsTime().Compare(a.GetHeldAt().AsTime()), cmp.Compare(a.GetId(), b.GetId()))
}

// ofMachine is all records of a kind that are listed by machine: those of one,
// in any spelling, or of all if none is asked for. A machine of which nothing at
// all is known is refused: an empty list would read as good news.
func ofMachine[T record](l *lookup, asked string) ([]T, error) {
	if asked == "" {
		return list[T](l)
	}
	id, err := plant.MachineID(asked)
	if err != nil {
		return nil, wrong("machine", "%v", err)
	}
	found, err := listBy[T](l, "machine", id)
	if err == nil && len(found) == 0 {
		_, err = l.knownMachine("machine", asked)
	}
	return found, err
}

// readAll reads the records with these ids, which are there.
func readAll[T record](ctx context.Context, b *Book, ids []string) ([]T, error) {
	var out []T
	err := b.store.Read(ctx, func(r store.Reader) error {
		for _, id := range ids {
			m, err := get[T](r, id)
			if err != nil {
				return err
			}
			out = append(out, m)
		}
		return nil
	})
	return out, err
}
