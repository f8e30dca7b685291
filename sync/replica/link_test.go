package replica_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

func contactOf(t testing.TB, hub *replica.Replica, of clock.Replica) replica.Contact {
	t.Helper()
	contacts, err := hub.Contacts()
	must(t, err)
	for _, c := range contacts {
		if c.Replica == of {
			return c
		}
	}
	t.Fatalf("%s never asked", of)
	return replica.Contact{}
}

func TestAHubThatLostAllIsGivenAllEvenIfTheNodeStopsInBetween(t *testing.T) {
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	dir := t.TempDir()
	r, other := openNode(t, dir), openNode(t, t.TempDir())
	for range 12 { // more than a piece or two
		for _, n := range []*replica.Replica{r, other} {
			must(t, n.Write(t.Context(), "joan", func(w store.Writer) error {
				_, err := w.Create(&bothyv1.Machine{FleetNumber: strings.Repeat("x", 9000)}, store.Calm)
				return err
			}))
		}
	}
	s.settle(r, other, r)
	want := digest(t, r)
	// Another hub in its place: nothing is known there, and the other cabin is gone.
	s = &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	s.ask(r)
	for range 6 {
		s.ask(r)
		s.send(r, 1)
		must(t, r.Close())
		r = openNode(t, dir)
	}
	s.settle(r)
	if digest(t, r) != want || digest(t, s.hub) != want {
		t.Error("the new hub lacks what only this node had")
	}
	if st := statusOf(t, r); !st.Clear() {
		t.Errorf("written %d, receipted %d, lanes %v", st.Written, st.Receipted, st.Lanes)
	}
}

func TestAReceiptThatShrinksHasEverythingSentAgain(t *testing.T) {
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	r := openNode(t, t.TempDir())
	addMachine(t, r, "D 1")
	s.settle(r)
	if got := statusOf(t, r).Receipted; got != 1 {
		t.Fatalf("receipt %d, want 1", got)
	}
	s = &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	q, err := r.Question("cabin")
	must(t, err)
	a := exchange.Answer{Replica: s.hub.ID(), Settled: true, Cursor: q.Cursor} // receipt 0
	again, err := r.Answered(t.Context(), q, a, 0)
	must(t, err)
	if q, err = r.Question("cabin"); err != nil || !again || !q.WantHas {
		t.Fatalf("asks again %v, wants to know what the hub has %v, %v", again, q.WantHas, err)
	}
	s.settle(r)
	if got := statusOf(t, r); got.Receipted != 1 || digest(t, s.hub) != digest(t, r) {
		t.Errorf("receipt %d after all was sent again", got.Receipted)
	}
}

// foreign makes changes 1 to n of a replica, each a machine of its own.
func foreign(of clock.Replica, n uint64) (out []record.Change) {
	for seq := uint64(1); seq <= n; seq++ {
		out = append(out, record.Change{
			Replica: of, Seq: seq, N: 1, Lane: 2, Key: record.Key{Kind: 2, ID: record.OwnID(of, seq)},
			Origin: record.Origin{At: clock.HybridAt(noon.UnixMilli(), uint16(seq)), Ahead: clock.UnknownAhead, Author: "w"},
			Writes: []record.Write{{Number: 2, Value: []byte{0x12, 1, 'D'}}},
		})
	}
	return out
}

