package plant_test

import (
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

// ask edits a defect as a person at eight o'clock.
func ask(p *bothyv1.Person, before *bothyv1.Defect, change func(*bothyv1.Defect), mask ...string) (plant.DefectWrite, error) {
	edited := proto.CloneOf(before)
	if change != nil {
		change(edited)
	}
	return plant.EditDefect(before, edited, mask, plant.EditFacts{Editor: p, Now: clock(8, 0).Add(time.Millisecond)})
}

func setProgress(p bothyv1.Progress) func(*bothyv1.Defect) {
	return func(d *bothyv1.Defect) { d.Progress = p }
}

func sign(p bothyv1.Progress, outcome bothyv1.Outcome) func(*bothyv1.Defect) {
	return func(d *bothyv1.Defect) {
		d.Progress, d.Certificate = p, &bothyv1.Certificate{Outcome: outcome, Text: " done "}
	}
}

func addNote(text string) func(*bothyv1.Defect) {
	return func(d *bothyv1.Defect) { d.Notes = append(d.Notes, &bothyv1.Note{Text: text}) }
}

func both(a, b func(*bothyv1.Defect)) func(*bothyv1.Defect) {
	return func(d *bothyv1.Defect) { a(d); b(d) }
}

func safety() *bothyv1.Defect { return withClass(hazard("s1"), bothyv1.Class_SAFETY) }

func repaired() *bothyv1.Defect {
	return certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(7, 0))
}

// What each role may ask for, and what it may not.
func TestEditDefectByRole(t *testing.T) {
	everybody := []*bothyv1.Person{operator, supervisor, fitter, office}
	limit := func(d *bothyv1.Defect) { d.Limit, d.LimitUntil = "slowly", stamp(clock(18, 0)) }
	for _, c := range []struct {
		name   string
		before *bothyv1.Defect
		change func(*bothyv1.Defect)
		mask   []string
		field  string // that is denied to the others
		may    []*bothyv1.Person
	}{
		{"add a note", hazard("h1"), addNote("horn ordered"), []string{"notes"}, "", everybody},
		{"find it again", repaired(), func(d *bothyv1.Defect) { d.Findings = append(d.Findings, &bothyv1.Finding{Note: "silent again"}) }, []string{"findings"}, "", everybody},
		{"make it graver", safety(), func(d *bothyv1.Defect) { d.Class = bothyv1.Class_HAZARD }, []string{"class"}, "", everybody},
		{"say the same class again", safety(), nil, []string{"class"}, "", everybody},
		{"mark it otherwise", hazard("h1"), func(d *bothyv1.Defect) { d.Marking = bothyv1.Marking_POSTED_AREA }, []string{"marking"}, "", everybody},
		{"say that a repair is none", repaired(), both(setProgress(bothyv1.Progress_REPORTED), addNote("still silent")), []string{"progress", "notes"}, "", everybody},
		{"say that it is reported", hazard("h1"), nil, []string{"progress"}, "", everybody},
		{"lower it", hazard("h1"), both(func(d *bothyv1.Defect) { d.Class = bothyv1.Class_SAFETY }, addNote("second horn")), []string{"class", "notes"}, "defect.class", []*bothyv1.Person{supervisor}},
		{"state a limit", safety(), limit, []string{"limit", "limit_until"}, "defect.limit", []*bothyv1.Person{supervisor}},
		{"say when it is due", safety(), func(d *bothyv1.Defect) { d.DueAt = stamp(clock(18, 0)) }, []string{"due_at"}, "defect.dueAt", []*bothyv1.Person{supervisor}},
		{"take back when it is due", safety(), nil, []string{"due_at"}, "defect.dueAt", []*bothyv1.Person{supervisor}},
		{"let it wait", hazard("h1"), setProgress(bothyv1.Progress_WAITING), []string{"progress"}, "defect.progress", []*bothyv1.Person{fitter}},
		{"give it back", withProgress(hazard("h1"), bothyv1.Progress_TAKEN), setProgress(bothyv1.Progress_REPORTED), []string{"progress"}, "defect.progress", []*bothyv1.Person{fitter, supervisor}},
		{"certify it", hazard("h1"), sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), []string{"progress", "certificate"}, "defect.progress", []*bothyv1.Person{fitter}},
		{"dismiss it", hazard("h1"), sign(bothyv1.Progress_DISMISSED, bothyv1.Outcome_NO_REPAIR_NEEDED), []string{"progress", "certificate"}, "defect.progress", []*bothyv1.Person{fitter, supervisor}},
		{"clear the fitter", hazard("h1"), nil, []string{"fitter"}, "defect.fitter", []*bothyv1.Person{fitter, supervisor}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, p := range everybody {
				_, err := ask(p, c.before, c.change, c.mask...)
				if slices.Contains(c.may, p) {
					if err != nil {
						t.Errorf("%s: %v", p.GetRole(), err)
					}
					continue
				}
				wantDenied(t, err, c.field)
			}
			_, err := ask(nil, c.before, c.change, c.mask...)
			wantDenied(t, err, "person")
		})
	}
}

