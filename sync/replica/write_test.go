package replica_test

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/replica"
)

func TestAStaleEtagKeepsBothVersionsAndSaysSo(t *testing.T) {
	r := openNode(t, t.TempDir())
	id := addMachine(t, r, "D 1")
	read, _ := machineIn(t, r, id)
	must(t, renumber(r, t, id, "D 2", ""))
	must(t, renumber(r, t, id, "D 3", read.Etag))
	now, _ := machineIn(t, r, id)
	if !slices.Equal(now.Conflicting, []string{"fleet_number"}) {
		t.Fatalf("conflicting fields %v, want the fleet number", now.Conflicting)
	}
	must(t, r.Read(t.Context(), func(d store.Reader) error {
		for c, err := range d.Conflicts() {
			if err != nil || len(c.GetVersions()) != 2 {
				t.Errorf("conflict %v, %v, want two versions", c, err)
			}
		}
		return nil
	}))
	must(t, renumber(r, t, id, "D 4", now.Etag))
	if now, _ = machineIn(t, r, id); len(now.Conflicting) != 0 || now.Message.(*bothyv1.Machine).GetFleetNumber() != "D 4" {
		t.Errorf("after settling: %v, conflicting %v", now.Message, now.Conflicting)
	}
}

func TestAnEtagNobodyGaveOutChangesNothing(t *testing.T) {
	r := openNode(t, t.TempDir())
	id := addMachine(t, r, "D 1")
	good, _ := machineIn(t, r, id)
	before := digest(t, r)
	for _, etag := range []string{"!", "A", "/w", good.Etag[:len(good.Etag)-2], good.Etag + "AA", strings.Repeat("_", 1<<16)} {
		err := renumber(r, t, id, "D 2", etag)
		if f := fault.Of(err); f == nil || f.Kind != fault.KindInvalid || f.Violations[0].Field != "etag" {
			t.Errorf("etag %.20q: %v, want one that names the field", etag, err)
		}
	}
	if digest(t, r) != before || statusOf(t, r).Written != 1 {
		t.Error("a refused etag changed something")
	}
}

func TestAFailingWriteLeavesTheOthersOfItsBatchIntact(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	const writers = 12
	errRefused := errors.New("refused")
	outcomes := together(t, r, writers, func(i int, w store.Writer) error {
		if _, err := w.Create(&bothyv1.Machine{Id: fmt.Sprint(i), FleetNumber: "D"}, store.Calm); err != nil {
			return err
		}
		if i%3 == 0 {
			return errRefused
		}
		return nil
	})
	must(t, r.Close())
	r = openNode(t, dir)
	for i, err := range outcomes {
		_, saved := machineIn(t, r, fmt.Sprint(i))
		if refused := i%3 == 0; errors.Is(err, errRefused) != refused || saved == refused {
			t.Errorf("write %d: error %v, saved %v", i, err, saved)
		}
	}
	if n := statusOf(t, r).Written; n != 1+writers-writers/3 {
		t.Errorf("numbers reach %d: a failed write took one", n)
	}
}

func TestWritersShareOneSync(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	before := headWrites(t, dir)
	outcomes := together(t, r, 32, func(i int, w store.Writer) error {
		_, err := w.Create(&bothyv1.Machine{Id: fmt.Sprint(i), FleetNumber: "D"}, store.Calm)
		return err
	})
	must(t, errors.Join(outcomes...))
	// One for the write that held the owner, one for the 32.
	if n := headWrites(t, dir) - before; n != 2 {
		t.Errorf("33 writes moved the ledger's head %d times, want 2", n)
	}
}

// together has n writers wait for the owner at once, and gives their outcomes.
func together(t *testing.T, r *replica.Replica, n int, f func(i int, w store.Writer) error) []error {
	t.Helper()
	release := busy(t, r)
	outcomes := make([]error, n)
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() {
			outcomes[i] = r.Write(t.Context(), "joan", func(w store.Writer) error { return f(i, w) })
		})
	}
	waitForWriters(n)
	release()
	all.Wait()
	return outcomes
}

// headWrites reads how often the own ledger's head was written: each append moves
// it once. It stands 24 bytes into each of the two slots.
func headWrites(t *testing.T, dir string) uint64 {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "own", "head"))
	must(t, err)
	return max(binary.BigEndian.Uint64(b[24:]), binary.BigEndian.Uint64(b[len(b)/2+24:]))
}

func TestARequestIsRememberedWithoutTheViewAndByAnyClock(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	want := store.Memory{Print: [32]byte{1, 2, 3}, IDs: []string{"a", "b"}, At: noon}
	must(t, r.Write(t.Context(), "joan", func(w store.Writer) error { return w.Remember("request-1", want) }))
	must(t, r.Close())
	must(t, os.RemoveAll(filepath.Join(dir, "view")))
	// A node without a clock battery starts in another year.
	for _, now := range []time.Time{noon, noon.AddDate(40, 0, 0), noon.AddDate(-30, 0, 0)} {
		r = openNode(t, dir, func(o *replica.Options) { o.Now = func() time.Time { return now } })
		must(t, r.Read(t.Context(), func(d store.Reader) error {
			got, ok, err := d.Remembered("request-1")
			if err != nil || !ok || got.Print != want.Print || !got.At.Equal(want.At) || !slices.Equal(got.IDs, want.IDs) {
				t.Errorf("in %d: remembers %v %v %v", now.Year(), got, ok, err)
			}
			return nil
		}))
		must(t, r.Close())
	}
}

