package book_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant/book"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
)

// write is one way to write, with a request that is right the first time and
// the number of changes that it makes.
type write struct {
	name    string
	person  string
	request proto.Message
	needsID bool
	do      func(w *world, ctx context.Context, req proto.Message) (proto.Message, error)
}

func writes(w *world, d *bothyv1.Defect, m *bothyv1.Machine, check *bothyv1.Check) []write {
	return []write{
		{"check", operator, &bothyv1.CreateCheckRequest{Check: fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "silent")}, true,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.CreateCheck(ctx, req.(*bothyv1.CreateCheckRequest))
			}},
		{"amendment", operator, &bothyv1.AmendCheckRequest{Check: check.GetId(), Reason: "misread", MeterHours: proto.Float64(1204.6)}, true,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.AmendCheck(ctx, req.(*bothyv1.AmendCheckRequest))
			}},
		{"report", operator, &bothyv1.CreateDefectRequest{Defect: leak()}, true,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.CreateDefect(ctx, req.(*bothyv1.CreateDefectRequest))
			}},
		{"hold", operator, &bothyv1.HoldMachineRequest{Machine: "D 14", Reason: "smells of fuel", Marking: bothyv1.Marking_TAGGED}, true,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.HoldMachine(ctx, req.(*bothyv1.HoldMachineRequest))
			}},
		{"release", supervisor, &bothyv1.ReleaseMachineRequest{Machine: "d-15", Reason: "looked at"}, false,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.ReleaseMachine(ctx, req.(*bothyv1.ReleaseMachineRequest))
			}},
		{"machine", operator, &bothyv1.CreateMachineRequest{Machine: &bothyv1.Machine{FleetNumber: "D 99", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"}}}, false,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.CreateMachine(ctx, req.(*bothyv1.CreateMachineRequest))
			}},
		{"machine edit", office, &bothyv1.UpdateMachineRequest{Machine: &bothyv1.Machine{Id: m.GetId(), Etag: m.GetEtag(), Site: "heron-pit"}, UpdateMask: mask("site")}, false,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.UpdateMachine(ctx, req.(*bothyv1.UpdateMachineRequest))
			}},
		{"defect edit", fitter, &bothyv1.UpdateDefectRequest{Defect: &bothyv1.Defect{Id: d.GetId(), Etag: d.GetEtag(), Progress: bothyv1.Progress_TAKEN}, UpdateMask: mask("progress")}, false,
			func(w *world, ctx context.Context, req proto.Message) (proto.Message, error) {
				return w.UpdateDefect(ctx, req.(*bothyv1.UpdateDefectRequest))
			}},
	}
}

// forEachWrite runs f for every way to write, each in a world of its own.
func forEachWrite(t *testing.T, f func(t *testing.T, w *world, o write)) {
	for i := range writes(cabin(t), nil, nil, nil) {
		w := cabin(t)
		d := w.report(operator, &bothyv1.Defect{Machine: "d-15", Text: "mirror loose", Class: bothyv1.Class_CONDITION})
		if _, err := w.HoldMachine(as(operator), &bothyv1.HoldMachineRequest{Machine: "d-15", Reason: "noise", Marking: bothyv1.Marking_TAGGED, RequestId: w.id()}); err != nil {
			t.Fatal(err)
		}
		m, err := w.GetMachine(context.Background(), &bothyv1.GetMachineRequest{Machine: "d-14"})
		if err != nil {
			t.Fatal(err)
		}
		check := w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
		w.later(time.Hour)
		o := writes(w, d, m, check)[i]
		t.Run(o.name, func(t *testing.T) {
			w.t = t
			f(t, w, o)
		})
	}
}

// identified is the request with a request id.
func (o write) identified(id string) proto.Message {
	req := proto.Clone(o.request)
	r := req.ProtoReflect()
	r.Set(r.Descriptor().Fields().ByName("request_id"), protoString(id))
	return req
}

