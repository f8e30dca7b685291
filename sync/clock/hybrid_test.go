package clock_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// at is a hybrid time written as in the paper.
func at(l int64, c uint16) clock.Hybrid { return clock.HybridAt(l, c) }

// Source: Kulkarni, Demirbas, Madappa, Avva, Leone: Logical Physical Clocks,
// figure 6. The rows marked "ours" extend the figure's chain by the rule of
// its figure 5.
func TestHybridFollowsFigure6(t *testing.T) {
	none := clock.Hybrid(0)
	for _, row := range []struct {
		name    string
		pt      int64
		before  clock.Hybrid
		message clock.Hybrid
		want    clock.Hybrid
	}{
		{"node 0 sends at 10", 10, at(0, 0), none, at(10, 0)},
		{"node 1 receives at 1", 1, at(0, 0), at(10, 0), at(10, 1)},
		{"node 1 sends at 2", 2, at(10, 1), none, at(10, 2)},
		{"node 2 receives at 2", 2, at(1, 0), at(10, 2), at(10, 3)},
		{"node 2 sends at 3", 3, at(10, 3), none, at(10, 4)},
		{"node 3 receives at 3 (ours)", 3, at(0, 0), at(10, 4), at(10, 5)},
		{"node 0 receives at 13 (ours)", 13, at(11, 0), at(10, 5), at(13, 0)},
	} {
		t.Run(row.name, func(t *testing.T) {
			got := row.before.Next(row.pt)
			if row.message != none {
				got = row.before.Receive(row.message, row.pt)
			}
			if got != row.want {
				t.Errorf("%v at %d, message %v: got %v, want %v", row.before, row.pt, row.message, got, row.want)
			}
		})
	}
}

// Source: the inputs are those of a public test of a hybrid clock
// (cockroachdb, hlc_test.go, TestHLCClock); the expected values are what the
// paper's own rule gives for them, which differs from that implementation in
// three rows.
func TestHybridFollowsThePapersRuleOnAMixedTrace(t *testing.T) {
	h := clock.Hybrid(0)
	for i, row := range []struct {
		pt      int64
		message clock.Hybrid // 0: send
		want    clock.Hybrid
	}{
		{5, 0, at(5, 0)},
		{6, 0, at(6, 0)},
		{10, at(10, 5), at(10, 6)},
		{7, 0, at(10, 7)},
		{8, at(10, 4), at(10, 8)},
		{10, at(10, 99), at(10, 100)},
		{11, at(10, 31), at(11, 0)},
		{11, 0, at(11, 1)},
	} {
		if row.message == 0 {
			h = h.Next(row.pt)
		} else {
			h = h.Receive(row.message, row.pt)
		}
		if h != row.want {
			t.Fatalf("row %d: got %v, want %v", i+1, h, row.want)
		}
	}
}

func TestHybridWhenThePhysicalClockGoesBack(t *testing.T) {
	h := at(10, 0).Next(10)
	if h != at(10, 1) {
		t.Fatalf("same tick: got %v", h)
	}
	if h = h.Next(9); h != at(10, 2) {
		t.Fatalf("a tick back: got %v", h)
	}
	if got := at(10, 0).Receive(0, 12); got != at(12, 0) {
		t.Errorf("old message at 12: got %v", got)
	}
	if got := at(0, 0).Receive(at(0, 5), 0); got != at(0, 6) {
		t.Errorf("all at zero: got %v", got)
	}
}

// A public model of the algorithm asks "l > pt" where the paper asks whether l
// is the new maximum, and so lets a clock go back. This is that rule; the test
// below must tell it from ours.
func receiveOfTheWrongModel(h, m clock.Hybrid, pt int64) clock.Hybrid {
	n := max(h.Millis(), m.Millis(), pt)
	switch {
	case n == h.Millis() && n == m.Millis():
		return at(n, max(h.Counter(), m.Counter())+1)
	case h.Millis() > pt && n == h.Millis():
		return at(n, h.Counter()+1)
	case m.Millis() > pt:
		return at(n, m.Counter()+1)
	}
	return at(n, 0)
}

// receivesInOrder is the paper's theorem 1 for one event: what is received is
// later than the message and than everything the receiver did before.
func receivesInOrder(receive func(h, m clock.Hybrid, pt int64) clock.Hybrid) (h, m clock.Hybrid, pt int64, ok bool) {
	for l := range int64(4) {
		for c := range uint16(4) {
			for lm := range int64(4) {
				for cm := range uint16(4) {
					for pt := range int64(5) {
						h, m := at(l, c), at(lm, cm)
						if got := receive(h, m, pt); got <= h || got <= m {
							return h, m, pt, false
						}
					}
				}
			}
		}
	}
	return 0, 0, 0, true
}

