package plant_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

const (
	outOfService = bothyv1.Standing_OUT_OF_SERVICE
	unknown      = bothyv1.Standing_UNKNOWN
	checkDue     = bothyv1.Standing_CHECK_DUE
	limited      = bothyv1.Standing_LIMITED
	fit          = bothyv1.Standing_FIT
)

func TestFitIsAReadingOfRecordsNotAPromise(t *testing.T) {
	v := plant.Verdict(current(t), clock(9, 0))
	wantStanding(t, v, fit)
	text := v.GetReasons()[0].GetText()
	if !strings.Contains(text, "reading of records") || !strings.Contains(text, "plant operator's own look") || !strings.Contains(text, "maker's manual") || strings.Contains(strings.ToLower(text), "safe") {
		t.Errorf("text %q", text)
	}
	if v.GetMachine() != "d-14" || v.GetCheck() != "c1" || v.GetShift().GetTitle() != "day" || !v.GetAsOf().AsTime().Equal(clock(9, 0)) || len(v.GetReasons()) != 1 {
		t.Errorf("verdict %v", v)
	}
}

// Each case changes one thing on a machine that was checked for the shift.
func TestVerdict(t *testing.T) {
	sheet := preUse(t)
	notChecked := func(point string) *bothyv1.Check {
		c := cleanCheck(sheet, "c1", monday)
		a := answer(c, point)
		a.State, a.Note, a.HeldSeconds = bothyv1.AnswerState_NOT_CHECKED, "no room", nil
		return c
	}
	hold := &bothyv1.Hold{Id: "o1", Machine: "d-14", State: bothyv1.HoldState_HELD, Person: "bram-holt", Reason: "noise", HeldAt: stamp(monday)}
	lift := proto.CloneOf(hold)
	lift.State = bothyv1.HoldState_LIFTED
	for _, c := range []struct {
		name   string
		change func(*plant.Facts)
		want   bothyv1.Standing
		source string
		words  string
	}{
		{"held", func(f *plant.Facts) { f.Holds = []*bothyv1.Hold{hold} }, outOfService, "holds/o1", "Held out of service by bram-holt since 2 March 2026 06:50 GMT: noise"},
		{"held, in a state that is not known", func(f *plant.Facts) { f.Holds = []*bothyv1.Hold{{Id: "o1", Machine: "d-14", State: 7}} }, outOfService, "holds/o1", "an unknown time"},
		{"lifted", func(f *plant.Facts) { f.Holds = []*bothyv1.Hold{lift} }, fit, "checks/c1", "Checked by"},
		{"hold on another machine", func(f *plant.Facts) { f.Holds = []*bothyv1.Hold{{Id: "o1", Machine: "d-15"}} }, fit, "checks/c1", ""},
		{"hazard", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{hazard("h1")} }, outOfService, "defects/h1", "HAZARD at horn, reported: silent"},
		{"hazard taken", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{withProgress(hazard("h1"), bothyv1.Progress_TAKEN)}
		}, outOfService, "defects/h1", ""},
		{"hazard waiting", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{withProgress(hazard("h1"), bothyv1.Progress_WAITING)}
		}, outOfService, "defects/h1", ""},
		{"a class that is not known", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{withClass(hazard("h1"), 9)} }, outOfService, "defects/h1", "HAZARD"},
		{"hazard repaired", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{repaired()} }, checkDue, "defects/h1", "certified by cleo-marsh on 2 March 2026 07:00 GMT"},
		{"hazard said to be repaired", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{withProgress(hazard("h1"), bothyv1.Progress_REPAIRED)}
		}, outOfService, "defects/h1", "It says REPAIRED, but nobody certified that"},
		{"hazard certified as something lesser", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_SAFETY, clock(7, 0))}
		}, outOfService, "defects/h1", "cleo-marsh certified it as a SAFETY; that does not cover a HAZARD"},
		{"hazard dismissed as something lesser", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{certified(hazard("h1"), bothyv1.Progress_DISMISSED, bothyv1.Class_CONDITION, clock(7, 0))}
		}, outOfService, "defects/h1", "does not cover"},
		{"hazard proved", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{certified(hazard("h1"), bothyv1.Progress_PROVED, bothyv1.Class_HAZARD, clock(5, 0))}
		}, fit, "checks/c1", ""},
		{"safety without a limit", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{safety()} }, outOfService, "defects/s1", "with no limit stated"},
		{"safety certified as something lesser", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{certified(safety(), bothyv1.Progress_REPAIRED, bothyv1.Class_CONDITION, clock(7, 0))}
		}, outOfService, "defects/s1", "does not cover a SAFETY"},
		{"safety within its limit", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{limitedTo(clock(9, 0))} }, limited, "defects/s1", "until 2 March 2026 09:00 GMT: slowly (horn: silent)"},
		{"safety past its limit", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{limitedTo(clock(8, 59))} }, outOfService, "defects/s1", "was to be mended by 2 March 2026 08:59 GMT"},
		{"safety repaired", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{certified(limitedTo(clock(12, 0)), bothyv1.Progress_REPAIRED, bothyv1.Class_SAFETY, clock(7, 0))}
		}, checkDue, "defects/s1", "no check has looked at it since"},
		{"condition", func(f *plant.Facts) { f.Defects = []*bothyv1.Defect{withClass(hazard("k1"), bothyv1.Class_CONDITION)} }, fit, "checks/c1", ""},

		{"silent for too long", func(f *plant.Facts) { f.AsOf = clock(8, 59).AddDate(0, 0, -1) }, unknown, "", "Nothing is known after 1 March 2026 08:59 GMT; records older than 24 h"},
		{"silent for just so long", func(f *plant.Facts) { f.AsOf = clock(9, 0).AddDate(0, 0, -1) }, fit, "checks/c1", ""},
		{"silent by the hub's setting", func(f *plant.Facts) { f.AsOf, f.SilentAfter = clock(8, 0), 59*time.Minute }, unknown, "", ""},
		{"silent by the site's setting", func(f *plant.Facts) {
			f.AsOf, f.SilentAfter, f.Site.SilentAfterHours = clock(6, 0), 48*time.Hour, 2
		}, unknown, "", "older than 2 h"},
		{"never heard", func(f *plant.Facts) { f.AsOf = time.Time{} }, unknown, "", "not known how complete"},
		{"silent, and a hazard", func(f *plant.Facts) {
			f.AsOf, f.Defects = time.Time{}, []*bothyv1.Defect{hazard("h1")}
		}, outOfService, "defects/h1", ""},
		{"silent, and held", func(f *plant.Facts) { f.AsOf, f.Holds = time.Time{}, []*bothyv1.Hold{hold} }, outOfService, "holds/o1", ""},

		{"not checked", func(f *plant.Facts) { f.Checks = f.Checks[1:] }, checkDue, "", `No check has been made for the shift "day" from 2 March 2026 07:00 GMT to 2 March 2026 19:00 GMT.`},
		{"checked for another machine", func(f *plant.Facts) { f.Checks[0].Machine = "d-15" }, checkDue, "", "No check"},
		{"checked by a sheet that is not here", func(f *plant.Facts) { f.Checks[0].Sheet = "wheeled-site-dumper.pre-use.2" }, checkDue, "", "No check"},
		{"a damaged check", func(f *plant.Facts) { f.Checks[0].PointsOk-- }, checkDue, "", "No check"},
		{"an expanded check", func(f *plant.Facts) { f.Checks[0], _ = plant.Expand(f.Checks[0], sheet) }, fit, "checks/c1", ""},
		{"begun an hour before the shift", func(f *plant.Facts) { f.Checks[0].StartedAt = stamp(clock(6, 0)) }, fit, "checks/c1", ""},
		{"begun longer before the shift", func(f *plant.Facts) { f.Checks[0].StartedAt = stamp(clock(5, 59)) }, checkDue, "", "No check"},
		{"a clock that is a little ahead", func(f *plant.Facts) { f.Checks[0].FinishedAt = stamp(clock(9, 5)) }, fit, "checks/c1", ""},
		{"from the future", func(f *plant.Facts) { f.Checks[0].FinishedAt = stamp(clock(9, 6)) }, checkDue, "", "No check"},
		{"brake not checked", func(f *plant.Facts) { f.Checks[0] = accepted(t, notChecked("parking-brake"), sheet) }, checkDue, "checks/c1", "did not look at parking-brake"},
		{"horn not checked", func(f *plant.Facts) { f.Checks[0] = accepted(t, notChecked("horn"), sheet) }, checkDue, "checks/c1", "did not look at horn"},
		{"mirrors not checked", func(f *plant.Facts) { f.Checks[0] = accepted(t, notChecked("mirrors"), sheet) }, fit, "checks/c1", ""},
		{"other options than when it was checked", func(f *plant.Facts) { f.Machine.Options = []string{"swivel-skip", "frame"} }, checkDue, "checks/c1", "swivel-gear, swivel-lock, swivel-function"},
		{"the latest check counts", func(f *plant.Facts) {
			f.Checks = append(f.Checks, accepted(t, func() *bothyv1.Check {
				c := notChecked("horn")
				c.Id, c.StartedAt, c.FinishedAt = "c2", stamp(clock(8, 0)), stamp(clock(8, 10))
				return c
			}(), sheet))
		}, checkDue, "checks/c2", "horn"},
		{"no sheet", func(f *plant.Facts) { f.Sheets = []*bothyv1.Sheet{weekly(t)} }, checkDue, "", `no pre-use sheet for machines of the type "wheeled-site-dumper"`},
		{"no site", func(f *plant.Facts) { f.Site = nil }, checkDue, "", "ravens-quarry"},
		{"no zone", func(f *plant.Facts) { f.Site.Zone = "Mars/Base" }, checkDue, "", "Mars/Base"},
		{"no shift", func(f *plant.Facts) { f.Site.Shifts[0].Weekdays, f.Site.Shifts[1].Weekdays = []int32{6}, []int32{6} }, checkDue, "", "none starts within 12 h"},

		{"weekly check overdue", func(f *plant.Facts) { f.Checks[1].FinishedAt = stamp(monday.AddDate(0, 0, -8)) }, checkDue, "checks/w1", "was due on 1 March 2026"},
		{"weekly check of the same weekday", func(f *plant.Facts) { f.Checks[1].FinishedAt = stamp(monday.AddDate(0, 0, -7)) }, fit, "checks/c1", ""},
		{"no weekly check", func(f *plant.Facts) { f.Checks = f.Checks[:1] }, checkDue, "", "No weekly check"},
		{"no weekly sheet", func(f *plant.Facts) { f.Checks, f.Sheets = f.Checks[:1], []*bothyv1.Sheet{sheet} }, fit, "checks/c1", ""},
		{"weekly check not whole", func(f *plant.Facts) {
			w := cleanCheck(weekly(t), "w1", monday.AddDate(0, 0, -1))
			a := answer(w, "wheel-nuts")
			a.State, a.Note = bothyv1.AnswerState_NOT_CHECKED, "no wrench"
			f.Checks[1] = accepted(t, w, weekly(t))
		}, checkDue, "checks/w1", "did not look at wheel-nuts"},

		{"a finding whose defect is still on the way", func(f *plant.Facts) {
			f.Checks[0] = accepted(t, fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), sheet)
		}, outOfService, "defects/c1.horn", "silent"},
		{"a finding that makes a defect graver, still on the way", func(f *plant.Facts) {
			f.Defects = []*bothyv1.Defect{withClass(hazard("k1"), bothyv1.Class_CONDITION)}
			f.Checks[0] = accepted(t, fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), sheet, f.Defects...)
		}, outOfService, "defects/k1", ""},
		{"a finding whose defect was proved", func(f *plant.Facts) {
			f.Checks[0] = accepted(t, fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), sheet)
			d := after(nil, plant.Findings(f.Checks[0], sheet, nil)...)[0]
			f.Defects = []*bothyv1.Defect{certified(d, bothyv1.Progress_PROVED, bothyv1.Class_HAZARD, clock(8, 0))}
		}, fit, "checks/c1", ""},
		{"amended from OK to DEFECT", func(f *plant.Facts) {
			f.Amendments = []*bothyv1.Amendment{amendment(defectAnswer("horn", "silent"))}
		}, outOfService, "defects/c1.horn", ""},
		{"amended from DEFECT to OK", func(f *plant.Facts) {
			f.Checks[0] = accepted(t, fail(cleanCheck(sheet, "c1", monday), "horn", "silent"), sheet)
			f.Amendments = []*bothyv1.Amendment{amendment(okAnswer("horn"))}
		}, outOfService, "defects/c1.horn", ""},
		{"amended from OK to NOT_CHECKED", func(f *plant.Facts) {
			f.Amendments = []*bothyv1.Amendment{amendment(&bothyv1.Answer{Point: "horn", State: bothyv1.AnswerState_NOT_CHECKED, Note: "x"})}
		}, checkDue, "checks/c1", "horn"},
		{"amended from NOT_CHECKED to OK", func(f *plant.Facts) {
			f.Checks[0] = accepted(t, notChecked("horn"), sheet)
			f.Amendments = []*bothyv1.Amendment{amendment(okAnswer("horn"))}
		}, fit, "checks/c1", ""},
		{"a doubtful check", func(f *plant.Facts) { f.Checks[0].Doubts = []bothyv1.Doubt{bothyv1.Doubt_TICKET_MISSING, 99} }, fit, "checks/c1", "no ticket in date for this machine type; 99"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := current(t)
			c.change(&f)
			v := plant.Verdict(f, clock(9, 0))
			wantStanding(t, v, c.want)
			first := v.GetReasons()[0]
			if first.GetSource() != c.source || !strings.Contains(first.GetText(), c.words) {
				t.Errorf("the first reason is %v; want one of %q that says %q", first, c.source, c.words)
			}
			if c.want == fit && v.GetCheck() != "c1" {
				t.Errorf("check %q", v.GetCheck())
			}
			for _, r := range v.GetReasons() {
				if r.GetText() == "" || r.GetClears() == "" || r.GetBasis() == "" || r.GetStanding() == 0 {
					t.Errorf("reason %v is not whole", r)
				}
			}
		})
	}
}

