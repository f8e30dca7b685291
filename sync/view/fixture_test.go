package view_test

import (
	"fmt"
	"iter"
	"math"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// Kinds and fields of the real records that the tests write.
const (
	machineKind, machineSite                             = 2, 6
	checkKind, checkMachine, checkSite, checkSheet       = 6, 2, 3, 4
	checkPerson, checkStarted, checkFinished, checkMeter = 5, 6, 7, 8
	checkPointsOK                                        = 10
	amendmentKind, amendmentMachine, amendmentSite       = 7, 10, 3
	defectKind, defectMachine, defectText                = 8, 2, 5
	unknownKind                                          = 4711
)

// realSchema is that of the real records, which the tests write.
func realSchema() *record.Schema {
	s, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		panic(err)
	}
	return s
}

func open(t testing.TB, dir string, o view.Options) *view.View {
	t.Helper()
	v, err := view.Open(dir, realSchema(), o)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// fresh opens a view in a directory of its own, for the length of the test.
func fresh(t testing.TB) *view.View {
	t.Helper()
	v := open(t, view.MemoryDir(t), view.Options{})
	t.Cleanup(func() { closed(t, v) })
	return v
}

func closed(t testing.TB, v *view.View) {
	t.Helper()
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
}

// failer is what testing and rapid have in common.
type failer interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

func update(t failer, v *view.View, f func(*view.Tx) error) {
	t.Helper()
	if err := v.Update(f); err != nil {
		t.Fatal(err)
	}
}

// apply applies changes in one transaction and expects each to be new.
func apply(t failer, v *view.View, changes ...record.Change) {
	t.Helper()
	update(t, v, func(tx *view.Tx) error {
		for _, c := range changes {
			outcome, err := tx.Apply(c, view.Peer)
			if err != nil {
				return err
			}
			if outcome != view.Applied {
				return fmt.Errorf("change %v was %v", c.ID(), outcome)
			}
		}
		return nil
	})
}

// read gives what f reads in a transaction.
func read[T any](t failer, v *view.View, f func(*view.Tx) (T, error)) (out T) {
	t.Helper()
	err := v.Read(func(tx *view.Tx) (err error) {
		out, err = f(tx)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func all[T any](seq iter.Seq2[T, error]) ([]T, error) {
	var out []T
	for x, err := range seq {
		if err != nil {
			return out, err
		}
		out = append(out, x)
	}
	return out, nil
}

func digest(t failer, v *view.View, sites ...string) [32]byte {
	t.Helper()
	return read(t, v, func(tx *view.Tx) ([32]byte, error) { return tx.Digest(sites) })
}

// replica makes changes as one that writes does.
type replica struct {
	id  clock.Replica
	seq uint64
	at  clock.Hybrid
	n   map[record.Key]uint64
}

func newReplica(id clock.Replica) *replica {
	return &replica{id: id, n: map[record.Key]uint64{}, at: clock.HybridAt(1_700_000_000_000, 0)}
}

// write makes the replica's next change.
func (r *replica) write(key record.Key, lane record.Lane, writes ...record.Write) record.Change {
	r.seq++
	r.n[key]++
	r.at = r.at.Next(r.at.Millis() + 1000)
	return record.Change{
		Replica: r.id, Seq: r.seq, N: r.n[key], Key: key, Lane: lane,
		Origin: record.Origin{At: r.at, Ahead: clock.UnknownAhead, Author: "kit.arden"},
		Writes: writes,
	}
}

func text(number uint32, s string, replaces ...clock.Dot) record.Write {
	b := protowire.AppendTag(nil, protowire.Number(number), protowire.BytesType)
	return record.Write{Number: number, Value: protowire.AppendString(b, s), Replaces: replaces}
}

func varint(number uint32, n uint64) record.Write {
	b := protowire.AppendTag(nil, protowire.Number(number), protowire.VarintType)
	return record.Write{Number: number, Value: protowire.AppendVarint(b, n)}
}

func moment(number uint32, seconds int64) record.Write {
	message := protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.VarintType), uint64(seconds))
	b := protowire.AppendTag(nil, protowire.Number(number), protowire.BytesType)
	return record.Write{Number: number, Value: protowire.AppendBytes(b, message)}
}

func hours(number uint32, h float64) record.Write {
	b := protowire.AppendTag(nil, protowire.Number(number), protowire.Fixed64Type)
	return record.Write{Number: number, Value: protowire.AppendFixed64(b, math.Float64bits(h))}
}

// fieldText reads a text field's value.
func fieldText(value []byte) string {
	if len(value) == 0 {
		return ""
	}
	_, _, n := protowire.ConsumeTag(value)
	b, _ := protowire.ConsumeBytes(value[n:])
	return string(b)
}

func machine(id string) record.Key { return record.Key{Kind: machineKind, ID: id} }
func defect(id string) record.Key  { return record.Key{Kind: defectKind, ID: id} }

// check makes a clean check: all points in order.
func (r *replica) check(machine, site string) record.Change {
	key := record.Key{Kind: checkKind, ID: record.OwnID(r.id, r.seq+1)}
	done := r.at.Millis() / 1000
	return r.write(key, 2,
		text(checkMachine, machine), text(checkSite, site), text(checkSheet, "wheeled-site-dumper.pre-use.1"),
		text(checkPerson, "kit.arden"), moment(checkStarted, done-400), moment(checkFinished, done-5),
		hours(checkMeter, 1234.5+float64(r.seq)/10), varint(checkPointsOK, 46))
}

// fill applies many checks, in batches as an owner would.
func fill(t testing.TB, v *view.View, r *replica, checks int) {
	t.Helper()
	for done := 0; done < checks; {
		batch := min(500, checks-done)
		changes := make([]record.Change, batch)
		for i := range changes {
			changes[i] = r.check(fmt.Sprintf("d-%d", (done+i)%40), "ravens-quarry")
		}
		apply(t, v, changes...)
		done += batch
	}
}
