package plant_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Each test here holds the package against a rule of law or of a standard. The
// clause stands in its name or beside it.

// 29 CFR 1926.601(b)(14): fifteen items, of which ten are looked at on every
// vehicle.
func TestRow1_29CFR1926_601b14_EveryItemIsCovered(t *testing.T) {
	rows := table(t, "29cfr1926.601b14.csv")
	if len(rows) != 15 || len(plant.ShiftCheckItems()) != 15 {
		t.Fatalf("%d rows, %d items", len(rows), len(plant.ShiftCheckItems()))
	}
	for i, row := range rows {
		item := plant.ShiftCheckItems()[i]
		if item.Basis != "29 CFR 1926.601(b)(14) "+row["item"] || item.WhereFitted != (row["kind"] == "where-necessary") {
			t.Errorf("item %+v does not agree with row %v", item, row)
		}
	}
	if missing := plant.Uncovered(preUse(t), plant.ShiftCheckItems()); len(missing) > 0 {
		t.Errorf("not covered: %v", missing)
	}
}

func TestRow1_29CFR1926_601b14_DeletingThePointsOfAnItemNamesIt(t *testing.T) {
	for _, item := range append(plant.PreUseItems(), plant.ShiftCheckItems()...) {
		sheet, deleted := proto.CloneOf(preUse(t)), 0
		for _, st := range sheet.GetStages() {
			st.Points = slices.DeleteFunc(st.Points, func(p *bothyv1.Point) bool {
				covering := slices.Contains(p.GetBasis(), item.Basis)
				if covering {
					deleted++
				}
				return covering
			})
		}
		if deleted == 0 {
			t.Errorf("no point covers %q", item.Basis)
		}
		wantViolation(t, plant.ValidSheet(sheet), "stages", item.Basis)
	}
}

// An item of every vehicle is not covered by a point that only some are asked.
func TestRow1_29CFR1926_601b14_AnAlwaysItemIsAskedOnEveryMachine(t *testing.T) {
	for _, spoil := range []func(*bothyv1.Point){
		func(p *bothyv1.Point) { p.WithOptions = []string{"cab"} },
		func(p *bothyv1.Point) { p.WithoutOptions = []string{"cab"} },
	} {
		sheet := proto.CloneOf(preUse(t))
		horn, _ := plant.FindPoint(sheet, "horn")
		spoil(horn)
		wantViolation(t, plant.ValidSheet(sheet), "stages", "29 CFR 1926.601(b)(14) horn")
	}
}

// 30 CFR 56.14100(a): inspected before it is put to work on that shift; 29 CFR
// 1910.178(q)(7). One second after the end there is no valid check, and a night
// shift across midnight is one.
func TestRow2_30CFR56_14100a_ACheckIsGoodForItsShiftOnly(t *testing.T) {
	day := current(t)
	for at, want := range map[time.Time]bothyv1.Standing{
		clock(6, 50):                   bothyv1.Standing_FIT, // it was made during the night shift too
		clock(7, 0):                    bothyv1.Standing_FIT,
		clock(18, 59):                  bothyv1.Standing_FIT,
		clock(19, 0).Add(-time.Second): bothyv1.Standing_FIT,
		clock(19, 0):                   bothyv1.Standing_CHECK_DUE,
		clock(19, 0).Add(time.Second):  bothyv1.Standing_CHECK_DUE,
		clock(7, 30).AddDate(0, 0, 1):  bothyv1.Standing_CHECK_DUE,
	} {
		day.AsOf = at
		wantStanding(t, plant.Verdict(day, at), want)
	}
	night := current(t)
	night.Checks = append(night.Checks, accepted(t, cleanCheck(preUse(t), "c2", clock(18, 50)), preUse(t)))
	for at, want := range map[time.Time]bothyv1.Standing{
		clock(23, 59):                                  bothyv1.Standing_FIT,
		clock(0, 1).AddDate(0, 0, 1):                   bothyv1.Standing_FIT,
		clock(7, 0).AddDate(0, 0, 1).Add(-time.Second): bothyv1.Standing_FIT,
		clock(7, 0).AddDate(0, 0, 1).Add(time.Second):  bothyv1.Standing_CHECK_DUE,
	} {
		night.AsOf = at
		wantStanding(t, plant.Verdict(night, at), want)
	}
}

