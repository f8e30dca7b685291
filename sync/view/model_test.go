package view_test

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// listedBy are the lists that the tests look into: kind and field.
var listedBy = [][2]uint32{
	{machineKind, machineSite}, {checkKind, checkMachine}, {checkKind, checkSite},
	{amendmentKind, amendmentMachine}, {defectKind, defectMachine},
}

// drawHistory draws what some replicas wrote to a few records, without any order
// among them but their own: any dot may be replaced, whoever had seen it.
func drawHistory(t *rapid.T) []record.Change {
	keys := []record.Key{
		machine("d-14"), machine("r-2"), {Kind: checkKind, ID: "c1"}, {Kind: checkKind, ID: "c2"},
		{Kind: amendmentKind, ID: "a1"}, defect("x1"), {Kind: unknownKind, ID: "new"},
	}
	writers := []*replica{newReplica(1), newReplica(2), newReplica(3)}
	dots := map[record.Key][]clock.Dot{}
	var out []record.Change
	for range rapid.IntRange(1, 25).Draw(t, "changes") {
		w := rapid.SampledFrom(writers).Draw(t, "writer")
		key := rapid.SampledFrom(keys).Draw(t, "key")
		w.at = clock.HybridAt(1_700_000_000_000+rapid.Int64Range(0, 20).Draw(t, "ms"), 0)
		c := w.write(key, record.Lane(rapid.Uint8Range(0, 2).Draw(t, "lane")), drawWrites(t, key.Kind, dots[key])...)
		dots[key] = append(dots[key], c.Dot())
		out = append(out, c)
	}
	return out
}

func drawWrites(t *rapid.T, kind uint32, dots []clock.Dot) []record.Write {
	fields := map[uint32][]uint32{
		machineKind: {2, machineSite}, checkKind: {checkMachine, checkSite, 14}, amendmentKind: {2, amendmentSite, amendmentMachine},
		defectKind: {defectMachine, defectText}, unknownKind: {1, 9},
	}[kind]
	chosen := rapid.SliceOfNDistinct(rapid.SampledFrom(fields), 1, len(fields), rapid.ID).Draw(t, "fields")
	slices.Sort(chosen)
	var out []record.Write
	for _, number := range chosen {
		w := text(number, rapid.SampledFrom([]string{"d-14", "r-2", "ravens-quarry", "elmwood-pit", ""}).Draw(t, "value"))
		if rapid.IntRange(0, 9).Draw(t, "cleared") == 0 {
			w.Value = nil
		}
		for _, d := range dots {
			if rapid.Bool().Draw(t, "seen") {
				w.Replaces = append(w.Replaces, d)
			}
		}
		slices.SortFunc(w.Replaces, clock.Dot.Compare)
		out = append(out, w)
	}
	return out
}

// deliver applies changes in a drawn order, some of them again, in transactions
// of drawn sizes, and gives the order in which they were applied first.
func deliver(t *rapid.T, v *view.View, changes []record.Change) (applied []record.Change) {
	order := rapid.Permutation(changes).Draw(t, "order")
	again := rapid.SliceOfN(rapid.SampledFrom(changes), 0, 10).Draw(t, "again")
	order = rapid.Permutation(append(order, again...)).Draw(t, "with repetitions")
	known := map[record.ID]bool{}
	for len(order) > 0 {
		batch := order[:rapid.IntRange(1, len(order)).Draw(t, "batch")]
		order = order[len(batch):]
		update(t, v, func(tx *view.Tx) error {
			for _, c := range batch {
				outcome, err := tx.Apply(c, view.Peer)
				if err != nil {
					return err
				}
				if known[c.ID()] != (outcome == view.Known) || !known[c.ID()] != (outcome == view.Applied) {
					return fmt.Errorf("change %v, known %v, was %v", c.ID(), known[c.ID()], outcome)
				}
				if outcome == view.Applied {
					applied = append(applied, c)
				}
				known[c.ID()] = true
			}
			return nil
		})
	}
	return applied
}