func TestEditDefectNamesEveryFault(t *testing.T) {
	past := stamp(clock(7, 59))
	limited := func(until time.Time) *bothyv1.Defect {
		d := safety()
		d.Limit, d.LimitUntil = "slowly", stamp(until)
		return d
	}
	closed := certified(hazard("h1"), bothyv1.Progress_PROVED, bothyv1.Class_HAZARD, clock(7, 0))
	noted := hazard("h1")
	noted.Notes = []*bothyv1.Note{{Text: "a"}, {Text: "b"}}
	for _, c := range []struct {
		name   string
		by     *bothyv1.Person
		before *bothyv1.Defect
		change func(*bothyv1.Defect)
		mask   []string
		field  string
		words  string
	}{
		{"empty mask", fitter, hazard("h1"), nil, nil, "updateMask", "names no field"},
		{"unknown field", fitter, hazard("h1"), nil, []string{"notes", "colour"}, "updateMask[1]", "allowed are class, progress"},
		{"field of a check", fitter, hazard("h1"), nil, []string{"proved_by"}, "updateMask[0]", "cannot be edited"},
		{"what was found", fitter, hazard("h1"), nil, []string{"text"}, "updateMask[0]", "cannot be edited"},
		{"computed", fitter, hazard("h1"), nil, []string{"etag"}, "updateMask[0]", "cannot be edited"},
		{"closed", supervisor, closed, nil, []string{"class"}, "defect.class", "is PROVED; it takes notes only"},
		{"note taken away", fitter, noted, func(d *bothyv1.Defect) { d.Notes = d.Notes[:1] }, []string{"notes"}, "defect.notes", "does not begin with the 2"},
		{"note changed", fitter, noted, func(d *bothyv1.Defect) { d.Notes[1].Text = "c" }, []string{"notes"}, "defect.notes", "nothing is taken away"},
		{"blank note", fitter, noted, addNote(" "), []string{"notes"}, "defect.notes[2].text", "is missing"},
		{"note in another name", fitter, noted, func(d *bothyv1.Defect) {
			d.Notes = append(d.Notes, &bothyv1.Note{Text: "x", Person: "bram-holt"})
		}, []string{"notes"}, "defect.notes[2].person", "speak for yourself"},
		{"notes without end", fitter, noted, func(d *bothyv1.Defect) {
			for range 500 {
				d.Notes = append(d.Notes, &bothyv1.Note{Text: "x"})
			}
		}, []string{"notes"}, "defect.notes", "at most 500"},
		{"finding taken away", fitter, hazard("h1"), func(d *bothyv1.Defect) { d.Findings = nil }, []string{"findings"}, "defect.findings", "does not begin with the 1"},
		{"blank finding", fitter, hazard("h1"), func(d *bothyv1.Defect) { d.Findings = append(d.Findings, &bothyv1.Finding{}) }, []string{"findings"}, "defect.findings[1].note", "say what was found"},
		{"finding in another name", fitter, hazard("h1"), func(d *bothyv1.Defect) {
			d.Findings = append(d.Findings, &bothyv1.Finding{Note: "x", Person: "ada-flint"})
		}, []string{"findings"}, "defect.findings[1].person", "speak for yourself"},
		{"finding of a check", fitter, hazard("h1"), func(d *bothyv1.Defect) {
			d.Findings = append(d.Findings, &bothyv1.Finding{Note: "x", Check: "c1"})
		}, []string{"findings"}, "defect.findings[1].check", "adds its findings itself"},
		{"no class", supervisor, hazard("h1"), func(d *bothyv1.Defect) { d.Class = 0 }, []string{"class"}, "defect.class", "HAZARD, SAFETY and CONDITION"},
		{"unknown class", supervisor, hazard("h1"), func(d *bothyv1.Defect) { d.Class = 4 }, []string{"class"}, "defect.class", "HAZARD, SAFETY and CONDITION"},
		{"lowered without a word", supervisor, hazard("h1"), func(d *bothyv1.Defect) { d.Class = bothyv1.Class_SAFETY }, []string{"class"}, "defect.notes", "why the class is lowered from HAZARD to SAFETY"},
		{"no progress", fitter, hazard("h1"), setProgress(0), []string{"progress"}, "defect.progress", "allowed are REPORTED, TAKEN"},
		{"unknown progress", fitter, hazard("h1"), setProgress(7), []string{"progress"}, "defect.progress", "allowed are REPORTED, TAKEN"},
		{"proved by hand", fitter, repaired(), setProgress(bothyv1.Progress_PROVED), []string{"progress"}, "defect.progress", "the next check"},
		{"repair undone without a word", fitter, repaired(), setProgress(bothyv1.Progress_REPORTED), []string{"progress"}, "defect.notes", "why the repair is none"},
		{"taken for nobody", supervisor, hazard("h1"), setProgress(bothyv1.Progress_TAKEN), []string{"progress"}, "defect.fitter", "name the fitter"},
		{"taken by nobody", fitter, hazard("h1"), setProgress(bothyv1.Progress_TAKEN), []string{"progress", "fitter"}, "defect.fitter", "name the fitter"},
		{"fitter without a valid id", supervisor, hazard("h1"), func(d *bothyv1.Defect) { d.Fitter = "Cleo Marsh" }, []string{"fitter"}, "defect.fitter", "lower-case"},
		{"repaired without a certificate", fitter, hazard("h1"), setProgress(bothyv1.Progress_REPAIRED), []string{"progress"}, "defect.certificate", "is missing"},
		{"repaired with an old certificate", fitter, repaired(), setProgress(bothyv1.Progress_REPAIRED), []string{"progress"}, "defect.certificate", "is missing"},
		{"repaired with an empty certificate", fitter, hazard("h1"), setProgress(bothyv1.Progress_REPAIRED), []string{"progress", "certificate"}, "defect.certificate", "is missing"},
		{"repaired, nothing mended", fitter, hazard("h1"), sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_NO_REPAIR_NEEDED), []string{"progress", "certificate"}, "defect.certificate.outcome", "needs MENDED"},
		{"dismissed, mended", fitter, hazard("h1"), sign(bothyv1.Progress_DISMISSED, bothyv1.Outcome_MENDED), []string{"progress", "certificate"}, "defect.certificate.outcome", "needs NO_REPAIR_NEEDED"},
		{"dismissed without a certificate", supervisor, hazard("h1"), setProgress(bothyv1.Progress_DISMISSED), []string{"progress"}, "defect.certificate", "is missing"},
		{"certificate alone", fitter, hazard("h1"), sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), []string{"certificate"}, "defect.certificate", "stands alone"},
		{"certificate with another progress", fitter, hazard("h1"), sign(bothyv1.Progress_WAITING, bothyv1.Outcome_MENDED), []string{"progress", "certificate"}, "defect.certificate", "stands alone"},
		{"certificate without a word", fitter, hazard("h1"), both(sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), func(d *bothyv1.Defect) { d.Certificate.Text = "" }), []string{"progress", "certificate"}, "defect.certificate.text", "is missing"},
		{"certificate in another name", fitter, hazard("h1"), both(sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), func(d *bothyv1.Defect) { d.Certificate.Person = "x" }), []string{"progress", "certificate"}, "defect.certificate.person", "speak for yourself"},
		{"certificate for something lesser", fitter, hazard("h1"), both(sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), func(d *bothyv1.Defect) { d.Certificate.Class = bothyv1.Class_SAFETY }), []string{"progress", "certificate"}, "defect.certificate.class", "the defect is a HAZARD"},
		{"limit on a hazard", supervisor, hazard("h1"), func(d *bothyv1.Defect) { d.Limit, d.LimitUntil = "slowly", stamp(clock(18, 0)) }, []string{"limit", "limit_until"}, "defect.limit", "only a machine with a SAFETY defect"},
		{"limit without an end", supervisor, safety(), func(d *bothyv1.Defect) { d.Limit = "slowly" }, []string{"limit"}, "defect.limitUntil", "is missing"},
		{"end without a limit", supervisor, safety(), func(d *bothyv1.Defect) { d.LimitUntil = stamp(clock(18, 0)) }, []string{"limit_until"}, "defect.limit", "is missing"},
		{"limit that is past", supervisor, safety(), func(d *bothyv1.Defect) { d.Limit, d.LimitUntil = "slowly", past }, []string{"limit", "limit_until"}, "defect.limitUntil", "past"},
		{"limit put off without a word", supervisor, limited(clock(12, 0)), func(d *bothyv1.Defect) { d.LimitUntil = stamp(clock(18, 0)) }, []string{"limit_until"}, "defect.notes", "why the limit is put off"},
		{"due at no time", supervisor, safety(), func(d *bothyv1.Defect) { d.DueAt = &timestamppb.Timestamp{Nanos: -1} }, []string{"due_at"}, "defect.dueAt", "not a valid time"},
		{"unknown marking", operator, safety(), func(d *bothyv1.Defect) { d.Marking = 8 }, []string{"marking"}, "defect.marking", "is not known"},
		{"hazard without a mark", operator, safety(), func(d *bothyv1.Defect) { d.Class, d.Marking = bothyv1.Class_HAZARD, 0 }, []string{"class", "marking"}, "defect.marking", "is missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := proto.CloneOf(c.before)
			_, err := ask(c.by, c.before, c.change, c.mask...)
			wantViolation(t, err, c.field, c.words)
			if !proto.Equal(before, c.before) {
				t.Error("the defect was changed in place")
			}
		})
	}
	unmarked := repaired()
	unmarked.Marking = 0
	_, err := ask(operator, unmarked, func(d *bothyv1.Defect) { d.Findings = append(d.Findings, &bothyv1.Finding{Note: "again"}) }, "findings")
	wantViolation(t, err, "defect.marking", "is missing")
	_, err = plant.EditDefect(hazard("h1"), nil, []string{"marking"}, plant.EditFacts{Editor: fitter})
	wantViolation(t, err, "defect.marking", "is missing")
}

