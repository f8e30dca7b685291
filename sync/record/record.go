package record

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Key names a record: its kind's number and its id within the kind.
type Key struct {
	Kind uint32
	ID   string
}

// Compare orders keys by kind, then by id.
func (k Key) Compare(o Key) int {
	if k.Kind != o.Kind {
		if k.Kind < o.Kind {
			return -1
		}
		return 1
	}
	return strings.Compare(k.ID, o.ID)
}

func (k Key) String() string { return fmt.Sprintf("%d/%s", k.Kind, k.ID) }

// Origin says who made a change and when.
type Origin struct {
	// At is the writer's hybrid time.
	At clock.Hybrid
	// Ahead is how far the writer's clock was known to run ahead of the hub's.
	Ahead clock.Ahead
	// Author is the person's id; empty for the program itself.
	Author string
}

// Version is one value of one field.
type Version struct {
	Dot clock.Dot
	Origin
	// Value is the field as protobuf bytes, tag included; empty means cleared.
	Value []byte
}

// later orders versions for a person: by the hub's idea of their time, then by
// hybrid time, then by dot. It is the same on every replica.
func (v Version) later(o Version) bool {
	if a, b := v.Ahead.Corrected(v.At), o.Ahead.Corrected(o.At); a != b {
		return a > b
	}
	if v.At != o.At {
		return v.At > o.At
	}
	return v.Dot.Compare(o.Dot) > 0
}

// Field is one field of a record.
type Field struct {
	// Number is the field's number in the record's message.
	Number uint32
	// Versions are those that nothing here replaced, by dot.
	Versions []Version
	// Gone are dots that something here replaced in this field before they
	// were Seen, in order.
	Gone []clock.Dot
}

// Record is the joined state of one key, or a part of it. It is a value:
// methods give a fresh one, and share bytes that nobody changes.
type Record struct {
	Key Key
	// Seen are the changes whose effect is here in full.
	Seen clock.Context
	// Fields in order of their number; none without versions and Gone dots.
	Fields []Field
}

// Field is the field of that number; empty if the record has none.
func (r Record) Field(number uint32) Field {
	i, ok := slices.BinarySearchFunc(r.Fields, number, func(f Field, n uint32) int { return int(f.Number) - int(n) })
	if !ok {
		return Field{Number: number}
	}
	return r.Fields[i]
}

// knows says whether the field's own context holds d.
func (f Field) knows(seen clock.Context, d clock.Dot) bool {
	return seen.Has(d) || slices.Contains(f.Gone, d)
}

func (f Field) version(d clock.Dot) (Version, bool) {
	i, ok := slices.BinarySearchFunc(f.Versions, d, func(v Version, d clock.Dot) int { return v.Dot.Compare(d) })
	if !ok {
		return Version{}, false
	}
	return f.Versions[i], true
}

// Join merges two states of one key. It is commutative, associative and
// idempotent.
func Join(a, b Record) Record {
	out := Record{Key: a.Key, Seen: a.Seen.Join(b.Seen)}
	i, j := 0, 0
	for i < len(a.Fields) || j < len(b.Fields) {
		var fa, fb Field
		switch {
		case j == len(b.Fields) || i < len(a.Fields) && a.Fields[i].Number < b.Fields[j].Number:
			fa, fb = a.Fields[i], Field{Number: a.Fields[i].Number}
			i++
		case i == len(a.Fields) || b.Fields[j].Number < a.Fields[i].Number:
			fa, fb = Field{Number: b.Fields[j].Number}, b.Fields[j]
			j++
		default:
			fa, fb = a.Fields[i], b.Fields[j]
			i, j = i+1, j+1
		}
		if f := joinField(fa, a.Seen, fb, b.Seen, out.Seen); len(f.Versions)+len(f.Gone) > 0 {
			out.Fields = append(out.Fields, f)
		}
	}
	return out
}

// joinField keeps what both sides hold, and what one side holds that the other
// has not heard of.
func joinField(a Field, aSeen clock.Context, b Field, bSeen clock.Context, seen clock.Context) Field {
	out := Field{Number: a.Number}
	for _, v := range a.Versions {
		if _, both := b.version(v.Dot); both || !b.knows(bSeen, v.Dot) {
			out.Versions = append(out.Versions, v)
		}
	}
	for _, v := range b.Versions {
		if _, both := a.version(v.Dot); !both && !a.knows(aSeen, v.Dot) {
			out.Versions = append(out.Versions, v)
		}
	}
	slices.SortFunc(out.Versions, func(x, y Version) int { return x.Dot.Compare(y.Dot) })
	for _, d := range slices.Concat(a.Gone, b.Gone) {
		if !seen.Has(d) {
			out.Gone = append(out.Gone, d)
		}
	}
	slices.SortFunc(out.Gone, clock.Dot.Compare)
	out.Gone = slices.Compact(out.Gone)
	return out
}

// Value is what one write sets a field to.
type Value struct {
	Number uint32
	// Bytes is the field as protobuf bytes, tag included; empty clears it.
	Bytes []byte
}

// Edit makes the writes of a change to this record by somebody who had seen
// the given dots of it: each field replaces its versions that were seen, and
// whatever was seen elsewhere and is not here yet. A version that the writer
// had not seen stands beside the new one. Values must not repeat a number; the
// writes come in order of number.
func (r Record) Edit(seen clock.Context, values []Value) []Write {
	unheard := seen.Without(r.Seen)
	unheard = unheard[:min(len(unheard), MaxVersions+1)] // with more the change is not valid anyway
	writes := make([]Write, 0, len(values))
	for _, v := range values {
		w := Write{Number: v.Number, Value: v.Bytes, Replaces: slices.Clone(unheard)}
		for _, old := range r.Field(v.Number).Versions {
			if seen.Has(old.Dot) {
				w.Replaces = append(w.Replaces, old.Dot)
			}
		}
		slices.SortFunc(w.Replaces, clock.Dot.Compare)
		writes = append(writes, w)
	}
	slices.SortFunc(writes, func(a, b Write) int { return int(a.Number) - int(b.Number) })
	return writes
}

// Equal says whether two states are the same, to the byte.
func (r Record) Equal(o Record) bool { return bytes.Equal(r.Append(nil), o.Append(nil)) }