// fold is the model: each record is the join of its changes, by hand.
func fold(changes []record.Change) map[record.Key]record.Record {
	out := map[record.Key]record.Record{}
	for _, c := range changes {
		if r, ok := out[c.Key]; ok {
			out[c.Key] = record.Join(r, c.Delta())
		} else {
			out[c.Key] = c.Delta()
		}
	}
	return out
}

// In whatever order changes come, and however often, two views are the same, and
// they are what the model says: records, lists, changes, what is held, chains
// and logs. Examined, both are whole.
func TestAnyOrderOfArrivalGivesTheSameView(t *testing.T) {
	one, other := view.MemoryDir(t), view.MemoryDir(t)
	rapid.Check(t, func(t *rapid.T) {
		changes := drawHistory(t)
		withView(t, one, func(a *view.View) {
			withView(t, other, func(b *view.View) {
				appliedToA, appliedToB := deliver(t, a, changes), deliver(t, b, changes)
				if digest(t, a) != digest(t, b) {
					t.Fatal("the same changes, two digests")
				}
				agreesWithModel(t, a, changes)
				agreesWithModel(t, b, changes)
				logsAreRight(t, a, appliedToA)
				logsAreRight(t, b, appliedToB)
			})
		})
	})
}

// Forgotten, changes leave no trace outside the logs; applied again, they are
// back; joining a record anew changes nothing.
func TestForgetAndRejoin(t *testing.T) {
	dir := view.MemoryDir(t)
	rapid.Check(t, func(t *rapid.T) {
		changes := drawHistory(t)
		withView(t, dir, func(v *view.View) {
			deliver(t, v, changes)
			whole := digest(t, v)
			kept := slices.Clone(changes)
			for range rapid.IntRange(1, 3).Draw(t, "forgotten") {
				if len(kept) == 0 {
					break
				}
				i := rapid.IntRange(0, len(kept)-1).Draw(t, "which")
				update(t, v, func(tx *view.Tx) error { return tx.Forget(kept[i].ID()) })
				kept = slices.Delete(kept, i, i+1)
			}
			agreesWithModel(t, v, kept)
			update(t, v, func(tx *view.Tx) error {
				for _, c := range changes {
					if err := tx.Rejoin(c.Key); err != nil {
						return err
					}
				}
				return nil
			})
			agreesWithModel(t, v, kept)
			update(t, v, func(tx *view.Tx) error {
				for _, c := range changes {
					if _, err := tx.Apply(c, view.Hub); err != nil {
						return err
					}
				}
				return nil
			})
			agreesWithModel(t, v, changes)
			if digest(t, v) != whole {
				t.Fatal("forgotten and applied again, the digest is another")
			}
		})
	})
}

// withView runs f on a new view and then examines what it left.
func withView(t *rapid.T, dir string, f func(*view.View)) {
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	v, err := view.Open(dir, realSchema(), view.Options{})
	if err != nil {
		t.Fatal(err)
	}
	func() {
		defer v.Close()
		f(v)
	}()
	if err := view.Examine(dir, realSchema(), view.Options{}); err != nil {
		t.Fatal(err)
	}
}

func agreesWithModel(t *rapid.T, v *view.View, changes []record.Change) {
	records := fold(changes)
	err := v.Read(func(tx *view.Tx) error {
		return errors.Join(
			recordsAgree(tx, records), changesAgree(tx, changes), listsAgree(tx, changes, records), heldAgrees(tx, changes))
	})
	if err != nil {
		t.Fatal(err)
	}
}

