package plant_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func TestAnybodyListedMayHold(t *testing.T) {
	for _, p := range []*bothyv1.Person{operator, supervisor, fitter, office} {
		h, err := plant.NewHold("h1", dumper(), " heard a knock ", bothyv1.Marking_CONTROLS_LOCKED, p, monday)
		want := &bothyv1.Hold{Id: "h1", Machine: "d-14", State: bothyv1.HoldState_HELD, Person: p.GetId(), Reason: "heard a knock", Marking: bothyv1.Marking_CONTROLS_LOCKED, HeldAt: stamp(monday)}
		if err != nil || !proto.Equal(h, want) || !plant.Held(h) {
			t.Errorf("%v, %v", h, err)
		}
		if !sets(h, plant.HoldFields()) {
			t.Errorf("fields %v", plant.HoldFields())
		}
	}
	_, err := plant.NewHold("h1", dumper(), "knock", bothyv1.Marking_TAGGED, nil, monday)
	wantDenied(t, err, "person")
	_, err = plant.NewHold("h1", nil, "", 0, operator, monday)
	for _, field := range []string{"machine", "reason", "marking"} {
		wantViolation(t, err, field, "is ")
	}
}

// sets holds if the named fields are just the ones that are set, but for the id.
func sets(h *bothyv1.Hold, names []string) bool {
	m := proto.CloneOf(h)
	m.Id = ""
	for _, n := range names {
		field := m.ProtoReflect().Descriptor().Fields().ByTextName(n)
		if field == nil || !m.ProtoReflect().Has(field) {
			return false
		}
		m.ProtoReflect().Clear(field)
	}
	return proto.Equal(m, &bothyv1.Hold{})
}

func TestAHoldIsLiftedByNameWithAReason(t *testing.T) {
	h, err := plant.NewHold("h1", dumper(), "knock", bothyv1.Marking_TAGGED, operator, monday)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []*bothyv1.Person{supervisor, fitter} {
		lifted, err := plant.LiftHold(h, " loose stone ", p, clock(8, 0))
		if err != nil || plant.Held(lifted) || lifted.GetLiftedBy() != p.GetId() || lifted.GetLiftedReason() != "loose stone" || !lifted.GetLiftedAt().AsTime().Equal(clock(8, 0)) {
			t.Errorf("%v, %v", lifted, err)
		}
		if !plant.Held(h) {
			t.Fatal("lifted in place")
		}
		for _, n := range plant.LiftFields() {
			if field := lifted.ProtoReflect().Descriptor().Fields().ByTextName(n); field == nil || !lifted.ProtoReflect().Has(field) {
				t.Errorf("field %q is not set", n)
			}
		}
		_, err = plant.LiftHold(lifted, "again", p, clock(9, 0))
		wantViolation(t, err, "hold", "does not stand")
	}
	_, err = plant.LiftHold(h, " ", fitter, clock(8, 0))
	wantViolation(t, err, "reason", "is missing")
	_, err = plant.LiftHold(nil, "x", fitter, clock(8, 0))
	wantViolation(t, err, "hold", "does not stand")
	if !plant.Held(&bothyv1.Hold{State: 9}) {
		t.Error("a state that is not known is lifted")
	}
}
