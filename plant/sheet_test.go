package plant_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func ids(points []*bothyv1.Point) []string {
	var all []string
	for _, p := range points {
		all = append(all, p.GetId())
	}
	return all
}

func TestOptionsSwitchPoints(t *testing.T) {
	for _, c := range []struct {
		options []string
		has     []string
		not     []string
	}{
		{[]string{"straight-skip", "frame"}, []string{"horn", "roll-over-structure"}, []string{"swivel-gear", "swivel-lock", "swivel-function", "wipers-and-washers", "camera"}},
		{[]string{"swivel-skip", "cab"}, []string{"swivel-gear", "swivel-lock", "swivel-function", "wipers-and-washers", "defroster", "cab-glass-and-doors"}, []string{"camera"}},
		{[]string{"straight-skip", "frame", "rear-view-camera", "road-lights", "automatic-lubrication"}, []string{"camera", "brake-lights-and-indicators", "lubrication-unit"}, []string{"defroster"}},
	} {
		got := ids(pointsOf(preUse(t), c.options...))
		for _, id := range c.has {
			if !slices.Contains(got, id) {
				t.Errorf("options %v: no point %q", c.options, id)
			}
		}
		for _, id := range c.not {
			if slices.Contains(got, id) {
				t.Errorf("options %v: point %q", c.options, id)
			}
		}
	}
	greased := ids(pointsOf(weekly(t), "straight-skip", "frame", "automatic-lubrication"))
	if slices.Contains(greased, "grease-skip") || !slices.Contains(greased, "lubrication-lines") {
		t.Errorf("automatic lubrication leaves %v", greased)
	}
}

