package record_test

import (
	"cmp"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// A part is any set of changes, in causal order or not: the join of parts is the
// part of all of their changes. That is what makes order, loss with repetition
// and duplication harmless.
func TestJoinOfPartsIsThePartOfTheirUnion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		if len(h.changes) == 0 {
			return
		}
		a, b := drawPart(t, h.changes, "a"), drawPart(t, h.changes, "b")
		joined := record.Join(joinAll(defectKey, a), joinAll(defectKey, b))
		mustEqual(t, "join of two parts", joined, model{slices.Concat(a, b)}.record(defectKey))
	})
}

// Even changes that claim to have replaced each other, or what was never
// written, join to one state everywhere.
func TestForgedChangesJoinToOneStateToo(t *testing.T) {
	anyDot := rapid.Custom(func(t *rapid.T) clock.Dot {
		return dot(clock.Replica(rapid.Uint64Range(1, 3).Draw(t, "replica")), rapid.Uint64Range(1, 3).Draw(t, "n"))
	})
	rapid.Check(t, func(t *rapid.T) {
		var forged []record.Change
		for _, d := range rapid.SliceOfNDistinct(anyDot, 1, 6, rapid.ID).Draw(t, "changes") {
			c := record.Change{Replica: d.Replica, Seq: d.N, N: d.N, Key: defectKey}
			for number := range rapid.Uint32Range(1, 2).Draw(t, "fields") {
				replaced := clock.ContextOf(rapid.SliceOfN(anyDot, 0, 3).Draw(t, "replaced")...).Without(clock.ContextOf(d))
				c.Writes = append(c.Writes, record.Write{Number: number + 1, Replaces: replaced})
			}
			forged = append(forged, c)
		}
		a, b := drawPart(t, forged, "a"), drawPart(t, forged, "b")
		joined := record.Join(joinAll(defectKey, a), joinAll(defectKey, b))
		mustEqual(t, "join of two parts", joined, model{slices.Concat(a, b)}.record(defectKey))
	})
}

func TestJoinIsCommutativeAssociativeAndIdempotent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		if len(h.changes) == 0 {
			return
		}
		a := joinAll(defectKey, drawPart(t, h.changes, "a"))
		b := joinAll(defectKey, drawPart(t, h.changes, "b"))
		c := joinAll(defectKey, drawPart(t, h.changes, "c"))
		mustEqual(t, "a+b, b+a", record.Join(a, b), record.Join(b, a))
		mustEqual(t, "(a+b)+c, a+(b+c)", record.Join(record.Join(a, b), c), record.Join(a, record.Join(b, c)))
		mustEqual(t, "a+a", record.Join(a, a), a)
		mustEqual(t, "(a+b)+a", record.Join(record.Join(a, b), a), record.Join(a, b))
	})
}

// Deltas are lost and sent again, come twice and in any order, alone or with
// others that were joined on the way.
func TestAnyDeliveryOfAllChangesEndsInTheModelsBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		waiting := slices.Clone(h.changes)
		got := record.Record{Key: defectKey}
		for len(waiting) > 0 {
			sent := rapid.IntRange(1, len(waiting)).Draw(t, "sent together")
			waiting = rapid.Permutation(waiting).Draw(t, "order")
			state := joinAll(defectKey, waiting[:sent])
			got = record.Join(got, state)
			if rapid.Bool().Draw(t, "the receipt arrived") {
				waiting = waiting[sent:]
			}
		}
		if len(h.changes) > 0 {
			mustEqual(t, "after all deliveries", got, model{h.changes}.record(defectKey))
		}
	})
}

// What counts is what the writer had seen, not what its replica had heard, nor
// any clock: the second model knows nothing of replaced dots.
func TestAWriteReplacesExactlyWhatItsWriterHadSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		got := joinAll(defectKey, h.changes)
		for _, c := range h.changes {
			for _, w := range c.Writes {
				replaced := false
				for j, later := range h.changes {
					replaced = replaced || h.saw[j].Has(c.Dot()) && writes(later, w.Number)
				}
				if live := lives(got, w.Number, c.Dot()); live == replaced {
					t.Fatalf("field %d of %v: live %v, but a later writer had seen it: %v", w.Number, c.Dot(), live, replaced)
				}
			}
		}
	})
}

func writes(c record.Change, number uint32) bool {
	return slices.ContainsFunc(c.Writes, func(w record.Write) bool { return w.Number == number })
}

func lives(r record.Record, number uint32, d clock.Dot) bool {
	return slices.ContainsFunc(r.Field(number).Versions, func(v record.Version) bool { return v.Dot == d })
}

func TestConcurrentWritesStandSideBySideUntilSettled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := write(record.Record{Key: defectKey}, 1, nothing, text, "leak")
		start := base.Delta()
		var concurrent []record.Change
		all := start
		for r := range rapid.IntRange(2, 5).Draw(t, "writers") {
			c := write(start, clock.Replica(r+2), start.Seen, text, "leak at the ram")
			concurrent = append(concurrent, c)
			all = record.Join(all, c.Delta())
		}
		if got := len(all.Field(text).Versions); got != len(concurrent) {
			t.Fatalf("%d versions after %d concurrent writes", got, len(concurrent))
		}
		settled := write(all, 1, all.Seen, text, "leak at the left ram")
		order := rapid.Permutation(append(concurrent, base, settled)).Draw(t, "order")
		got := joinAll(defectKey, order)
		if v := got.Field(text).Versions; len(v) != 1 || v[0].Dot != settled.Dot() {
			t.Fatalf("after settling: %+v", v)
		}
	})
}

