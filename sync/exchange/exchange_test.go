package exchange_test

import (
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
)

const (
	cabin  = clock.Replica(7)
	office = clock.Replica(9)
)

// memory is a view's logs in memory.
type memory struct {
	id      uint64
	lanes   [record.Lanes][]exchange.Entry
	changes map[record.ID]record.Change
	fails   error
}

func newMemory(id uint64) *memory { return &memory{id: id, changes: map[record.ID]record.Change{}} }

func (m *memory) View() uint64 { return m.id }

func (m *memory) Entries(lane record.Lane, after uint64) iter.Seq2[exchange.Entry, error] {
	return func(yield func(exchange.Entry, error) bool) {
		for _, e := range m.lanes[lane] {
			if e.Pos > after && !yield(e, m.fails) {
				return
			}
		}
	}
}

func (m *memory) Mark(lane record.Lane, pos uint64) (uint64, bool, error) {
	if pos == 0 || pos > uint64(len(m.lanes[lane])) {
		return 0, false, nil
	}
	return m.lanes[lane][pos-1].Mark, true, nil
}

func (m *memory) Change(id record.ID, sites []string) (record.Change, bool, error) {
	c, ok := m.changes[id]
	return c, ok && (sites == nil || slices.Contains(sites, c.Author)), nil
}

// write puts a change into the log; its author stands for its site.
func (m *memory) write(r clock.Replica, seq uint64, lane record.Lane, site string, fromHub bool) record.ID {
	id := record.ID{Replica: r, Seq: seq}
	m.changes[id] = record.Change{
		Replica: r, Seq: seq, N: 1, Lane: lane, Key: record.Key{Kind: 1, ID: fmt.Sprint(seq)},
		Origin: record.Origin{Author: site, Ahead: clock.UnknownAhead}, Writes: []record.Write{{Number: 2}},
	}
	log := m.lanes[lane]
	mark := m.id
	if len(log) > 0 {
		mark = log[len(log)-1].Mark
	}
	m.lanes[lane] = append(log, exchange.Entry{
		Pos: uint64(len(log) + 1), ID: id, Size: 10, FromHub: fromHub, Mark: mark*31 + seq + uint64(r),
	})
	return id
}

func ids(b exchange.Batch) (out []uint64) {
	for _, c := range b.Changes {
		out = append(out, c.Seq)
	}
	return out
}

var plenty = exchange.Budget{Changes: 1000, Size: 1 << 20}

func TestAHazardOvertakesWhatWaits(t *testing.T) {
	m := newMemory(1)
	for seq := uint64(1); seq <= 6; seq++ {
		m.write(cabin, seq, 2, "north", false)
	}
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	small := exchange.Budget{Changes: 2, Size: 1 << 20}
	first, _, _ := p.Next(m, small)
	m.write(cabin, 7, 0, "north", false) // a hazard, while a piece is in flight
	m.write(cabin, 8, 1, "north", false)
	again, _, _ := p.Next(m, small)
	p.Acknowledged()
	second, _, _ := p.Next(m, small)
	if !slices.Equal(ids(first), []uint64{1, 2}) || !slices.Equal(ids(again), ids(first)) {
		t.Fatalf("the piece in flight changed: %v, then %v", ids(first), ids(again))
	}
	if !slices.Equal(ids(second), []uint64{7, 8}) || second.Lane != 0 {
		t.Errorf("next piece holds %v in lane %d, want the hazard 7, then 8", ids(second), second.Lane)
	}
}

func TestACutSendsAgainAndAnAcknowledgementDoesNot(t *testing.T) {
	m := newMemory(1)
	m.write(cabin, 1, 2, "north", false)
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	first, ok, _ := p.Next(m, plenty)
	if !ok || len(first.Changes) != 1 {
		t.Fatalf("got %v %v", ids(first), ok)
	}
	p.Cut()
	if again, ok, _ := p.Next(m, plenty); !ok || !slices.Equal(ids(again), []uint64{1}) {
		t.Fatalf("after a cut: %v %v, want change 1 again", ids(again), ok)
	}
	p.Acknowledged()
	if _, ok, _ := p.Next(m, plenty); ok {
		t.Fatal("something is sent after all was acknowledged")
	}
	// Across a restart the cursor is enough.
	p = exchange.NewPush(cabin, p.Acked(), 0, 0)
	if _, ok, _ := p.Next(m, plenty); ok {
		t.Fatal("something is sent again after a restart")
	}
}

func TestWhatCameFromTheHubDoesNotGoBackToIt(t *testing.T) {
	m := newMemory(1)
	m.write(office, 1, 2, "north", true)
	m.write(clock.Replica(8), 1, 2, "north", false) // from a peer: carried on
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	b, _, _ := p.Next(m, plenty)
	if len(b.Changes) != 1 || b.Changes[0].Replica != 8 {
		t.Errorf("sends %d changes, want only the peer's", len(b.Changes))
	}
}

