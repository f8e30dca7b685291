package view

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// someChanges are of two replicas to several records, one of them with a gap.
func someChanges() []record.Change {
	text := func(number uint32, s string) record.Write {
		b := protowire.AppendTag(nil, protowire.Number(number), protowire.BytesType)
		return record.Write{Number: number, Value: protowire.AppendString(b, s)}
	}
	origin := func(seq uint64) record.Origin {
		return record.Origin{At: clock.HybridAt(1_700_000_000_000+int64(seq), 0), Ahead: clock.UnknownAhead}
	}
	d14, x, person := record.Key{Kind: 2, ID: "d-14"}, record.Key{Kind: 8, ID: "x"}, record.Key{Kind: 3, ID: "p"}
	return []record.Change{
		{Replica: 1, Seq: 1, N: 1, Key: d14, Lane: 2, Origin: origin(1), Writes: []record.Write{text(6, "ravens-quarry")}},
		{Replica: 1, Seq: 2, N: 1, Key: x, Lane: 1, Origin: origin(2), Writes: []record.Write{text(2, "d-14")}},
		{Replica: 1, Seq: 3, N: 2, Key: x, Lane: 0, Origin: origin(3), Writes: []record.Write{text(5, "pin gone")}},
		{Replica: 2, Seq: 1, N: 1, Key: d14, Lane: 2, Origin: origin(4), Writes: []record.Write{text(2, "D 14")}},
		{Replica: 2, Seq: 3, N: 1, Key: x, Lane: 2, Origin: origin(5), Writes: []record.Write{text(15, "c")}},
		{Replica: 2, Seq: 4, N: 1, Key: person, Lane: 2, Origin: origin(6), Writes: []record.Write{text(2, "Kit")}},
	}
}