func TestARefusedChangeIsSetAsideAndBlocksNothing(t *testing.T) {
	const cabin = clock.Replica(77)
	hub := openNode(t, t.TempDir(), asHub)
	changes := foreign(cabin, 3)
	changes[1].Key.Kind, changes[1].N = 6, 2 // a check is changed
	got, err := hub.Receive(t.Context(), replica.Delivery{Changes: changes, From: view.Hub, Position: 1, StoredAt: noon})
	must(t, err)
	if got.Applied != 2 || got.Refused != 1 {
		t.Fatalf("applied %d, refused %d, want 2 and 1", got.Applied, got.Refused)
	}
	q := exchange.Request{Replica: cabin, Cabin: "cabin", Written: 3, Chain: [8]byte{1}, Millis: noon.UnixMilli(), Has: &clock.Context{}, Size: 1000}
	a, err := hub.Answer(t.Context(), q, func(uint64) bool { return true })
	must(t, err)
	// A receipt that stopped before it would have the rest sent again for ever.
	if a.Receipt != 3 || a.Forked || len(a.Refused) != 1 || a.Refused[0].ID.Seq != 2 || !strings.Contains(a.Refused[0].Reason, "written once") {
		t.Errorf("receipt %d, forked %v, refused %v", a.Receipt, a.Forked, a.Refused)
	}
	if c := contactOf(t, hub, cabin); c.AsOf.IsZero() || c.Receipted != 3 {
		t.Errorf("contact as of %v, receipted %d", c.AsOf, c.Receipted)
	}
	kept := statusOf(t, hub).Refused
	if len(kept) != 1 || kept[0].Change.ID() != changes[1].ID() || !slices.Equal(kept[0].Change.Append(nil), changes[1].Append(nil)) {
		t.Errorf("set aside %v, want the change itself", kept)
	}
}

func TestARefusalIsShownWhereTheChangeWasMade(t *testing.T) {
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	r := openNode(t, t.TempDir())
	addMachine(t, r, "D 1")
	s.settle(r)
	q, err := r.Question("cabin")
	must(t, err)
	a, err := s.hub.Answer(t.Context(), q, func(uint64) bool { return true })
	must(t, err)
	a.Refused = []exchange.Refusal{{ID: record.ID{Replica: r.ID(), Seq: 1}, Reason: "not taken"}}
	for range 2 { // it comes with every answer
		_, err = r.Answered(t.Context(), q, a, 0)
		must(t, err)
	}
	st := statusOf(t, r)
	if len(st.Refused) != 1 || st.Refused[0].Reason != "not taken" || st.Clear() {
		t.Errorf("refused %v, clear %v", st.Refused, st.Clear())
	}
}

func TestAsOfNeverClaimsMoreThanIsTrue(t *testing.T) {
	type step struct {
		name    string
		arrives uint64 // changes 1 to this have arrived before
		written uint64 // the question says
		carries bool
		asOf    int // the step's number whose time the hub may claim; 0 for none
	}
	steps := []step{
		1: {"holds something of another id", 0, 0, true, 0},
		2: {"has written two", 0, 2, false, 0},
		3: {"one of them arrives", 1, 2, false, 0},
		4: {"the other arrives, two more are written", 2, 4, false, 2},
		5: {"these arrive", 4, 4, false, 5},
		6: {"carries again", 4, 4, true, 5},
		7: {"carries no more", 4, 4, false, 7},
	}
	const cabin = clock.Replica(77)
	now := noon
	at := func(i int) time.Time {
		if i == 0 {
			return time.Time{}
		}
		return noon.Add(time.Duration(i) * time.Hour)
	}
	hub := openNode(t, t.TempDir(), asHub, func(o *replica.Options) { o.Now = func() time.Time { return now } })
	for i, s := range steps[1:] {
		now = at(i + 1)
		_, err := hub.Receive(t.Context(), replica.Delivery{Changes: foreign(cabin, s.arrives), From: view.Hub})
		must(t, err)
		q := exchange.Request{Replica: cabin, Written: s.written, Carries: s.carries, Millis: now.UnixMilli(), Has: &clock.Context{}, Size: 1000}
		_, err = hub.Answer(t.Context(), q, func(uint64) bool { return true })
		must(t, err)
		if c := contactOf(t, hub, cabin); !c.AsOf.Equal(at(s.asOf)) || !c.HeardAt.Equal(now) {
			t.Errorf("%d %s: as of %v, want %v", i+1, s.name, c.AsOf, at(s.asOf))
		}
	}
}

