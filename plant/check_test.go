package plant_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func TestACleanCheckIsStoredAsACount(t *testing.T) {
	sheet := preUse(t)
	c := cleanCheck(sheet, "c1", monday.Add(300*time.Millisecond))
	c.Note = "  all well \n"
	before := proto.CloneOf(c)
	stored, v := plant.AcceptCheck(c, facts(sheet, monday))
	if len(v) > 0 {
		t.Fatal(v)
	}
	if !proto.Equal(c, before) {
		t.Error("the check that was sent was changed")
	}
	timed := 0
	for _, a := range stored.GetAnswers() {
		if a.HeldSeconds == nil {
			t.Errorf("plain answer %v is stored", a)
		}
		timed++
	}
	if int(stored.GetPointsOk())+timed != 46 || timed != 2 {
		t.Errorf("%d points in order and %d answers", stored.GetPointsOk(), timed)
	}
	if !slices.Equal(stored.GetOptions(), []string{"frame", "straight-skip"}) || stored.GetNote() != "all well" || len(stored.GetDoubts()) > 0 {
		t.Errorf("stored %v", stored)
	}
	if stored.GetFinishedAt().GetNanos() != 0 || !stored.GetFinishedAt().AsTime().Equal(monday) {
		t.Errorf("finished at %v", stored.GetFinishedAt())
	}
}