func TestARecordThatIsWrittenOnceIsNotWrittenAgain(t *testing.T) {
	r := openNode(t, t.TempDir())
	check := func(machine string) error {
		return r.Write(t.Context(), "joan", func(w store.Writer) error {
			_, err := w.Create(&bothyv1.Check{Id: "c-1", Machine: machine}, store.Calm)
			return err
		})
	}
	must(t, check("d-1"))
	if f := fault.Of(check("d-2")); f == nil || f.Kind != fault.KindExists {
		t.Errorf("second check under one id: %v", f)
	}
	if n := statusOf(t, r).Written; n != 1 {
		t.Errorf("%d changes, want 1", n)
	}
}

// bulk writes machines of half a megabyte each.
func bulk(w store.Writer, n int) error {
	for range n {
		if _, err := w.Create(&bothyv1.Machine{FleetNumber: strings.Repeat("x", 500_000)}, store.Calm); err != nil {
			return err
		}
	}
	return nil
}

func TestWhatIsTooLargeForOneFrameIsRefusedAndTheNodeGoesOn(t *testing.T) {
	r := openNode(t, t.TempDir())
	err := r.Write(t.Context(), "joan", func(w store.Writer) error { return bulk(w, 10) })
	if f := fault.Of(err); f == nil || f.Kind != fault.KindTooLarge {
		t.Fatalf("got %v, want too large", err)
	}
	addMachine(t, r, "D 1")
	if n := statusOf(t, r).Written; n != 1 {
		t.Errorf("%d changes, want only the later one", n)
	}
}

func TestABatchThatIsTooLargeForOneAppendIsParted(t *testing.T) {
	r := openNode(t, t.TempDir())
	outcomes := together(t, r, 6, func(_ int, w store.Writer) error { return bulk(w, 7) })
	must(t, errors.Join(outcomes...))
	if n := statusOf(t, r).Written; n != 1+6*7 || r.Err() != nil {
		t.Errorf("%d changes, want 43; %v", n, r.Err())
	}
}

func TestNobodyWaitsForAReplicaThatCloses(t *testing.T) {
	dir := t.TempDir()
	r := openNode(t, dir)
	release := busy(t, r)
	outcomes := make(chan error, 8)
	for i := range cap(outcomes) {
		go func() {
			outcomes <- r.Write(t.Context(), "joan", func(w store.Writer) error {
				_, err := w.Create(&bothyv1.Machine{Id: fmt.Sprint(i), FleetNumber: "D"}, store.Calm)
				return err
			})
		}()
	}
	waitForWriters(cap(outcomes))
	closed := make(chan error, 2)
	for range cap(closed) {
		go func() { closed <- r.Close() }()
	}
	saved := uint64(1)
	for range cap(outcomes) {
		if err := <-outcomes; err != nil && fault.Of(err).Kind != fault.KindAway {
			t.Error(err)
		} else if err == nil {
			saved++
		}
		if release != nil {
			release()
			release = nil
		}
	}
	must(t, errors.Join(<-closed, <-closed, r.Close()))
	if f := fault.Of(renumber(r, t, "0", "D 2", "")); f == nil || f.Kind != fault.KindAway {
		t.Errorf("write after the end: %v", f)
	}
	if _, err := r.Status(); err == nil {
		t.Error("a read after the end succeeds")
	}
	if got := statusOf(t, openNode(t, dir)).Written; got != saved {
		t.Errorf("%d changes are there, %d were promised", got, saved)
	}
}

func TestHistoryShowsWhatWasReplacedWhateverTheClocksSaid(t *testing.T) {
	now := noon
	r := openNode(t, t.TempDir(), func(o *replica.Options) { o.Now = func() time.Time { return now } })
	id := addMachine(t, r, "D 1")
	far := openNode(t, t.TempDir(), func(o *replica.Options) { o.Now = func() time.Time { return noon.AddDate(-5, 0, 0) } })
	_, err := far.Receive(t.Context(), replica.Delivery{Changes: changesOf(t, r, r.ID())})
	must(t, err)
	must(t, renumber(far, t, id, "D 2", "")) // five years before what it replaces
	history, err := far.History(t.Context(), "machines", id)
	must(t, err)
	for _, e := range history {
		for _, f := range e.GetFields() {
			if f.GetValue() == `"D 2"` && !slices.Equal(f.GetReplaced(), []string{`"D 1"`}) {
				t.Errorf("D 2 replaced %v, want D 1", f.GetReplaced())
			}
		}
	}
	if len(history) != 2 {
		t.Errorf("%d changes, want 2", len(history))
	}
}
