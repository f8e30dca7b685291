package record

import (
	"slices"
	"strconv"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Lane says how urgent a change is on a thin link; 0 goes first.
type Lane uint8

// Lanes is how many there are.
const Lanes = 5

// Change is one atomic write to one record. It is never altered once made.
type Change struct {
	// Replica made it, as its Seq-th change of any record. Seq counts from 1
	// without gaps.
	Replica clock.Replica
	Seq     uint64
	// N numbers the replica's changes of this record: the dot is (Replica, N).
	N    uint64
	Key  Key
	Lane Lane
	Origin
	// Writes in order of their field number, at least one.
	Writes []Write
}

// Write is a change's value for one field.
type Write struct {
	Number uint32
	// Value is the field as protobuf bytes, tag included; empty clears it.
	Value []byte
	// Replaces are the dots of this field that the writer had seen, in order.
	Replaces []clock.Dot
}

// ID names a change in the whole mesh.
type ID struct {
	Replica clock.Replica
	Seq     uint64
}

// ID of the change.
func (c Change) ID() ID { return ID{c.Replica, c.Seq} }

// Dot of the change within its record.
func (c Change) Dot() clock.Dot { return clock.Dot{Replica: c.Replica, N: c.N} }

// Delta is the change as a state that joins into its record.
func (c Change) Delta() Record {
	r := Record{Key: c.Key, Seen: clock.ContextOf(c.Dot()), Fields: make([]Field, len(c.Writes))}
	for i, w := range c.Writes {
		r.Fields[i] = Field{
			Number:   w.Number,
			Versions: []Version{{Dot: c.Dot(), Origin: c.Origin, Value: w.Value}},
			Gone:     slices.Clone(w.Replaces),
		}
	}
	return r
}

// OwnID is how the id of a record begins that a replica makes with its seq-th
// change: unique without chance, and nothing on the wire, because the receiver can
// tell it from the change. What stands behind it tells apart what two copies of
// one replica made.
func OwnID(r clock.Replica, seq uint64) string {
	return r.String() + "-" + strconv.FormatUint(seq, 36)
}