// 29 CFR 1926.601(b)(14): all defects are put right before the vehicle goes into
// service, whichever site or handheld reported them, and whoever checked since.
func TestRow3_DefectsStopTheMachineWhereverTheyWereReported(t *testing.T) {
	f := current(t)
	elsewhere := hazard("from-another-site")
	elsewhere.Site, elsewhere.Point = "gull-pit", ""
	f.Defects = []*bothyv1.Defect{elsewhere}
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)

	f.Checks = append(f.Checks, accepted(t, cleanCheck(preUse(t), "c2", clock(8, 0)), preUse(t), elsewhere))
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)

	elsewhere.Machine = "d-15"
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_FIT)
}

// 30 CFR 56.14100(c), 29 CFR 1926.20(b)(3): out of service goes with a mark.
func TestRow4_30CFR56_14100c_AHazardNeedsAMark(t *testing.T) {
	sheet := preUse(t)
	c := fail(cleanCheck(sheet, "c1", monday), "horn", "silent")
	c.Marking = bothyv1.Marking_MARKING_UNSPECIFIED
	_, v := plant.AcceptCheck(c, facts(sheet, monday))
	wantViolation(t, v, "check.marking", "TAGGED, POSTED_AREA, CONTROLS_LOCKED and REMOVED_FROM_SITE")

	c.Marking = 9
	_, v = plant.AcceptCheck(c, facts(sheet, monday))
	wantViolation(t, v, "check.marking", "is not known")

	safety := fail(cleanCheck(sheet, "c1", monday), "reversing-alarm", "silent")
	safety.Marking = bothyv1.Marking_MARKING_UNSPECIFIED
	if _, v := plant.AcceptCheck(safety, facts(sheet, monday)); len(v) > 0 {
		t.Errorf("a SAFETY defect needs no mark: %v", v)
	}
	answer(safety, "reversing-alarm").Class = bothyv1.Class_HAZARD
	_, v = plant.AcceptCheck(safety, facts(sheet, monday))
	wantViolation(t, v, "check.marking", "is missing")

	joins := fail(cleanCheck(sheet, "c1", monday), "reversing-alarm", "silent")
	joins.Marking, joins.SeenDefects = bothyv1.Marking_MARKING_UNSPECIFIED, []string{"h1"}
	open := hazard("h1")
	open.Point = "reversing-alarm"
	_, v = plant.AcceptCheck(joins, facts(sheet, monday, open))
	wantViolation(t, v, "check.marking", "is missing")

	_, err := plant.NewHold("h", dumper(), "cracked", 0, operator, monday)
	wantViolation(t, err, "marking", "is missing")
}

// 30 CFR 56.14100(d): recorded until corrected, at any age.
func TestRow5_30CFR56_14100d_AnOpenDefectStandsAtAnyAge(t *testing.T) {
	f := current(t)
	old := hazard("h1")
	old.Findings[0].FoundAt = stamp(clock(5, 0).AddDate(-12, 0, 0))
	f.Defects = []*bothyv1.Defect{old}
	if !plant.Open(old) {
		t.Error("closed by age")
	}
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
}

// 30 CFR 56.14100, paragraph by paragraph as the table has them.
func Test30CFR56_14100(t *testing.T) {
	paragraphs := map[string]func(*testing.T){
		"a": func(t *testing.T) {
			f := current(t)
			f.Checks = f.Checks[1:]
			wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_CHECK_DUE)
		},
		"b": func(t *testing.T) {
			f := current(t)
			d := withClass(hazard("s1"), bothyv1.Class_SAFETY)
			d.Limit, d.LimitUntil = "reverse only on an observer's signal", stamp(clock(12, 0))
			f.Defects = []*bothyv1.Defect{d}
			wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_LIMITED)
			wantStanding(t, plant.Verdict(f, clock(12, 0).Add(time.Second)), bothyv1.Standing_OUT_OF_SERVICE)
		},
		"c": func(t *testing.T) {
			f := current(t)
			f.Defects = []*bothyv1.Defect{hazard("h1")}
			v := plant.Verdict(f, clock(9, 0))
			wantStanding(t, v, bothyv1.Standing_OUT_OF_SERVICE)
			if !strings.Contains(v.GetReasons()[0].GetBasis(), "30 CFR 56.14100(c)") {
				t.Errorf("basis %q", v.GetReasons()[0].GetBasis())
			}
		},
		"d": func(t *testing.T) {
			d := hazard("h1")
			write, err := plant.EditDefect(d, d, []string{"findings"}, plant.EditFacts{Editor: fitter, Now: monday})
			if err != nil || !plant.Open(write.Defect) {
				t.Errorf("%v, %v", write, err)
			}
			d.Findings = nil
			_, err = plant.EditDefect(hazard("h1"), d, []string{"findings"}, plant.EditFacts{Editor: fitter, Now: monday})
			wantViolation(t, err, "defect.findings", "nothing is taken away")
		},
	}
	for _, row := range table(t, "30cfr56.14100.csv") {
		t.Run(row["paragraph"]+" "+row["rule"], paragraphs[row["paragraph"]])
	}
}

