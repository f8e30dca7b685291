package plant_test

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func TestADefectIsOpened(t *testing.T) {
	sheet := preUse(t)
	c := fail(fail(cleanCheck(sheet, "c1", monday), "horn", " silent "), "engine-oil", "below the mark")
	writes := plant.Findings(accepted(t, c, sheet), sheet, nil)
	if len(writes) != 2 {
		t.Fatalf("%d writes", len(writes))
	}
	oil, horn := writes[0], writes[1]
	want := &bothyv1.Defect{
		Id: "c1.horn", Machine: "d-14", Site: "ravens-quarry", Point: "horn", Text: "silent", Class: bothyv1.Class_HAZARD,
		Progress: bothyv1.Progress_REPORTED, Marking: bothyv1.Marking_TAGGED,
		Findings: []*bothyv1.Finding{{Check: "c1", Person: "ada-flint", FoundAt: stamp(monday), Note: "silent"}},
	}
	if !proto.Equal(horn.Defect, want) || !horn.New || horn.Lane != plant.LaneHazard {
		t.Errorf("got %+v", horn)
	}
	if !slices.Equal(horn.Fields, []string{"machine", "site", "point", "text", "class", "progress", "findings", "marking"}) {
		t.Errorf("fields %v", horn.Fields)
	}
	if oil.Defect.GetClass() != bothyv1.Class_CONDITION || oil.Defect.GetMarking() != 0 || oil.Lane != plant.LaneDefect {
		t.Errorf("got %+v", oil)
	}
}

func TestAnAnswerMayBeMoreCautious(t *testing.T) {
	sheet := preUse(t)
	c := fail(cleanCheck(sheet, "c1", monday), "engine-oil", "milky")
	answer(c, "engine-oil").Class = bothyv1.Class_HAZARD
	if d := plant.Findings(accepted(t, c, sheet), sheet, nil)[0].Defect; d.GetClass() != bothyv1.Class_HAZARD {
		t.Errorf("class %s", d.GetClass())
	}
}

// Also where a sheet that was not held against ValidSheet says otherwise.
func TestAPointThatIsAlwaysAHazardOpensOne(t *testing.T) {
	sheet := preUse(t)
	p, _ := plant.FindPoint(sheet, "mirrors")
	p.AlwaysHazard = true
	c := accepted(t, fail(cleanCheck(sheet, "c1", monday), "mirrors", "gone"), sheet)
	if d := plant.Findings(c, sheet, nil)[0].Defect; d.GetClass() != bothyv1.Class_HAZARD {
		t.Errorf("class %s", d.GetClass())
	}
}

func TestADefectIsJoined(t *testing.T) {
	sheet := preUse(t)
	for _, c := range []struct {
		name     string
		open     *bothyv1.Defect
		class    bothyv1.Class
		progress bothyv1.Progress
	}{
		{"a repair is undone", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0)), bothyv1.Class_HAZARD, bothyv1.Progress_REPORTED},
		{"a fitter keeps it", withProgress(hazard("h1"), bothyv1.Progress_WAITING), bothyv1.Class_HAZARD, bothyv1.Progress_WAITING},
		{"the class becomes graver", withClass(hazard("h1"), bothyv1.Class_CONDITION), bothyv1.Class_HAZARD, bothyv1.Progress_REPORTED},
		{"an unknown class is the gravest", withClass(hazard("h1"), 7), bothyv1.Class_HAZARD, bothyv1.Progress_REPORTED},
		{"closed by nobody's word", withProgress(hazard("h1"), bothyv1.Progress_PROVED), bothyv1.Class_HAZARD, bothyv1.Progress_REPORTED},
	} {
		t.Run(c.name, func(t *testing.T) {
			check := accepted(t, fail(cleanCheck(sheet, "c2", monday), "horn", "silent again"), sheet, c.open)
			writes := plant.Findings(check, sheet, []*bothyv1.Defect{c.open})
			if len(writes) != 1 {
				t.Fatalf("%d writes", len(writes))
			}
			w := writes[0]
			if w.New || w.Defect.GetId() != "h1" || w.Defect.GetClass() != c.class || w.Defect.GetProgress() != c.progress || len(w.Defect.GetFindings()) != 2 {
				t.Errorf("got %+v", w)
			}
			for _, field := range []string{"class", "progress", "findings", "marking"} {
				if !slices.Contains(w.Fields, field) {
					t.Errorf("%s is not asserted again: %v", field, w.Fields)
				}
			}
		})
	}
	graver := withClass(hazard("h1"), bothyv1.Class_HAZARD)
	graver.Point = "engine-oil"
	check := accepted(t, fail(cleanCheck(sheet, "c2", monday), "engine-oil", "low"), sheet, graver)
	if w := plant.Findings(check, sheet, []*bothyv1.Defect{graver}); w[0].Defect.GetClass() != bothyv1.Class_HAZARD {
		t.Errorf("a finding lowered the class: %v", w)
	}
}