func TestReasonsAreInOrderOfWeight(t *testing.T) {
	f := current(t)
	f.Checks, f.AsOf = f.Checks[1:], time.Time{}
	overdue := limitedTo(clock(8, 0))
	overdue.Id = "s0"
	f.Defects = []*bothyv1.Defect{withClass(hazard("k1"), bothyv1.Class_CONDITION), limitedTo(clock(12, 0)), overdue, repaired(), hazard("h2"), hazard("h2")}
	f.Holds = []*bothyv1.Hold{{Id: "o1", Machine: "d-14"}}
	v := plant.Verdict(f, clock(9, 0))
	var got []string
	for _, r := range v.GetReasons() {
		got = append(got, r.GetStanding().String()+" "+r.GetSource())
	}
	want := "OUT_OF_SERVICE holds/o1, OUT_OF_SERVICE defects/h2, OUT_OF_SERVICE defects/s0, UNKNOWN , CHECK_DUE , CHECK_DUE defects/h1, LIMITED defects/s1, FIT defects/k1"
	if strings.Join(got, ", ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, ", "), want)
	}
}

// In a gap between shifts the verdict speaks of the next one.
func TestBetweenShiftsTheNextOneCounts(t *testing.T) {
	f := current(t)
	f.Site.Shifts = f.Site.Shifts[:1] // day only
	f.AsOf = clock(20, 0)
	v := plant.Verdict(f, clock(20, 0))
	wantStanding(t, v, checkDue)
	if !v.GetShift().GetStartAt().AsTime().Equal(clock(7, 0).AddDate(0, 0, 1)) {
		t.Errorf("shift %v", v.GetShift())
	}
	if v := plant.Verdict(f, clock(19, 0).Add(-time.Second)); v.GetShift().GetTitle() != "day" || v.GetStanding() != fit {
		t.Errorf("at the end of the shift: %v", v)
	}
	f.Site.Shifts[0].StartMinute, f.Site.Shifts[0].LengthMinutes = 8*60+1, 11*60
	if v := plant.Verdict(f, clock(20, 1)); v.GetShift() == nil {
		t.Error("12 h ahead there is a shift")
	}
	if v := plant.Verdict(f, clock(20, 0)); v.GetShift() != nil || !strings.Contains(v.GetReasons()[0].GetText(), "none starts within") {
		t.Errorf("more than 12 h ahead there is none: %v", v)
	}
	f.Site.Shifts[0].StartMinute, f.Site.Shifts[0].LengthMinutes = 7*60, 12*60
	early := cleanCheck(preUse(t), "c2", clock(6, 30).AddDate(0, 0, 1))
	f.Checks = append(f.Checks, accepted(t, early, preUse(t)))
	f.AsOf = clock(6, 40).AddDate(0, 0, 1)
	wantStanding(t, plant.Verdict(f, f.AsOf), fit)
}