// 29 CFR 1926.601(b)(4), 30 CFR 56.14132(b): with the view to the rear obstructed
// and the alarm failed, the machine stops unless an observer signals.
func TestRow17_29CFR1926_601b4_ReversingAlarmFailed(t *testing.T) {
	sheet := preUse(t)
	f := current(t)
	f.Checks[0] = accepted(t, fail(cleanCheck(sheet, "c1", monday), "reversing-alarm", "silent"), sheet)
	f.Defects = after(nil, plant.Findings(f.Checks[0], sheet, nil)...)
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
	w, err := ask(supervisor, f.Defects[0], func(d *bothyv1.Defect) {
		d.Limit, d.LimitUntil = "reverse only on an observer's signal", stamp(clock(19, 0))
	}, "limit", "limit_until")
	if err != nil {
		t.Fatal(err)
	}
	f.Defects = after(f.Defects, w)
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_LIMITED)
}

// 49 CFR 396.11 and 396.13: report, certificate, review, in this order; each
// one that is missing leaves the machine out of use.
func TestRow20_49CFR396_ReportCertificateReview(t *testing.T) {
	sheet := preUse(t)
	f := current(t)
	f.AsOf = clock(12, 0)
	report := accepted(t, fail(cleanCheck(sheet, "c2", clock(8, 0)), "horn", "silent"), sheet)
	f.Checks = append(f.Checks, report)
	f.Defects = after(nil, plant.Findings(report, sheet, nil)...)
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)

	// A check that finds it in order is no certificate.
	early := accepted(t, cleanCheck(sheet, "c3", clock(9, 0)), sheet, f.Defects...)
	if writes := plant.Findings(early, sheet, f.Defects); len(writes) > 0 {
		t.Errorf("a check closed a defect that nobody certified: %v", writes)
	}
	f.Checks = append(f.Checks, early)
	wantStanding(t, plant.Verdict(f, clock(9, 30)), bothyv1.Standing_OUT_OF_SERVICE)

	// The certificate alone does not let anyone use it.
	mended := proto.CloneOf(f.Defects[0])
	mended.Progress = bothyv1.Progress_REPAIRED
	mended.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new horn"}
	write, err := plant.EditDefect(f.Defects[0], mended, []string{"progress", "certificate"}, plant.EditFacts{Editor: fitter, Now: clock(10, 0)})
	if err != nil {
		t.Fatal(err)
	}
	f.Defects = after(f.Defects, write)
	wantStanding(t, plant.Verdict(f, clock(10, 30)), bothyv1.Standing_CHECK_DUE)

	// The review: the next check after it, by somebody who saw it.
	unseen := cleanCheck(sheet, "c4", clock(11, 0))
	_, v := plant.AcceptCheck(unseen, facts(sheet, clock(11, 0), f.Defects...))
	wantViolation(t, v, "check.seenDefects", f.Defects[0].GetId())
	review := accepted(t, unseen, sheet, f.Defects...)
	f.Checks = append(f.Checks, review)
	f.Defects = after(f.Defects, plant.Findings(review, sheet, f.Defects)...)
	if d := f.Defects[0]; d.GetProgress() != bothyv1.Progress_PROVED || d.GetProvedBy() != "c4" {
		t.Errorf("progress %s by %q", d.GetProgress(), d.GetProvedBy())
	}
	wantStanding(t, plant.Verdict(f, clock(12, 0)), bothyv1.Standing_FIT)
}