// A later change may replace one field of a change and leave the other: that
// the dot is known and gone is a statement about the field.
func TestReplacingOneFieldOfAChangeLeavesTheOther(t *testing.T) {
	both := record.Change{Replica: 1, Seq: 1, N: 1, Key: defectKey, Writes: record.Record{}.Edit(nothing, []record.Value{
		{Number: text, Bytes: bytesField(text, []byte("horn dead"))},
		{Number: class, Bytes: varintField(class, 1)},
	})}
	later := write(both.Delta(), 2, both.Delta().Seen, text, "horn weak")
	inOrder := record.Join(both.Delta(), later.Delta())
	mustEqual(t, "later first", record.Join(later.Delta(), both.Delta()), inOrder)
	if v := inOrder.Field(text).Versions; len(v) != 1 || v[0].Dot != later.Dot() {
		t.Errorf("text: %+v, want only the later", v)
	}
	if v := inOrder.Field(class).Versions; len(v) != 1 || v[0].Dot != both.Dot() {
		t.Errorf("class: %+v, want it untouched", v)
	}
	mustEqual(t, "a whole state joins the delta that came before it", record.Join(inOrder, both.Delta()), inOrder)
}

func TestAClockAYearAheadRemovesNothingThatItHadNotSeen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := write(record.Record{Key: defectKey}, 1, nothing, text, "tyre cut")
		start := base.Delta()
		ahead := write(start, 2, start.Seen, text, "tyre fine")
		ahead.At = clock.HybridAt(1e12+365*24*3600*1000, 0)
		ahead.Ahead = rapid.SampledFrom([]clock.Ahead{clock.UnknownAhead, 0}).Draw(t, "offset known")
		other := write(start, 3, start.Seen, text, "tyre cut to the cord")
		both := joinAll(defectKey, rapid.Permutation([]record.Change{base, ahead, other}).Draw(t, "order"))
		if !lives(both, text, ahead.Dot()) || !lives(both, text, other.Dot()) {
			t.Fatalf("not both words stand: %+v", both.Field(text))
		}
		later := write(both, 3, both.Seen, text, "tyre changed")
		now := record.Join(both, later.Delta())
		if v := now.Field(text).Versions; len(v) != 1 || v[0].Dot != later.Dot() {
			t.Fatalf("a write that saw the one from the future did not replace it: %+v", v)
		}
	})
}

func TestUnknownFieldsJoinLikeAnyOther(t *testing.T) {
	a := write(record.Record{Key: defectKey}, 1, nothing, unknown, "new")
	b := write(record.Record{Key: defectKey}, 2, nothing, unknown, "newer")
	joined := record.Join(a.Delta(), b.Delta())
	if got := len(joined.Field(unknown).Versions); got != 2 {
		t.Fatalf("%d versions of an unknown field, want 2", got)
	}
	m := readDefect(t, joined)
	want := string(bytesField(unknown, []byte("newer")))
	if got := string(m.ProtoReflect().GetUnknown()); got != want {
		t.Errorf("read as %q, want it carried along as %q", got, want)
	}
}

// Whoever asks for an edit may claim to have seen anything.
func TestEditBoundsWhatItsWriterClaimsToHaveSeen(t *testing.T) {
	c := write(record.Record{Key: defectKey}, 1, clock.Upto(7, clock.MaxN), text, "leak")
	if len(c.Writes[0].Replaces) > record.MaxVersions+1 {
		t.Fatalf("%d dots are replaced", len(c.Writes[0].Replaces))
	}
	if err := c.Validate(); err == nil {
		t.Error("a change that replaces more than MaxVersions dots is valid")
	}
}

func TestValuesShareNoMemoryThatChanges(t *testing.T) {
	a := write(record.Record{Key: defectKey}, 1, nothing, text, "leak")
	b := write(a.Delta(), 2, a.Delta().Seen, text, "leak stopped")
	before := a.Delta()
	bytesBefore := before.Append(nil)
	joined := record.Join(before, b.Delta())
	joined.Fields[0].Versions[0].Author = "somebody else"
	b.Delta().Fields[0].Gone[0].N = 99
	if string(before.Append(nil)) != string(bytesBefore) || b.Writes[0].Replaces[0].N != 1 {
		t.Error("a join or a delta changed what it was made of")
	}
}

func TestKeysAreOrderedByKindThenByID(t *testing.T) {
	keys := []record.Key{{Kind: 1, ID: "b"}, {Kind: 2, ID: ""}, {Kind: 2, ID: "a"}, {Kind: 2, ID: "ab"}, {Kind: 10, ID: "a"}}
	for i, a := range keys {
		for j, b := range keys {
			if got := a.Compare(b); got != cmp.Compare(i, j) {
				t.Errorf("%v to %v: %d", a, b, got)
			}
		}
	}
}