// A handheld whose clock runs ahead may finish a check after the end of the
// shift: it is none for that shift.
func TestACheckThatEndsAfterTheShiftIsNotForIt(t *testing.T) {
	f := current(t)
	f.Checks[0].StartedAt, f.Checks[0].FinishedAt, f.AsOf = stamp(clock(18, 50)), stamp(clock(19, 0)), clock(18, 58)
	wantStanding(t, plant.Verdict(f, clock(18, 58)), checkDue)
	f.Checks[0].FinishedAt = stamp(clock(18, 59))
	wantStanding(t, plant.Verdict(f, clock(18, 58)), fit)
}

// drawFacts is the records of the fixture's dumper in any state.
func drawFacts(t *rapid.T, all []*bothyv1.Sheet, checks []*bothyv1.Check) plant.Facts {
	f := plant.Facts{Machine: dumper(), Site: quarry(), Sheets: all, Defects: drawDefects(t, nil)}
	for _, c := range checks {
		if rapid.Bool().Draw(t, "check "+c.GetId()) {
			f.Checks = append(f.Checks, c)
		}
	}
	if rapid.Bool().Draw(t, "known") {
		f.AsOf = clock(rapid.IntRange(-30, 9).Draw(t, "as of"), 0)
	}
	for _, a := range []*bothyv1.Amendment{amendment(defectAnswer("drive", "creeps")), amendment(okAnswer("drive"))} {
		if rapid.Bool().Draw(t, "amended") {
			f.Amendments = append(f.Amendments, a)
		}
	}
	if len(f.Amendments) == 2 {
		f.Amendments[1] = proto.CloneOf(f.Amendments[1])
		f.Amendments[1].Id = "a2"
	}
	for i := range rapid.IntRange(0, 2).Draw(t, "holds") {
		f.Holds = append(f.Holds, &bothyv1.Hold{Id: "o" + string(rune('1'+i)), Machine: "d-14", State: bothyv1.HoldState(rapid.IntRange(0, 2).Draw(t, "state"))})
	}
	return f
}