func TestAcceptCheckNamesEveryFault(t *testing.T) {
	sheet := preUse(t)
	weeklySheet := weekly(t)
	long := strings.Repeat("é", 2001)
	previous := accepted(t, cleanCheck(sheet, "c0", clock(4, 0)), sheet) // 1204.5 h at 04:00
	type change struct {
		check *bothyv1.Check
		facts *plant.CheckFacts
	}
	for _, c := range []struct {
		name   string
		change func(change)
		field  string
		words  string
	}{
		{"unknown machine", func(x change) { x.facts.Machine = nil }, "check.machine", "register"},
		{"other machine", func(x change) { x.check.Machine = "d-15" }, "check.machine", `"d-15"`},
		{"unknown site", func(x change) { x.facts.Site = nil }, "check.site", "register"},
		{"other site", func(x change) { x.check.Site = "gull-pit" }, "check.site", `"gull-pit"`},
		{"no person", func(x change) { x.check.Person, x.facts.Person = "", nil }, "check.person", "is missing"},
		{"other person", func(x change) { x.check.Person = "bram-holt" }, "check.person", `"ada-flint"`},
		{"unknown edition", func(x change) { x.facts.Sheet = nil }, "check.sheet", sheet.GetId()},
		{"edition of another id", func(x change) { x.check.Sheet = "wheeled-site-dumper.pre-use.9" }, "check.sheet", "not a known edition"},
		{"outdated edition", func(x change) { x.facts.InForce = "wheeled-site-dumper.pre-use.2" }, "check.sheet", "wheeled-site-dumper.pre-use.2"},
		{"other machine type", func(x change) { x.facts.Machine.MachineType = "roller" }, "check.sheet", `"roller"`},
		{"machine without valid options", func(x change) { x.facts.Machine.Options = []string{"cab"} }, "machine.options", "straight-skip, swivel-skip"},
		{"other options", func(x change) { x.check.Options = []string{"cab", "straight-skip"} }, "check.options", "frame, straight-skip"},
		{"computed field", func(x change) { x.check.PointsOk = 3 }, "check.pointsOk", "leave it out"},
		{"computed field", func(x change) { x.check.Doubts = []bothyv1.Doubt{1} }, "check.doubts", "leave it out"},
		{"computed field", func(x change) { x.check.AcceptedAt = stamp(monday) }, "check.acceptedAt", "leave it out"},
		{"computed field", func(x change) { x.check.Amendments = []*bothyv1.Amendment{{}} }, "check.amendments", "leave it out"},
		{"computed field", func(x change) { x.check.Defects = []string{"a"} }, "check.defects", "leave it out"},

		{"missing point", func(x change) { x.check.Answers = x.check.Answers[2:] }, "check.answers", "no answer for isolation, last-reports;"},
		{"no answers", func(x change) { x.check.Answers = nil }, "check.answers", "no answer for isolation"},
		{"duplicate point", func(x change) { x.check.Answers = append(x.check.Answers, x.check.Answers[0]) }, "check.answers[46].point", "second time"},
		{"unknown point", func(x change) { x.check.Answers[3].Point = "hron" }, "check.answers[3].point", `"hron"`},
		{"point of another option", func(x change) { x.check.Answers[3].Point = "swivel-lock" }, "check.answers[3].point", `"swivel-lock"`},
		{"no answer", func(x change) { x.check.Answers[3] = nil }, "check.answers[3].point", `""`},
		{"too many answers", func(x change) { x.check.Answers = make([]*bothyv1.Answer, 501) }, "check.answers", "at most 500"},
		{"unset state", func(x change) { answer(x.check, "horn").State = 0 }, at(cleanCheck(sheet, "", monday), "horn", "state"), "OK, DEFECT, NOT_FITTED and NOT_CHECKED"},
		{"unknown state", func(x change) { answer(x.check, "horn").State = 5 }, at(cleanCheck(sheet, "", monday), "horn", "state"), "OK, DEFECT, NOT_FITTED and NOT_CHECKED"},
		{"not fitted where it must be", func(x change) { answer(x.check, "horn").State = bothyv1.AnswerState_NOT_FITTED }, at(cleanCheck(sheet, "", monday), "horn", "state"), "every machine with these options"},
		{"not checked without a reason", func(x change) { answer(x.check, "horn").State = bothyv1.AnswerState_NOT_CHECKED }, at(cleanCheck(sheet, "", monday), "horn", "note"), "why it was not checked"},
		{"defect without a note", func(x change) { fail(x.check, "horn", " \n") }, at(cleanCheck(sheet, "", monday), "horn", "note"), "say what was found"},
		{"long note", func(x change) { fail(x.check, "horn", long) }, at(cleanCheck(sheet, "", monday), "horn", "note"), "2001 characters; at most 2000"},
		{"long note on OK", func(x change) { answer(x.check, "horn").Note = long }, at(cleanCheck(sheet, "", monday), "horn", "note"), "at most 2000"},
		{"control character", func(x change) { fail(x.check, "horn", "a\x1b[31m") }, at(cleanCheck(sheet, "", monday), "horn", "note"), "control character"},
		{"turned text", func(x change) { fail(x.check, "horn", "a\u202eb") }, at(cleanCheck(sheet, "", monday), "horn", "note"), "control character"},
		{"invalid UTF-8", func(x change) { fail(x.check, "horn", "\xc3\x28") }, at(cleanCheck(sheet, "", monday), "horn", "note"), "UTF-8"},
		{"note of the check", func(x change) { x.check.Note = long }, "check.note", "at most 2000"},
		{"class on OK", func(x change) { answer(x.check, "mirrors").Class = bothyv1.Class_HAZARD }, at(cleanCheck(sheet, "", monday), "mirrors", "class"), "leave it out"},
		{"less cautious class", func(x change) {
			fail(x.check, "mirrors", "cracked")
			answer(x.check, "mirrors").Class = bothyv1.Class_CONDITION
		}, at(cleanCheck(sheet, "", monday), "mirrors", "class"), "at least SAFETY"},
		{"unknown class", func(x change) { fail(x.check, "mirrors", "cracked"); answer(x.check, "mirrors").Class = 7 }, at(cleanCheck(sheet, "", monday), "mirrors", "class"), "HAZARD, SAFETY and CONDITION"},

		{"no held seconds", func(x change) { answer(x.check, "parking-brake").HeldSeconds = nil }, at(cleanCheck(sheet, "", monday), "parking-brake", "heldSeconds"), "at least 5 s"},
		{"held too short", func(x change) { answer(x.check, "parking-brake").HeldSeconds = proto.Float64(4.9) }, at(cleanCheck(sheet, "", monday), "parking-brake", "heldSeconds"), "at least 5 s"},
		{"held for no number", func(x change) { answer(x.check, "parking-brake").HeldSeconds = proto.Float64(math.NaN()) }, at(cleanCheck(sheet, "", monday), "parking-brake", "heldSeconds"), "0 to 3600"},
		{"held for ever", func(x change) { answer(x.check, "parking-brake").HeldSeconds = proto.Float64(math.Inf(1)) }, at(cleanCheck(sheet, "", monday), "parking-brake", "heldSeconds"), "0 to 3600"},
		{"held without a test", func(x change) { answer(x.check, "horn").HeldSeconds = proto.Float64(6) }, at(cleanCheck(sheet, "", monday), "horn", "heldSeconds"), "no timed test"},
		{"held without looking", func(x change) {
			a := answer(x.check, "parking-brake")
			a.State, a.Note = bothyv1.AnswerState_NOT_CHECKED, "ice"
		}, at(cleanCheck(sheet, "", monday), "parking-brake", "heldSeconds"), "not tested"},
		{"reading where there is none", func(x change) { answer(x.check, "horn").Reading = proto.Float64(6) }, at(cleanCheck(sheet, "", monday), "horn", "reading"), "nothing is read"},
		{"reading out of range", func(x change) { answer(x.check, "tyre-pressure").Reading = proto.Float64(1000.1) }, at(cleanCheck(sheet, "", monday), "tyre-pressure", "reading"), "0 to 1000"},
		{"reading of no number", func(x change) { answer(x.check, "tyre-pressure").Reading = proto.Float64(math.NaN()) }, at(cleanCheck(sheet, "", monday), "tyre-pressure", "reading"), "0 to 1000"},
		{"reading without looking", func(x change) {
			a := answer(x.check, "tyre-pressure")
			a.State, a.Note, a.Reading = bothyv1.AnswerState_NOT_CHECKED, "no gauge", proto.Float64(4)
		}, at(cleanCheck(sheet, "", monday), "tyre-pressure", "reading"), "not looked at"},

		{"no start", func(x change) { x.check.StartedAt = nil }, "check.startedAt", "is missing"},
		{"no finish", func(x change) { x.check.FinishedAt = nil }, "check.finishedAt", "is missing"},
		{"zero time", func(x change) { x.check.FinishedAt = &timestamppb.Timestamp{} }, "check.finishedAt", "was not set"},
		{"invalid time", func(x change) { x.check.StartedAt = &timestamppb.Timestamp{Seconds: 1, Nanos: -1} }, "check.startedAt", "not a valid time"},
		{"finished first", func(x change) { x.check.StartedAt = stamp(monday.Add(time.Second)) }, "check.finishedAt", "before the start"},
		{"in the future", func(x change) { x.check.FinishedAt = stamp(monday.Add(5*time.Minute + time.Second)) }, "check.finishedAt", "5m0s ahead"},
		{"started in the future", func(x change) { x.check.StartedAt = stamp(monday.Add(time.Hour)) }, "check.startedAt", "5m0s ahead"},

		{"meter not read", func(x change) { x.check.MeterHours = 0 }, "check.meterHours", "is missing"},
		{"meter negative", func(x change) { x.check.MeterHours = -1 }, "check.meterHours", "0 to 999999"},
		{"meter too great", func(x change) { x.check.MeterHours = 1e6 }, "check.meterHours", "0 to 999999"},
		{"meter no number", func(x change) { x.check.MeterHours = math.NaN() }, "check.meterHours", "not a number"},
		{"meter infinite", func(x change) { x.check.MeterHours = math.Inf(1) }, "check.meterHours", "not a number"},
		{"meter backwards", func(x change) { x.facts.Previous, x.check.MeterHours = previous, 1204.4 }, "check.meterHours", "cannot be less"},
		{"meter faster than time", func(x change) { x.facts.Previous, x.check.MeterHours = previous, 1207.6 }, "check.meterHours", "3.1 h of work in 2.8 h"},
		{"sent late, meter after the next", func(x change) {
			x.facts.Previous, x.check.MeterHours = previous, 1204.6
			x.check.StartedAt, x.check.FinishedAt = stamp(clock(3, 0)), stamp(clock(3, 30))
		}, "check.meterHours", "cannot be more"},
		{"sent late, meter faster than time", func(x change) {
			x.facts.Previous, x.check.MeterHours = previous, 1203.7
			x.check.StartedAt, x.check.FinishedAt = stamp(clock(3, 0)), stamp(clock(3, 30))
		}, "check.meterHours", "0.8 h of work in 0.5 h"},

		{"defect not seen", func(x change) { x.facts.Defects = []*bothyv1.Defect{hazard("h2"), hazard("h1")} }, "check.seenDefects", "does not name h1, h2;"},
		{"unknown defect seen", func(x change) { x.check.SeenDefects = []string{"h9"} }, "check.seenDefects[0]", `"h9"`},
		{"too many seen", func(x change) { x.check.SeenDefects = make([]string, 501) }, "check.seenDefects", "at most 500"},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := change{cleanCheck(sheet, "c1", monday), new(facts(sheet, monday))}
			c.change(x)
			stored, v := plant.AcceptCheck(x.check, *x.facts)
			if stored != nil {
				t.Error("it was stored")
			}
			wantViolation(t, v, c.field, c.words)
		})
	}
	spoilt := cleanCheck(weeklySheet, "w", monday)
	answer(spoilt, "front-tyre-pressure").Reading = nil
	_, v := plant.AcceptCheck(spoilt, facts(weeklySheet, monday))
	wantViolation(t, v, at(spoilt, "front-tyre-pressure", "reading"), "needs the figure in kPa")
}

