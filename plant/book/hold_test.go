package book_test

import (
	"context"
	"slices"
	"testing"
	"time"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

func (w *world) hold(person, machine, reason string) *bothyv1.Hold {
	w.t.Helper()
	h, err := w.HoldMachine(as(person), &bothyv1.HoldMachineRequest{Machine: machine, Reason: reason, Marking: bothyv1.Marking_TAGGED, RequestId: w.id()})
	if err != nil {
		w.t.Fatal(err)
	}
	return h
}

func (w *world) holds(req *bothyv1.ListHoldsRequest) []string {
	w.t.Helper()
	resp, err := w.ListHolds(context.Background(), req)
	if err != nil {
		w.t.Fatal(err)
	}
	var ids []string
	for _, h := range resp.GetHolds() {
		ids = append(ids, h.GetId())
	}
	return ids
}

func TestAHoldStopsTheMachineUntilItIsLifted(t *testing.T) {
	w := checked(t)
	first := w.hold(stranger, "D/14", "smells of fuel")
	w.later(time.Minute)
	second := w.hold(operator, "d-14", "and smokes")
	other := w.hold(operator, "d-15", "cannot steer")
	if first.GetState() != bothyv1.HoldState_HELD || first.GetPerson() != stranger || first.GetMachine() != "d-14" || first.GetEtag() == "" {
		t.Errorf("hold %v", first)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("held, and the machine reads %s", got)
	}
	if got, want := w.holds(&bothyv1.ListHoldsRequest{Machine: "D 14"}), []string{second.GetId(), first.GetId()}; !slices.Equal(got, want) {
		t.Errorf("holds %q, want %q", got, want)
	}

	resp, err := w.ReleaseMachine(as(fitter), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: "hose replaced"})
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range resp.GetHolds() {
		if h.GetState() != bothyv1.HoldState_LIFTED || h.GetLiftedBy() != fitter || h.GetReason() == "" {
			t.Errorf("lifted %v", h)
		}
	}
	if len(resp.GetHolds()) != 2 || w.standing("d-14") != bothyv1.Standing_FIT {
		t.Errorf("%d lifted, and the machine reads %s", len(resp.GetHolds()), w.standing("d-14"))
	}
	if got, want := w.holds(&bothyv1.ListHoldsRequest{}), []string{other.GetId()}; !slices.Equal(got, want) {
		t.Errorf("holds %q, want %q", got, want)
	}
	if got := w.holds(&bothyv1.ListHoldsRequest{IncludeLifted: true}); len(got) != 3 {
		t.Errorf("holds %q, want all three", got)
	}
}

func TestRefusedHolds(t *testing.T) {
	tagged := bothyv1.Marking_TAGGED
	for _, tt := range []struct {
		name   string
		req    *bothyv1.HoldMachineRequest
		kind   fault.Kind
		fields []string
	}{
		// 29 CFR 1926.20(b)(3): tagged, controls locked, or removed.
		{"no mark, no reason", &bothyv1.HoldMachineRequest{Machine: "d-14"}, fault.KindInvalid, []string{"reason", "marking"}},
		{"a reason of blanks", &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: " \n ", Marking: tagged}, fault.KindInvalid, []string{"reason"}},
		{"an unknown mark", &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "x", Marking: 9}, fault.KindInvalid, []string{"marking"}},
		{"no machine", &bothyv1.HoldMachineRequest{Reason: "x", Marking: tagged}, fault.KindInvalid, []string{"machine"}},
		{"machine unknown", &bothyv1.HoldMachineRequest{Machine: "d-99", Reason: "x", Marking: tagged}, fault.KindMissing, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			tt.req.RequestId = w.id()
			_, err := w.HoldMachine(as(operator), tt.req)
			wantFault(t, err, tt.kind, tt.fields...)
		})
	}
}

// 29 CFR 1926.32(f): a competent person has the authority to correct.
func TestWhoMayLiftAHold(t *testing.T) {
	for _, tt := range []struct {
		person string
		reason string
		kind   fault.Kind
		fields []string
	}{
		{operator, "looks well", fault.KindForbidden, nil},
		{office, "looks well", fault.KindForbidden, nil},
		{stranger, "looks well", fault.KindForbidden, nil},
		{supervisor, "", fault.KindInvalid, []string{"reason"}},
	} {
		t.Run(tt.person, func(t *testing.T) {
			w := checked(t)
			w.hold(operator, "d-14", "smoke")
			_, err := w.ReleaseMachine(as(tt.person), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: tt.reason})
			wantFault(t, err, tt.kind, tt.fields...)
			if got := w.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
				t.Errorf("the machine reads %s", got)
			}
		})
	}
	t.Run("no hold stands", func(t *testing.T) {
		w := checked(t)
		for person, kind := range map[string]fault.Kind{supervisor: fault.KindPrecondition, operator: fault.KindForbidden, stranger: fault.KindForbidden} {
			_, err := w.ReleaseMachine(as(person), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: "looked at"})
			wantFault(t, err, kind)
		}
	})
}

func TestAMachineIsHeldAndLiftedAgain(t *testing.T) {
	w := checked(t)
	for i := range 3 {
		h := w.hold(operator, "d-14", "smoke")
		resp, err := w.ReleaseMachine(as(supervisor), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: "looked at"})
		if err != nil {
			t.Fatal(i, err)
		}
		if got := idsOf(resp.GetHolds()); !slices.Equal(got, []string{h.GetId()}) {
			t.Errorf("time %d: lifted %q, want %q", i, got, h.GetId())
		}
	}
}

// A hold that was given where the supervisor could not see it stands.
func TestAHoldFromElsewhereIsNotLifted(t *testing.T) {
	here := checked(t)
	there := newWorld(t, "b", []string{"heron-pit"})
	there.store.Merge(here.store)
	here.hold(operator, "d-14", "smoke")
	unseen := there.hold(mate, "d-14", "cracked rim")
	if _, err := here.ReleaseMachine(as(supervisor), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: "hose replaced"}); err != nil {
		t.Fatal(err)
	}
	here.store.Merge(there.store)
	if got := here.holds(&bothyv1.ListHoldsRequest{Machine: "d-14"}); !slices.Equal(got, []string{unseen.GetId()}) {
		t.Errorf("holds %q", got)
	}
	if got := here.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("the machine reads %s", got)
	}
}
