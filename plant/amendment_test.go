package plant_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func amendment(answers ...*bothyv1.Answer) *bothyv1.Amendment {
	return &bothyv1.Amendment{Id: "a1", Check: "c1", Reason: " wrong line ", Answers: answers, Marking: bothyv1.Marking_TAGGED}
}

func defectAnswer(point, note string) *bothyv1.Answer {
	return &bothyv1.Answer{Point: point, State: bothyv1.AnswerState_DEFECT, Note: note}
}

func okAnswer(point string) *bothyv1.Answer {
	return &bothyv1.Answer{Point: point, State: bothyv1.AnswerState_OK}
}

func TestAcceptAmendment(t *testing.T) {
	sheet := preUse(t)
	check := accepted(t, cleanCheck(sheet, "c1", monday), sheet)
	f := plant.AmendFacts{Check: check, Sheet: sheet, Person: operator}
	sent := amendment(defectAnswer("mirrors", " cracked "), defectAnswer("horn", "silent"))
	sent.MeterHours = proto.Float64(1204.6)
	got, err := plant.AcceptAmendment(sent, f)
	want := &bothyv1.Amendment{
		Id: "a1", Check: "c1", Site: "ravens-quarry", Machine: "d-14", Person: "ada-flint", Reason: "wrong line", MeterHours: proto.Float64(1204.6),
		Answers: []*bothyv1.Answer{defectAnswer("mirrors", "cracked"), defectAnswer("horn", "silent")}, Marking: bothyv1.Marking_TAGGED,
	}
	if err != nil || !proto.Equal(got, want) {
		t.Errorf("got %v, %v", got, err)
	}
	slices.Reverse(sent.Answers)
	if got, err := plant.AcceptAmendment(sent, f); err != nil || !proto.Equal(got, want) {
		t.Errorf("in another order: %v, %v", got, err)
	}
	for _, c := range []struct {
		name  string
		spoil func(*bothyv1.Amendment, *plant.AmendFacts)
		field string
		words string
	}{
		{"no check", func(_ *bothyv1.Amendment, f *plant.AmendFacts) { f.Check = nil }, "check", "can be read here"},
		{"another sheet", func(_ *bothyv1.Amendment, f *plant.AmendFacts) { f.Sheet = weekly(t) }, "check", "can be read here"},
		{"no reason", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.Reason = "" }, "reason", "is missing"},
		{"nothing", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.Answers, a.MeterHours = nil, nil }, "answers", "nothing would change"},
		{"bad meter", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.MeterHours = proto.Float64(-4) }, "meterHours", "allowed are"},
		{"bad answer", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.Answers[0].Note = "" }, "answers[0].note", "say what was found"},
		{"unknown point", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.Answers[1].Point = "wings" }, "answers[1].point", `"wings"`},
		{"hazard without a mark", func(a *bothyv1.Amendment, _ *plant.AmendFacts) { a.Marking = 0 }, "marking", "is missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			a, f := amendment(defectAnswer("mirrors", "cracked"), defectAnswer("horn", "silent")), f
			c.spoil(a, &f)
			_, err := plant.AcceptAmendment(a, f)
			wantViolation(t, err, c.field, c.words)
		})
	}
	_, err = plant.AcceptAmendment(nil, f)
	wantViolation(t, err, "check", "can be read here")
	f.Person = nil
	_, err = plant.AcceptAmendment(sent, f)
	wantDenied(t, err, "person")
}

// Somebody who was not there can only put caution in.
func TestOnlyTheMakerAmendsInFavour(t *testing.T) {
	sheet := preUse(t)
	check := accepted(t, cleanCheck(sheet, "c1", monday), sheet)
	notFitted := &bothyv1.Answer{Point: "coupling", State: bothyv1.AnswerState_NOT_FITTED}
	notChecked := &bothyv1.Answer{Point: "coupling", State: bothyv1.AnswerState_NOT_CHECKED, Note: "he was away"}
	for _, a := range []*bothyv1.Answer{okAnswer("horn"), notFitted} {
		if _, err := plant.AcceptAmendment(amendment(a), plant.AmendFacts{Check: check, Sheet: sheet, Person: operator}); err != nil {
			t.Error(err)
		}
		_, err := plant.AcceptAmendment(amendment(a), plant.AmendFacts{Check: check, Sheet: sheet, Person: supervisor})
		wantDenied(t, err, "answers")
	}
	for _, a := range []*bothyv1.Answer{defectAnswer("horn", "silent"), notChecked} {
		if _, err := plant.AcceptAmendment(amendment(a), plant.AmendFacts{Check: check, Sheet: sheet, Person: fitter}); err != nil {
			t.Error(err)
		}
	}
}