func TestReceiveIsLaterThanBothCauses(t *testing.T) {
	if h, m, pt, ok := receivesInOrder(clock.Hybrid.Receive); !ok {
		t.Errorf("%v receives %v at %d: the result is not later than both", h, m, pt)
	}
	if _, _, _, ok := receivesInOrder(receiveOfTheWrongModel); ok {
		t.Error("the known wrong rule passes: this test proves nothing")
	}
	if got := at(2, 1).Receive(at(2, 0), 2); got != at(2, 2) {
		t.Errorf("(2,1) receives (2,0) at 2: got %v, want (2,2)", got)
	}
}

// Source: the paper's figure 3. Its naive rule drifts without bound over this
// relay (59 at a physical time of 20 after 30 hops); the hybrid clock does not.
func TestHybridDoesNotDrift(t *testing.T) {
	for _, row := range []struct {
		hops int
		want clock.Hybrid
	}{{3, at(2, 2)}, {30, at(20, 2)}, {300, at(200, 2)}} {
		var node [3]clock.Hybrid
		var pt [3]int64
		message := clock.Hybrid(0)
		for hop := range row.hops {
			from, to := hop%3, (hop+1)%3
			pt[from]++
			node[from] = node[from].Next(pt[from])
			message = node[from]
			pt[to]++
			node[to] = node[to].Receive(message, pt[to])
		}
		if got := message; got != row.want {
			t.Errorf("%d hops: the last sending is at %v, want %v", row.hops, got, row.want)
		}
	}
}

func TestHybridNeverGoesBackAndStaysNearThePhysicalClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := clock.Hybrid(0)
		greatest := int64(0)
		for range rapid.IntRange(1, 50).Draw(t, "events") {
			pt := rapid.Int64Range(-5, 1000).Draw(t, "pt")
			greatest = max(greatest, pt)
			before := h
			if rapid.Bool().Draw(t, "receive") {
				m := at(rapid.Int64Range(0, 1000).Draw(t, "lm"), rapid.Uint16().Draw(t, "cm"))
				greatest = max(greatest, m.Millis())
				h = h.Receive(m, pt)
				if h <= m {
					t.Fatalf("%v is not later than the message %v", h, m)
				}
			} else {
				h = h.Next(pt)
			}
			if h <= before {
				t.Fatalf("%v is not later than %v", h, before)
			}
			if h.Millis() < pt || h.Millis() > greatest+1 {
				t.Fatalf("%v: physical part is not between %d and the greatest time heard, %d", h, pt, greatest)
			}
		}
	})
}

func TestFullCounterCarriesIntoTheNextTick(t *testing.T) {
	if got := at(7, 1<<16-1).Next(7); got != at(8, 0) {
		t.Errorf("got %v, want (8,0)", got)
	}
}

func TestHearBelievesNoMoreThanMaxAhead(t *testing.T) {
	now := time.Date(2031, 3, 1, 6, 0, 0, 0, time.UTC).UnixMilli()
	limit := clock.MaxAhead.Milliseconds()
	own := at(now, 0)
	if h, ok := own.Hear(at(now+limit, 0), now); !ok || h != at(now+limit, 1) {
		t.Errorf("exactly at the limit: got %v %v, want it taken", h, ok)
	}
	if h, ok := own.Hear(at(now+limit+1, 0), now); ok || h != own {
		t.Errorf("beyond the limit: got %v %v, want the own clock unmoved", h, ok)
	}
	if _, ok := own.Hear(at(0, 0), now); !ok {
		t.Error("a time in the past was refused")
	}
	if _, ok := at(0, 0).Hear(at(now, 0), -5); ok {
		t.Error("a node at 1970 believed a time half a century ahead")
	}
}

func TestAheadCorrectsWhatIsKnown(t *testing.T) {
	if got := clock.Ahead(250).Corrected(at(1000, 3)); got != 750 {
		t.Errorf("a clock 250 ms ahead: got %d, want 750", got)
	}
	if got := clock.UnknownAhead.Corrected(at(1000, 3)); got != 1000 {
		t.Errorf("unknown: got %d, want the time as it was written", got)
	}
}