func TestAllFaultsAreNamedAtOnce(t *testing.T) {
	sheet := preUse(t)
	c := cleanCheck(sheet, "c1", monday)
	c.MeterHours, c.Note, c.FinishedAt = -1, "\x00", nil
	fail(c, "horn", "").Marking = bothyv1.Marking_MARKING_UNSPECIFIED
	_, v := plant.AcceptCheck(c, facts(sheet, monday, hazard("h1")))
	var fields []string
	for _, x := range v {
		fields = append(fields, x.Field)
	}
	want := []string{"check.finishedAt", "check.meterHours", "check.note", "check.seenDefects", at(c, "horn", "note"), "check.marking"}
	if !slices.Equal(fields, want) {
		t.Errorf("fields %v, want %v", fields, want)
	}
	if text := v.Error(); strings.Count(text, "; ") < len(want)-1 || !strings.Contains(text, "check.meterHours: ") {
		t.Errorf("error text %q", text)
	}
}

func TestWhatIsAtTheEdgeIsTaken(t *testing.T) {
	sheet := preUse(t)
	for name, change := range map[string]func(*bothyv1.Check, *plant.CheckFacts){
		"any order of answers": func(c *bothyv1.Check, _ *plant.CheckFacts) { slices.Reverse(c.Answers) },
		"five minutes ahead":   func(c *bothyv1.Check, f *plant.CheckFacts) { f.Now = monday.Add(-5 * time.Minute) },
		"no time at all":       func(c *bothyv1.Check, _ *plant.CheckFacts) { c.StartedAt = c.FinishedAt },
		"the machine's options in any order": func(c *bothyv1.Check, _ *plant.CheckFacts) {
			c.Options = []string{"straight-skip", "frame"}
		},
		"not fitted where it may be absent": func(c *bothyv1.Check, _ *plant.CheckFacts) {
			answer(c, "coupling").State = bothyv1.AnswerState_NOT_FITTED
		},
		"not checked with a reason": func(c *bothyv1.Check, _ *plant.CheckFacts) {
			a := answer(c, "horn")
			a.State, a.Note = bothyv1.AnswerState_NOT_CHECKED, "somebody asleep next door"
		},
		"a failed timed test that was not timed": func(c *bothyv1.Check, _ *plant.CheckFacts) { fail(c, "parking-brake", "rolls") },
		"a failed timed test that was": func(c *bothyv1.Check, _ *plant.CheckFacts) {
			fail(c, "parking-brake", "rolls")
			answer(c, "parking-brake").HeldSeconds = proto.Float64(2)
		},
		"2000 characters":              func(c *bothyv1.Check, _ *plant.CheckFacts) { fail(c, "horn", strings.Repeat("é", 2000)) },
		"a line feed":                  func(c *bothyv1.Check, _ *plant.CheckFacts) { fail(c, "horn", "a\nb") },
		"a meter that stood":           func(c *bothyv1.Check, f *plant.CheckFacts) { f.Previous = previousAt(c, clock(4, 0), 1204.5) },
		"a meter as fast as time":      func(c *bothyv1.Check, f *plant.CheckFacts) { f.Previous = previousAt(c, clock(4, 50), 1202.3) },
		"a late one before the next":   func(c *bothyv1.Check, f *plant.CheckFacts) { f.Previous = previousAt(c, clock(7, 50), 1205.7) },
		"a previous one with no meter": func(c *bothyv1.Check, f *plant.CheckFacts) { f.Previous = previousAt(c, clock(7, 50), 0) },
		"a closed defect seen": func(c *bothyv1.Check, f *plant.CheckFacts) {
			f.Defects = []*bothyv1.Defect{certified(hazard("h1"), bothyv1.Progress_PROVED, bothyv1.Class_HAZARD, clock(5, 30))}
			c.SeenDefects = []string{"h1", "h1"}
		},
	} {
		t.Run(name, func(t *testing.T) {
			c, f := cleanCheck(sheet, "c1", monday), facts(sheet, monday)
			change(c, &f)
			if _, v := plant.AcceptCheck(c, f); len(v) > 0 {
				t.Error(v)
			}
		})
	}
}

