package book_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

func TestACheckComesBackWhole(t *testing.T) {
	w := cabin(t)
	sent := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	got := w.send(operator, fail(sent, "coolant", "level at the lower mark"))

	if got.GetId() == "" || got.GetMachine() != "d-14" || got.GetSite() != "ravens-quarry" || got.GetPerson() != operator {
		t.Errorf("who, what and where: %v", got)
	}
	if len(got.GetAnswers()) != len(sent.GetAnswers()) || got.GetPointsOk() != 0 {
		t.Errorf("%d answers and %d counted, want all %d listed", len(got.GetAnswers()), got.GetPointsOk(), len(sent.GetAnswers()))
	}
	if !got.GetAcceptedAt().AsTime().Equal(monday) {
		t.Errorf("accepted at %v", got.GetAcceptedAt().AsTime())
	}
	if want := []string{got.GetId() + ".coolant"}; !slices.Equal(got.GetDefects(), want) {
		t.Errorf("defects %q, want %q", got.GetDefects(), want)
	}
	again, err := w.GetCheck(context.Background(), &bothyv1.GetCheckRequest{Check: got.GetId()})
	if err != nil {
		t.Fatal(err)
	}
	diff(t, again, got)
}

func TestACheckOpensJoinsAndProvesDefects(t *testing.T) {
	w := checked(t)
	w.later(time.Hour)
	first := w.send(operator, fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "silent"))
	id := first.GetDefects()[0]
	if d := w.defect(id); d.GetClass() != bothyv1.Class_HAZARD || d.GetProgress() != bothyv1.Progress_REPORTED {
		t.Fatalf("opened %v", d)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("with a HAZARD the machine reads %s", got)
	}

	w.later(time.Hour)
	second := w.send(mate, fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "still silent"))
	if d := w.defect(id); !slices.Equal(second.GetDefects(), []string{id}) || len(d.GetFindings()) != 2 {
		t.Fatalf("joined %q with %d findings", second.GetDefects(), len(d.GetFindings()))
	}

	w.later(time.Hour)
	w.certify(id)
	if got := w.standing("d-14"); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("with a repair that nobody proved the machine reads %s", got)
	}

	w.later(time.Hour)
	third := w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	if d := w.defect(id); d.GetProgress() != bothyv1.Progress_PROVED || d.GetProvedBy() != third.GetId() {
		t.Fatalf("not proved: %v", d)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_FIT {
		t.Errorf("after the proof the machine reads %s", got)
	}
}

