package view_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// outcome applies one change in a transaction of its own.
func outcome(t testing.TB, v *view.View, c record.Change, from view.Source) (out view.Outcome) {
	t.Helper()
	update(t, v, func(tx *view.Tx) (err error) {
		out, err = tx.Apply(c, from)
		return err
	})
	return out
}

// entries gives the ids in a lane's log as replica:seq.
func entries(t testing.TB, v *view.View, lane record.Lane, after uint64) []string {
	t.Helper()
	var out []string
	for _, e := range read(t, v, func(tx *view.Tx) ([]view.Entry, error) { return all(tx.Log(lane, after)) }) {
		out = append(out, fmt.Sprintf("%d:%d", e.ID.Replica, e.ID.Seq))
	}
	return out
}

func expect(t testing.TB, what string, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("%s: got %q, want %q", what, got, want)
	}
}

func TestForkIsToldFromRepetition(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	first := r.write(machine("d-14"), 2, text(2, "D 14"))
	second := r.write(machine("d-14"), 2, text(2, "D14"))
	apply(t, v, first, second)
	before := digest(t, v)

	otherBytes := second
	otherBytes.Writes = []record.Write{text(2, "D 41")}
	// A clone that had written to another record in between: its next change of
	// this one claims the same dot under another seq.
	sameDot := second
	sameDot.Seq, sameDot.Writes = 3, otherBytes.Writes

	for _, c := range []struct {
		what   string
		change record.Change
		want   view.Outcome
	}{
		{"the same bytes", second, view.Known},
		{"the same id, other bytes", otherBytes, view.Forked},
		{"the same dot, another id", sameDot, view.Forked},
	} {
		if got := outcome(t, v, c.change, view.Hub); got != c.want {
			t.Errorf("%s: got %v, want %v", c.what, got, c.want)
		}
	}
	if digest(t, v) != before {
		t.Error("a forked change left a trace")
	}
}

