package replica_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/replica"
)

func backupOf(t *testing.T, r *replica.Replica, key string) []byte {
	t.Helper()
	var b bytes.Buffer
	sum, err := r.Backup(t.Context(), &b, []byte(key))
	must(t, err)
	if sum.Changes == 0 || sum.Replicas != 1 {
		t.Errorf("backed up %+v", sum)
	}
	return b.Bytes()
}

func TestARestoredReplicaHasEqualRecordsAndANewID(t *testing.T) {
	r := openNode(t, t.TempDir())
	id := addMachine(t, r, "D 1")
	must(t, renumber(r, t, id, "D 2", ""))
	must(t, r.Write(t.Context(), "joan", func(w store.Writer) error { return bulk(w, 7) }))
	must(t, r.Write(t.Context(), "joan", func(w store.Writer) error { return bulk(w, 7) })) // over one part
	for _, key := range []string{"", "a key"} {
		b := backupOf(t, r, key)
		if found := bytes.Contains(b, []byte("joan")); found && key != "" {
			t.Error("an encrypted backup can be read")
		}
		dir := filepath.Join(t.TempDir(), "restored")
		sum, err := replica.Restore(t.Context(), bytes.NewReader(b), dir, []byte(key))
		must(t, err)
		if sum.Changes != 16 || sum.Replicas != 1 {
			t.Errorf("restored %+v", sum)
		}
		restored := openNode(t, dir)
		if restored.ID() == r.ID() || digest(t, restored) != digest(t, r) {
			t.Errorf("restored as %s (was %s), equal %v", restored.ID(), r.ID(), digest(t, restored) == digest(t, r))
		}
		if _, err := replica.Restore(t.Context(), bytes.NewReader(b), dir, []byte(key)); err == nil {
			t.Error("restores over what is there")
		}
	}
}

func TestABackupWithAnotherKeyIsRefused(t *testing.T) {
	r := openNode(t, t.TempDir())
	addMachine(t, r, "D 1")
	for _, row := range [][2]string{{"a", "b"}, {"a", ""}, {"", "a"}} {
		refuses(t, backupOf(t, r, row[0]), row[1], "key "+row[0]+" for "+row[1])
	}
}

// refuses wants no directory and an error.
func refuses(t *testing.T, b []byte, key, what string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "restored")
	_, err := replica.Restore(t.Context(), bytes.NewReader(b), dir, []byte(key))
	if err == nil {
		t.Errorf("%s: restored", what)
	}
	for _, path := range []string{dir, dir + ".partial"} {
		if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: left %s behind", what, filepath.Base(path))
		}
	}
}

func TestADamagedBackupIsRefusedWhole(t *testing.T) {
	r := openNode(t, t.TempDir())
	addMachine(t, r, "D 1")
	for _, key := range []string{"", "a key"} {
		b := backupOf(t, r, key)
		for i := range b {
			damaged := bytes.Clone(b)
			damaged[i] ^= 1 << (i % 8)
			refuses(t, damaged, key, "a flipped bit")
			refuses(t, b[:i], key, "cut short")
		}
		refuses(t, append(bytes.Clone(b), 0), key, "a byte too many")
	}
}