// certify is the fitter's word that a defect is mended.
func (w *world) certify(id string) {
	w.t.Helper()
	_, err := w.UpdateDefect(as(fitter), &bothyv1.UpdateDefectRequest{
		Defect: &bothyv1.Defect{
			Id: id, Etag: w.defect(id).GetEtag(), Progress: bothyv1.Progress_REPAIRED,
			Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "replaced"},
		},
		UpdateMask: mask("progress", "certificate"),
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func TestABadCheckNamesEverythingThatIsWrong(t *testing.T) {
	w := cabin(t)
	c := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	c.Id, c.Site, c.MeterHours, c.PointsOk = "mine", "heron-pit", -1, 3
	c.Answers = c.Answers[1:]
	_, err := w.CreateCheck(as(operator), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
	wantFault(t, err, fault.KindInvalid, "check.site", "check.id", "check.pointsOk", "check.meterHours", "check.answers")
	if n := w.checks("d-14"); n != 0 {
		t.Errorf("%d checks were kept", n)
	}
}

func (w *world) checks(machine string) int {
	w.t.Helper()
	resp, err := w.ListChecks(context.Background(), &bothyv1.ListChecksRequest{Machine: machine, PageSize: 500})
	if err != nil {
		w.t.Fatal(err)
	}
	return len(resp.GetChecks())
}

func TestRefusedChecksLeaveNothing(t *testing.T) {
	at := func(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(monday.Add(d)) }
	for _, tt := range []struct {
		name   string
		person string
		change func(c *bothyv1.Check)
		kind   fault.Kind
		fields []string
	}{
		{"nobody acts", "", func(*bothyv1.Check) {}, fault.KindUnnamed, nil},
		{"a name that is no id", "Ada Flint", func(*bothyv1.Check) {}, fault.KindInvalid, []string{"person"}},
		{"machine unknown", operator, func(c *bothyv1.Check) { c.Machine = "D 99" }, fault.KindMissing, nil},
		{"machine that is no fleet number", operator, func(c *bothyv1.Check) { c.Machine = "dumper!" }, fault.KindInvalid, []string{"check.machine"}},
		{"in another's name", operator, func(c *bothyv1.Check) { c.Person = mate }, fault.KindInvalid, []string{"check.person"}},
		{"a stranger in another's name", stranger, func(c *bothyv1.Check) { c.Person = mate }, fault.KindInvalid, []string{"check.person"}},
		{"site of another node", operator, func(c *bothyv1.Check) { c.Site = "heron-pit" }, fault.KindInvalid, []string{"check.site"}},
		{"sheet unknown", operator, func(c *bothyv1.Check) { c.Sheet = "wheeled-site-dumper.pre-use.99" }, fault.KindInvalid, []string{"check.sheet"}},
		{"control character", operator, func(c *bothyv1.Check) { c.Note = "all well\x07" }, fault.KindInvalid, []string{"check.note"}},
		{"control character where nothing else is looked at", operator, func(c *bothyv1.Check) { c.Options = []string{"frame\x07"} }, fault.KindInvalid, []string{"check.options[0]"}},
		{"text turned round", operator, func(c *bothyv1.Check) { c.Note = "safe \u202etoN" }, fault.KindInvalid, []string{"check.note"}},
		{"a note without end", operator, func(c *bothyv1.Check) { c.Note = string(make([]byte, 1<<20)) }, fault.KindInvalid, []string{"check.note"}},
		{"word of an unknown enumeration", operator, func(c *bothyv1.Check) { c.Answers[3].State = 17 }, fault.KindInvalid, []string{"check.answers[3].state"}},
		{"no time", operator, func(c *bothyv1.Check) { c.FinishedAt = &timestamppb.Timestamp{Seconds: 1 << 60} }, fault.KindInvalid, []string{"check.finishedAt"}},
		{"from tomorrow", operator, func(c *bothyv1.Check) { c.StartedAt, c.FinishedAt = at(24*time.Hour), at(25*time.Hour) }, fault.KindInvalid, []string{"check.startedAt", "check.finishedAt"}},
		{"doubts of the sender's own", operator, func(c *bothyv1.Check) { c.Doubts = []bothyv1.Doubt{bothyv1.Doubt_SENT_LATE} }, fault.KindInvalid, []string{"check.doubts"}},
		{"hazard without a mark", operator, func(c *bothyv1.Check) { fail(c, "horn", "silent").Marking = 0 }, fault.KindInvalid, []string{"check.marking"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			before := w.store.Changes()
			c := w.clean("d-14", bothyv1.Purpose_PRE_USE)
			tt.change(c)
			_, err := w.CreateCheck(as(tt.person), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
			wantFault(t, err, tt.kind, tt.fields...)
			if got := w.store.Changes(); got != before {
				t.Errorf("%d changes were made", got-before)
			}
		})
	}
}

func TestAFieldOfANewerProgramIsNotDroppedInSilence(t *testing.T) {
	w := cabin(t)
	c := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	c.Answers[2].ProtoReflect().SetUnknown([]byte{0xfa, 0x3f, 1, 'x'}) // field 1023
	_, err := w.CreateCheck(as(operator), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
	wantFault(t, err, fault.KindInvalid, "check.answers[2]")
}

func TestAnUnknownMachineIsOfferedForRegistration(t *testing.T) {
	w := cabin(t)
	c := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	c.Machine = "D 99"
	_, err := w.CreateCheck(as(operator), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
	f := wantFault(t, err, fault.KindMissing)
	if f.Reason != "MACHINE_UNLISTED" || f.Metadata["register"] != "POST /v1/machines" {
		t.Errorf("reason %q, metadata %v", f.Reason, f.Metadata)
	}
	if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: &bothyv1.Machine{
		FleetNumber: "D 99", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"},
	}}); err != nil {
		t.Fatal(err)
	}
	if got := w.send(operator, c); !slices.Contains(got.GetDoubts(), bothyv1.Doubt_MACHINE_UNLISTED) {
		t.Errorf("doubts %v", got.GetDoubts())
	}
}

func TestAStrangersCheckIsTakenAndDoubted(t *testing.T) {
	w := cabin(t)
	got := w.send(stranger, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	if !slices.Contains(got.GetDoubts(), bothyv1.Doubt_PERSON_UNLISTED) || got.GetPerson() != stranger {
		t.Errorf("person %q, doubts %v", got.GetPerson(), got.GetDoubts())
	}
}

func TestAnAmendmentStandsBesideItsCheck(t *testing.T) {
	w := checked(t)
	w.later(time.Hour)
	check := w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	req := &bothyv1.AmendCheckRequest{
		Check: check.GetId(), Reason: "tapped the wrong line", Marking: bothyv1.Marking_TAGGED, RequestId: w.id(),
		Answers: []*bothyv1.Answer{{Point: "horn", State: bothyv1.AnswerState_DEFECT, Note: "silent"}},
	}
	w.later(time.Minute)
	got, err := w.AmendCheck(as(operator), req)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.GetAmendments()) != 1 || got.GetAmendments()[0].GetReason() != req.GetReason() || got.GetAmendments()[0].GetAcceptedAt() == nil {
		t.Errorf("amendments %v", got.GetAmendments())
	}
	if !proto.Equal(got.GetAnswers()[0], check.GetAnswers()[0]) || len(got.GetDefects()) != 1 {
		t.Errorf("the check changed, or its defect is not named: %v", got.GetDefects())
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("after the amendment the machine reads %s", got)
	}
	again, err := w.AmendCheck(as(operator), req)
	if err != nil {
		t.Fatal(err)
	}
	diff(t, again, got)
}

func TestWhoMayAmendACheck(t *testing.T) {
	w := cabin(t)
	check := w.send(operator, fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "coolant", "low"))
	for _, tt := range []struct {
		name, check, person string
		state               bothyv1.AnswerState
		kind                fault.Kind
		fields              []string
	}{
		{"a stranger", check.GetId(), stranger, bothyv1.AnswerState_DEFECT, fault.KindForbidden, nil},
		{"somebody else for the better", check.GetId(), mate, bothyv1.AnswerState_OK, fault.KindForbidden, nil},
		{"a check that is not there", "a-999", operator, bothyv1.AnswerState_DEFECT, fault.KindMissing, nil},
		{"an id that is none", "../1", operator, bothyv1.AnswerState_DEFECT, fault.KindInvalid, []string{"check"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := w.AmendCheck(as(tt.person), &bothyv1.AmendCheckRequest{
				Check: tt.check, Reason: "it was the other one", RequestId: w.id(),
				Answers: []*bothyv1.Answer{{Point: "coolant", State: tt.state, Note: "low"}},
			})
			wantFault(t, err, tt.kind, tt.fields...)
		})
	}
}

func TestChecksAreListedNewestFirstPageByPage(t *testing.T) {
	hub := newWorld(t, "h", nil)
	var want []string
	for i := range 23 {
		machine := []string{"d-14", "d-15", "d-30"}[i%3]
		if i%4 != 0 { // some are accepted in one instant
			hub.later(20 * time.Minute)
		}
		c := hub.clean(machine, bothyv1.Purpose_PRE_USE)
		want = append(want, hub.send(operator, c).GetId())
	}
	slices.Sort(want)
	for _, size := range []int32{1, 2, 7, 23, 24, 0} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			var got []string
			last := hub.now
			req := &bothyv1.ListChecksRequest{PageSize: size}
			for {
				resp, err := hub.ListChecks(context.Background(), req)
				if err != nil || len(got) > len(want) {
					t.Fatal(got, err)
				}
				for _, c := range resp.GetChecks() {
					got = append(got, c.GetId())
					if c.GetAcceptedAt().AsTime().After(last) {
						t.Errorf("%s is newer than the one before it", c.GetId())
					}
					last = c.GetAcceptedAt().AsTime()
				}
				if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
					break
				}
			}
			if slices.Sort(got); !slices.Equal(got, want) {
				t.Errorf("got  %q\nwant %q", got, want)
			}
		})
	}
}