// When the hub's history wins, a node forgets its own and takes the hub's, in one
// transaction.
func TestHubsHistoryCanReplaceAForkedOne(t *testing.T) {
	hubs := newReplica(1)
	lost := newReplica(1)
	shared := hubs.check("d-14", "ravens-quarry")
	lost.check("d-14", "ravens-quarry")
	theirs := []record.Change{shared, hubs.write(machine("d-14"), 1, text(2, "D 14")), hubs.check("d-14", "ravens-quarry")}
	ours := []record.Change{shared, lost.write(machine("d-14"), 1, text(2, "D 41")), lost.write(defect("x"), 0, text(defectText, "cut tyre"))}

	hub, node := fresh(t), fresh(t)
	apply(t, hub, theirs...)
	apply(t, node, ours...)
	update(t, node, func(tx *view.Tx) error {
		for i := range ours {
			if ours[i].Key == theirs[i].Key && ours[i].Writes == nil {
				continue
			}
			switch out, err := tx.Apply(theirs[i], view.Hub); {
			case err != nil:
				return err
			case out == view.Forked:
				if err := tx.Forget(ours[i].ID()); err != nil {
					return err
				}
				if _, err := tx.Apply(theirs[i], view.Hub); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if digest(t, node) != digest(t, hub) {
		t.Error("the node does not hold what the hub holds")
	}
	type chain struct {
		upto uint64
		hash [32]byte
	}
	chainOf := func(tx *view.Tx) (c chain, err error) {
		c.upto, c.hash, err = tx.Chain(1)
		return c, err
	}
	if read(t, node, chainOf) != read(t, hub, chainOf) {
		t.Error("the chains differ")
	}
}

func TestForgetNeedsAHeldChange(t *testing.T) {
	v := fresh(t)
	if err := v.Update(func(tx *view.Tx) error { return tx.Forget(record.ID{Replica: 1, Seq: 1}) }); err == nil {
		t.Error("a change was forgotten that was not held")
	}
}

func TestUrgentChangeTakesEarlierOnesAlong(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	apply(t, v,
		r.write(defect("x"), 2, text(defectMachine, "d-14")),      // 1
		r.write(defect("x"), 1, text(defectText, "worn pin")),     // 2, takes 1 along
		r.write(defect("y"), 2, text(defectMachine, "d-14")),      // 3, another record
		r.write(defect("x"), 2, text(15, "c1")),                   // 4
		r.write(defect("x"), 0, text(defectText, "pin gone")),     // 5, takes 1, 2 and 4 along
		r.write(defect("x"), 0, text(defectText, "pin fell out")), // 6, all before it are there
		r.write(defect("x"), 1, text(15, "c2")))                   // 7, all before it are more urgent
	expect(t, "lane 0", entries(t, v, 0, 0), "1:1", "1:2", "1:4", "1:5", "1:6")
	expect(t, "lane 1", entries(t, v, 1, 0), "1:1", "1:2", "1:7")
	expect(t, "lane 2", entries(t, v, 2, 0), "1:1", "1:3", "1:4")
	expect(t, "lane 2 after 2", entries(t, v, 2, 2), "1:4")
	expect(t, "lane 2 after its end", entries(t, v, 2, 9))
}

// What has ridden along once, or was in the lane already, is not logged again.
func TestEachChangeRidesAlongOnce(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	apply(t, v,
		r.write(defect("x"), 2, text(defectMachine, "d-14")),     // 1
		r.write(defect("x"), 1, text(defectText, "worn pin")),    // 2, takes 1 along
		r.write(defect("x"), 2, text(15, "c1")),                  // 3
		r.write(defect("x"), 1, text(defectText, "pin is bent"))) // 4, takes 3 along
	expect(t, "lane 1", entries(t, v, 1, 0), "1:1", "1:2", "1:3", "1:4")
	expect(t, "lane 2", entries(t, v, 2, 0), "1:1", "1:3")
}

// A record that was joined anew still knows which of its changes wait in a less
// urgent lane.
func TestUrgentChangeTakesEarlierOnesAlongAfterAForget(t *testing.T) {
	v := fresh(t)
	a, b := newReplica(1), newReplica(2)
	b.at = a.at.Next(a.at.Millis() + 60_000) // b writes later
	apply(t, v,
		b.write(defect("x"), 1, text(defectText, "worn pin")),
		a.write(defect("x"), 2, text(defectMachine, "d-14")), // written first, but came second
		b.write(defect("x"), 2, text(15, "c1")))
	update(t, v, func(tx *view.Tx) error { return tx.Forget(record.ID{Replica: 2, Seq: 2}) })
	apply(t, v, a.write(defect("x"), 1, text(defectText, "pin gone")))
	expect(t, "lane 1", entries(t, v, 1, 0), "2:1", "1:1", "1:2")
}

// A machine moves: the cabin of the new site hears of its latest checks and
// amendments at its next pull, the older first, urgent ones in their lanes.
func TestFollowersAreLoggedAgainWhenTheirRecordMoves(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	var changes []record.Change
	for range view.MaxRelogged + 2 { // 1 to 22
		changes = append(changes, r.check("d-14", "ravens-quarry"))
	}
	changes = append(changes,
		r.check("r-2", "ravens-quarry"), // 23
		r.write(record.Key{Kind: amendmentKind, ID: "a"}, 0, text(amendmentMachine, "d-14")), // 24
		r.write(defect("x"), 1, text(defectMachine, "d-14")))                                 // 25, of a kind that is everywhere
	apply(t, v, changes...)
	apply(t, v, r.write(machine("d-14"), 2, text(2, "D 14"))) // 26, says nothing of a site
	expect(t, "lane 2 before there is a site", entries(t, v, 2, 23), "1:26")

	apply(t, v, r.write(machine("d-14"), 2, text(machineSite, "elmwood-pit"))) // 27
	var want []string
	for seq := 3; seq <= view.MaxRelogged+2; seq++ {
		want = append(want, fmt.Sprintf("1:%d", seq))
	}
	expect(t, "lane 2", entries(t, v, 2, 24), append([]string{"1:27"}, want...)...)
	expect(t, "lane 0", entries(t, v, 0, 0), "1:24", "1:24")
	expect(t, "lane 1", entries(t, v, 1, 0), "1:25")

	apply(t, v, r.write(machine("d-14"), 2, text(machineSite, "elmwood-pit", clock.Dot{Replica: 1, N: 2}))) // 28
	expect(t, "lane 2 after the same word again", entries(t, v, 2, 24+21), "1:28")
}

func TestListFollowsWhatAFieldReadsAs(t *testing.T) {
	v := fresh(t)
	a, b := newReplica(1), newReplica(2)
	b.at = b.at.Next(b.at.Millis() + 60_000) // b writes later
	at := func(site string) []string {
		var out []string
		for _, r := range read(t, v, func(tx *view.Tx) ([]record.Record, error) {
			return all(tx.ListBy(machineKind, machineSite, site, false))
		}) {
			out = append(out, r.Key.ID)
		}
		return out
	}
	apply(t, v, a.write(machine("d-14"), 2, text(2, "D 14")))
	expect(t, "no site", at(""), "d-14")
	apply(t, v, a.write(machine("d-14"), 2, text(machineSite, "ravens-quarry")))
	expect(t, "first site", at("ravens-quarry"), "d-14")
	apply(t, v, b.write(machine("d-14"), 2, text(machineSite, "elmwood-pit"))) // had not seen it
	expect(t, "the later of a conflict", at("elmwood-pit"), "d-14")
	expect(t, "the earlier of a conflict", at("ravens-quarry"))
	expect(t, "no site any more", at(""))
	long := strings.Repeat("a very long name of a site ", 40)
	apply(t, v, b.write(machine("d-14"), 2, text(machineSite, long, clock.Dot{Replica: 1, N: 2}, clock.Dot{Replica: 2, N: 1})))
	expect(t, "a long value", at(long), "d-14")
	expect(t, "its start", at(long[:128]))

	err := v.Read(func(tx *view.Tx) error {
		_, err := all(tx.ListBy(machineKind, 2, "D 14", false))
		return err
	})
	if err == nil {
		t.Error("a list by a field that has none was given")
	}
}

func TestInterest(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	check := r.check("d-14", "ravens-quarry")
	siteless := r.write(record.Key{Kind: checkKind, ID: "c"}, 2, text(checkMachine, "d-14"))
	apply(t, v, check, siteless,
		r.write(machine("d-14"), 2, text(machineSite, "elmwood-pit")),
		r.write(record.Key{Kind: unknownKind, ID: "new"}, 2, text(1, "x")))
	for _, c := range []struct {
		what  string
		key   record.Key
		sites []string
		want  bool
	}{
		{"everything", check.Key, nil, true},
		{"no site at all", check.Key, []string{}, false},
		{"the check's own site", check.Key, []string{"far-moor", "ravens-quarry"}, true},
		{"where the machine stands now", check.Key, []string{"elmwood-pit"}, true},
		{"another site", check.Key, []string{"far-moor"}, false},
		{"a check that does not say where", siteless.Key, []string{"far-moor"}, true},
		{"a kind without site", machine("d-14"), []string{"far-moor"}, true},
		{"a kind that is not known", record.Key{Kind: unknownKind, ID: "new"}, []string{"far-moor"}, true},
	} {
		got := read(t, v, func(tx *view.Tx) (bool, error) {
			rec, found, err := tx.Record(c.key)
			if err != nil || !found {
				return false, fmt.Errorf("%v: %v, %w", c.key, found, err)
			}
			return tx.InterestedIn(rec, c.sites)
		})
		if got != c.want {
			t.Errorf("%s: got %v", c.what, got)
		}
	}
}

// Two views that differ only in what a site has no interest in have the same
// digest for that site, and another for everything.
func TestDigestIsOfWhatIsOfInterest(t *testing.T) {
	a, b := fresh(t), fresh(t)
	r := newReplica(1)
	here, there := r.check("d-14", "ravens-quarry"), r.check("r-2", "far-moor")
	apply(t, a, here, there)
	apply(t, b, here)
	if digest(t, a, "ravens-quarry") != digest(t, b, "ravens-quarry") {
		t.Error("the digests for a site differ in what is of no interest to it")
	}
	if digest(t, a, "far-moor") == digest(t, b, "far-moor") {
		t.Error("the digests for a site that has more are the same")
	}
	if digest(t, a) == digest(t, b) {
		t.Error("the digests of all are the same")
	}
}

func TestLocalState(t *testing.T) {
	v := fresh(t)
	get := func(name string) string {
		return read(t, v, func(tx *view.Tx) (string, error) {
			b, found, err := tx.Local(name)
			return fmt.Sprintf("%q %v", b, found), err
		})
	}
	set := func(name string, b []byte) { update(t, v, func(tx *view.Tx) error { return tx.SetLocal(name, b) }) }
	set("cursor/hub", []byte("7"))
	set("cursor/van", []byte{})
	set("receipt", []byte("9"))
	set("cursor/hub", []byte("8"))
	set("receipt", nil)
	set("never", nil)
	for name, want := range map[string]string{"cursor/hub": `"8" true`, "cursor/van": `"" true`, "receipt": `"" false`} {
		if got := get(name); got != want {
			t.Errorf("%s: got %s, want %s", name, got, want)
		}
	}
	names := read(t, v, func(tx *view.Tx) (out []string, err error) {
		for l, err := range tx.LocalPrefix("cursor/") {
			if err != nil {
				return nil, err
			}
			out = append(out, l.Name+"="+string(l.Bytes))
		}
		return out, nil
	})
	expect(t, "cursors", names, "cursor/hub=8", "cursor/van=")
	for _, name := range []string{"", strings.Repeat("x", view.MaxName+1)} {
		if err := v.Update(func(tx *view.Tx) error { return tx.SetLocal(name, []byte("1")) }); err == nil {
			t.Errorf("a name of %d bytes was taken", len(name))
		}
	}
}

func TestUpdateIsAllOrNothing(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	apply(t, v, r.check("d-14", "ravens-quarry"))
	before := digest(t, v)
	refused := errors.New("no")
	err := v.Update(func(tx *view.Tx) error {
		if _, err := tx.Apply(r.check("d-14", "ravens-quarry"), view.Own); err != nil {
			return err
		}
		if n, err := tx.CountChanges(); n != 2 || err != nil {
			t.Errorf("within the transaction there are %d changes, want 2: %v", n, err)
		}
		if have, err := tx.Have(); have.Base(1) != 2 || err != nil {
			t.Errorf("within the transaction %v is held: %v", have, err)
		}
		return refused
	})
	if !errors.Is(err, refused) || digest(t, v) != before {
		t.Errorf("a refused transaction left a trace: %v", err)
	}
}

// What is too much for one transaction of the store goes into several.
func TestALargeTransactionIsTaken(t *testing.T) {
	v, step := fresh(t), fresh(t)
	r := newReplica(1)
	changes := make([]record.Change, 3000)
	for i := range changes {
		changes[i] = r.check("d-14", "ravens-quarry")
	}
	apply(t, v, changes...)
	for batch := range slices.Chunk(changes, 500) {
		apply(t, step, batch...)
	}
	if n := read(t, v, (*view.Tx).CountChanges); n != 3000 {
		t.Fatalf("%d of 3000 changes are there", n)
	}
	if digest(t, v) != digest(t, step) {
		t.Error("what went in at once is not what went in step by step")
	}
}

// Every change that is valid can be applied, and comes out as it went in; also
// the greatest, and beside another of its size.
func TestGreatestChangesAreTaken(t *testing.T) {
	v := fresh(t)
	for i, r := range []*replica{newReplica(1), newReplica(2), newReplica(3)} {
		const half = record.MaxChange/2 - 8
		c := r.write(defect("x"), 2, text(defectText, strings.Repeat("x", half)), text(100, strings.Repeat("y", half)))
		apply(t, v, c)
		err := v.Read(func(tx *view.Tx) error {
			back, found, err := tx.Change(c.ID())
			if err != nil || !found || string(back.Append(nil)) != string(c.Append(nil)) {
				return fmt.Errorf("change: %v, %w", found, err)
			}
			rec, found, err := tx.Record(c.Key)
			if err != nil || !found || len(rec.Field(defectText).Versions) != i+1 {
				return fmt.Errorf("record: %v, %w", found, err)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
}

// Versions of one field that nobody settles pile up; before the record outgrows a
// row, the next is refused, and what else is in its transaction goes in.
func TestHugeRecordRefusesOneChange(t *testing.T) {
	if testing.Short() {
		t.Skip("writes some hundred megabytes")
	}
	v := fresh(t)
	var refusal error
	versions := 0
	for ; refusal == nil && versions < 40; versions++ {
		r := newReplica(clock.Replica(versions + 1))
		big := r.write(defect("x"), 2, text(defectText, strings.Repeat("x", record.MaxValue-5)))
		update(t, v, func(tx *view.Tx) error {
			_, refusal = tx.Apply(big, view.Peer)
			_, err := tx.Apply(r.write(defect("y"), 2, text(2, "d-14")), view.Peer)
			return err
		})
	}
	if !errors.Is(refusal, view.ErrOverfull) || versions < 25 {
		t.Errorf("after %d versions of half a megabyte: got %v, want ErrOverfull", versions, refusal)
	}
	if n := read(t, v, (*view.Tx).CountChanges); n != uint64(2*versions-1) {
		t.Errorf("%d changes are there, want %d", n, 2*versions-1)
	}
}

// A change that its record could not hold is refused by itself; others of the
// same transaction go in.
func TestOverfullRecordRefusesOneChange(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	writes := func(from uint32) (out []record.Write) {
		for n := from; n < from+record.MaxFields; n++ {
			out = append(out, varint(n, 1))
		}
		return out
	}
	apply(t, v, r.write(defect("x"), 2, writes(1000)...))
	update(t, v, func(tx *view.Tx) error {
		if _, err := tx.Apply(r.write(defect("x"), 2, writes(2000)...), view.Peer); !errors.Is(err, view.ErrOverfull) {
			t.Errorf("twice the fields of a record: got %v, want ErrOverfull", err)
		}
		invalid := r.write(defect("x"), 9, text(2, "d-14"))
		if _, err := tx.Apply(invalid, view.Peer); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("lane 9: got %v, want ErrMalformed", err)
		}
		_, err := tx.Apply(r.write(defect("y"), 2, text(2, "d-14")), view.Peer)
		return err
	})
	if n := read(t, v, (*view.Tx).CountChanges); n != 2 {
		t.Errorf("%d changes, want 2", n)
	}
}

func TestReadCannotWriteNorOutliveItself(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	var kept *view.Tx
	err := v.Read(func(tx *view.Tx) error {
		kept = tx
		_, err := tx.Apply(r.check("d-14", "ravens-quarry"), view.Own)
		return err
	})
	if !errors.Is(err, view.ErrReadOnly) {
		t.Errorf("got %v, want ErrReadOnly", err)
	}
	if _, err := all(kept.List(checkKind, "")); err == nil {
		t.Error("a transaction was used after its end")
	}
	if _, _, err := kept.Local("x"); err == nil {
		t.Error("a transaction was used after its end")
	}
}

// Readers see whole transactions while the owner writes, also large ones.
func TestReadsBesideAnUpdate(t *testing.T) {
	v := fresh(t)
	r := newReplica(1)
	stop := make(chan struct{})
	failed := make(chan error, 2)
	for range cap(failed) {
		go func() {
			for {
				select {
				case <-stop:
					failed <- nil
					return
				default:
				}
				err := v.Read(func(tx *view.Tx) error {
					n, err := tx.CountRecords(checkKind)
					if err == nil && n%10 != 0 {
						err = fmt.Errorf("%d checks are seen, which is no whole number of transactions", n)
					}
					_, listErr := all(tx.List(checkKind, ""))
					return errors.Join(err, listErr)
				})
				if err != nil {
					failed <- err
					return
				}
			}
		}()
	}
	for i := range 50 {
		changes := make([]record.Change, 10)
		if i%20 == 19 { // more than the store takes in one transaction
			changes = make([]record.Change, 2500)
		}
		for i := range changes {
			changes[i] = r.check("d-14", "ravens-quarry")
		}
		apply(t, v, changes...)
	}
	close(stop)
	for range cap(failed) {
		if err := <-failed; err != nil {
			t.Error(err)
		}
	}
}