// rowsOf opens a view with something of each kind of row, and gives all its rows.
func rowsOf(t *testing.T, dir string) (rows []row) {
	t.Helper()
	v, err := Open(dir, realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	err = v.Update(func(tx *Tx) error {
		for _, c := range someChanges() {
			if _, err := tx.Apply(c, Peer); err != nil {
				return err
			}
		}
		return tx.SetLocal("cursor", []byte("7"))
	})
	if err != nil {
		t.Fatal(err)
	}
	err = v.Read(func(tx *Tx) error {
		for r, err := range tx.scan(nil, nil, false) {
			if err != nil {
				return err
			}
			rows = append(rows, r)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// tampered is a view like rowsOf's of which f has written over.
func tampered(t *testing.T, f func(*pending)) (dir string) {
	t.Helper()
	dir = MemoryDir(t)
	rowsOf(t, dir)
	v, err := Open(dir, realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	if err := v.Update(func(tx *Tx) error { f(tx.pending); return nil }); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A row that is silently lost is found, whichever it is. Only the print of the
// lists may be: they are then made anew.
func TestLostRowIsFound(t *testing.T) {
	met := map[byte]bool{}
	for _, lost := range rowsOf(t, MemoryDir(t)) {
		met[lost.key[0]] = true
		t.Run(fmt.Sprintf("%s %x", rowName(lost.key), lost.key), func(t *testing.T) {
			dir := tampered(t, func(p *pending) { p.set(lost.key, nil) })
			err := Examine(dir, realSchema(t), Options{})
			if lost.key[0] == prefixLists {
				if err != nil {
					t.Error(err)
				}
				return
			}
			if !errors.Is(err, ErrDamaged) {
				t.Errorf("got %v, want ErrDamaged", err)
			}
		})
	}
	for prefix, name := range rowNames {
		if !met[prefix] {
			t.Errorf("no %s row was tried", name)
		}
	}
}

// A value that lost its bytes, or has those of another row of its kind, is found.
func TestEmptyOrExchangedValueIsFound(t *testing.T) {
	rows := rowsOf(t, MemoryDir(t))
	for i, r := range rows {
		t.Run(fmt.Sprintf("%s %x", rowName(r.key), r.key), func(t *testing.T) {
			dir := tampered(t, func(p *pending) { p.set(r.key, []byte{}) })
			err := Examine(dir, realSchema(t), Options{})
			var damaged *DamageError
			if !errors.As(err, &damaged) || damaged.Row != rowName(r.key) || damaged.Record != recordOf(r.key) {
				t.Errorf("empty: got %v, want damage of a %s row", err, rowName(r.key))
			}
			if i == 0 || rows[i-1].key[0] != r.key[0] || r.key[0] == prefixList {
				return
			}
			other := seal(rows[i-1].key, rows[i-1].bytes)
			dir = tampered(t, func(p *pending) { p.set(r.key, other) })
			if err := Examine(dir, realSchema(t), Options{}); !errors.Is(err, ErrDamaged) {
				t.Errorf("exchanged: got %v, want ErrDamaged", err)
			}
		})
	}
}

// Rows that are whole and counted, but say what the others do not, are found:
// damage in memory before they were sealed, or a fault of this program.
func TestContradictionIsFound(t *testing.T) {
	changes := someChanges()
	x := record.Key{Kind: 8, ID: "x"}
	sealed := func(p *pending, key, row []byte) { p.set(key, seal(key, row)) }
	alteredChange := changes[2]
	alteredChange.Writes = []record.Write{{Number: 5}}
	partOfRecord, err := recordRow{}.with(changes[1])
	if err != nil {
		t.Fatal(err)
	}
	whole := recordRow{}
	for _, c := range changes {
		if c.Key == x {
			if whole, err = whole.with(c); err != nil {
				t.Fatal(err)
			}
		}
	}
	person := changes[5] // of a kind that is in no list
	late, err := recordRow{}.with(person)
	if err != nil {
		t.Fatal(err)
	}
	late.created++
	chain2 := chainNext(chainStart(2), changes[3].Append(nil))
	for name, f := range map[string]func(*pending){
		"a change that the chain does not have": func(p *pending) {
			sealed(p, changeKey(changes[2].ID()), alteredChange.Append(nil))
		},
		"a record that lacks a change": func(p *pending) { sealed(p, recordKey(x), partOfRecord.bytes()) },
		"a record of another time":     func(p *pending) { sealed(p, recordKey(person.Key), late.bytes()) },
		"a record in another list": func(p *pending) {
			key := listKey{8, 2, listed("d-14"), whole.created, "x"}
			p.set(key.bytes(), nil)
			key.value = listed("d-15")
			sealed(p, key.bytes(), nil)
		},
		"a history that names another change": func(p *pending) {
			key := historyOf(changes[1])
			p.set(key.bytes(), nil)
			key.id.Seq = 9
			sealed(p, key.bytes(), historyRow{lane: 0, from: Peer, size: len(changes[1].Append(nil))}.bytes())
		},
		"a log with another mark": func(p *pending) {
			key := historyOf(changes[1])
			e := entryOf(key, historyRow{from: Peer, size: 9})
			sealed(p, logKey(1, 1), e.bytes())
		},
		"a log that ends elsewhere": func(p *pending) { sealed(p, logEndKey(1), logEnd{2, 5}.bytes()) },
		"a chain that is another": func(p *pending) {
			sealed(p, heldKey(1), held{[]span{{1, 3}}, chainStart(7)}.bytes())
		},
		"a replica that is held and not there": func(p *pending) {
			sealed(p, heldKey(7), held{[]span{{1, 3}}, chainStart(7)}.bytes())
			sealed(p, countKey{prefix: prefixHeld}.bytes(), countRow(3))
		},
		"a replica that is there and not held": func(p *pending) {
			p.set(heldKey(2), nil)
			sealed(p, countKey{prefix: prefixHeld}.bytes(), countRow(1))
		},
		"other changes than are held": func(p *pending) {
			sealed(p, heldKey(2), held{[]span{{1, 1}, {4, 5}}, chain2}.bytes())
		},
		"a row of no kind": func(p *pending) { sealed(p, []byte{0x66, 1}, nil) },
		"a malformed row":  func(p *pending) { sealed(p, logEndKey(1), []byte{1}) },
	} {
		t.Run(name, func(t *testing.T) {
			err := Examine(tampered(t, f), realSchema(t), Options{})
			if !errors.Is(err, ErrDamaged) {
				t.Errorf("got %v, want ErrDamaged", err)
			}
		})
	}
}

// Walks that know their end do not stop before it in silence.
func TestWalkThatEndsEarlySaysSo(t *testing.T) {
	changes := someChanges()
	for _, c := range []struct {
		name string
		lost []byte
		walk func(tx *Tx) error
	}{
		{"List", recordKey(record.Key{Kind: 8, ID: "x"}), func(tx *Tx) error { return drain(tx.List(8, "")) }},
		{"Digest", recordKey(record.Key{Kind: 8, ID: "x"}), func(tx *Tx) error { _, err := tx.Digest(nil); return err }},
		{"Log, the last entry", logKey(0, 2), func(tx *Tx) error { return drain(tx.Log(0, 0)) }},
		{"Log, one in the middle", logKey(0, 1), func(tx *Tx) error { return drain(tx.Log(0, 0)) }},
		{"LogMark", logKey(0, 1), func(tx *Tx) error { _, _, err := tx.LogMark(0, 1); return err }},
		{"ChangesFrom, the last", changeKey(changes[2].ID()), func(tx *Tx) error { return drain(tx.ChangesFrom(1, 2)) }},
		{"ChangesFrom, the first", changeKey(changes[1].ID()), func(tx *Tx) error { return drain(tx.ChangesFrom(1, 2)) }},
		{"ChangesOf", changeKey(changes[1].ID()), func(tx *Tx) error { return drain(tx.ChangesOf(changes[1].Key)) }},
		{"ListBy", recordKey(record.Key{Kind: 8, ID: "x"}), func(tx *Tx) error { return drain(tx.ListBy(8, 2, "d-14", false)) }},
		{"Have", heldKey(2), func(tx *Tx) error { _, err := tx.Have(); return err }},
		{"Apply again", changeKey(changes[1].ID()), func(tx *Tx) error { _, err := tx.Apply(changes[1], Peer); return err }},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := tampered(t, func(p *pending) { p.set(c.lost, nil) })
			v, err := Open(dir, realSchema(t), Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer v.Close()
			if err := v.Update(c.walk); !errors.Is(err, ErrDamaged) {
				t.Errorf("got %v, want ErrDamaged", err)
			}
		})
	}
}

func drain[T any](seq func(func(T, error) bool)) error {
	for _, err := range seq {
		if err != nil {
			return err
		}
	}
	return nil
}

// A record whose stored form, or whose place in the lists, is damaged is put right
// from its changes.
func TestRejoinRepairsARecord(t *testing.T) {
	x := record.Key{Kind: 8, ID: "x"}
	stray := listKey{8, 2, listed("d-99"), 5, "x"}.bytes()
	for name, f := range map[string]func(*pending){
		"its row is empty":        func(p *pending) { p.set(recordKey(x), []byte{}) },
		"its row is not a record": func(p *pending) { p.set(recordKey(x), seal(recordKey(x), []byte("no"))) },
		"it is in a second list": func(p *pending) {
			p.set(stray, seal(stray, nil))
			count := countKey{prefixList, 8}.bytes()
			p.set(count, seal(count, countRow(2)))
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := tampered(t, f)
			v, err := Open(dir, realSchema(t), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := v.Update(func(tx *Tx) error { return tx.Rejoin(x) }); err != nil {
				t.Error(err)
			}
			if err := v.Close(); err != nil {
				t.Fatal(err)
			}
			if err := Examine(dir, realSchema(t), Options{}); err != nil {
				t.Error(err)
			}
		})
	}
}

// A view of a newer format is refused with a sentence that says what to do, by
// whoever opens or examines it.
func TestNewerFormatIsRefused(t *testing.T) {
	dir := tampered(t, func(p *pending) {
		p.set(formatKey, seal(formatKey, formatRow{format + 1, 9}.bytes()))
	})
	_, err := Open(dir, realSchema(t), Options{})
	if !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), "start the newer program") {
		t.Errorf("open: got %v", err)
	}
	if err := Examine(dir, realSchema(t), Options{}); !errors.Is(err, ErrNewer) || errors.Is(err, ErrDamaged) {
		t.Errorf("examine: got %v", err)
	}
}

// A store with rows but no format row is not taken for a new view.
func TestViewWithoutFormatIsDamaged(t *testing.T) {
	dir := tampered(t, func(p *pending) { p.set(formatKey, nil) })
	if _, err := Open(dir, realSchema(t), Options{}); !errors.Is(err, ErrDamaged) {
		t.Errorf("got %v, want ErrDamaged", err)
	}
}

// When the schema lists by other fields, the lists are made anew at the next
// start, also if they were being made when the power went.
func TestListsAreMadeAnewForAnotherSchema(t *testing.T) {
	for name, f := range map[string]func(*pending){
		"made for another schema": func(p *pending) {
			p.set(listsKey, seal(listsKey, make([]byte, 32)))
			p.set(listKey{8, 2, listed("d-14"), someChanges()[1].At, "x"}.bytes(), nil)
			count := countKey{prefixList, 8}.bytes()
			p.set(count, seal(count, countRow(0)))
		},
		"half made": func(p *pending) {
			p.set(listsKey, nil)
			old := listKey{2, 99, listed("old"), 1, "d-14"}.bytes()
			p.set(old, seal(old, nil))
			count := countKey{prefixList, 2}.bytes()
			p.set(count, seal(count, countRow(2)))
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := tampered(t, f)
			if err := Examine(dir, realSchema(t), Options{}); err != nil {
				t.Fatalf("before: %v", err)
			}
			v, err := Open(dir, realSchema(t), Options{})
			if err != nil {
				t.Fatal(err)
			}
			err = v.Read(func(tx *Tx) error {
				for r, err := range tx.ListBy(8, 2, "d-14", false) {
					if err == nil && r.Key.ID == "x" {
						return nil
					}
				}
				return errors.New("the defect is not listed")
			})
			if err := errors.Join(err, v.Close(), Examine(dir, realSchema(t), Options{})); err != nil {
				t.Error(err)
			}
		})
	}
}

// After a failed commit nothing is written any more: it is not known what is on
// disk.
func TestFailedCommitBreaksTheView(t *testing.T) {
	v, err := Open(MemoryDir(t), realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = v.Update(func(tx *Tx) error {
		if err := v.Close(); err != nil { // what a failed disk looks like from here
			t.Fatal(err)
		}
		tx.pending.set(localKey("x"), seal(localKey("x"), nil))
		return nil
	})
	if !errors.Is(err, ErrBroken) {
		t.Errorf("got %v, want ErrBroken", err)
	}
	called := false
	err = v.Update(func(tx *Tx) error { called = true; return nil })
	if !errors.Is(err, ErrBroken) || called {
		t.Errorf("the next: got %v, called %v", err, called)
	}
}

// A transaction that failed half-way cannot be committed by ignoring the error.
func TestFailureCannotBeIgnored(t *testing.T) {
	dir := tampered(t, func(p *pending) {
		key := historyOf(someChanges()[1]).bytes()
		p.set(key, []byte{}) // met when an urgent change takes it along
		row := recordKey(record.Key{Kind: 8, ID: "x"})
		whole := recordRow{}
		for _, c := range someChanges() {
			if c.Key.ID == "x" {
				whole, _ = whole.with(c)
			}
		}
		p.set(row, seal(row, whole.bytes()))
	})
	v, err := Open(dir, realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	urgent := someChanges()[2]
	urgent.Seq, urgent.N = 4, 3
	var failure error
	err = v.Update(func(tx *Tx) error {
		_, failure = tx.Apply(urgent, Own)
		return nil
	})
	if !errors.Is(failure, ErrDamaged) || !errors.Is(err, ErrDamaged) {
		t.Errorf("apply: %v, update: %v, want ErrDamaged of both", failure, err)
	}
}

// Counts do not wrap around.
func TestCountBelowNothingIsDamage(t *testing.T) {
	dir := tampered(t, func(p *pending) {
		key := countKey{prefix: prefixLocal}.bytes()
		p.set(key, seal(key, countRow(0)))
	})
	v, err := Open(dir, realSchema(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	if err := v.Update(func(tx *Tx) error { return tx.SetLocal("cursor", nil) }); !errors.Is(err, ErrDamaged) {
		t.Errorf("got %v, want ErrDamaged", err)
	}
}

// A store that does not open where nothing can be written says nothing of damage:
// the disk may be full, or not ours.
func TestFullDiskIsNotTakenForDamage(t *testing.T) {
	cause := errors.New("the store did not open")
	dir := MemoryDir(t)
	if err := openError(dir, cause); !errors.Is(err, ErrDamaged) {
		t.Errorf("with room: got %v, want ErrDamaged", err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("%v is left", left)
	}
	if err := openError(filepath.Join(dir, "gone"), cause); err == nil || errors.Is(err, ErrDamaged) {
		t.Errorf("without: got %v, want an error that is not damage", err)
	}
}