func TestAppliedKeepsOrderAndLeavesTheSheetAlone(t *testing.T) {
	whole := preUse(t)
	before := proto.CloneOf(whole)
	rapid.Check(t, func(t *rapid.T) {
		options := rapid.SliceOfDistinct(rapid.SampledFrom(whole.GetOptions()), func(o *bothyv1.Option) string { return o.GetId() }).Draw(t, "options")
		var chosen []string
		for _, o := range options {
			chosen = append(chosen, o.GetId())
		}
		var want []string
		for _, st := range whole.GetStages() {
			for _, p := range st.GetPoints() {
				with := len(p.GetWithOptions()) == 0
				for _, o := range p.GetWithOptions() {
					with = with || slices.Contains(chosen, o)
				}
				for _, o := range p.GetWithoutOptions() {
					with = with && !slices.Contains(chosen, o)
				}
				if with {
					want = append(want, p.GetId())
				}
			}
		}
		applied := plant.Applied(whole, chosen)
		var got []string
		for _, st := range applied.GetStages() {
			if len(st.GetPoints()) == 0 {
				t.Fatalf("stage %q is empty", st.GetId())
			}
			got = append(got, ids(st.GetPoints())...)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
		if len(applied.GetStages()) > 0 {
			applied.Stages[0].Points[0].Title = "changed"
		}
	})
	if !proto.Equal(whole, before) {
		t.Error("the sheet was changed")
	}
}

func TestAppliedDropsAnEmptyStage(t *testing.T) {
	s := &bothyv1.Sheet{Stages: []*bothyv1.Stage{{Id: "a", Points: []*bothyv1.Point{{Id: "p", WithOptions: []string{"x"}}}}}}
	if got := plant.Applied(s, nil); len(got.GetStages()) != 0 {
		t.Errorf("stages %v", got.GetStages())
	}
	if plant.Applied(nil, nil) != nil {
		t.Error("no sheet became one")
	}
}

func TestValidOptions(t *testing.T) {
	for _, c := range []struct {
		options []string
		field   string
		words   string
	}{
		{[]string{"straight-skip", "frame", "wings"}, "machine.options[2]", "allowed are straight-skip, swivel-skip, cab, frame"},
		{[]string{"straight-skip", "frame", "frame"}, "machine.options[2]", "twice"},
		{[]string{"straight-skip"}, "machine.options", "exactly one of cab, frame (protection) is needed; there are 0"},
		{[]string{"straight-skip", "swivel-skip", "cab"}, "machine.options", "exactly one of straight-skip, swivel-skip (skip) is needed; there are 2"},
	} {
		v := plant.ValidOptions(preUse(t), c.options)
		if len(v) != 1 {
			t.Errorf("%v: %v", c.options, v)
		}
		wantViolation(t, v, c.field, c.words)
	}
	if v := plant.ValidOptions(preUse(t), []string{"road-lights", "cab", "swivel-skip"}); len(v) > 0 {
		t.Error(v)
	}
}

func TestInForceIsTheGreatestEdition(t *testing.T) {
	all := []*bothyv1.Sheet{
		{Id: "a.pre-use.2", MachineType: "a", Purpose: bothyv1.Purpose_PRE_USE, Edition: 2},
		{Id: "a.pre-use.10", MachineType: "a", Purpose: bothyv1.Purpose_PRE_USE, Edition: 10},
		{Id: "a.weekly.11", MachineType: "a", Purpose: bothyv1.Purpose_WEEKLY, Edition: 11},
		{Id: "b.pre-use.12", MachineType: "b", Purpose: bothyv1.Purpose_PRE_USE, Edition: 12},
	}
	if got := plant.InForce(all, "a", bothyv1.Purpose_PRE_USE); got.GetId() != "a.pre-use.10" {
		t.Errorf("in force: %q", got.GetId())
	}
	if got := plant.InForce(all, "c", bothyv1.Purpose_PRE_USE); got != nil {
		t.Errorf("in force: %q", got.GetId())
	}
}

// minimal is the smallest sheet that is valid.
func minimal() *bothyv1.Sheet {
	return &bothyv1.Sheet{
		Id: "roller.pre-use.1", MachineType: "roller", Purpose: bothyv1.Purpose_PRE_USE, Edition: 1, Title: "Roller",
		Options: []*bothyv1.Option{{Id: "cab", Title: "Cab", Group: "top"}, {Id: "open", Title: "Open", Group: "top"}},
		Stages: []*bothyv1.Stage{{Id: "round", Title: "Round", State: bothyv1.MachineState_ISOLATED, Points: []*bothyv1.Point{{
			Id: "area", Title: "Area", LookFor: "people", DefectWhen: "there are", DefaultClass: bothyv1.Class_SAFETY,
			Basis: []string{"Alberta OHS Code s.257(1) surrounding area"}, WithOptions: nil,
		}}}},
	}
}

func TestValidSheetTakesTheSmallestOne(t *testing.T) {
	if v := plant.ValidSheet(minimal()); len(v) > 0 {
		t.Error(v)
	}
}

func TestValidSheetNamesEveryFault(t *testing.T) {
	point := func(s *bothyv1.Sheet) *bothyv1.Point { return s.Stages[0].Points[0] }
	reading := func(r *bothyv1.Reading) func(*bothyv1.Sheet) {
		return func(s *bothyv1.Sheet) { point(s).Reading = r }
	}
	for _, c := range []struct {
		spoil func(*bothyv1.Sheet)
		field string
		words string
	}{
		{func(s *bothyv1.Sheet) { s.Id = "roller.weekly.1" }, "id", `"roller.pre-use.1"`},
		{func(s *bothyv1.Sheet) { s.MachineType = "Roller" }, "machineType", "lower-case"},
		{func(s *bothyv1.Sheet) { s.MachineType = "road.roller" }, "machineType", "dot"},
		{func(s *bothyv1.Sheet) { s.Purpose = 9 }, "purpose", "PRE_USE and WEEKLY"},
		{func(s *bothyv1.Sheet) { s.Edition = 0 }, "edition", "is 0"},
		{func(s *bothyv1.Sheet) { s.Title = " " }, "title", "is missing"},
		{func(s *bothyv1.Sheet) { s.Cautions = []string{""} }, "cautions[0]", "is missing"},
		{func(s *bothyv1.Sheet) { s.Options[1].Id = "cab" }, "options[1].id", "twice"},
		{func(s *bothyv1.Sheet) { s.Options[1].Title = "" }, "options[1].title", "is missing"},
		{func(s *bothyv1.Sheet) { s.Options[1].Group = strings.Repeat("g", 41) }, "options[1].group", "at most 40"},
		{func(s *bothyv1.Sheet) { s.Stages = nil }, "stages", "at least one stage"},
		{func(s *bothyv1.Sheet) { s.Stages[0].Points = nil }, "stages[0].points", "at least one point"},
		{func(s *bothyv1.Sheet) { s.Stages[0].Id = "A" }, "stages[0].id", "lower-case"},
		{func(s *bothyv1.Sheet) { s.Stages[0].Title = "" }, "stages[0].title", "is missing"},
		{func(s *bothyv1.Sheet) { s.Stages[0].State = 0 }, "stages[0].state", "ISOLATED, COOLED, RUNNING and MOVING"},
		{func(s *bothyv1.Sheet) { s.Stages[0].State = 5 }, "stages[0].state", "ISOLATED, COOLED, RUNNING and MOVING"},
		{func(s *bothyv1.Sheet) { s.Stages = append(s.Stages, s.Stages[0]) }, "stages[1].id", "twice"},
		{func(s *bothyv1.Sheet) { s.Stages = append(s.Stages, s.Stages[0]) }, "stages[1].points[0].id", "twice"},
		{func(s *bothyv1.Sheet) { point(s).Title = "" }, "stages[0].points[0].title", "is missing"},
		{func(s *bothyv1.Sheet) { point(s).LookFor = "" }, "stages[0].points[0].lookFor", "is missing"},
		{func(s *bothyv1.Sheet) { point(s).DefectWhen = "a\x00" }, "stages[0].points[0].defectWhen", "control character"},
		{func(s *bothyv1.Sheet) { point(s).DefaultClass = 0 }, "stages[0].points[0].defaultClass", "HAZARD, SAFETY and CONDITION"},
		{func(s *bothyv1.Sheet) { point(s).DefaultClass = 4 }, "stages[0].points[0].defaultClass", "HAZARD, SAFETY and CONDITION"},
		{func(s *bothyv1.Sheet) { point(s).Basis = nil }, "stages[0].points[0].basis", "common practice"},
		{func(s *bothyv1.Sheet) { point(s).Basis = append(point(s).Basis, "") }, "stages[0].points[0].basis[1]", "is missing"},
		{func(s *bothyv1.Sheet) { point(s).Cautions = []string{"\xff"} }, "stages[0].points[0].cautions[0]", "UTF-8"},
		{func(s *bothyv1.Sheet) { point(s).WithOptions = []string{"roof"} }, "stages[0].points[0].withOptions[0]", "allowed are cab, open"},
		{func(s *bothyv1.Sheet) { point(s).WithoutOptions = []string{"roof"} }, "stages[0].points[0].withoutOptions[0]", "allowed are cab, open"},
		{func(s *bothyv1.Sheet) { point(s).HoldSeconds = 4 }, "stages[0].points[0].holdSeconds", "5 to 3600"},
		{func(s *bothyv1.Sheet) { point(s).HoldSeconds = -1 }, "stages[0].points[0].holdSeconds", "5 to 3600"},
		{func(s *bothyv1.Sheet) { point(s).AlwaysHazard = true }, "stages[0].points[0].defaultClass", "must have HAZARD"},
		{func(s *bothyv1.Sheet) {
			point(s).AlwaysHazard, point(s).DefaultClass, point(s).MayBeAbsent = true, bothyv1.Class_HAZARD, true
		}, "stages[0].points[0].mayBeAbsent", "with_options"},
		{func(s *bothyv1.Sheet) { point(s).Basis = []string{"common practice"} }, "stages", "surrounding area"},
		{reading(&bothyv1.Reading{Unit: "psi", PhysicalMax: 1}), "stages[0].points[0].reading.unit", "kPa, degC, mm, h, %, l"},
		{reading(&bothyv1.Reading{Unit: "mm"}), "stages[0].points[0].reading.physicalMax", "0 to 0"},
		{reading(&bothyv1.Reading{Unit: "mm", PhysicalMin: math.NaN(), PhysicalMax: 1}), "stages[0].points[0].reading.physicalMax", "NaN to 1"},
		{reading(&bothyv1.Reading{Unit: "mm", PhysicalMax: math.Inf(1)}), "stages[0].points[0].reading.physicalMax", "0 to +Inf"},
		{reading(&bothyv1.Reading{Unit: "mm", PhysicalMax: 9, LimitMin: proto.Float64(-1)}), "stages[0].points[0].reading", "physical range 0 to 9"},
		{reading(&bothyv1.Reading{Unit: "mm", PhysicalMax: 9, LimitMax: proto.Float64(10)}), "stages[0].points[0].reading", "physical range 0 to 9"},
		{reading(&bothyv1.Reading{Unit: "mm", PhysicalMax: 9, LimitMin: proto.Float64(5), LimitMax: proto.Float64(4)}), "stages[0].points[0].reading", "limits are 5 to 4"},
		{func(s *bothyv1.Sheet) {
			for i := range 501 {
				s.Stages[0].Points = append(s.Stages[0].Points, &bothyv1.Point{Id: strings.Repeat("a", i%40+1)})
			}
		}, "stages", "at most 500"},
	} {
		s := minimal()
		c.spoil(s)
		wantViolation(t, plant.ValidSheet(s), c.field, c.words)
	}
}

func TestValidSheetNeverPanics(t *testing.T) {
	plant.ValidSheet(nil)
	plant.ValidSheet(&bothyv1.Sheet{Stages: []*bothyv1.Stage{nil, {Points: []*bothyv1.Point{nil}}}, Options: []*bothyv1.Option{nil}})
}

// A person is asked for about as much as can be looked at before a shift.
func TestPreUseSheetHasAbout46Points(t *testing.T) {
	if n := len(pointsOf(preUse(t))); n != 46 {
		t.Errorf("%d points for a straight skip and a frame", n)
	}
	for _, options := range [][]string{{"straight-skip", "cab"}, {"swivel-skip", "frame"}, {"swivel-skip", "cab"}} {
		if n := len(pointsOf(preUse(t), options...)); n < 40 || n > 55 {
			t.Errorf("%d points for %v", n, options)
		}
	}
}

func TestStagesGoThroughTheStatesInOrder(t *testing.T) {
	var states []bothyv1.MachineState
	for _, st := range preUse(t).GetStages() {
		states = append(states, st.GetState())
	}
	first := func(s bothyv1.MachineState) int { return slices.Index(states, s) }
	if first(bothyv1.MachineState_ISOLATED) != 0 || first(bothyv1.MachineState_RUNNING) < first(bothyv1.MachineState_COOLED) || first(bothyv1.MachineState_MOVING) != len(states)-1 {
		t.Errorf("states %v", states)
	}
}