func withProgress(d *bothyv1.Defect, p bothyv1.Progress) *bothyv1.Defect {
	d.Progress = p
	return d
}

func TestAClosedDefectIsNotJoined(t *testing.T) {
	sheet := preUse(t)
	closed := []*bothyv1.Defect{
		certified(hazard("h1"), bothyv1.Progress_PROVED, bothyv1.Class_HAZARD, clock(5, 0)),
		certified(hazard("h2"), bothyv1.Progress_DISMISSED, bothyv1.Class_HAZARD, clock(5, 0)),
	}
	check := accepted(t, fail(cleanCheck(sheet, "c2", monday), "horn", "silent"), sheet)
	writes := plant.Findings(check, sheet, closed)
	if len(writes) != 1 || !writes[0].New || writes[0].Defect.GetId() != "c2.horn" {
		t.Errorf("got %+v", writes)
	}
}

func TestEveryOpenDefectAtThePointIsJoined(t *testing.T) {
	sheet := preUse(t)
	other := hazard("other-machine")
	other.Machine = "d-15"
	elsewhere := hazard("other-point")
	elsewhere.Point = "drive"
	open := []*bothyv1.Defect{hazard("h1"), hazard("h2"), elsewhere}
	check := accepted(t, fail(cleanCheck(sheet, "c2", monday), "horn", "silent"), sheet, open...)
	writes := plant.Findings(check, sheet, append(open, other))
	if len(writes) != 2 || writes[0].Defect.GetId() != "h1" || writes[1].Defect.GetId() != "h2" {
		t.Errorf("got %+v", writes)
	}
}

func TestARepairIsProvedByALaterCheckOfThePoint(t *testing.T) {
	sheet := preUse(t)
	pointless := certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0))
	pointless.Point = ""
	weeklyOnly := certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0))
	weeklyOnly.Point = "brake-wear"
	for _, c := range []struct {
		name   string
		defect *bothyv1.Defect
		change func(*bothyv1.Check)
		proved bool
	}{
		{"begun after the certificate", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0)), nil, true},
		{"begun five minutes before it", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 45)), nil, true},
		{"begun longer before it", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 45).Add(time.Second)), nil, false},
		{"finished with it", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, monday), func(c *bothyv1.Check) { c.StartedAt = stamp(monday) }, false},
		{"not checked", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0)), func(c *bothyv1.Check) {
			a := answer(c, "horn")
			a.State, a.Note = bothyv1.AnswerState_NOT_CHECKED, "early"
		}, false},
		{"not certified", hazard("h1"), nil, false},
		{"certified for something lesser", certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_SAFETY, clock(6, 0)), nil, false},
		{"at no point, seen", pointless, nil, true},
		{"at a point of another sheet", weeklyOnly, nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			sent := cleanCheck(sheet, "c2", monday)
			if c.change != nil {
				c.change(sent)
			}
			writes := plant.Findings(accepted(t, sent, sheet, c.defect), sheet, []*bothyv1.Defect{c.defect})
			if !c.proved {
				if len(writes) > 0 {
					t.Errorf("got %+v", writes)
				}
				return
			}
			if len(writes) != 1 || writes[0].Defect.GetProgress() != bothyv1.Progress_PROVED || writes[0].Defect.GetProvedBy() != "c2" ||
				writes[0].Lane != plant.LaneHazard || !slices.Equal(writes[0].Fields, []string{"progress", "proved_by"}) {
				t.Errorf("got %+v", writes)
			}
		})
	}
	unseen := cleanCheck(sheet, "c2", monday)
	if writes := plant.Findings(unseen, sheet, []*bothyv1.Defect{pointless}); len(writes) > 0 {
		t.Errorf("proved without having been seen: %v", writes)
	}
	atWeekly := accepted(t, cleanCheck(weekly(t), "w2", monday), weekly(t), pointless)
	if writes := plant.Findings(atWeekly, weekly(t), []*bothyv1.Defect{pointless}); len(writes) > 0 {
		t.Errorf("proved by a weekly check: %v", writes)
	}
}

