package view

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/record"
)

func realSchema(t testing.TB) *record.Schema {
	t.Helper()
	s, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A transaction's walks see the committed rows with its own writes over them, in
// both directions, from any place, also while others are open: as a plain map
// does.
func TestWalksSeeWhatTheTransactionWrote(t *testing.T) {
	v, err := Open(MemoryDir(t), realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	rapid.Check(t, func(t *rapid.T) {
		model := map[string]string{}
		if err := v.Update(dropLocals); err != nil {
			t.Fatal(err)
		}
		for range rapid.IntRange(1, 3).Draw(t, "transactions") {
			err := v.Update(func(tx *Tx) error {
				walkAndWrite(t, tx, model)
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		err := v.Read(func(tx *Tx) error {
			compareWalk(t, tx, model)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	})
}

func dropLocals(tx *Tx) error {
	for l, err := range tx.LocalPrefix("") {
		if err != nil {
			return err
		}
		if err := tx.SetLocal(l.Name, nil); err != nil {
			return err
		}
	}
	return nil
}

func drawName(t *rapid.T) string {
	return rapid.StringOfN(rapid.SampledFrom([]rune("ab\xff")), 1, 3, -1).Draw(t, "name")
}

func walkAndWrite(t *rapid.T, tx *Tx, model map[string]string) {
	for range rapid.IntRange(0, 8).Draw(t, "steps") {
		name := drawName(t)
		switch rapid.IntRange(0, 2).Draw(t, "step") {
		case 0:
			model[name] = rapid.StringN(0, 4, -1).Draw(t, "bytes")
			if err := tx.SetLocal(name, []byte(model[name])); err != nil {
				t.Fatal(err)
			}
		case 1:
			delete(model, name)
			if err := tx.SetLocal(name, nil); err != nil {
				t.Fatal(err)
			}
		case 2:
			compareWalk(t, tx, model)
		}
	}
}

func compareWalk(t *rapid.T, tx *Tx, model map[string]string) {
	prefix := rapid.SampledFrom([]string{"", "a", "b", "\xff", "ab"}).Draw(t, "prefix")
	reverse := rapid.Bool().Draw(t, "reverse")
	var after []byte
	if rapid.Bool().Draw(t, "from a place") {
		after = localKey(prefix + drawName(t))
	}
	var want []string
	for _, name := range slices.Sorted(maps.Keys(model)) {
		beyond := after == nil || string(localKey(name)) > string(after) && !reverse || string(localKey(name)) < string(after) && reverse
		if strings.HasPrefix(name, prefix) && beyond {
			want = append(want, name+"="+model[name])
		}
	}
	if reverse {
		slices.Reverse(want)
	}
	var got []string
	for row, err := range tx.scan(localKey(prefix), after, reverse) {
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, string(row.key[1:])+"="+string(row.bytes))
		for range tx.scan(localKey(prefix), nil, !reverse) { // another one, left half-way
			break
		}
	}
	if !slices.Equal(got, want) {
		t.Fatalf("walk over %q from %q, reverse %v: got %q, want %q", prefix, after, reverse, got, want)
	}
}

// A name that is itself the prefix belongs to the walk, committed or not.
func TestWalkStartsWithThePrefixItself(t *testing.T) {
	v, err := Open(MemoryDir(t), realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	err = v.Update(func(tx *Tx) error {
		if err := tx.SetLocal("a", []byte("1")); err != nil {
			return err
		}
		met := 0
		for _, reverse := range []bool{false, true} {
			for row, err := range tx.scan(localKey("a"), nil, reverse) {
				if err != nil || string(row.bytes) != "1" {
					t.Errorf("got %q, %v", row.bytes, err)
				}
				met++
			}
		}
		if met != 2 {
			t.Errorf("met %d times in 2 walks", met)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// What is written during a walk, ahead of it, is met by it; each row once.
func TestWalkMeetsWhatIsWrittenAheadOfIt(t *testing.T) {
	v, err := Open(MemoryDir(t), realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	set := func(tx *Tx, name string, b []byte) {
		if err := tx.SetLocal(name, b); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Update(func(tx *Tx) error { set(tx, "b", []byte("1")); set(tx, "d", []byte("1")); return nil }); err != nil {
		t.Fatal(err)
	}
	var met []string
	err = v.Update(func(tx *Tx) error {
		for l, err := range tx.LocalPrefix("") {
			if err != nil {
				return err
			}
			met = append(met, l.Name+string(l.Bytes))
			if l.Name == "b" {
				set(tx, "a", []byte("2"))
				set(tx, "b", []byte("2"))
				set(tx, "c", []byte("2"))
				set(tx, "d", nil)
				set(tx, "e", []byte("2"))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(met, " "), "b1 c2 e2"; got != want {
		t.Errorf("met %q, want %q", got, want)
	}
}