func TestAHubThatWentBackIsOfferedEverythingItLacks(t *testing.T) {
	m := newMemory(1)
	for seq := uint64(1); seq <= 4; seq++ {
		m.write(cabin, seq, 2, "north", false)
	}
	m.write(office, 1, 1, "north", true)
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	p.Next(m, plenty)
	p.Acknowledged()
	if p.Receipt(4, 4, true) {
		t.Fatal("a growing receipt was taken for going back")
	}
	if !p.Receipt(2, 4, true) {
		t.Fatal("a shrinking receipt was not noticed")
	}
	p.Offer(clock.Upto(cabin, 2))
	b, _, _ := p.Next(m, plenty)
	if got := ids(b); !slices.Equal(got, []uint64{1, 3, 4}) || b.Changes[0].Replica != office {
		t.Errorf("offers %v, want the office's 1 and the own 3 and 4", got)
	}
}

func TestWhatTheHubsLedgerLostAfterAcknowledgingIsSentAgain(t *testing.T) {
	m := newMemory(1)
	for seq := uint64(1); seq <= 3; seq++ {
		m.write(cabin, seq, 2, "north", false)
	}
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	p.Next(m, plenty)
	p.Acknowledged()
	if p.Receipt(1, p.AckedSeq(), false); p.Acked().View == 0 {
		t.Fatal("an unsettled hub's receipt was taken for a loss")
	}
	p.Receipt(1, p.AckedSeq(), true)
	if b, _, _ := p.Next(m, plenty); !slices.Equal(ids(b), []uint64{2, 3}) {
		t.Errorf("sends %v again, want 2 and 3", ids(b))
	}
}

func TestWhatOthersWroteWaitsUntilItIsAcknowledged(t *testing.T) {
	m := newMemory(1)
	m.write(cabin, 1, 2, "north", false)
	m.write(office, 1, 2, "north", true) // the hub has it
	p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
	waits := func() bool {
		t.Helper()
		w, err := p.Waits(m, cabin)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	if waits() {
		t.Error("own changes, or the hub's, count as others'")
	}
	m.write(clock.Replica(8), 1, 2, "north", false)
	if !waits() {
		t.Error("a peer's change is not seen to wait")
	}
	if p.Next(m, plenty); !waits() {
		t.Error("a peer's change in flight does not wait any more")
	}
	if p.Acknowledged(); waits() {
		t.Error("a peer's change waits after it was acknowledged")
	}
	if p.Offer(clock.Upto(cabin, 1)); !waits() || !p.Offering() {
		t.Error("what is offered does not wait")
	}
}

func serve(t *testing.T, hub *memory, q exchange.Request) (exchange.Answer, []record.Change) {
	t.Helper()
	var sent []record.Change
	a, err := exchange.Serve(hub, q, func(cs []record.Change) ([]byte, error) {
		sent = slices.Clone(cs)
		return []byte{1}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return a, sent
}

func TestAPullIsLimitedToItsSitesAndResumes(t *testing.T) {
	hub := newMemory(5)
	hub.write(office, 1, 2, "north", false)
	hub.write(office, 2, 2, "south", false)
	hub.write(cabin, 1, 2, "north", false)
	hub.write(office, 3, 2, "north", false)
	p := exchange.NewPull([]string{"north"}, exchange.Cursor{}, nil, false)
	has := clock.Upto(cabin, 1)
	var got []uint64
	for range 10 {
		q := exchange.Request{Replica: cabin, Size: 10}
		if err := p.Ask(&q, func() (clock.Context, [][8]byte, error) { return has, nil, nil }); err != nil {
			t.Fatal(err)
		}
		a, sent := serve(t, hub, q)
		for _, c := range sent {
			got = append(got, c.Seq)
			if c.Replica == cabin {
				t.Error("a node is sent its own change")
			}
		}
		if !p.Answered(a) {
			break
		}
	}
	if !slices.Equal(got, []uint64{1, 3}) || p.Comparing() {
		t.Errorf("pulled %v (comparing %v), want 1 and 3", got, p.Comparing())
	}
}

func TestAViewThatDoesNotKnowTheCursorSaysSo(t *testing.T) {
	hub := newMemory(5)
	hub.write(office, 1, 2, "north", false)
	p := exchange.NewPull(nil, exchange.Cursor{}, nil, false)
	ask := func() (exchange.Answer, []record.Change) {
		q := exchange.Request{Replica: cabin, Size: 1000}
		p.Ask(&q, func() (clock.Context, [][8]byte, error) { return clock.Upto(office, 1), nil, nil })
		return serve(t, hub, q)
	}
	a, _ := ask()
	p.Answered(a)
	// Same view id, same length, other history: what an old image put back and
	// written on looks like.
	hub.lanes[2] = nil
	hub.write(office, 2, 2, "north", false)
	a, _ = ask()
	if !a.Unknown || !p.Answered(a) {
		t.Fatal("a foreign history was taken for the own")
	}
	if _, sent := ask(); len(sent) != 1 || sent[0].Seq != 2 {
		t.Errorf("after comparing, %d changes came, want only number 2", len(sent))
	}
}

func TestOtherSitesCompareAnew(t *testing.T) {
	kept := exchange.Cursor{View: 3}
	if exchange.NewPull([]string{"a"}, kept, []string{"a"}, false).Comparing() {
		t.Error("the same sites compare anew")
	}
	if !exchange.NewPull([]string{"a", "b"}, kept, []string{"a"}, false).Comparing() {
		t.Error("a new site does not compare")
	}
}

// However the budget falls, each change comes once, and those of an urgent lane
// before all of a calmer one that were there at the time.
func TestAnyBudgetDeliversEachChangeOnceAndInOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := newMemory(1)
		n := rapid.IntRange(0, 30).Draw(t, "changes")
		for seq := 1; seq <= n; seq++ {
			m.write(cabin, uint64(seq), record.Lane(rapid.IntRange(0, 4).Draw(t, "lane")), "north", false)
		}
		p := exchange.NewPush(cabin, exchange.Cursor{}, 0, 0)
		seen := map[uint64]bool{}
		lane := record.Lane(0)
		for range 100 {
			budget := exchange.Budget{Changes: rapid.IntRange(0, 4).Draw(t, "count"), Size: rapid.IntRange(0, 60).Draw(t, "size")}
			b, ok, err := p.Next(m, budget)
			if err != nil {
				t.Fatal(err)
			}
			if !ok {
				break
			}
			if rapid.IntRange(0, 3).Draw(t, "cut") == 0 {
				p.Cut()
				continue
			}
			for _, c := range b.Changes {
				if seen[c.Seq] {
					t.Fatalf("change %d came twice", c.Seq)
				}
				if c.Lane < lane {
					t.Fatalf("lane %d after lane %d", c.Lane, lane)
				}
				seen[c.Seq], lane = true, c.Lane
			}
			p.Acknowledged()
		}
		if len(seen) != n {
			t.Fatalf("%d of %d changes came", len(seen), n)
		}
	})
}