func recordsAgree(tx *view.Tx, want map[record.Key]record.Record) error {
	perKind := map[uint32]uint64{}
	for key, w := range want {
		perKind[key.Kind]++
		got, found, err := tx.Record(key)
		if err != nil || !found || !got.Equal(w) {
			return fmt.Errorf("record %v: got %v (%v, %v), want %v", key, got, found, err, w)
		}
	}
	for _, kind := range []uint32{machineKind, checkKind, amendmentKind, defectKind, unknownKind} {
		listed, err := all(tx.List(kind, ""))
		if err != nil || uint64(len(listed)) != perKind[kind] {
			return fmt.Errorf("kind %d: %d records are listed, want %d: %v", kind, len(listed), perKind[kind], err)
		}
		if !slices.IsSortedFunc(listed, func(a, b record.Record) int { return a.Key.Compare(b.Key) }) {
			return fmt.Errorf("kind %d: not in order of id", kind)
		}
		if n, err := tx.CountRecords(kind); err != nil || n != perKind[kind] {
			return fmt.Errorf("kind %d: %d records are counted, want %d: %v", kind, n, perKind[kind], err)
		}
	}
	return nil
}

func changesAgree(tx *view.Tx, want []record.Change) error {
	if n, err := tx.CountChanges(); err != nil || n != uint64(len(want)) {
		return fmt.Errorf("%d changes are counted, want %d: %v", n, len(want), err)
	}
	ofKey := map[record.Key][]record.Change{}
	for _, c := range want {
		got, found, err := tx.Change(c.ID())
		if err != nil || !found || string(got.Append(nil)) != string(c.Append(nil)) {
			return fmt.Errorf("change %v: got %v (%v, %v)", c.ID(), got, found, err)
		}
		ofKey[c.Key] = append(ofKey[c.Key], c)
	}
	for key, changes := range ofKey {
		slices.SortFunc(changes, func(a, b record.Change) int {
			return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Replica, b.Replica), cmp.Compare(a.Seq, b.Seq))
		})
		got, err := all(tx.ChangesOf(key))
		if err != nil || !slices.EqualFunc(got, changes, sameID) {
			return fmt.Errorf("changes of %v: got %v, want %v: %v", key, got, changes, err)
		}
	}
	return nil
}

func sameID(a, b record.Change) bool { return a.ID() == b.ID() }

func listsAgree(tx *view.Tx, changes []record.Change, records map[record.Key]record.Record) error {
	created := map[record.Key]clock.Hybrid{}
	for _, c := range changes {
		if at, ok := created[c.Key]; !ok || c.At < at {
			created[c.Key] = c.At
		}
	}
	kinds := realSchema()
	for _, l := range listedBy {
		for _, value := range []string{"d-14", "r-2", "ravens-quarry", "elmwood-pit", ""} {
			var want []record.Key
			for key, r := range records {
				if key.Kind == l[0] && fieldText(kinds.Kind(l[0]).Resolve(r.Field(l[1]))) == value {
					want = append(want, key)
				}
			}
			slices.SortFunc(want, func(a, b record.Key) int {
				return cmp.Or(cmp.Compare(created[a], created[b]), a.Compare(b))
			})
			for _, newestFirst := range []bool{false, true} {
				got, err := all(tx.ListBy(l[0], l[1], value, newestFirst))
				if err != nil || !slices.Equal(keysOf(got), want) {
					return fmt.Errorf("kind %d by field %d = %q: got %v, want %v: %v", l[0], l[1], value, keysOf(got), want, err)
				}
				slices.Reverse(want)
			}
		}
	}
	return nil
}

func keysOf(records []record.Record) []record.Key {
	var out []record.Key
	for _, r := range records {
		out = append(out, r.Key)
	}
	return out
}