func previousAt(c *bothyv1.Check, finished time.Time, meter float64) *bothyv1.Check {
	p := proto.CloneOf(c)
	p.FinishedAt, p.MeterHours = stamp(finished), meter
	return p
}

func TestAClassThatOnlySaysWhatTheSheetSaysIsLeftOut(t *testing.T) {
	sheet := preUse(t)
	c := fail(fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), "mirrors", "gone")
	answer(c, "horn").Class, answer(c, "mirrors").Class = bothyv1.Class_HAZARD, bothyv1.Class_HAZARD
	stored := accepted(t, c, sheet)
	if answer(stored, "horn").GetClass() != 0 || answer(stored, "mirrors").GetClass() != bothyv1.Class_HAZARD {
		t.Errorf("stored %v", stored)
	}
}

func TestSeenDefectsAreStoredOnceAndSorted(t *testing.T) {
	sheet := preUse(t)
	c := cleanCheck(sheet, "c1", monday)
	c.SeenDefects = []string{"h2", "h1", "h2"}
	stored, v := plant.AcceptCheck(c, facts(sheet, monday, hazard("h1"), hazard("h2")))
	if len(v) > 0 || !slices.Equal(stored.GetSeenDefects(), []string{"h1", "h2"}) {
		t.Errorf("seen %v; %v", stored.GetSeenDefects(), v)
	}
}