// What cannot be told from a damaged check proves nothing.
func TestADamagedCheckProvesNothing(t *testing.T) {
	sheet := preUse(t)
	repaired := certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0))
	c := accepted(t, cleanCheck(sheet, "c2", monday), sheet, repaired)
	c.PointsOk--
	if writes := plant.Findings(c, sheet, []*bothyv1.Defect{repaired}); len(writes) > 0 {
		t.Errorf("got %+v", writes)
	}
}

func TestFindingsOfTheSameCheckAreMadeOnce(t *testing.T) {
	sheet := preUse(t)
	rapid.Check(t, func(t *rapid.T) {
		sent, machine := drawCheck(t, sheet)
		defects := drawDefects(t, sheet)
		before := make([]*bothyv1.Defect, len(defects))
		for i, d := range defects {
			before[i] = proto.CloneOf(d)
			if plant.Open(d) {
				sent.SeenDefects = append(sent.SeenDefects, d.GetId())
			}
		}
		f := facts(sheet, monday, defects...)
		f.Machine = machine
		stored, v := plant.AcceptCheck(sent, f)
		if len(v) > 0 {
			t.Fatal(v)
		}
		writes := plant.Findings(stored, sheet, defects)
		for i, d := range defects {
			if !proto.Equal(d, before[i]) {
				t.Fatalf("defect %v became %v in place", before[i], d)
			}
		}
		if again := plant.Findings(stored, sheet, after(defects, writes...)); len(again) > 0 {
			t.Fatalf("the second time: %v", again)
		}
		whole, err := plant.Expand(stored, sheet)
		if err != nil {
			t.Fatal(err)
		}
		if expanded := plant.Findings(whole, sheet, defects); len(expanded) != len(writes) {
			t.Fatalf("%d writes from the expanded check, %d from the stored", len(expanded), len(writes))
		}
		for _, a := range whole.GetAnswers() {
			if a.GetState() == bothyv1.AnswerState_DEFECT && !slices.ContainsFunc(after(defects, writes...), func(d *bothyv1.Defect) bool {
				return d.GetPoint() == a.GetPoint() && plant.Open(d)
			}) {
				t.Fatalf("%v left no open defect", a)
			}
		}
	})
}

// drawDefects is some defects of the fixture's dumper, in any state.
func drawDefects(t *rapid.T, sheet *bothyv1.Sheet) []*bothyv1.Defect {
	var defects []*bothyv1.Defect
	for i := range rapid.IntRange(0, 4).Draw(t, "defects") {
		d := hazard("d" + string(rune('a'+i)))
		d.Point = rapid.SampledFrom([]string{"", "horn", "drive", "engine-oil", "brake-wear"}).Draw(t, "point")
		d.Class = bothyv1.Class(rapid.IntRange(0, 4).Draw(t, "class"))
		d.Progress = bothyv1.Progress(rapid.IntRange(0, 7).Draw(t, "progress"))
		if rapid.Bool().Draw(t, "certified") {
			d = certified(d, d.Progress, bothyv1.Class(rapid.IntRange(0, 3).Draw(t, "for")), clock(rapid.IntRange(5, 8).Draw(t, "signed"), 0))
		}
		if rapid.Bool().Draw(t, "limited") {
			d.Limit, d.LimitUntil = "slowly", stamp(clock(rapid.IntRange(5, 12).Draw(t, "until"), 0))
		}
		defects = append(defects, d)
	}
	return defects
}