// 49 CFR 396.11(a)(3)(ii): "repair unnecessary" is a lawful end, with a name.
func TestRow20_49CFR396_11_RepairUnnecessaryIsALawfulEnd(t *testing.T) {
	f := current(t)
	dismissed := proto.CloneOf(hazard("h1"))
	dismissed.Progress = bothyv1.Progress_DISMISSED
	dismissed.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "the key was off"}
	write, err := plant.EditDefect(hazard("h1"), dismissed, []string{"progress", "certificate"}, plant.EditFacts{Editor: supervisor, Now: clock(8, 0)})
	if err != nil {
		t.Fatal(err)
	}
	f.Defects = []*bothyv1.Defect{write.Defect}
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_FIT)
	write.Defect.Certificate.Person = ""
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
}

// 49 CFR 398.8(c)(3): nobody removes the mark before every repair is made. Two
// sites edit without having seen each other's word; the merge is the rule that
// each field declares.
func TestRow21_49CFR398_8c3_NobodyTakesTheMarkOffBeforeAllIsMended(t *testing.T) {
	sheet := preUse(t)
	base := hazard("h1")
	repair := func(before *bothyv1.Defect) plant.DefectWrite {
		edited := proto.CloneOf(before)
		edited.Progress = bothyv1.Progress_REPAIRED
		edited.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new horn"}
		w, err := plant.EditDefect(before, edited, []string{"progress", "certificate"}, plant.EditFacts{Editor: fitter, Now: clock(8, 0)})
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	out := func(name string, defects ...*bothyv1.Defect) {
		t.Run(name, func(t *testing.T) {
			f := current(t)
			f.Defects = defects
			wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
		})
	}

	again := accepted(t, fail(cleanCheck(sheet, "c2", clock(8, 30)), "horn", "silent again"), sheet, base)
	out("site A certifies, site B's check finds it again", merged(base, repair(base), plant.Findings(again, sheet, []*bothyv1.Defect{base})[0]))

	another := accepted(t, fail(cleanCheck(sheet, "c3", clock(8, 30)), "drive", "creeps"), sheet, base)
	out("site A certifies, site B finds another", merged(base, repair(base)), plant.Findings(another, sheet, []*bothyv1.Defect{base})[0].Defect)

	safety := withClass(hazard("h1"), bothyv1.Class_SAFETY)
	raised := withClass(hazard("h1"), bothyv1.Class_HAZARD)
	raise, err := plant.EditDefect(safety, raised, []string{"class"}, plant.EditFacts{Editor: operator, Now: clock(8, 30)})
	if err != nil {
		t.Fatal(err)
	}
	out("site A certifies a SAFETY defect, site B makes it a HAZARD", merged(safety, repair(safety), raise))
	// The same if the writer of site B was an older program that did not assert
	// the progress again: the certificate does not cover the class.
	raise.Fields = []string{"class"}
	out("the certificate covers nothing worse than its class", merged(safety, repair(safety), raise))

	reported := proto.CloneOf(base)
	reported.Findings = append(reported.Findings, &bothyv1.Finding{Note: "still silent"})
	found, err := plant.EditDefect(base, reported, []string{"findings"}, plant.EditFacts{Editor: operator, Now: clock(8, 30)})
	if err != nil {
		t.Fatal(err)
	}
	out("site A certifies, site B reports it by hand", merged(base, repair(base), found))

	unmarked := proto.CloneOf(base)
	unmarked.Marking = bothyv1.Marking_MARKING_UNSPECIFIED
	_, err = plant.EditDefect(base, unmarked, []string{"marking"}, plant.EditFacts{Editor: supervisor, Now: clock(8, 0)})
	wantViolation(t, err, "defect.marking", "is missing")
}

// LOLER 1998 reg. 10(3): usable until the date stated, barred after it.
func TestRow24_LOLER10_3_UsableUntilTheDateStated(t *testing.T) {
	f := current(t)
	d := withClass(hazard("s1"), bothyv1.Class_SAFETY)
	d.Limit, d.LimitUntil = "daylight only", stamp(clock(11, 0))
	f.Defects, f.AsOf = []*bothyv1.Defect{d}, clock(11, 0)
	wantStanding(t, plant.Verdict(f, clock(11, 0)), bothyv1.Standing_LIMITED)
	wantStanding(t, plant.Verdict(f, clock(11, 0).Add(time.Second)), bothyv1.Standing_OUT_OF_SERVICE)
	d.Limit = ""
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
	d.Limit, d.LimitUntil = "daylight only", nil
	wantStanding(t, plant.Verdict(f, clock(9, 0)), bothyv1.Standing_OUT_OF_SERVICE)
}

// 29 CFR 1926.32(f): competent is who has the authority to correct.
func TestRow29_29CFR1926_32f_OnlyWhoHasTheAuthorityLowersOrCloses(t *testing.T) {
	lower := func(before *bothyv1.Defect) (*bothyv1.Defect, []string) {
		d := withClass(proto.CloneOf(before), bothyv1.Class_SAFETY)
		d.Notes = append(d.Notes, &bothyv1.Note{Text: "the second horn works"})
		return d, []string{"class", "notes"}
	}
	dismiss := func(before *bothyv1.Defect) (*bothyv1.Defect, []string) {
		d := proto.CloneOf(before)
		d.Progress = bothyv1.Progress_DISMISSED
		d.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "key off"}
		return d, []string{"progress", "certificate"}
	}
	mend := func(before *bothyv1.Defect) (*bothyv1.Defect, []string) {
		d := proto.CloneOf(before)
		d.Progress = bothyv1.Progress_REPAIRED
		d.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new"}
		return d, []string{"progress", "certificate"}
	}
	unknown := person("eli-rook", 9)
	for _, c := range []struct {
		name   string
		edit   func(*bothyv1.Defect) (*bothyv1.Defect, []string)
		field  string
		may    []*bothyv1.Person
		mayNot []*bothyv1.Person
	}{
		{"lower the class", lower, "defect.class", []*bothyv1.Person{supervisor}, []*bothyv1.Person{operator, fitter, office, unknown}},
		{"dismiss", dismiss, "defect.progress", []*bothyv1.Person{supervisor, fitter}, []*bothyv1.Person{operator, office, unknown}},
		{"certify", mend, "defect.progress", []*bothyv1.Person{fitter}, []*bothyv1.Person{operator, supervisor, office, unknown}},
	} {
		edited, mask := c.edit(hazard("h1"))
		for _, p := range c.may {
			if _, err := plant.EditDefect(hazard("h1"), edited, mask, plant.EditFacts{Editor: p, Now: clock(8, 0)}); err != nil {
				t.Errorf("%s as %s: %v", c.name, p.GetRole(), err)
			}
		}
		for _, p := range c.mayNot {
			_, err := plant.EditDefect(hazard("h1"), edited, mask, plant.EditFacts{Editor: p, Now: clock(8, 0)})
			wantDenied(t, err, c.field)
		}
	}
	for _, p := range []*bothyv1.Person{operator, office, unknown, nil} {
		_, err := plant.LiftHold(&bothyv1.Hold{Id: "h", State: bothyv1.HoldState_HELD}, "mended", p, monday)
		wantDenied(t, err, "person")
	}
}