// knownChecks is checks of several kinds; the first is clean.
func knownChecks(t *testing.T) []*bothyv1.Check {
	sheet := preUse(t)
	open := fail(cleanCheck(sheet, "c2", clock(8, 0)), "horn", "silent")
	return []*bothyv1.Check{
		accepted(t, cleanCheck(sheet, "c1", monday), sheet),
		accepted(t, open, sheet),
		accepted(t, cleanCheck(sheet, "c3", clock(8, 30)), sheet),
		accepted(t, cleanCheck(weekly(t), "w1", monday), weekly(t)),
	}
}

func TestTheOrderOfRecordsDoesNotMatter(t *testing.T) {
	all, checks := embedded(t), knownChecks(t)
	rapid.Check(t, func(t *rapid.T) {
		f := drawFacts(t, all, checks)
		want := plant.Verdict(f, clock(9, 0))
		f.Sheets = rapid.Permutation(f.Sheets).Draw(t, "sheets")
		f.Checks = rapid.Permutation(f.Checks).Draw(t, "checks")
		f.Defects = rapid.Permutation(f.Defects).Draw(t, "defects")
		f.Holds = rapid.Permutation(f.Holds).Draw(t, "holds")
		f.Amendments = rapid.Permutation(f.Amendments).Draw(t, "amendments")
		if got := plant.Verdict(f, clock(9, 0)); !proto.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

func TestMoreToldIsNeverLessGrave(t *testing.T) {
	all, checks := embedded(t), knownChecks(t)
	rapid.Check(t, func(t *rapid.T) {
		f := drawFacts(t, all, checks)
		before := plant.Verdict(f, clock(9, 0)).GetStanding()
		more := f
		if rapid.Bool().Draw(t, "a hold") {
			more.Holds = append(more.Holds[:len(more.Holds):len(more.Holds)], &bothyv1.Hold{Id: "o9", Machine: "d-14"})
		} else {
			d := drawOne(t)
			more.Defects = append(more.Defects[:len(more.Defects):len(more.Defects)], d)
		}
		if now := plant.Verdict(more, clock(9, 0)).GetStanding(); now > before {
			t.Fatalf("%s became %s", before, now)
		}
	})
}

func drawOne(t *rapid.T) *bothyv1.Defect {
	d := hazard("d9")
	d.Point = rapid.SampledFrom([]string{"", "horn", "drive", "engine-oil"}).Draw(t, "point of one more")
	d.Class = bothyv1.Class(rapid.IntRange(0, 4).Draw(t, "class of one more"))
	d.Progress = bothyv1.Progress(rapid.IntRange(0, 7).Draw(t, "progress of one more"))
	if rapid.Bool().Draw(t, "one more is certified") {
		d = certified(d, d.Progress, bothyv1.Class(rapid.IntRange(0, 3).Draw(t, "one more is certified for")), clock(8, 45))
	}
	return d
}

func TestVerdictChangesNothingAndNeverPanics(t *testing.T) {
	f := current(t)
	f.Checks[0] = accepted(t, fail(cleanCheck(preUse(t), "c1", monday), "horn", "silent"), preUse(t))
	f.Defects = []*bothyv1.Defect{withClass(hazard("k1"), bothyv1.Class_CONDITION)}
	f.Amendments = []*bothyv1.Amendment{amendment(defectAnswer("drive", "creeps"))}
	check, defect, amended := proto.CloneOf(f.Checks[0]), proto.CloneOf(f.Defects[0]), proto.CloneOf(f.Amendments[0])
	plant.Verdict(f, clock(9, 0))
	if !proto.Equal(check, f.Checks[0]) || !proto.Equal(defect, f.Defects[0]) || !proto.Equal(amended, f.Amendments[0]) || len(f.Defects) != 1 {
		t.Error("the facts were changed")
	}
	wantStanding(t, plant.Verdict(plant.Facts{}, time.Time{}), unknown)
	wantStanding(t, plant.Verdict(plant.Facts{
		Machine: dumper(), Site: quarry(), Sheets: []*bothyv1.Sheet{nil}, Checks: []*bothyv1.Check{nil}, Amendments: []*bothyv1.Amendment{nil},
		Defects: []*bothyv1.Defect{nil}, Holds: []*bothyv1.Hold{nil},
	}, clock(9, 0)), unknown)
}

func BenchmarkVerdict(b *testing.B) {
	f := current(b)
	for b.Loop() {
		plant.Verdict(f, clock(9, 0))
	}
}