func TestProgressNeedsACertificateThatCovers(t *testing.T) {
	for _, p := range []bothyv1.Progress{bothyv1.Progress_REPAIRED, bothyv1.Progress_DISMISSED, bothyv1.Progress_PROVED} {
		for name, spoil := range map[string]func(*bothyv1.Defect){
			"none":                  func(d *bothyv1.Defect) { d.Certificate = nil },
			"by nobody":             func(d *bothyv1.Defect) { d.Certificate.Person = "" },
			"without a word":        func(d *bothyv1.Defect) { d.Certificate.Text = "" },
			"without a time":        func(d *bothyv1.Defect) { d.Certificate.SignedAt = nil },
			"of no outcome":         func(d *bothyv1.Defect) { d.Certificate.Outcome = 0 },
			"of an unknown outcome": func(d *bothyv1.Defect) { d.Certificate.Outcome = 9 },
			"for no class":          func(d *bothyv1.Defect) { d.Certificate.Class = 0 },
			"for a lesser class":    func(d *bothyv1.Defect) { d.Certificate.Class = bothyv1.Class_SAFETY },
			"the class is unknown, so the gravest": func(d *bothyv1.Defect) {
				d.Class, d.Certificate.Class = 9, bothyv1.Class_SAFETY
			},
		} {
			d := certified(hazard("h1"), p, bothyv1.Class_HAZARD, monday)
			if plant.ProgressOf(d) != p {
				t.Errorf("%s does not stand", p)
			}
			spoil(d)
			if got := plant.ProgressOf(d); got != bothyv1.Progress_REPORTED || !plant.Open(d) {
				t.Errorf("%s with a certificate %s reads as %s", p, name, got)
			}
		}
		graver := certified(withClass(hazard("h1"), bothyv1.Class_SAFETY), p, bothyv1.Class_HAZARD, monday)
		if plant.ProgressOf(graver) != p {
			t.Errorf("a certificate for a HAZARD does not cover a SAFETY defect")
		}
	}
	for _, p := range []bothyv1.Progress{0, 7, bothyv1.Progress_REPORTED} {
		if got := plant.ProgressOf(withProgress(hazard("h1"), p)); got != bothyv1.Progress_REPORTED {
			t.Errorf("progress %d reads as %s", p, got)
		}
	}
	if !plant.Open(nil) {
		t.Error("a defect that is not there is closed")
	}
}