func TestAmendedAnswersCount(t *testing.T) {
	sheet := preUse(t)
	whole, err := plant.Expand(accepted(t, cleanCheck(sheet, "c1", monday), sheet), sheet)
	if err != nil {
		t.Fatal(err)
	}
	first := amendment(defectAnswer("horn", "silent"))
	first.AcceptedAt, first.MeterHours = stamp(clock(8, 0)), proto.Float64(9)
	second := amendment(okAnswer("horn"))
	second.Id, second.AcceptedAt, second.Marking = "a0", stamp(clock(9, 0)), 0
	other := amendment(defectAnswer("drive", "creeps"))
	other.Check = "c2"
	got := plant.Amended(whole, []*bothyv1.Amendment{second, other, nil, first})
	if answer(got, "horn").GetState() != bothyv1.AnswerState_OK || answer(got, "drive").GetState() != bothyv1.AnswerState_OK || got.GetMeterHours() != 9 || got.GetMarking() != bothyv1.Marking_TAGGED {
		t.Errorf("got %v", got)
	}
	if answer(whole, "horn").GetNote() != "" || whole.GetMeterHours() != 1204.5 {
		t.Error("the check was changed in place")
	}
	second.AcceptedAt = first.AcceptedAt
	if got := plant.Amended(whole, []*bothyv1.Amendment{second, first}); answer(got, "horn").GetState() != bothyv1.AnswerState_DEFECT {
		t.Error("amendments of the same time do not apply by id")
	}
}

func TestAnAmendmentOpensADefectAndClosesNone(t *testing.T) {
	sheet := preUse(t)
	check := accepted(t, cleanCheck(sheet, "c1", monday), sheet)
	opens := amendment(defectAnswer("horn", "silent"))
	opens.Person = "bram-holt"
	writes := plant.AmendmentFindings(opens, check, sheet, nil)
	if len(writes) != 1 || writes[0].Defect.GetId() != "c1.horn" || writes[0].Defect.GetMarking() != bothyv1.Marking_TAGGED {
		t.Fatalf("got %+v", writes)
	}
	if f := writes[0].Defect.GetFindings()[0]; f.GetPerson() != "bram-holt" || f.GetCheck() != "c1" || !strings.Contains(f.GetNote(), "wrong line") {
		t.Errorf("finding %v", f)
	}
	if again := plant.AmendmentFindings(opens, check, sheet, after(nil, writes...)); len(again) > 0 {
		t.Errorf("the second time: %v", again)
	}
	repaired := certified(hazard("h1"), bothyv1.Progress_REPAIRED, bothyv1.Class_HAZARD, clock(6, 0))
	if writes := plant.AmendmentFindings(amendment(okAnswer("horn"), defectAnswer("wings", "x")), check, sheet, []*bothyv1.Defect{repaired}); len(writes) > 0 {
		t.Errorf("got %+v", writes)
	}
}

// A check that had found something lesser may be amended to something graver.
func TestAnAmendmentMakesADefectGraver(t *testing.T) {
	sheet := preUse(t)
	check := accepted(t, fail(cleanCheck(sheet, "c1", monday), "mirrors", "cracked"), sheet)
	defects := after(nil, plant.Findings(check, sheet, nil)...)
	graver := defectAnswer("mirrors", "cracked")
	graver.Class = bothyv1.Class_HAZARD
	writes := plant.AmendmentFindings(amendment(graver), check, sheet, defects)
	if len(writes) != 1 || writes[0].New || writes[0].Defect.GetClass() != bothyv1.Class_HAZARD || len(writes[0].Defect.GetFindings()) != 2 {
		t.Fatalf("got %+v", writes)
	}
	closed := []*bothyv1.Defect{certified(defects[0], bothyv1.Progress_PROVED, bothyv1.Class_SAFETY, clock(8, 0))}
	if writes := plant.AmendmentFindings(amendment(graver), check, sheet, closed); len(writes) > 0 {
		t.Errorf("what was proved is opened again by the same check: %+v", writes)
	}
}
