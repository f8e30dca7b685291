package book_test

import (
	"context"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

func (w *world) sheets() []*bothyv1.Sheet {
	w.t.Helper()
	var out []*bothyv1.Sheet
	err := w.store.Read(context.Background(), func(r store.Reader) error {
		for e, err := range r.List((*bothyv1.Sheet)(nil), "") {
			if err != nil {
				return err
			}
			if len(e.Conflicting) > 0 {
				w.t.Errorf("sheet %s conflicts in %q", e.Message.(*bothyv1.Sheet).GetId(), e.Conflicting)
			}
			out = append(out, e.Message.(*bothyv1.Sheet))
		}
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

func TestPublishingTwiceWritesOnce(t *testing.T) {
	w := cabin(t)
	before := w.store.Changes()
	if err := w.PublishSheets(context.Background(), embedded(t)); err != nil {
		t.Fatal(err)
	}
	if got := w.store.Changes(); got != before {
		t.Errorf("%d changes were made", got-before)
	}
}

func TestReplicasThatPublishApartReadTheSame(t *testing.T) {
	a, b := cabin(t), newWorld(t, "b", nil)
	a.store.Merge(b.store)
	b.store.Merge(a.store)
	for _, w := range []*world{a, b} {
		if got := w.sheets(); !slices.EqualFunc(got, embedded(t), func(x, y *bothyv1.Sheet) bool { return proto.Equal(x, y) }) {
			t.Errorf("got %d sheets, or other content than was published", len(got))
		}
	}
}

func TestAnEditionNeverChanges(t *testing.T) {
	w := cabin(t)
	changed := embedded(t)
	next := proto.CloneOf(changed[0])
	changed[0].Title += ", corrected"
	next.Edition++
	next.Id = next.GetMachineType() + ".pre-use.2"
	err := w.PublishSheets(context.Background(), append(changed, next, next, &bothyv1.Sheet{Id: "blank"}))
	wantText(t, err, changed[0].GetId()+`" is published with other content`)
	wantText(t, err, `"blank" is not published`)
	wantText(t, err, next.GetId()+`" is there twice`)
	got := w.sheets()
	if len(got) != len(changed)+1 || !slices.ContainsFunc(got, func(s *bothyv1.Sheet) bool { return proto.Equal(s, next) }) {
		t.Errorf("%d sheets; the next edition is missing", len(got))
	}
	if slices.ContainsFunc(got, func(s *bothyv1.Sheet) bool { return proto.Equal(s, changed[0]) }) {
		t.Error("the edition changed")
	}
}