func TestReportDefect(t *testing.T) {
	sheet := preUse(t)
	mirrors, _ := plant.FindPoint(sheet, "mirrors")
	sent := func() *bothyv1.Defect {
		return &bothyv1.Defect{Id: "r1", Machine: "d-14", Site: "ravens-quarry", Point: "mirrors", Text: " gone ", Class: bothyv1.Class_HAZARD, Marking: bothyv1.Marking_POSTED_AREA}
	}
	f := plant.ReportFacts{Machine: dumper(), Site: quarry(), Point: mirrors, Person: "ada-flint", Now: monday.Add(time.Millisecond)}
	w, err := plant.ReportDefect(sent(), f)
	if err != nil {
		t.Fatal(err)
	}
	want := sent()
	want.Text, want.Progress = "gone", bothyv1.Progress_REPORTED
	want.Findings = []*bothyv1.Finding{{Person: "ada-flint", FoundAt: stamp(monday), Note: "gone"}}
	if !w.New || w.Lane != plant.LaneHazard || !proto.Equal(w.Defect, want) {
		t.Errorf("got %+v", w)
	}
	for _, c := range []struct {
		spoil func(*bothyv1.Defect, *plant.ReportFacts)
		field string
		words string
	}{
		{func(_ *bothyv1.Defect, f *plant.ReportFacts) { f.Machine = nil }, "defect.machine", "register"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Site = "x" }, "defect.site", "register"},
		{func(_ *bothyv1.Defect, f *plant.ReportFacts) { f.Point = nil }, "defect.point", "not a point"},
		{func(_ *bothyv1.Defect, f *plant.ReportFacts) { f.Person = "" }, "person", "is missing"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Text = "" }, "defect.text", "say what was found"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Class = 0 }, "defect.class", "HAZARD, SAFETY and CONDITION"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Class = bothyv1.Class_CONDITION }, "defect.class", "at least SAFETY"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Marking = 0 }, "defect.marking", "is missing"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Progress = bothyv1.Progress_PROVED }, "defect.progress", "a new defect is REPORTED"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Findings = []*bothyv1.Finding{{}} }, "defect.findings", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Limit = "x" }, "defect.limit", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.LimitUntil = stamp(monday) }, "defect.limitUntil", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Fitter = "x" }, "defect.fitter", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.DueAt = stamp(monday) }, "defect.dueAt", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Notes = []*bothyv1.Note{{}} }, "defect.notes", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.Certificate = &bothyv1.Certificate{} }, "defect.certificate", "leave it out"},
		{func(d *bothyv1.Defect, _ *plant.ReportFacts) { d.ProvedBy = "c" }, "defect.provedBy", "leave it out"},
	} {
		d, f := sent(), f
		c.spoil(d, &f)
		_, err := plant.ReportDefect(d, f)
		wantViolation(t, err, c.field, c.words)
	}
	free := sent()
	free.Point, free.Class, free.Marking = "", bothyv1.Class_CONDITION, 0
	f.Point = nil
	if w, err := plant.ReportDefect(free, f); err != nil || w.Lane != plant.LaneDefect {
		t.Errorf("%+v, %v", w, err)
	}
	plant.ReportDefect(nil, plant.ReportFacts{})
}

func TestQueueOrder(t *testing.T) {
	row := func(id string, class bothyv1.Class, out bool, due time.Time, found time.Time) *bothyv1.QueueRow {
		d := withClass(hazard(id), class)
		d.Findings[0].FoundAt = stamp(found)
		if !due.IsZero() {
			d.DueAt = stamp(due)
		}
		return &bothyv1.QueueRow{Defect: d, OutOfService: out}
	}
	reported := row("g", bothyv1.Class_CONDITION, false, time.Time{}, clock(5, 0))
	reported.Defect.ReportedAt = stamp(clock(3, 0))
	none := row("j", bothyv1.Class_CONDITION, false, time.Time{}, clock(6, 0))
	none.Defect.Findings = nil
	want := []*bothyv1.QueueRow{
		row("z", bothyv1.Class_HAZARD, true, time.Time{}, clock(9, 0)),
		row("y", bothyv1.Class_HAZARD, false, clock(1, 0), clock(1, 0)),
		row("x", bothyv1.Class_SAFETY, true, time.Time{}, clock(8, 0)),
		row("c", bothyv1.Class_SAFETY, false, clock(4, 0), clock(9, 0)),
		row("b", bothyv1.Class_SAFETY, false, clock(5, 0), clock(1, 0)),
		row("a", bothyv1.Class_SAFETY, false, time.Time{}, clock(1, 0)),
		none,
		reported,
		row("e", bothyv1.Class_CONDITION, false, time.Time{}, clock(5, 0)),
		row("f", bothyv1.Class_CONDITION, false, time.Time{}, clock(5, 0)),
		row("d", bothyv1.Class_CONDITION, false, time.Time{}, clock(6, 0)),
	}
	rapid.Check(t, func(t *rapid.T) {
		got := rapid.Permutation(want).Draw(t, "rows")
		slices.SortFunc(got, plant.CompareForQueue)
		for i := range want {
			if got[i] != want[i] {
				t.Fatalf("at %d stands %s, want %s", i, got[i].GetDefect().GetId(), want[i].GetDefect().GetId())
			}
		}
	})
	if plant.CompareForQueue(want[0], want[0]) != 0 || plant.CompareForQueue(nil, nil) != 0 {
		t.Error("a row does not equal itself")
	}
}