// The same request, from many goroutines at once and again hours
// later, is done once and has one answer.
func TestTheSameRequestIsDoneOnce(t *testing.T) {
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		req := o.identified("the one")
		want, err := o.do(w, as(o.person), req)
		if err != nil {
			t.Fatal(err)
		}
		after := w.store.Changes()
		answers := make([]proto.Message, 32)
		var wg sync.WaitGroup
		for i := range answers {
			wg.Go(func() {
				var err error
				if answers[i], err = o.do(w, as(o.person), proto.Clone(req)); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		w.later(5 * time.Hour)
		late, err := o.do(w, as(o.person), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, got := range append(answers, late) {
			diff(t, got, want)
		}
		if got := w.store.Changes(); got != after {
			t.Errorf("%d more changes were made", got-after)
		}
	})
}

func TestManyAtOnceMakeOneRecord(t *testing.T) {
	w := cabin(t)
	req := &bothyv1.CreateCheckRequest{Check: fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "coolant", "low"), RequestId: "the one"}
	answers := make([]*bothyv1.Check, 32)
	var wg sync.WaitGroup
	for i := range answers {
		wg.Go(func() {
			var err error
			if answers[i], err = w.CreateCheck(as(operator), proto.CloneOf(req)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for _, got := range answers {
		diff(t, got, answers[0])
	}
	if n := w.checks("d-14"); n != 1 {
		t.Errorf("%d checks", n)
	}
}

// The same id with another request, or by another person, is a clash.
func TestARequestIDIsForOneRequest(t *testing.T) {
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		if _, err := w.HoldMachine(as(operator), &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "first", Marking: bothyv1.Marking_TAGGED, RequestId: "taken"}); err != nil {
			t.Fatal(err)
		}
		before := w.store.Changes()
		_, err := o.do(w, as(o.person), o.identified("taken"))
		wantFault(t, err, fault.KindClash)
		if got := w.store.Changes(); got != before {
			t.Errorf("%d changes were made", got-before)
		}
	})
	t.Run("another person", func(t *testing.T) {
		w := cabin(t)
		req := &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "first", Marking: bothyv1.Marking_TAGGED, RequestId: "taken"}
		if _, err := w.HoldMachine(as(operator), req); err != nil {
			t.Fatal(err)
		}
		_, err := w.HoldMachine(as(mate), req)
		wantFault(t, err, fault.KindClash)
	})
}

func TestARefusedRequestDoesNotUseItsID(t *testing.T) {
	w := cabin(t)
	if _, err := w.HoldMachine(as(operator), &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "smoke", RequestId: "again"}); err == nil {
		t.Fatal("a hold without a mark was taken")
	}
	if _, err := w.HoldMachine(as(operator), &bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "smoke", Marking: bothyv1.Marking_TAGGED, RequestId: "again"}); err != nil {
		t.Error(err)
	}
}

func TestWhichRequestsNeedAnID(t *testing.T) {
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		_, err := o.do(w, as(o.person), o.request)
		if !o.needsID && err != nil {
			t.Fatal(err)
		}
		if o.needsID {
			wantFault(t, err, fault.KindInvalid, "requestId")
		}
	})
}

func TestRequestIDs(t *testing.T) {
	for id, right := range map[string]bool{
		"7f0c": true, "shift 3, dumper": true, "~!": true, strings.Repeat("x", 64): true,
		strings.Repeat("x", 65): false, "Größe": false, "tab\there": false, "zero\x00": false, "a\nb": false, "\u202e": false,
	} {
		w := cabin(t)
		_, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{RequestId: id, Machine: &bothyv1.Machine{
			FleetNumber: "D 99", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"},
		}})
		if right && err != nil {
			t.Errorf("%q: %v", id, err)
		}
		if !right && fault.Of(err).Kind != fault.KindInvalid {
			t.Errorf("%q: %v, want invalid", id, err)
		}
	}
}

func TestEveryWriteNeedsAPerson(t *testing.T) {
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		before := w.store.Changes()
		_, err := o.do(w, as(""), o.identified("x"))
		wantFault(t, err, fault.KindUnnamed)
		if got := w.store.Changes(); got != before {
			t.Errorf("%d changes were made", got-before)
		}
	})
}

func TestWhatAStrangerMayDo(t *testing.T) {
	may := []string{"check", "report", "hold", "machine"}
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		_, err := o.do(w, as(stranger), o.identified("x"))
		if slices.Contains(may, o.name) && err != nil {
			t.Errorf("refused: %v", err)
		}
		if !slices.Contains(may, o.name) {
			wantFault(t, err, fault.KindForbidden)
		}
	})
}

// failing is a store that cannot write.
type failing struct{ store.Store }

var errDisk = errors.New("disk full")

func (f failing) Write(ctx context.Context, person string, do func(store.Writer) error) error {
	if err := f.Store.Write(ctx, person, func(w store.Writer) error {
		if err := do(w); err != nil {
			return err
		}
		return errDisk
	}); err != nil {
		return err
	}
	return nil
}

// What the store says goes up as it is: to be known as internal, or as the
// fault that it is.
func TestAStoreThatFailsIsNotTheCallersFault(t *testing.T) {
	forEachWrite(t, func(t *testing.T, w *world, o write) {
		broken := *w
		broken.Book = book.New(failing{w.store}, book.Options{Sites: []string{"ravens-quarry"}, Clock: func() time.Time { return w.now }})
		_, err := o.do(&broken, as(o.person), o.identified("x"))
		if !errors.Is(err, errDisk) || fault.Of(err).Kind != fault.KindInternal {
			t.Errorf("got %v", err)
		}
		if _, err := o.do(w, as(o.person), o.identified("x")); err != nil {
			t.Errorf("the id was used up: %v", err)
		}
	})
}