func heldAgrees(tx *view.Tx, changes []record.Change) error {
	var dots []clock.Dot
	stored := map[record.ID][]byte{}
	for _, c := range changes {
		dots = append(dots, clock.Dot{Replica: c.Replica, N: c.Seq})
		stored[c.ID()] = c.Append(nil)
	}
	have, err := tx.Have()
	if want := clock.ContextOf(dots...); err != nil || !have.Equal(want) {
		return fmt.Errorf("have %v, want %v: %v", have, want, err)
	}
	for r := clock.Replica(1); r <= 3; r++ {
		var seqs []uint64
		hash := sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(r)))
		upto := uint64(0)
		for seq := uint64(1); seq <= 25; seq++ {
			b, ok := stored[record.ID{Replica: r, Seq: seq}]
			if ok {
				seqs = append(seqs, seq)
			}
			if ok && upto == seq-1 {
				upto = seq
				hash = sha256.Sum256(append(hash[:], b...))
			}
		}
		gotUpto, gotHash, err := tx.Chain(r)
		if err != nil || gotUpto != upto || gotHash != hash {
			return fmt.Errorf("chain of %d: got %d %x, want %d %x: %v", r, gotUpto, gotHash, upto, hash, err)
		}
		for from := range uint64(27) {
			got, err := all(tx.ChangesFrom(r, from))
			want := slices.DeleteFunc(slices.Clone(seqs), func(seq uint64) bool { return seq < from })
			if err != nil || !slices.EqualFunc(got, want, func(c record.Change, seq uint64) bool { return c.Seq == seq }) {
				return fmt.Errorf("changes of %d from %d: got %v, want %v: %v", r, from, got, want, err)
			}
		}
	}
	return nil
}

// logsAreRight checks what must hold of the logs after changes were applied in
// this order: positions without gaps, marks by the rule, every change in its own
// lane, and no urgent change before what its record had before it.
func logsAreRight(t *rapid.T, v *view.View, applied []record.Change) {
	type place struct {
		lane record.Lane
		id   record.ID
	}
	first := map[place]uint64{} // position of the first entry
	err := v.Read(func(tx *view.Tx) error {
		for lane := record.Lane(0); lane < record.Lanes; lane++ {
			entries, err := all(tx.Log(lane, 0))
			if err != nil {
				return err
			}
			for _, e := range entries {
				if at := (place{lane, e.ID}); first[at] == 0 {
					first[at] = e.Pos
				}
			}
			if err := entriesAreRight(tx, lane, entries); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, c := range applied {
		own := first[place{c.Lane, c.ID()}]
		if own == 0 {
			t.Fatalf("change %v is not in the log of lane %d", c.ID(), c.Lane)
		}
		for _, earlier := range applied[:i] {
			if earlier.Key != c.Key {
				continue
			}
			arrives := false
			for lane := record.Lane(0); lane <= c.Lane; lane++ {
				pos := first[place{lane, earlier.ID()}]
				arrives = arrives || pos > 0 && (lane < c.Lane || pos < own)
			}
			if !arrives {
				t.Fatalf("change %v waits behind %v, which came after it in lane %d", earlier.ID(), c.ID(), c.Lane)
			}
		}
	}
}

func entriesAreRight(tx *view.Tx, lane record.Lane, entries []view.Entry) error {
	mark := uint64(0)
	for i, e := range entries {
		var b [24]byte
		binary.BigEndian.PutUint64(b[0:], mark)
		binary.BigEndian.PutUint64(b[8:], uint64(e.ID.Replica))
		binary.BigEndian.PutUint64(b[16:], e.ID.Seq)
		sum := sha256.Sum256(b[:])
		mark = binary.BigEndian.Uint64(sum[:8])
		c, _, err := tx.Change(e.ID)
		want := view.Entry{Pos: uint64(i) + 1, ID: c.ID(), Key: c.Key, Size: len(c.Append(nil)), At: c.At, From: view.Peer, Mark: mark}
		if err != nil || e != want {
			return fmt.Errorf("lane %d: got %+v, want %+v: %v", lane, e, want, err)
		}
		if got, ok, err := tx.LogMark(lane, e.Pos); got != mark || !ok || err != nil {
			return fmt.Errorf("lane %d: mark at %d: got %d %v %v, want %d", lane, e.Pos, got, ok, err, mark)
		}
	}
	pos, end, err := tx.LogEnd(lane)
	if err != nil || pos != uint64(len(entries)) || end != mark {
		return fmt.Errorf("lane %d: end at %d with %d, want %d with %d: %v", lane, pos, end, len(entries), mark, err)
	}
	if _, ok, err := tx.LogMark(lane, pos+1); ok || err != nil {
		return fmt.Errorf("lane %d: a mark beyond the end: %v", lane, err)
	}
	return nil
}
