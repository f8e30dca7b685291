package booktest_test

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant/book/booktest"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func empty(replica string) *booktest.Store {
	return booktest.New(replica, func() time.Time { return noon })
}

func write(t testing.TB, s *booktest.Store, person string, f func(w store.Writer) error) {
	t.Helper()
	if err := s.Write(context.Background(), person, f); err != nil {
		t.Fatal(err)
	}
}

func create(t testing.TB, s *booktest.Store, m proto.Message) {
	t.Helper()
	write(t, s, "ada-flint", func(w store.Writer) error { _, err := w.Create(m, store.Calm); return err })
}

func change(t testing.TB, s *booktest.Store, etag string, d *bothyv1.Defect, fields ...string) {
	t.Helper()
	write(t, s, "bram-holt", func(w store.Writer) error { return w.Change(d, fields, etag, store.Calm) })
}

func read(t testing.TB, s *booktest.Store, id string) (d *bothyv1.Defect, e store.Entry) {
	t.Helper()
	if err := s.Read(context.Background(), func(r store.Reader) (err error) {
		e, _, err = r.Get((*bothyv1.Defect)(nil), id)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	d, _ = e.Message.(*bothyv1.Defect)
	return d, e
}

func TestATransactionIsAllOrNothingAndDoesNotSeeItself(t *testing.T) {
	s, cause := empty("a"), errors.New("no")
	for _, want := range []error{cause, nil} {
		err := s.Write(context.Background(), "ada-flint", func(w store.Writer) error {
			id, err := w.Create(&bothyv1.Defect{Text: "leak"}, store.Urgent)
			if err != nil || id == "" {
				t.Errorf("id %q, %v", id, err)
			}
			if _, ok, _ := w.Get((*bothyv1.Defect)(nil), id); ok {
				t.Error("it sees what it wrote")
			}
			return want
		})
		if !errors.Is(err, want) {
			t.Errorf("got %v", err)
		}
		if wrote := want == nil; wrote != (s.Changes() == 1) {
			t.Errorf("after %v there are %d changes", want, s.Changes())
		}
	}
}

func TestAWriteReplacesWhatItsWriterHadSeen(t *testing.T) {
	s := empty("a")
	create(t, s, &bothyv1.Defect{Id: "1", Text: "leak", Class: bothyv1.Class_CONDITION})
	_, first := read(t, s, "1")
	change(t, s, first.Etag, &bothyv1.Defect{Id: "1", Class: bothyv1.Class_HAZARD}, "class")
	change(t, s, first.Etag, &bothyv1.Defect{Id: "1", Class: bothyv1.Class_SAFETY, Fitter: "cleo"}, "class", "fitter")
	d, e := read(t, s, "1")
	if d.GetClass() != bothyv1.Class_HAZARD || d.GetFitter() != "cleo" || !slices.Equal(e.Conflicting, []string{"class"}) {
		t.Errorf("got %v, conflicting %q", d, e.Conflicting)
	}
	change(t, s, "", &bothyv1.Defect{Id: "1", Class: bothyv1.Class_CONDITION}, "class")
	if d, e = read(t, s, "1"); d.GetClass() != bothyv1.Class_CONDITION || len(e.Conflicting) > 0 {
		t.Errorf("got %v, conflicting %q", d, e.Conflicting)
	}
}

// Each rule of the proto files, on two versions that were written apart.
func TestFieldsReadByTheirRule(t *testing.T) {
	a, b := empty("a"), empty("b")
	at := func(hour int) *timestamppb.Timestamp {
		return timestamppb.New(noon.Add(time.Duration(hour) * time.Hour))
	}
	note := func(text string) *bothyv1.Note { return &bothyv1.Note{Text: text} }
	create(t, a, &bothyv1.Defect{Id: "1", Text: "a", DueAt: at(2), Progress: bothyv1.Progress_REPAIRED, Notes: []*bothyv1.Note{note("both"), note("a")}})
	create(t, b, &bothyv1.Defect{Id: "1", Text: "b", DueAt: at(1), Progress: bothyv1.Progress_TAKEN, Notes: []*bothyv1.Note{note("both"), note("b")}})
	a.Merge(b)
	want := &bothyv1.Defect{Id: "1", Text: "b", DueAt: at(1), Progress: bothyv1.Progress_TAKEN, Notes: []*bothyv1.Note{note("both"), note("a"), note("b")}}
	if d, e := read(t, a, "1"); !proto.Equal(d, want) || !slices.Equal(e.Conflicting, []string{"text", "progress", "due_at"}) {
		t.Errorf("got %v, conflicting %q", d, e.Conflicting)
	}
}

// Stores that have met both ways read the same, whatever was written where.
func TestStoresThatMetReadTheSame(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		stores := []*booktest.Store{empty("a"), empty("b")}
		etags := []string{""}
		for range rapid.IntRange(1, 12).Draw(rt, "steps") {
			i := rapid.IntRange(0, 1).Draw(rt, "store")
			if rapid.Bool().Draw(rt, "meet") {
				stores[i].Merge(stores[1-i])
			}
			m := &bothyv1.Defect{Id: "1", Text: rapid.StringMatching("[a-c]").Draw(rt, "text"), Class: bothyv1.Class(rapid.IntRange(1, 3).Draw(rt, "class"))}
			_, e := read(t, stores[i], "1")
			if e.Message == nil {
				create(t, stores[i], m)
				continue
			}
			etags = append(etags, e.Etag)
			change(t, stores[i], rapid.SampledFrom(etags).Draw(rt, "etag"), m, "class", "text")
		}
		stores[0].Merge(stores[1])
		stores[1].Merge(stores[0])
		a, ea := read(t, stores[0], "1")
		b, eb := read(t, stores[1], "1")
		if !proto.Equal(a, b) || ea.Etag != eb.Etag || !slices.Equal(ea.Conflicting, eb.Conflicting) {
			rt.Fatalf("got %v (%s) and %v (%s)", a, ea.Etag, b, eb.Etag)
		}
	})
}

func TestAnEtagThatNoStoreGaveIsRefused(t *testing.T) {
	s := empty("a")
	create(t, s, &bothyv1.Defect{Id: "1", Text: "leak"})
	for _, etag := range []string{"x", "a:", "a:0", "a:1,", ":"} {
		err := s.Write(context.Background(), "", func(w store.Writer) error {
			return w.Change(&bothyv1.Defect{Id: "1"}, []string{"text"}, etag, store.Calm)
		})
		if err == nil {
			t.Errorf("%q was taken", etag)
		}
	}
}