// A meter that was misread can be put right; until then it stands in the way.
func TestAMeterDoesNotRunBackwards(t *testing.T) {
	w := cabin(t)
	first := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	first.MeterHours = 9000
	misread := w.send(operator, first)
	w.later(time.Hour)
	next := w.clean("d-14", bothyv1.Purpose_PRE_USE)
	_, err := w.CreateCheck(as(operator), &bothyv1.CreateCheckRequest{Check: next, RequestId: w.id()})
	wantFault(t, err, fault.KindInvalid, "check.meterHours")
	if _, err := w.AmendCheck(as(operator), &bothyv1.AmendCheckRequest{
		Check: misread.GetId(), Reason: "a digit too many", MeterHours: proto.Float64(1204.5), RequestId: w.id(),
	}); err != nil {
		t.Fatal(err)
	}
	w.send(operator, next)
}

// An amendment can take a check back: a point whose failure is a HAZARD was not
// looked at after all.
func TestAnAmendedCheckCountsAsAmended(t *testing.T) {
	w := checked(t)
	w.later(time.Hour)
	check := w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	if got := w.standing("d-14"); got != bothyv1.Standing_FIT {
		t.Fatalf("the machine reads %s", got)
	}
	if _, err := w.AmendCheck(as(operator), &bothyv1.AmendCheckRequest{
		Check: check.GetId(), Reason: "the horn was not tried", RequestId: w.id(),
		Answers: []*bothyv1.Answer{{Point: "horn", State: bothyv1.AnswerState_NOT_CHECKED, Note: "people asleep next door"}},
	}); err != nil {
		t.Fatal(err)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("the machine reads %s", got)
	}
}

func TestTheWeeklyCheckDoesNotHideThatOfTheShift(t *testing.T) {
	w := cabin(t)
	w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	w.later(time.Hour)
	w.send(operator, w.clean("d-14", bothyv1.Purpose_WEEKLY))
	if got := w.standing("d-14"); got != bothyv1.Standing_FIT {
		t.Errorf("the machine reads %s", got)
	}
}