func TestReadingsOutsideTheLimitsCannotBeOK(t *testing.T) {
	for _, c := range []struct {
		name     string
		min, max *float64
		reading  float64
		state    bothyv1.AnswerState
		words    string // empty: taken
	}{
		{"on the lower limit", proto.Float64(80), proto.Float64(95), 80, bothyv1.AnswerState_OK, ""},
		{"on the upper limit", proto.Float64(80), proto.Float64(95), 95, bothyv1.AnswerState_OK, ""},
		{"below", proto.Float64(80), proto.Float64(95), 79.9, bothyv1.AnswerState_OK, "outside the limits (80 to 95)"},
		{"above", proto.Float64(80), proto.Float64(95), 95.1, bothyv1.AnswerState_OK, "outside the limits (80 to 95)"},
		{"above, as a defect", proto.Float64(80), proto.Float64(95), 95.1, bothyv1.AnswerState_DEFECT, ""},
		{"below the only limit", proto.Float64(80), nil, 1, bothyv1.AnswerState_OK, "(at least 80)"},
		{"above the only limit", nil, proto.Float64(95), 96, bothyv1.AnswerState_OK, "(at most 95)"},
		{"no limits", nil, nil, 96, bothyv1.AnswerState_OK, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			sheet := proto.CloneOf(preUse(t))
			p, _ := plant.FindPoint(sheet, "coolant")
			p.Reading = &bothyv1.Reading{Unit: "degC", PhysicalMax: 150, LimitMin: c.min, LimitMax: c.max, Required: true}
			check := cleanCheck(sheet, "c1", monday)
			a := answer(check, "coolant")
			a.Reading, a.State, a.Note = proto.Float64(c.reading), c.state, "warm"
			_, v := plant.AcceptCheck(check, facts(sheet, monday))
			switch {
			case c.words == "" && len(v) > 0:
				t.Error(v)
			case c.words != "":
				wantViolation(t, v, at(check, "coolant", "reading"), c.words)
			}
		})
	}
}

