package replica_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/replica"
)

func TestALostTailComesBackFromTheHubUnderANewID(t *testing.T) {
	dir := t.TempDir()
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	r := openNode(t, dir)
	for _, n := range []string{"D 1", "D 2", "D 3"} {
		addMachine(t, r, n)
	}
	s.settle(r)
	old, want := r.ID(), digest(t, r)
	must(t, r.Close())
	cutTail(t, dir, 20)
	must(t, os.RemoveAll(filepath.Join(dir, "view")))
	r = openNode(t, dir)
	if r.ID() == old || digest(t, r) == want || len(statusOf(t, r).Alarms) == 0 {
		t.Fatalf("writes as %s (was %s), digest %.8s, alarms %v", r.ID(), old, digest(t, r), statusOf(t, r).Alarms)
	}
	s.settle(r)
	if digest(t, r) != want || digest(t, s.hub) != want {
		t.Error("what the ledger lost did not come back")
	}
}

// cutTail cuts the end of the own ledger's file.
func cutTail(t *testing.T, dir string, n int64) {
	t.Helper()
	path := onlySegment(t, filepath.Join(dir, "own"))
	st, err := os.Stat(path)
	must(t, err)
	must(t, os.Truncate(path, st.Size()-n))
}

func TestAHoleInTheOwnLedgerTakesANewIDOnce(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	id := addMachine(t, r, "D 1")
	st, err := os.Stat(onlySegment(t, filepath.Join(dir, "own")))
	must(t, err)
	must(t, renumber(r, t, id, "D 2", "")) // the frame that will be damaged
	addMachine(t, r, "D 3")
	old := r.ID()
	must(t, r.Close())
	flip(t, onlySegment(t, filepath.Join(dir, "own")), st.Size()+20)
	must(t, os.RemoveAll(filepath.Join(dir, "view")))
	r = openNode(t, dir)
	// Under the old id, the next change of the machine would have the dot of the
	// one that is lost here and may be known elsewhere.
	if r.ID() == old {
		t.Error("goes on under an id of which it does not know all dots")
	}
	again := r.ID()
	must(t, r.Close())
	if r = openNode(t, dir); r.ID() != again {
		t.Error("takes yet another id at the next start")
	}
}

func TestWhatOnlyTheViewStillHoldsOutlivesIt(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	for i := range 3 {
		must(t, r.Write(t.Context(), "joan", func(w store.Writer) error { return bulk(w, i+1) }))
	}
	want := digest(t, r)
	must(t, r.Close())
	for _, path := range []string{onlySegment(t, filepath.Join(dir, "own")), filepath.Join(dir, "own", "head")} {
		st, err := os.Stat(path)
		must(t, err)
		must(t, os.WriteFile(path, make([]byte, st.Size()), 0o600))
	}
	r = openNode(t, dir)
	must(t, r.Close())
	must(t, os.RemoveAll(filepath.Join(dir, "view")))
	if r = openNode(t, dir); digest(t, r) != want {
		t.Error("changes that the view held are gone with it")
	}
}

func TestAViewIsBuiltAgainFromTheLedgers(t *testing.T) {
	dir := t.TempDir()
	other := openNode(t, t.TempDir())
	id := addMachine(t, other, "D 1")
	r := openNode(t, dir)
	_, err := r.Receive(t.Context(), replica.Delivery{Changes: changesOf(t, other, other.ID())})
	must(t, err)
	must(t, renumber(r, t, id, "D 2", ""))
	want, written, self := digest(t, r), statusOf(t, r).Written, r.ID()
	must(t, r.Close())
	must(t, os.RemoveAll(filepath.Join(dir, "view")))
	r = openNode(t, dir)
	if digest(t, r) != want || r.ID() != self || statusOf(t, r).Written != written {
		t.Errorf("built again it differs: id %s, %d written", r.ID(), statusOf(t, r).Written)
	}
}

func TestAlarmsOfOneInstantAreAllKeptAndBounded(t *testing.T) {
	r := openNode(t, t.TempDir())
	for i := range 230 {
		must(t, r.Alarm(t.Context(), fmt.Sprint(i%220)))
	}
	alarms := statusOf(t, r).Alarms
	if len(alarms) != 200 || alarms[0] != "9" {
		t.Errorf("%d alarms, the newest %q", len(alarms), alarms[0])
	}
}

func TestANodeThatTookANewIDStillOwesWhatItWroteBefore(t *testing.T) {
	dir := t.TempDir()
	s := &stream{t: t, hub: openNode(t, t.TempDir(), asHub)}
	r := openNode(t, dir)
	must(t, r.Write(t.Context(), "joan", func(w store.Writer) error {
		_, err := w.Create(&bothyv1.Hold{Machine: "d-1"}, store.Urgent)
		return err
	}))
	addMachine(t, r, "D 1")
	must(t, r.Close())
	cutTail(t, dir, 20) // the hold is still there, and was never sent
	r = openNode(t, dir)
	s.ask(r)
	if c := contactOf(t, s.hub, r.ID()); !c.AsOf.IsZero() {
		t.Fatalf("the hub says that it has all up to %v, and the hold is still at the node", c.AsOf)
	}
	s.settle(r)
	if c := contactOf(t, s.hub, r.ID()); c.AsOf.IsZero() || digest(t, s.hub) != digest(t, r) {
		t.Error("after everything was sent, the hub still says that something is missing")
	}
}