// ISO 3450, clause 4.12 (from a public extract): the maker's manual must tell
// the user to take the machine out of service at once if a brake fails the daily
// brake check.
func TestRow33_ISO3450_AFailedBrakeIsAlwaysAHazard(t *testing.T) {
	brakes := []string{"parking-brake", "service-brake", "emergency-brake"}
	for _, id := range append(brakes, "steering", "steering-parts", "seat-belt", "roll-over-structure") {
		p, ok := plant.FindPoint(preUse(t), id)
		if !ok || !p.GetAlwaysHazard() {
			t.Errorf("%q is not always a hazard", id)
		}
	}
	other := minimal()
	other.Stages[0].Points[0].Basis = append(other.Stages[0].Points[0].Basis, "ISO 3450 daily brake check")
	wantViolation(t, plant.ValidSheet(other), "stages[0].points[0].alwaysHazard", "rests on ISO 3450 daily brake check")
	for _, id := range brakes {
		sheet := proto.CloneOf(preUse(t))
		p, _ := plant.FindPoint(sheet, id)
		p.AlwaysHazard, p.DefaultClass = false, bothyv1.Class_SAFETY
		if v := plant.ValidSheet(sheet); len(v) != 1 || !strings.HasSuffix(v[0].Field, ".alwaysHazard") {
			t.Errorf("a sheet may lower %q: %v", id, v)
		}
		p.AlwaysHazard = true
		if v := plant.ValidSheet(sheet); len(v) != 1 || !strings.HasSuffix(v[0].Field, ".defaultClass") {
			t.Errorf("a sheet may lower %q: %v", id, v)
		}

		c := fail(cleanCheck(preUse(t), "c1", monday), id, "rolls")
		answer(c, id).Class = bothyv1.Class_SAFETY
		_, v := plant.AcceptCheck(c, facts(preUse(t), monday))
		wantViolation(t, v, "check.answers["+index(c, id)+"].class", "at least HAZARD")
		answer(c, id).Class = 0
		stored := accepted(t, c, preUse(t))
		d := plant.Findings(stored, preUse(t), nil)[0].Defect
		if d.GetClass() != bothyv1.Class_HAZARD {
			t.Errorf("%q opens a %s", id, d.GetClass())
		}

		point, _ := plant.FindPoint(preUse(t), id)
		lowered := withClass(proto.CloneOf(d), bothyv1.Class_SAFETY)
		lowered.Notes = []*bothyv1.Note{{Text: "only a little"}}
		_, err := plant.EditDefect(d, lowered, []string{"class", "notes"}, plant.EditFacts{Editor: supervisor, Point: point, Now: monday})
		wantViolation(t, err, "defect.class", "always a HAZARD")
	}
}