func TestAChangeOfAnotherHistoryWithTheSameNumbersIsAFork(t *testing.T) {
	const cabin = clock.Replica(77)
	hub := openNode(t, t.TempDir(), asHub)
	_, err := hub.Receive(t.Context(), replica.Delivery{Changes: foreign(cabin, 2), From: view.Hub})
	must(t, err)
	for _, row := range []struct {
		name    string
		written uint64
		chain   [8]byte
		forked  bool
	}{
		{"another chain at the same number", 2, [8]byte{1}, true},
		{"it has lost changes and does not know its chain", 2, [8]byte{}, false},
		{"it has written more", 3, [8]byte{1}, false},
	} {
		q := exchange.Request{Replica: cabin, Written: row.written, Chain: row.chain, Has: &clock.Context{}, Size: 1000}
		a, err := hub.Answer(t.Context(), q, func(uint64) bool { return true })
		if err != nil || a.Forked != row.forked {
			t.Errorf("%s: forked %v, %v", row.name, a.Forked, err)
		}
	}
}

func TestAPositionHoldsOnlyInItsStream(t *testing.T) {
	for _, row := range []struct {
		name, identity string
		holds, lost    bool
		position       uint64
	}{
		{"the same stream with the message", "one", true, false, 1},
		{"another stream", "two", true, true, 0},
		{"the same stream without the message", "one", false, true, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			dir := t.TempDir()
			s := &stream{t: t, hub: openNode(t, dir, asHub)}
			r := openNode(t, t.TempDir())
			addMachine(t, r, "D 1")
			s.send(r, 1)
			ask := func(identity string, holds bool) (uint64, bool) {
				position, lost, err := s.hub.Position(t.Context(), identity, func(uint64, time.Time) (bool, error) { return holds, nil })
				must(t, err)
				return position, lost
			}
			ask("one", true)
			changes, err := s.hub.Unpack(s.pieces[0])
			must(t, err)
			_, err = s.hub.Receive(t.Context(), replica.Delivery{Changes: changes, From: view.Hub, Position: 1, StoredAt: noon})
			must(t, err)
			if position, lost := ask(row.identity, row.holds); position != row.position || lost != row.lost {
				t.Errorf("position %d, lost %v, want %d, %v", position, lost, row.position, row.lost)
			}
			must(t, s.hub.Close()) // what is owed to the stream outlives a stop
			s.hub = openNode(t, dir, asHub)
			if piece, err := s.hub.NextPiece(); err != nil || (piece != nil) != row.lost {
				t.Errorf("offers its changes to the stream again: %v, %v, want %v", piece != nil, err, row.lost)
			}
		})
	}
}

func TestWithoutRoomNothingIsAcceptedAndTheRestGoesOn(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	id := addMachine(t, r, "D 1")
	must(t, r.Close())
	r = openNode(t, dir, func(o *replica.Options) { o.FreeBytes = 1 << 62 })
	isFull := func(what string, err error) {
		if f := fault.Of(err); f == nil || f.Kind != fault.KindFull {
			t.Errorf("%s: %v, want a refusal for want of room", what, err)
		}
	}
	isFull("write", renumber(r, t, id, "D 2", ""))
	_, err := r.Receive(t.Context(), replica.Delivery{Changes: foreign(77, 1)})
	isFull("receive", err)
	isFull("alarm", r.Alarm(t.Context(), "something"))
	if e, ok := machineIn(t, r, id); !ok || e.Message.(*bothyv1.Machine).GetFleetNumber() != "D 1" {
		t.Errorf("reads %v %v", e.Message, ok)
	}
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	s.send(r, 1)
	s.join()
	if digest(t, s.hub) != digest(t, r) {
		t.Error("a node without room does not send")
	}
	q, err := r.Question("cabin")
	must(t, err)
	if _, err := r.Answer(t.Context(), q, func(uint64) bool { return true }); err != nil {
		t.Errorf("does not answer: %v", err)
	}
}