func TestEditDefectWrites(t *testing.T) {
	eight := stamp(clock(8, 0))
	for _, c := range []struct {
		name   string
		by     *bothyv1.Person
		before *bothyv1.Defect
		change func(*bothyv1.Defect)
		mask   []string
		fields []string
		lane   int
		holds  func(*bothyv1.Defect) bool
	}{
		{"a note is signed and dated", operator, safety(), addNote(" parts come "), []string{"notes"}, []string{"notes"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool {
				return proto.Equal(d.Notes[0], &bothyv1.Note{Person: "ada-flint", WrittenAt: eight, Text: "parts come"})
			}},
		{"a note on a closed defect", operator, certified(hazard("h1"), bothyv1.Progress_DISMISSED, bothyv1.Class_HAZARD, clock(7, 0)), addNote("x"), []string{"notes"}, []string{"notes"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return !plant.Open(d) }},
		{"a finding undoes a repair", operator, repaired(), func(d *bothyv1.Defect) { d.Findings = append(d.Findings, &bothyv1.Finding{Note: " again "}) }, []string{"findings"}, []string{"class", "progress", "findings"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool {
				return d.Progress == bothyv1.Progress_REPORTED && proto.Equal(d.Findings[1], &bothyv1.Finding{Person: "ada-flint", FoundAt: eight, Note: "again"})
			}},
		{"found and mended at once", fitter, hazard("h1"), both(sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), func(d *bothyv1.Defect) {
			d.Findings = append(d.Findings, &bothyv1.Finding{Note: "wire off"})
		}), []string{"findings", "progress", "certificate"}, []string{"class", "progress", "findings", "certificate"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return plant.ProgressOf(d) == bothyv1.Progress_REPAIRED }},
		{"graver, and the progress again", operator, withProgress(safety(), bothyv1.Progress_WAITING), func(d *bothyv1.Defect) { d.Class = bothyv1.Class_HAZARD }, []string{"class"}, []string{"class", "progress"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return d.Progress == bothyv1.Progress_WAITING }},
		{"graver than the repair", operator, certified(safety(), bothyv1.Progress_REPAIRED, bothyv1.Class_SAFETY, clock(7, 0)), func(d *bothyv1.Defect) { d.Class = bothyv1.Class_HAZARD }, []string{"class"}, []string{"class", "progress"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return d.Progress == bothyv1.Progress_REPORTED }},
		{"lowered is urgent too", supervisor, hazard("h1"), both(func(d *bothyv1.Defect) { d.Class = bothyv1.Class_SAFETY }, addNote("why")), []string{"class", "notes"}, []string{"class", "notes"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return d.Class == bothyv1.Class_SAFETY }},
		{"taken by the fitter", fitter, hazard("h1"), setProgress(bothyv1.Progress_TAKEN), []string{"progress"}, []string{"progress", "fitter"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return d.Fitter == "cleo-marsh" }},
		{"taken for a fitter", supervisor, safety(), both(setProgress(bothyv1.Progress_TAKEN), func(d *bothyv1.Defect) { d.Fitter = "cleo-marsh" }), []string{"progress", "fitter"}, []string{"progress", "fitter"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.Fitter == "cleo-marsh" }},
		{"certified for what was seen", fitter, safety(), sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), []string{"progress", "certificate"}, []string{"progress", "certificate"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool {
				return proto.Equal(d.Certificate, &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Person: "cleo-marsh", SignedAt: eight, Text: "done", Class: bothyv1.Class_SAFETY})
			}},
		{"the mark comes off with the certificate", fitter, hazard("h1"), both(sign(bothyv1.Progress_REPAIRED, bothyv1.Outcome_MENDED), func(d *bothyv1.Defect) { d.Marking = 0 }), []string{"progress", "certificate", "marking"}, []string{"progress", "certificate", "marking"}, plant.LaneHazard,
			func(d *bothyv1.Defect) bool { return d.Marking == 0 }},
		{"limit and end go together", supervisor, limitedTo(clock(18, 0)), func(d *bothyv1.Defect) { d.Limit = " slower " }, []string{"limit"}, []string{"limit", "limit_until"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.Limit == "slower" && d.LimitUntil.AsTime().Equal(clock(18, 0)) }},
		{"limit shortened", supervisor, limitedTo(clock(18, 0)), func(d *bothyv1.Defect) { d.LimitUntil = stamp(clock(17, 0)) }, []string{"limit_until"}, []string{"limit", "limit_until"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.LimitUntil.AsTime().Equal(clock(17, 0)) }},
		{"limit put off with a word", supervisor, limitedTo(clock(18, 0)), both(func(d *bothyv1.Defect) { d.LimitUntil = stamp(clock(20, 0)) }, addNote("parts late")), []string{"limit_until", "notes"}, []string{"limit", "limit_until", "notes"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.LimitUntil.AsTime().Equal(clock(20, 0)) }},
		{"limit taken back", supervisor, limitedTo(clock(18, 0)), func(d *bothyv1.Defect) { d.Limit, d.LimitUntil = "", nil }, []string{"limit", "limit_until"}, []string{"limit", "limit_until"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.Limit == "" && d.LimitUntil == nil }},
		{"due in whole seconds", supervisor, safety(), func(d *bothyv1.Defect) { d.DueAt = stamp(clock(18, 0).Add(time.Millisecond)) }, []string{"due_at"}, []string{"due_at"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool { return d.DueAt.AsTime().Equal(clock(18, 0)) }},
		{"what is not masked stays", fitter, safety(), both(addNote("x"), func(d *bothyv1.Defect) { d.Class, d.Text, d.Machine = bothyv1.Class_CONDITION, "y", "z" }), []string{"notes"}, []string{"notes"}, plant.LaneDefect,
			func(d *bothyv1.Defect) bool {
				return d.Class == bothyv1.Class_SAFETY && d.Text == "silent" && d.Machine == "d-14"
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w, err := ask(c.by, c.before, c.change, c.mask...)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(w.Fields, c.fields) || w.Lane != c.lane || w.New || !c.holds(w.Defect) {
				t.Errorf("got %+v", w)
			}
		})
	}
	w, err := ask(fitter, hazard("h1"), both(setProgress(bothyv1.Progress_TAKEN), func(d *bothyv1.Defect) { d.Fitter = "x" }), "progress", "fitter")
	if wantDenied(t, err, "defect.fitter"); err != nil && !strings.Contains(err.Error(), "SUPERVISOR") {
		t.Errorf("%v, %v", w, err)
	}
}

func limitedTo(until time.Time) *bothyv1.Defect {
	d := safety()
	d.Limit, d.LimitUntil = "slowly", stamp(until)
	return d
}

// Whatever a person asks for, a defect only ends by the chain, and two edits
// that were made apart never read as less grave than the graver one.
func TestNoEditEndsADefectButByTheChain(t *testing.T) {
	people := []*bothyv1.Person{operator, supervisor, fitter, office}
	rapid.Check(t, func(t *rapid.T) {
		before := hazard("h1")
		before.Class = bothyv1.Class(rapid.IntRange(1, 3).Draw(t, "was"))
		before.Progress = bothyv1.Progress(rapid.IntRange(1, 3).Draw(t, "progress was"))
		draw := func(name string) (plant.DefectWrite, bool) {
			p := rapid.SampledFrom(people).Draw(t, name)
			change := func(d *bothyv1.Defect) {
				d.Class = bothyv1.Class(rapid.IntRange(0, 4).Draw(t, "class"))
				d.Progress = bothyv1.Progress(rapid.IntRange(0, 7).Draw(t, "progress"))
				d.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome(rapid.IntRange(0, 2).Draw(t, "outcome")), Text: "x"}
			}
			mask := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"class", "progress", "certificate"}), 1, 3, rapid.ID[string]).Draw(t, "mask")
			if rapid.Bool().Draw(t, "with a note") {
				change, mask = both(change, addNote("x")), append(mask, "notes")
			}
			w, err := ask(p, before, change, mask...)
			if err == nil && !plant.Open(w.Defect) && p != fitter && p != supervisor {
				t.Fatalf("%s closed %v", p.GetRole(), w.Defect)
			}
			if err == nil && w.Defect.GetProgress() == bothyv1.Progress_PROVED {
				t.Fatalf("%s proved %v", p.GetRole(), w.Defect)
			}
			w.Fields = slices.DeleteFunc(w.Fields, func(f string) bool { return f == "notes" })
			return w, err == nil
		}
		a, okA := draw("first")
		b, okB := draw("second")
		if !okA || !okB {
			return
		}
		both := merged(before, a, b)
		raised := slices.Contains(b.Fields, "class") && b.Defect.GetClass() < before.GetClass()
		if raised && plant.Open(b.Defect) && plant.ProgressOf(b.Defect) < bothyv1.Progress_REPAIRED && plant.ProgressOf(both) >= bothyv1.Progress_REPAIRED {
			t.Fatalf("%v and %v read as %v", a.Defect, b.Defect, both)
		}
	})
}