func TestMessagesSurviveTheirBinaryForm(t *testing.T) {
	has := clock.ContextOf(clock.Dot{Replica: 3, N: 4}, clock.Dot{Replica: 3, N: 1})
	q := exchange.Request{
		Replica: cabin, Cabin: "raven", Sites: []string{"north", "south"}, Written: 12, Chain: [8]byte{1, 2}, Carries: true, Millis: -5,
		Cursor: exchange.Cursor{View: 3, Lanes: [record.Lanes]exchange.Place{{Pos: 4, Mark: 5}}}, Has: &has, Prints: [][8]byte{{7}}, WantHas: true, Size: 9000,
	}
	gotQ, err := exchange.DecodeRequest(q.Append(nil))
	if err != nil || string(gotQ.Append(nil)) != string(q.Append(nil)) || !gotQ.Has.Equal(has) {
		t.Errorf("request: %+v, %v", gotQ, err)
	}
	a := exchange.Answer{
		Replica: office, Millis: 77, Receipt: 3, Settled: true, Cursor: q.Cursor, More: true, Piece: []byte("piece"),
		Refused: []exchange.Refusal{{ID: record.ID{Replica: cabin, Seq: 2}, Reason: "why"}}, Forked: true, Has: &has,
	}
	gotA, err := exchange.DecodeAnswer(a.Append(nil))
	if err != nil || string(gotA.Append(nil)) != string(a.Append(nil)) {
		t.Errorf("answer: %+v, %v", gotA, err)
	}
}

func FuzzDecodeRequest(f *testing.F) {
	f.Add(exchange.Request{Replica: 1}.Append(nil))
	f.Add(exchange.Request{Replica: 1, Sites: []string{"a"}, Has: &clock.Context{}}.Append(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		if q, err := exchange.DecodeRequest(b); err == nil && string(q.Append(nil)) != string(b) {
			t.Errorf("%x reads as what is written as %x", b, q.Append(nil))
		}
	})
}

func FuzzDecodeAnswer(f *testing.F) {
	f.Add(exchange.Answer{Replica: 1, Piece: []byte{1}}.Append(nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		if a, err := exchange.DecodeAnswer(b); err == nil && string(a.Append(nil)) != string(b) {
			t.Errorf("%x reads as what is written as %x", b, a.Append(nil))
		}
	})
}

func TestPaceKeepsAPieceToTwoSecondsOfTheLink(t *testing.T) {
	var p exchange.Pace
	if got := p.Size(); got < exchange.LeastPiece || got > exchange.MostPiece {
		t.Fatalf("unmeasured: %d", got)
	}
	for range 20 {
		p.Sent(20_000, 2_000, time.Second) // 2 kB/s, packed ten to one
	}
	if got := p.Size(); got < 39_000 || got > 41_000 {
		t.Errorf("2 kB/s at ten to one: %d bytes before compression, want 40,000", got)
	}
	for range 20 {
		p.Sent(1000, 1000, 100*time.Second)
	}
	if got := p.Size(); got != exchange.LeastPiece {
		t.Errorf("a link of 10 bytes a second: %d, want the least piece", got)
	}
}