func TestDoubtsAreKeptNotRefused(t *testing.T) {
	sheet := preUse(t)
	for _, c := range []struct {
		name   string
		change func(*plant.CheckFacts)
		want   []bothyv1.Doubt
	}{
		{"none", func(*plant.CheckFacts) {}, nil},
		{"person unlisted", func(f *plant.CheckFacts) { f.Person = nil }, []bothyv1.Doubt{bothyv1.Doubt_PERSON_UNLISTED}},
		{"machine unlisted", func(f *plant.CheckFacts) { f.Machine.Unlisted = true }, []bothyv1.Doubt{bothyv1.Doubt_MACHINE_UNLISTED}},
		{"a minute ahead", func(f *plant.CheckFacts) { f.Now = monday.Add(-time.Minute) }, nil},
		{"more than a minute ahead", func(f *plant.CheckFacts) { f.Now = monday.Add(-61 * time.Second) }, []bothyv1.Doubt{bothyv1.Doubt_CLOCK_DIFFERS}},
		{"ten minutes late", func(f *plant.CheckFacts) { f.Now = monday.Add(10 * time.Minute) }, nil},
		{"more than ten minutes late", func(f *plant.CheckFacts) { f.Now = monday.Add(10*time.Minute + time.Second) }, []bothyv1.Doubt{bothyv1.Doubt_SENT_LATE}},
		{"no ticket", func(f *plant.CheckFacts) { f.Person = &bothyv1.Person{Id: "ada-flint"} }, []bothyv1.Doubt{bothyv1.Doubt_TICKET_MISSING}},
		{"ticket for another type", ticket("roller", stamp(monday)), []bothyv1.Doubt{bothyv1.Doubt_TICKET_MISSING}},
		{"ticket to the second", ticket("wheeled-site-dumper", stamp(monday)), nil},
		{"ticket out of date", ticket("wheeled-site-dumper", stamp(monday.Add(-time.Second))), []bothyv1.Doubt{bothyv1.Doubt_TICKET_MISSING}},
		{"ticket without a date", ticket("wheeled-site-dumper", nil), []bothyv1.Doubt{bothyv1.Doubt_TICKET_MISSING}},
		{"several, in order", func(f *plant.CheckFacts) {
			f.Person, f.Machine.Unlisted, f.Now = nil, true, monday.Add(time.Hour)
		}, []bothyv1.Doubt{bothyv1.Doubt_PERSON_UNLISTED, bothyv1.Doubt_MACHINE_UNLISTED, bothyv1.Doubt_SENT_LATE}},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := facts(sheet, monday)
			c.change(&f)
			stored, v := plant.AcceptCheck(cleanCheck(sheet, "c1", monday), f)
			if len(v) > 0 || !slices.Equal(stored.GetDoubts(), c.want) {
				t.Errorf("doubts %v, want %v; %v", stored.GetDoubts(), c.want, v)
			}
		})
	}
}