// Row 37: a leak is never felt for with the hand (HSE RR976, HSENI alert of 30
// September 2014).
func TestRow37_EveryLeakOfOilCarriesItsCautions(t *testing.T) {
	for _, s := range embedded(t) {
		for _, id := range []string{"ground-leaks", "steering-parts", "skip-rams", "swivel-gear", "running-leaks", "hose-runs", "fuel", "engine-bay"} {
			p, ok := plant.FindPoint(s, id)
			if !ok {
				continue
			}
			cautions := strings.ToLower(strings.Join(p.GetCautions(), " "))
			if !strings.Contains(cautions, "hand") || !strings.Contains(cautions, "hospital now") {
				t.Errorf("%s: %q says %q", s.GetId(), id, cautions)
			}
		}
	}
}

// Row 38: no waiting time is given as safe for a warm cooling system.
func TestRow38_CoolantNamesNoSafeWait(t *testing.T) {
	p, _ := plant.FindPoint(preUse(t), "coolant")
	text := strings.Join(p.GetCautions(), " ")
	if !strings.Contains(text, "cool") || strings.Contains(text, "minute") || strings.ContainsAny(text, "0123456789") {
		t.Errorf("cautions %q", text)
	}
}

// Row 39: ISO 20474-1 clause 4.2, access.
func TestRow39_AccessIsLookedAt(t *testing.T) {
	if p, ok := plant.FindPoint(preUse(t), "steps-and-handrails"); !ok || !slices.Contains(p.GetBasis(), "ISO 20474-1 4.2") {
		t.Error("no point for access")
	}
}

// Row 41: "operator" alone is not used in what people read.
func TestRow41_TheOperatorIsThePlantOperator(t *testing.T) {
	for _, s := range embedded(t) {
		for _, st := range s.GetStages() {
			for _, p := range st.GetPoints() {
				for _, text := range append(p.GetCautions(), p.GetLookFor(), p.GetDefectWhen()) {
					if strings.Contains(strings.ReplaceAll(strings.ToLower(text), "plant operator", ""), "operator") {
						t.Errorf("%s: %q", p.GetId(), text)
					}
				}
			}
		}
	}
}

// Alberta OHS Code s.257(1): the equipment and the surrounding area.
func TestRow42_AlbertaOHS257_TheSurroundingAreaIsLookedAt(t *testing.T) {
	sheet := preUse(t)
	found := false
	for _, p := range pointsOf(sheet) {
		found = found || slices.Contains(p.GetBasis(), plant.PreUseItems()[0].Basis)
	}
	if !found {
		t.Error("no point looks at the surrounding area")
	}
	sheet.MachineType, sheet.Id = "roller", "roller.pre-use.1"
	sheet.Stages = slices.DeleteFunc(sheet.Stages, func(st *bothyv1.Stage) bool { return st.GetId() == "surroundings" })
	wantViolation(t, plant.ValidSheet(sheet), "stages", "surrounding area")
}

// Common practice, no source: a brake is held for at least 5 s.
func TestTimedTestsLastAtLeastFiveSeconds(t *testing.T) {
	timed := 0
	for _, s := range embedded(t) {
		for _, p := range pointsOf(s) {
			if p.GetHoldSeconds() > 0 {
				timed++
				if p.GetHoldSeconds() < 5 {
					t.Errorf("%q is held for %d s", p.GetId(), p.GetHoldSeconds())
				}
			}
		}
	}
	if timed < 3 {
		t.Errorf("%d timed tests", timed)
	}
}
