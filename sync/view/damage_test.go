package view_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// everything prints all that a view can be asked.
func everything(v *view.View) (out string, err error) {
	var b strings.Builder
	err = v.Read(func(tx *view.Tx) error {
		fmt.Fprintln(&b, v.ID())
		sum, err := tx.Digest(nil)
		fmt.Fprintln(&b, sum, err)
		have, err := tx.Have()
		fmt.Fprintln(&b, have, err)
		for _, r := range have.Replicas() {
			upto, hash, err := tx.Chain(r)
			fmt.Fprintln(&b, upto, hash, err)
			for c, err := range tx.ChangesFrom(r, 1) {
				fmt.Fprintln(&b, c, err)
				for c, err := range tx.ChangesOf(c.Key) {
					fmt.Fprintln(&b, c.ID(), err)
				}
			}
		}
		for lane := record.Lane(0); lane < record.Lanes; lane++ {
			for e, err := range tx.Log(lane, 0) {
				fmt.Fprintln(&b, e, err)
			}
		}
		for _, l := range listedBy {
			for i := range 7 {
				for r, err := range tx.ListBy(l[0], l[1], fmt.Sprintf("d-%d", i), true) {
					fmt.Fprintln(&b, r.Key, err)
				}
			}
		}
		for l, err := range tx.LocalPrefix("") {
			fmt.Fprintln(&b, l.Name, l.Bytes, err)
		}
		return nil
	})
	return b.String(), err
}

// sample is a closed view with something of everything in it, written in two
// sessions so that there is more than one table.
func sample(t *testing.T, dir string) {
	t.Helper()
	a, b := newReplica(1), newReplica(2)
	for i := range 2 {
		v := open(t, dir, view.Options{})
		fill(t, v, a, 150)
		for j := range 7 {
			apply(t, v,
				b.write(machine(fmt.Sprintf("d-%d", j)), 2, text(machineSite, fmt.Sprintf("site-%d", i))),
				b.write(defect(fmt.Sprintf("x-%d", j)), record.Lane(j%3), text(defectMachine, fmt.Sprintf("d-%d", j))))
		}
		update(t, v, func(tx *view.Tx) error { return tx.SetLocal(fmt.Sprintf("cursor/%d", i), []byte("here")) })
		closed(t, v)
	}
}

// flips calls f with a copy of a directory for each of some offsets in each of
// its files, at which one byte is another. Badger makes its files larger than what
// is in them; the zeros at their ends are left alone.
func flips(t *testing.T, dir string, perFile int, f func(t *testing.T, damaged string)) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	files, sizes := map[string][]byte{}, map[string]int64{}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		files[e.Name()], sizes[e.Name()] = bytes.TrimRight(b, "\x00"), int64(len(b))
	}
	for _, e := range entries {
		size := len(files[e.Name()])
		step := max(1, size/perFile)
		for at := step / 2; at < size; at += step {
			t.Run(fmt.Sprintf("%s byte %d of %d", e.Name(), at, size), func(t *testing.T) {
				damaged := view.MemoryDir(t)
				for _, other := range entries {
					content := slices.Clone(files[other.Name()])
					if other == e {
						content[at] ^= byte(1 << (at % 8))
					}
					writeSparse(t, filepath.Join(damaged, other.Name()), content, sizes[other.Name()])
				}
				f(t, damaged)
			})
		}
	}
}

// writeSparse writes a file that has only zeros behind its content.
func writeSparse(t *testing.T, name string, content []byte, size int64) {
	t.Helper()
	if err := errors.Join(os.WriteFile(name, content, 0o600), os.Truncate(name, size)); err != nil {
		t.Fatal(err)
	}
}

func perFile() int {
	if testing.Short() {
		return 4
	}
	return 40
}

// isFound says whether an examination finds damage. The store cannot tell a
// damaged proof of its key from another key; then people have to decide.
func isFound(t *testing.T, dir string) bool {
	t.Helper()
	err := view.ExamineInChild(t.Context(), command(t, "examine", dir))
	switch {
	case err == nil:
		return false
	case errors.Is(err, view.ErrDamaged) || strings.Contains(err.Error(), view.ErrWrongKey.Error()):
		return true
	}
	t.Fatal(err)
	return false
}

// One byte of a closed view is another: that is found before the view is used, or
// the view is right in everything. Never is it silently wrong.
func TestFlippedByteIsFoundOrHarmless(t *testing.T) {
	dir := t.TempDir()
	sample(t, dir)
	v := open(t, dir, view.Options{})
	want, err := everything(v)
	if err != nil {
		t.Fatal(err)
	}
	closed(t, v)
	found := 0
	flips(t, dir, perFile(), func(t *testing.T, damaged string) {
		if isFound(t, damaged) {
			found++
			return
		}
		v := open(t, damaged, view.Options{})
		defer closed(t, v)
		if got, err := everything(v); err != nil || got != want {
			t.Errorf("not found, and not right: %v\n%s", err, firstDifference(got, want))
		}
	})
	t.Logf("%d flips were found", found)
}

func firstDifference(got, want string) string {
	a, b := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return "got  " + a[i] + "\nwant " + b[i]
		}
	}
	return fmt.Sprintf("got %d lines, want %d", len(a), len(b))
}

// The same for a view that was killed. Badger drops what follows a damaged byte of
// its write-ahead file; what is left must be whole: the first changes, and all
// that belongs to them, for the owner to go on from.
func TestFlippedByteOfAKilledViewLeavesAPrefix(t *testing.T) {
	dir := t.TempDir()
	killed(t, dir, 500)
	want := newPrefixes(t)
	flips(t, dir, perFile(), func(t *testing.T, damaged string) {
		if isFound(t, damaged) {
			return
		}
		v := open(t, damaged, view.Options{})
		defer closed(t, v)
		want.expect(t, v)
	})
}