func ticket(machineType string, expires *timestamppb.Timestamp) func(*plant.CheckFacts) {
	return func(f *plant.CheckFacts) {
		f.Person = &bothyv1.Person{Id: "ada-flint", Tickets: []*bothyv1.Ticket{{MachineType: machineType, ExpiresAt: expires}}}
	}
}

// drawCheck is a valid check as sent, with every kind of answer, on a machine
// with any of the valid options.
func drawCheck(t *rapid.T, sheet *bothyv1.Sheet) (*bothyv1.Check, *bothyv1.Machine) {
	machine := dumper()
	machine.Options = []string{rapid.SampledFrom([]string{"straight-skip", "swivel-skip"}).Draw(t, "skip"), rapid.SampledFrom([]string{"cab", "frame"}).Draw(t, "protection")}
	for _, o := range []string{"road-lights", "rear-view-camera", "automatic-lubrication"} {
		if rapid.Bool().Draw(t, o) {
			machine.Options = append(machine.Options, o)
		}
	}
	c := cleanCheck(sheet, "c1", monday)
	c.Answers, c.Marking = nil, bothyv1.Marking_TAGGED
	for _, p := range pointsOf(sheet, machine.GetOptions()...) {
		c.Answers = append(c.Answers, drawAnswer(t, p))
	}
	return c, machine
}

func drawAnswer(t *rapid.T, p *bothyv1.Point) *bothyv1.Answer {
	states := []bothyv1.AnswerState{bothyv1.AnswerState_OK, bothyv1.AnswerState_OK, bothyv1.AnswerState_DEFECT, bothyv1.AnswerState_NOT_CHECKED}
	if p.GetMayBeAbsent() {
		states = append(states, bothyv1.AnswerState_NOT_FITTED)
	}
	a := &bothyv1.Answer{Point: p.GetId(), State: rapid.SampledFrom(states).Draw(t, p.GetId())}
	looked := a.GetState() == bothyv1.AnswerState_OK || a.GetState() == bothyv1.AnswerState_DEFECT
	if a.GetState() != bothyv1.AnswerState_OK || rapid.Bool().Draw(t, "noted") {
		a.Note = rapid.StringMatching(`[a-zé]{1,12}`).Draw(t, "note")
	}
	if a.GetState() == bothyv1.AnswerState_DEFECT {
		a.Class = rapid.SampledFrom([]bothyv1.Class{0, bothyv1.Class_HAZARD}).Draw(t, "class")
		if p.GetAlwaysHazard() || p.GetDefaultClass() == bothyv1.Class_HAZARD {
			a.Class = 0
		}
	}
	if p.GetHoldSeconds() > 0 && looked {
		a.HeldSeconds = proto.Float64(rapid.Float64Range(float64(p.GetHoldSeconds()), 60).Draw(t, "held"))
	}
	if p.GetReading() != nil && looked {
		a.Reading = proto.Float64(rapid.Float64Range(p.GetReading().GetPhysicalMin(), p.GetReading().GetPhysicalMax()).Draw(t, "reading"))
	}
	return a
}

