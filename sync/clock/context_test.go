package clock_test

import (
	"encoding/binary"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// set is the dumb model of a context.
type set map[clock.Dot]bool

func drawDots(t *rapid.T, label string) []clock.Dot {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) clock.Dot {
		return clock.Dot{
			Replica: clock.Replica(rapid.Uint64Range(1, 3).Draw(t, "replica")),
			N:       rapid.Uint64Range(1, 9).Draw(t, "n"),
		}
	}), 0, 20).Draw(t, label)
}

func contextAndModel(dots []clock.Dot) (clock.Context, set) {
	model := set{}
	for _, d := range dots {
		model[d] = true
	}
	return clock.ContextOf(dots...), model
}

func agrees(t *rapid.T, c clock.Context, model set) {
	for r := clock.Replica(1); r <= 3; r++ {
		base := uint64(0)
		for n := uint64(1); n <= 10; n++ {
			d := clock.Dot{Replica: r, N: n}
			if c.Has(d) != model[d] {
				t.Fatalf("%v: context says %v, model says %v", d, c.Has(d), model[d])
			}
			if model[d] && base == n-1 {
				base = n
			}
		}
		if c.Base(r) != base {
			t.Fatalf("base of %v: got %d, want %d", r, c.Base(r), base)
		}
	}
}

func TestContextIsASetOfDots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, modelA := contextAndModel(drawDots(t, "a"))
		b, modelB := contextAndModel(drawDots(t, "b"))
		agrees(t, a, modelA)
		union := set{}
		covered := true
		for d := range modelA {
			union[d] = true
		}
		missing := 0
		for d := range modelB {
			union[d] = true
			covered = covered && modelA[d]
			if !modelA[d] {
				missing++
			}
		}
		agrees(t, a.Join(b), union)
		if a.Covers(b) != covered {
			t.Fatalf("covers: got %v, want %v", a.Covers(b), covered)
		}
		if got := len(b.Without(a)); got != missing {
			t.Fatalf("without: %d dots, want %d", got, missing)
		}
		if !a.Join(b).Equal(b.Join(a)) || !a.Join(a).Equal(a) {
			t.Fatal("join is not commutative or not idempotent")
		}
	})
}

func TestContextMissingNamesEveryHole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, model := contextAndModel(drawDots(t, "dots"))
		n := rapid.Uint64Range(0, 12).Draw(t, "n")
		holes := set{}
		for _, r := range c.Missing(1, n) {
			for k := r[0]; k <= r[1]; k++ {
				holes[clock.Dot{Replica: 1, N: k}] = true
			}
		}
		for k := uint64(1); k <= n; k++ {
			d := clock.Dot{Replica: 1, N: k}
			if model[d] == holes[d] {
				t.Fatalf("%v: in the set %v, named missing %v", d, model[d], holes[d])
			}
		}
	})
}

// Source: the out-of-order rows of facts on delta contexts (Almeida et al.,
// arXiv 1603.01529, section on causal contexts): a dot that becomes contiguous
// moves from the cloud into the vector.
func TestCloudMovesIntoTheVector(t *testing.T) {
	x := clock.Replica(1)
	c := clock.ContextOf(clock.Dot{Replica: x, N: 2})
	if c.Base(x) != 0 || c.Last(x) != 2 {
		t.Fatalf("x2 alone: base %d, last %d; want 0 and 2", c.Base(x), c.Last(x))
	}
	c = c.With(clock.Dot{Replica: x, N: 1})
	if c.Base(x) != 2 || !c.Equal(clock.Upto(x, 2)) {
		t.Errorf("x2 then x1: base %d, want 2 and no cloud", c.Base(x))
	}
}

// Source: bitmapped entries of the server-wide clock reference
// (ricardobcl/ServerWideClocks, swc_node tests): base and the dots above it.
func TestContextNormalisesLikeBitmappedEntries(t *testing.T) {
	x := clock.Replica(1)
	entry := func(base uint64, bitmap uint64) clock.Context {
		c := clock.Upto(x, base)
		for k := uint64(0); k < 8; k++ {
			if bitmap>>k&1 == 1 {
				c = c.With(clock.Dot{Replica: x, N: base + 1 + k})
			}
		}
		return c
	}
	dot := func(n uint64) clock.Dot { return clock.Dot{Replica: x, N: n} }
	for _, row := range []struct {
		name      string
		got, want clock.Context
	}{
		{"normalise (5,3)", entry(5, 3), entry(7, 0)},
		{"(2,5) + 4", entry(2, 5).With(dot(4)), entry(5, 0)},
		{"(5,3) + 8", entry(5, 3).With(dot(8)), entry(8, 0)},
		{"(5,3) + 1", entry(5, 3).With(dot(1)), entry(7, 0)},
		{"(2,5) + 6", entry(2, 5).With(dot(6)), entry(3, 6)},
		{"(2,4) + 6", entry(2, 4).With(dot(6)), entry(2, 12)},
		{"join (5,3) (2,4)", entry(5, 3).Join(entry(2, 4)), entry(7, 0)},
		{"join (2,2) (3,0)", entry(2, 2).Join(entry(3, 0)), entry(3, 1)},
		{"join (2,2) (3,2)", entry(2, 2).Join(entry(3, 2)), entry(3, 3)},
		{"join (3,2) (1,16)", entry(3, 2).Join(entry(1, 16)), entry(3, 6)},
	} {
		if !row.got.Equal(row.want) {
			t.Errorf("%s: got %x, want %x", row.name, row.got.Append(nil), row.want.Append(nil))
		}
	}
	if next := clock.Upto(x, 7).Next(x); next != dot(8) {
		t.Errorf("next event after 7: got %v", next)
	}
}

func TestContextSurvivesItsBinaryForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, _ := contextAndModel(drawDots(t, "dots"))
		got, rest, err := clock.DecodeContext(append(c.Append(nil), 0xAB))
		if err != nil || !got.Equal(c) || len(rest) != 1 {
			t.Fatalf("%x: got %x, rest %x, %v", c.Append(nil), got.Append(nil), rest, err)
		}
	})
}

func TestMalformedContextsAreRefused(t *testing.T) {
	entry := func(replica byte, rest ...byte) []byte {
		return append([]byte{0, 0, 0, 0, 0, 0, 0, replica}, rest...)
	}
	beyond := binary.AppendUvarint(nil, clock.MaxN)
	for _, row := range []struct {
		name string
		b    []byte
	}{
		{"nothing", nil},
		{"half an entry", append([]byte{1}, entry(7, 1)...)},
		{"more entries than bytes", append([]byte{200, 1}, entry(7, 1, 0)...)},
		{"no replica", append([]byte{1}, entry(0, 1, 0)...)},
		{"an entry of nothing", append([]byte{1}, entry(7, 0, 0)...)},
		{"a base beyond all", append([]byte{1}, append(entry(7, beyond...), 0)...)},
		{"a loose dot beyond all", append([]byte{1}, append(entry(7, 1, 1), beyond...)...)},
		{"a loose dot that the base holds", append([]byte{1}, entry(7, 1, 1, 0)...)},
		{"more loose dots than bytes", append([]byte{1}, entry(7, 1, 9, 1)...)},
		{"a number longer than need be", append([]byte{1}, entry(7, 0x81, 0, 0)...)},
		{"replicas out of order", append([]byte{2}, append(entry(7, 1, 0), entry(6, 1, 0)...)...)},
		{"a replica twice", append([]byte{2}, append(entry(7, 1, 0), entry(7, 1, 0)...)...)},
	} {
		if c, _, err := clock.DecodeContext(row.b); err == nil {
			t.Errorf("%s: read as %x", row.name, c.Append(nil))
		}
	}
}

// A claim to have seen everything names a bounded number of dots.
func TestWithoutIsBounded(t *testing.T) {
	x := clock.Replica(1)
	if got := len(clock.Upto(x, clock.MaxLoose+5).Without(clock.Context{})); got != clock.MaxLoose {
		t.Errorf("%d dots are named, want %d", got, clock.MaxLoose)
	}
}

func TestNextIsAfterTheLastWhateverIsMissing(t *testing.T) {
	x := clock.Replica(1)
	c := clock.Upto(x, 2).With(clock.Dot{Replica: x, N: 5})
	if got := c.Next(x); got != (clock.Dot{Replica: x, N: 6}) {
		t.Errorf("next after 1, 2 and 5: %v", got)
	}
	if got := c.Next(2); got != (clock.Dot{Replica: 2, N: 1}) {
		t.Errorf("the first of another: %v", got)
	}
}

func FuzzDecodeContext(f *testing.F) {
	f.Add([]byte{0})
	f.Add(clock.ContextOf(clock.Dot{Replica: 7, N: 3}, clock.Dot{Replica: 9, N: 1}).Append(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, rest, err := clock.DecodeContext(b)
		if err != nil {
			return
		}
		if again := c.Append(nil); string(again) != string(b[:len(b)-len(rest)]) {
			t.Errorf("%x decodes to what encodes as %x", b, again)
		}
	})
}

func TestReplicaIDReadsBackAndNothingElseDoes(t *testing.T) {
	r := clock.NewReplica()
	got, err := clock.ParseReplica(r.String())
	if err != nil || got != r {
		t.Fatalf("%v: got %v, %v", r, got, err)
	}
	for _, bad := range []string{"", "0000000000000", r.String() + "0", r.String()[1:], "zzzzzzzzzzzzz", "ilouilouilou1"} {
		if _, err := clock.ParseReplica(bad); err == nil {
			t.Errorf("%q was taken for a replica id", bad)
		}
	}
}
