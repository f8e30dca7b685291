package view_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/bothy-mesh/bothy/sync/view"
)

func backup(t testing.TB, v *view.View, key []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := v.Backup(&out, key); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func backupKey(b byte) []byte { return bytes.Repeat([]byte{b}, view.BackupKeySize) }

// small is a view with a little of everything.
func small(t testing.TB) *view.View {
	t.Helper()
	v := fresh(t)
	r := newReplica(1)
	apply(t, v, r.check("d-1", "ravens-quarry"), r.write(machine("d-1"), 1, text(machineSite, "elmwood-pit")))
	update(t, v, func(tx *view.Tx) error { return tx.SetLocal("cursor", []byte("7")) })
	return v
}

// withoutID is everything but the view's id.
func withoutID(t testing.TB, v *view.View) string {
	t.Helper()
	s, err := everything(v)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(s, "\n")
	return rest
}

func TestBackupComesBackWholeUnderANewID(t *testing.T) {
	v := fresh(t)
	fill(t, v, newReplica(1), 2000) // several chunks and transactions
	for name, key := range map[string][]byte{"plain": nil, "sealed": backupKey(7)} {
		t.Run(name, func(t *testing.T) {
			b := backup(t, v, key)
			if key != nil && bytes.Contains(b, []byte("ravens-quarry")) {
				t.Error("a sealed backup can be read")
			}
			dir := filepath.Join(view.MemoryDir(t), "restored")
			at := view.Options{Key: bytes.Repeat([]byte{3}, 16)}
			if err := view.Restore(bytes.NewReader(b), key, dir, realSchema(), at); err != nil {
				t.Fatal(err)
			}
			restored := open(t, dir, at)
			defer closed(t, restored)
			if restored.ID() == v.ID() {
				t.Error("the restored view has the id of the other")
			}
			if got, want := withoutID(t, restored), withoutID(t, v); got != want {
				t.Error(firstDifference(got, want))
			}
		})
	}
}

func TestBackupsOfOneViewDiffer(t *testing.T) {
	v := small(t)
	if bytes.Equal(backup(t, v, backupKey(7)), backup(t, v, backupKey(7))) {
		t.Error("two sealed backups have the same bytes: the salt is not random")
	}
}

func TestRestoreTakesOnlyTheRightKey(t *testing.T) {
	v := small(t)
	plain, sealed := backup(t, v, nil), backup(t, v, backupKey(7))
	for _, c := range []struct {
		name   string
		backup []byte
		key    []byte
		want   error
	}{
		{"another key", sealed, backupKey(8), view.ErrBackup},
		{"no key", sealed, nil, view.ErrWrongKey},
		{"a key for a plain one", plain, backupKey(7), view.ErrWrongKey},
		{"a short key", sealed, backupKey(7)[:16], view.ErrWrongKey},
	} {
		t.Run(c.name, func(t *testing.T) {
			notRestored(t, c.backup, c.key, c.want)
		})
	}
	if err := v.Backup(&bytes.Buffer{}, backupKey(7)[:16]); !errors.Is(err, view.ErrWrongKey) {
		t.Errorf("backup with a short key: got %v", err)
	}
}

// notRestored expects a restore to fail and to leave nothing.
func notRestored(t *testing.T, b, key []byte, want error) {
	t.Helper()
	parent := view.MemoryDir(t)
	err := view.Restore(bytes.NewReader(b), key, filepath.Join(parent, "view"), realSchema(), view.Options{})
	if !errors.Is(err, want) {
		t.Errorf("got %v, want %v", err, want)
	}
	if left, _ := os.ReadDir(parent); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
}

// Whatever byte of a backup is another, and wherever it is cut off or goes on,
// nothing is restored.
func TestDamagedBackupIsNotRestored(t *testing.T) {
	v := small(t)
	for name, key := range map[string][]byte{"plain": nil, "sealed": backupKey(7)} {
		t.Run(name, func(t *testing.T) {
			b := backup(t, v, key)
			step := 1
			if testing.Short() {
				step = 13
			}
			for at := 0; at < len(b); at += step {
				flipped := slices.Clone(b)
				flipped[at] ^= byte(1 << (at % 8))
				refused(t, flipped, key)
				refused(t, b[:at], key)
			}
			flipped := slices.Clone(b)
			flipped[len(b)/2] ^= 1
			notRestored(t, flipped, key, view.ErrBackup)
			refused(t, append(slices.Clone(b), 0), key)
			refused(t, append(slices.Clone(b), b...), key)
		})
	}
}

func refused(t *testing.T, b, key []byte) {
	t.Helper()
	if err := view.ReadBackup(b, key); err == nil {
		t.Errorf("a damaged backup of %d bytes was read to its end", len(b))
	}
}

// The key's length in a backup's row, or any other length, does not make a reader
// hold more than what is there.
func FuzzReadBackup(f *testing.F) {
	v := small(f)
	f.Add(backup(f, v, nil))
	f.Add([]byte("bothy-V\x01\x00aaaaaaaaaaaaaaaa\xff\x07\xff\xff\xff\x07"))
	f.Add([]byte("bothy-V\x01\x00aaaaaaaaaaaaaaaa\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) { view.ReadBackup(b, nil) })
}

func TestRestoreNeedsAFreePlace(t *testing.T) {
	v := small(t)
	b := backup(t, v, nil)
	dir := view.MemoryDir(t)
	if err := view.Restore(bytes.NewReader(b), nil, dir, realSchema(), view.Options{}); err == nil {
		t.Error("a directory was restored over")
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) > 0 {
		t.Errorf("%v, %v", entries, err)
	}
}

// A restore that was cut off by a power cut is no hindrance to the next.
func TestRestoreStartsOver(t *testing.T) {
	v := small(t)
	dir := filepath.Join(view.MemoryDir(t), "view")
	if err := os.MkdirAll(filepath.Join(dir+".restoring", "half"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := view.Restore(bytes.NewReader(backup(t, v, nil)), nil, dir, realSchema(), view.Options{}); err != nil {
		t.Fatal(err)
	}
	restored := open(t, dir, view.Options{})
	defer closed(t, restored)
	if withoutID(t, restored) != withoutID(t, v) {
		t.Error("the restored view is another")
	}
}