func TestExpandGivesBackEveryAnswer(t *testing.T) {
	for _, sheet := range embedded(t) {
		rapid.Check(t, func(t *rapid.T) {
			sent, machine := drawCheck(t, sheet)
			f := facts(sheet, monday)
			f.Machine = machine
			stored, v := plant.AcceptCheck(sent, f)
			if len(v) > 0 {
				t.Fatal(v)
			}
			for _, a := range stored.GetAnswers() {
				if a.GetState() == bothyv1.AnswerState_OK && a.GetNote() == "" && a.Reading == nil && a.HeldSeconds == nil {
					t.Fatalf("plain answer %v is stored", a)
				}
			}
			whole, err := plant.Expand(stored, sheet)
			if err != nil {
				t.Fatal(err)
			}
			if whole.GetPointsOk() != 0 || len(whole.GetAnswers()) != len(sent.GetAnswers()) {
				t.Fatalf("%d answers, %d in order", len(whole.GetAnswers()), whole.GetPointsOk())
			}
			for i, a := range whole.GetAnswers() {
				if !proto.Equal(a, sent.GetAnswers()[i]) {
					t.Fatalf("answer %v became %v", sent.GetAnswers()[i], a)
				}
			}
			again, err := plant.Expand(whole, sheet)
			if err != nil || !proto.Equal(again, whole) {
				t.Fatalf("expanding twice gives %v, %v", again, err)
			}
		})
	}
}

func TestExpandRefusesWhatDoesNotFit(t *testing.T) {
	sheet := preUse(t)
	for name, spoil := range map[string]func(*bothyv1.Check){
		"a point too few":  func(c *bothyv1.Check) { c.PointsOk-- },
		"a point too many": func(c *bothyv1.Check) { c.PointsOk++ },
		"another sheet":    func(c *bothyv1.Check) { c.Sheet = "wheeled-site-dumper.weekly.1" },
		"other options":    func(c *bothyv1.Check) { c.Options = []string{"cab", "swivel-skip"} },
		"a point twice":    func(c *bothyv1.Check) { c.Answers = append(c.Answers, c.Answers[0]) },
		"an unknown point": func(c *bothyv1.Check) { c.Answers[0].Point = "wings" },
		"an answer lost":   func(c *bothyv1.Check) { c.Answers = c.Answers[1:] },
	} {
		c := accepted(t, cleanCheck(sheet, "c1", monday), sheet)
		spoil(c)
		if _, err := plant.Expand(c, sheet); err == nil {
			t.Errorf("%s: expanded", name)
		}
	}
}

func FuzzAcceptCheck(f *testing.F) {
	sheet := preUse(f)
	for _, c := range []*bothyv1.Check{cleanCheck(sheet, "c1", monday), fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), {}} {
		b, err := proto.Marshal(c)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var c bothyv1.Check
		if proto.Unmarshal(b, &c) != nil {
			return
		}
		stored, v := plant.AcceptCheck(&c, facts(sheet, monday, hazard("h1")))
		if (stored == nil) != (len(v) > 0) {
			t.Fatalf("stored %v with %v", stored, v)
		}
		plant.Findings(&c, sheet, []*bothyv1.Defect{hazard("h1")})
		plant.Verdict(plant.Facts{Machine: dumper(), Site: quarry(), Sheets: []*bothyv1.Sheet{sheet}, Checks: []*bothyv1.Check{&c}}, monday)
	})
}

func TestAcceptCheckNeverPanics(t *testing.T) {
	plant.AcceptCheck(nil, plant.CheckFacts{})
	plant.AcceptCheck(&bothyv1.Check{Answers: []*bothyv1.Answer{nil}}, plant.CheckFacts{Machine: dumper(), Sheet: preUse(t)})
	plant.Findings(nil, nil, []*bothyv1.Defect{nil})
	if _, err := plant.Expand(nil, nil); err == nil {
		t.Error("nothing was expanded")
	}
}
