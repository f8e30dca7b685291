package view_test

import (
	"bytes"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

func TestViewKeepsItsIDAndItsRows(t *testing.T) {
	dir := view.MemoryDir(t)
	v := open(t, dir, view.Options{})
	id := v.ID()
	fill(t, v, newReplica(1), 20)
	want := digest(t, v)
	if err := v.Sync(); err != nil {
		t.Fatal(err)
	}
	closed(t, v)
	v = open(t, dir, view.Options{SyncWrites: true})
	defer closed(t, v)
	if v.ID() != id || id == 0 || digest(t, v) != want {
		t.Errorf("id %d, want %d; digest the same: %v", v.ID(), id, digest(t, v) == want)
	}
	if other := fresh(t); other.ID() == id {
		t.Error("two views have one id")
	}
}

// Encrypted at rest, nothing of a record is readable in the files, and only its
// own key opens the view. Another key says nothing of damage.
func TestEncryptedView(t *testing.T) {
	dir := view.MemoryDir(t)
	key := bytes.Repeat([]byte{7}, 32)
	v := open(t, dir, view.Options{Key: key})
	fill(t, v, newReplica(1), 3000) // more than one table, so that blocks are read back
	want := digest(t, v)
	closed(t, v)
	if err := view.Examine(dir, realSchema(), view.Options{Key: key}); err != nil {
		t.Fatal(err)
	}
	notReadable(t, dir, "wheeled-site-dumper", "ravens-quarry")
	for name, wrong := range map[string][]byte{"none": nil, "another": bytes.Repeat([]byte{8}, 32), "short": key[:7]} {
		_, err := view.Open(dir, realSchema(), view.Options{Key: wrong})
		if !errors.Is(err, view.ErrWrongKey) || errors.Is(err, view.ErrDamaged) {
			t.Errorf("%s: got %v, want ErrWrongKey", name, err)
		}
	}
	v = open(t, dir, view.Options{Key: key})
	defer closed(t, v)
	if digest(t, v) != want {
		t.Error("the view is another")
	}
}

func notReadable(t *testing.T, dir string, words ...string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, name))
		for _, w := range words {
			if bytes.Contains(b, []byte(w)) {
				t.Errorf("%s can be read in %s", w, name)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestOpenViewIsInUse(t *testing.T) {
	dir := view.MemoryDir(t)
	v := open(t, dir, view.Options{})
	defer closed(t, v)
	if _, err := view.Open(dir, realSchema(), view.Options{}); !errors.Is(err, view.ErrInUse) {
		t.Errorf("open: got %v, want ErrInUse", err)
	}
	err := view.ExamineInChild(t.Context(), command(t, "examine", dir))
	if err == nil || errors.Is(err, view.ErrDamaged) {
		t.Errorf("examine: got %v, want an error that is not damage", err)
	}
}

func TestNothingIsNotDamaged(t *testing.T) {
	dir := filepath.Join(view.MemoryDir(t), "view")
	if err := view.Examine(dir, realSchema(), view.Options{}); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("the examination made a directory")
	}
}

// A view whose tables are all lost is not taken for a new one.
func TestEmptiedViewIsDamaged(t *testing.T) {
	dir := view.MemoryDir(t)
	v := open(t, dir, view.Options{})
	fill(t, v, newReplica(1), 20)
	closed(t, v)
	if err := os.Remove(filepath.Join(dir, "MANIFEST")); err != nil {
		t.Fatal(err)
	}
	if err := view.Examine(dir, realSchema(), view.Options{}); !errors.Is(err, view.ErrDamaged) {
		t.Errorf("got %v, want ErrDamaged", err)
	}
}

// The store's errors reach the log as errors, its chatter does not reach it above
// debug, and no format verb is left in.
func TestStoreSpeaksThroughTheLog(t *testing.T) {
	var out bytes.Buffer
	log := slog.New(slog.NewTextHandler(&out, nil))
	v := open(t, view.MemoryDir(t), view.Options{Log: log})
	closed(t, v)
	if out.Len() > 0 {
		t.Errorf("a view that was opened and closed said %q", out.String())
	}
	out.Reset()
	log = slog.New(slog.NewTextHandler(&out, &slog.HandlerOptions{Level: slog.LevelDebug}))
	v = open(t, view.MemoryDir(t), view.Options{Log: log})
	closed(t, v)
	if s := out.String(); !strings.Contains(s, "view store") || strings.Contains(s, "%!") {
		t.Errorf("at debug level it said %q", s)
	}
}

func TestDamagedViewsAreSetAside(t *testing.T) {
	parent := t.TempDir()
	dir := filepath.Join(parent, "view")
	for i, want := range []string{"view.damaged-1", "view.damaged-2", "view.damaged-3", "view.damaged-4"} {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, "mark"), []byte{byte(i)}, 0o600); err != nil {
			t.Fatal(err)
		}
		moved, err := view.SetAside(dir + "/")
		if err != nil || moved != filepath.Join(parent, want) {
			t.Fatalf("moved to %q, want %q: %v", moved, want, err)
		}
		if b, err := os.ReadFile(filepath.Join(moved, "mark")); err != nil || b[0] != byte(i) {
			t.Errorf("%s: %v, %v", want, b, err)
		}
	}
	left, err := filepath.Glob(filepath.Join(parent, "*"))
	if err != nil {
		t.Fatal(err)
	}
	expect(t, "what is left", left, filepath.Join(parent, "view.damaged-3"), filepath.Join(parent, "view.damaged-4"))
	if _, err := view.SetAside(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("nothing to set aside: got %v", err)
	}
	if again, _ := filepath.Glob(filepath.Join(parent, "*")); len(again) != 2 {
		t.Errorf("a call that moved nothing removed something: %v left", again)
	}
}

// A program with another schema opens the same view, and finds records by its own
// lists.
func TestUnknownKindsAreKept(t *testing.T) {
	dir := view.MemoryDir(t)
	none := &record.Schema{}
	v, err := view.Open(dir, none, view.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := newReplica(1)
	check := r.check("d-14", "ravens-quarry")
	apply(t, v, check)
	before := digest(t, v)
	closed(t, v)
	v = open(t, dir, view.Options{})
	if digest(t, v) != before {
		t.Error("the digest depends on what the program knows")
	}
	got := read(t, v, func(tx *view.Tx) ([]record.Record, error) {
		return all(tx.ListBy(checkKind, checkMachine, "d-14", false))
	})
	if len(got) != 1 || got[0].Key != check.Key {
		t.Errorf("listed by machine: %v", keysOf(got))
	}
	closed(t, v)
	if err := view.Examine(dir, realSchema(), view.Options{}); err != nil {
		t.Error(err)
	}
}
