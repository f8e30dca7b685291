package book_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// On a thin link hazards, holds and their lifting go first, other defects next,
// everything else last.
func TestHowUrgentEachWriteIs(t *testing.T) {
	w := checked(t)
	did := func(name, want string, act func()) {
		t.Helper()
		w.later(time.Hour)
		before := len(w.store.Written())
		act()
		var got []string
		for _, o := range w.store.Written()[before:] {
			got = append(got, fmt.Sprintf("%s %d", o.Kind, o.Lane))
		}
		if slices.Sort(got); strings.Join(got, ", ") != want {
			t.Errorf("%s: wrote %q, want %q", name, strings.Join(got, ", "), want)
		}
	}
	edit := func(person string, d *bothyv1.Defect, paths ...string) {
		t.Helper()
		d.Etag = w.defect(d.GetId()).GetEtag()
		if _, err := w.edit(person, d, paths...); err != nil {
			t.Fatal(err)
		}
	}
	var horn, lamp string
	did("a check with a hazard and a defect to watch", "Check 2, Defect 0, Defect 1", func() {
		c := w.send(operator, fail(fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "silent"), "coolant", "low"))
		horn = c.GetId() + ".horn"
	})
	did("the same again", "Check 2, Defect 0, Defect 1", func() {
		w.send(operator, fail(fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "silent"), "coolant", "low"))
	})
	did("the hazard's repair", "Defect 0", func() { w.certify(horn) })
	did("its proof", "Check 2, Defect 0", func() { w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE)) })
	did("a report", "Defect 1", func() {
		lamp = w.report(operator, &bothyv1.Defect{Machine: "d-14", Text: "lamp", Class: bothyv1.Class_SAFETY}).GetId()
	})
	did("it becomes a hazard", "Defect 0", func() {
		edit(operator, &bothyv1.Defect{Id: lamp, Class: bothyv1.Class_HAZARD, Marking: bothyv1.Marking_TAGGED}, "class", "marking")
	})
	did("it leaves that class", "Defect 0", func() {
		edit(supervisor, &bothyv1.Defect{Id: lamp, Class: bothyv1.Class_SAFETY, Notes: []*bothyv1.Note{{Text: "it is day"}}}, "class", "notes")
	})
	did("a fitter takes it", "Defect 1", func() { edit(fitter, &bothyv1.Defect{Id: lamp, Progress: bothyv1.Progress_TAKEN}, "progress") })
	did("a hold", "Hold 0", func() { w.hold(operator, "d-14", "smoke") })
	did("its lifting", "Hold 0", func() {
		if _, err := w.ReleaseMachine(as(supervisor), &bothyv1.ReleaseMachineRequest{Machine: "d-14", Reason: "looked at"}); err != nil {
			t.Fatal(err)
		}
	})
	did("an amendment", "Amendment 2", func() {
		if _, err := w.AmendCheck(as(operator), &bothyv1.AmendCheckRequest{
			Check: strings.TrimSuffix(horn, ".horn"), Reason: "misread", MeterHours: proto.Float64(1204.6), RequestId: w.id(),
		}); err != nil {
			t.Fatal(err)
		}
	})
	did("a machine", "Machine 2", func() {
		if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()}); err != nil {
			t.Fatal(err)
		}
	})
}

// Every write is in the name of who acts; the first register and the sheets are
// the program's own.
func TestWritesBearTheirPerson(t *testing.T) {
	w := cabin(t)
	for _, o := range w.store.Written() {
		if o.Person != "" {
			t.Errorf("%s %s was written by %q", o.Kind, o.ID, o.Person)
		}
	}
	before := len(w.store.Written())
	w.send(stranger, fail(w.clean("d-14", bothyv1.Purpose_PRE_USE), "horn", "silent"))
	for _, o := range w.store.Written()[before:] {
		if o.Person != stranger {
			t.Errorf("%s %s was written by %q", o.Kind, o.ID, o.Person)
		}
	}
}
