package clock

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
)

// Dot names one event: the n-th of a replica. n counts from 1 without gaps.
type Dot struct {
	Replica Replica
	N       uint64
}

// Compare orders dots by replica, then by number.
func (d Dot) Compare(o Dot) int {
	switch {
	case d.Replica < o.Replica, d.Replica == o.Replica && d.N < o.N:
		return -1
	case d == o:
		return 0
	}
	return 1
}

func (d Dot) String() string { return fmt.Sprintf("%s:%d", d.Replica, d.N) }

// Context is a set of dots: a compact version vector with a cloud. The zero
// value is the empty set.
type Context struct {
	entries []entry // by replica, none empty
}

// entry holds the dots 1 to base of one replica, and loose ones above base+1.
type entry struct {
	replica Replica
	base    uint64
	loose   []uint64 // ascending, each > base+1
}

// ContextOf is the set of the given dots.
func ContextOf(dots ...Dot) Context {
	var c Context
	for _, d := range dots {
		c = c.With(d)
	}
	return c
}

// Upto is the set of the dots 1 to n of a replica.
func Upto(r Replica, n uint64) Context {
	if n == 0 {
		return Context{}
	}
	return Context{entries: []entry{{replica: r, base: n}}}
}

func (c Context) find(r Replica) (int, bool) {
	return slices.BinarySearchFunc(c.entries, r, func(e entry, r Replica) int {
		switch {
		case e.replica < r:
			return -1
		case e.replica > r:
			return 1
		}
		return 0
	})
}

// Has says whether d is in the set.
func (c Context) Has(d Dot) bool {
	i, ok := c.find(d.Replica)
	if !ok || d.N == 0 {
		return false
	}
	e := c.entries[i]
	if d.N <= e.base {
		return true
	}
	_, ok = slices.BinarySearch(e.loose, d.N)
	return ok
}

// Empty says whether the set has no dot.
func (c Context) Empty() bool { return len(c.entries) == 0 }

// Base is the greatest n of which all dots 1 to n of the replica are in the
// set.
func (c Context) Base(r Replica) uint64 {
	if i, ok := c.find(r); ok {
		return c.entries[i].base
	}
	return 0
}

// Last is the greatest n of the replica in the set, 0 if there is none.
func (c Context) Last(r Replica) uint64 {
	i, ok := c.find(r)
	if !ok {
		return 0
	}
	if e := c.entries[i]; len(e.loose) > 0 {
		return e.loose[len(e.loose)-1]
	}
	return c.entries[i].base
}

// Next is the dot of the replica's next event, if this is all that it did.
func (c Context) Next(r Replica) Dot { return Dot{r, c.Last(r) + 1} }

// Replicas lists the replicas that have dots in the set, in order.
func (c Context) Replicas() []Replica {
	out := make([]Replica, len(c.entries))
	for i, e := range c.entries {
		out[i] = e.replica
	}
	return out
}

// Missing lists the ranges of the replica's dots from 1 to n that are not in
// the set, first and last of each.
func (c Context) Missing(r Replica, n uint64) [][2]uint64 {
	var out [][2]uint64
	next := c.Base(r) + 1
	if i, ok := c.find(r); ok {
		for _, l := range c.entries[i].loose {
			if l > n {
				break
			}
			if l > next {
				out = append(out, [2]uint64{next, l - 1})
			}
			next = l + 1
		}
	}
	if next <= n {
		out = append(out, [2]uint64{next, n})
	}
	return out
}

// With is the set with d added. A dot of number 0 adds nothing.
func (c Context) With(d Dot) Context {
	if d.N == 0 || c.Has(d) {
		return c
	}
	return c.Join(Context{entries: []entry{singleton(d)}})
}

func singleton(d Dot) entry {
	if d.N == 1 {
		return entry{replica: d.Replica, base: 1}
	}
	return entry{replica: d.Replica, loose: []uint64{d.N}}
}

// Join is the union of two sets.
func (c Context) Join(o Context) Context {
	if o.Empty() {
		return c
	}
	if c.Empty() {
		return o
	}
	out := make([]entry, 0, len(c.entries)+len(o.entries))
	a, b := c.entries, o.entries
	for len(a) > 0 && len(b) > 0 {
		switch {
		case a[0].replica < b[0].replica:
			out, a = append(out, a[0]), a[1:]
		case a[0].replica > b[0].replica:
			out, b = append(out, b[0]), b[1:]
		default:
			out, a, b = append(out, joinEntries(a[0], b[0])), a[1:], b[1:]
		}
	}
	out = append(out, a...)
	out = append(out, b...)
	return Context{entries: out}
}

// joinEntries unites two entries of one replica: loose dots that have become
// contiguous move into the base.
func joinEntries(a, b entry) entry {
	out := entry{replica: a.replica, base: max(a.base, b.base)}
	loose := slices.Concat(a.loose, b.loose)
	slices.Sort(loose)
	for _, n := range slices.Compact(loose) {
		switch {
		case n <= out.base:
		case n == out.base+1 && len(out.loose) == 0:
			out.base = n
		default:
			out.loose = append(out.loose, n)
		}
	}
	return out
}

// Except is the set without the dots of the replicas that drop says.
func (c Context) Except(drop func(Replica) bool) Context {
	kept := slices.DeleteFunc(slices.Clone(c.entries), func(e entry) bool { return drop(e.replica) })
	return Context{entries: kept}
}

// Covers says whether every dot of o is in the set.
func (c Context) Covers(o Context) bool { return c.Join(o).Equal(c) }

// Equal says whether both sets have the same dots.
func (c Context) Equal(o Context) bool {
	return slices.EqualFunc(c.entries, o.entries, func(a, b entry) bool {
		return a.replica == b.replica && a.base == b.base && slices.Equal(a.loose, b.loose)
	})
}

// Without lists the dots of c that are not in o. It is meant for sets that
// differ little: the answer names each dot, and stops after MaxLoose of them.
func (c Context) Without(o Context) []Dot {
	var out []Dot
	for _, e := range c.entries {
		for _, r := range o.Missing(e.replica, e.base) {
			for n := r[0]; n <= r[1] && len(out) < MaxLoose; n++ {
				out = append(out, Dot{e.replica, n})
			}
		}
		for _, n := range e.loose {
			if d := (Dot{e.replica, n}); !o.Has(d) && len(out) < MaxLoose {
				out = append(out, d)
			}
		}
	}
	return out
}

// MaxN is the greatest number of a dot. No replica writes so often; it keeps
// sums of numbers from overflowing.
const MaxN = 1 << 62

// MaxReplicas and MaxLoose bound what a decoder takes: far more cabins than a
// firm has, and more holes than any order of arrival leaves.
const (
	MaxReplicas = 1 << 14
	MaxLoose    = 1 << 16
)

var errContext = errors.New("malformed context")

// Append adds the set's one binary form to b: the number of replicas, then for
// each its id (8 bytes), its base, the number of loose dots and their distances.
// Numbers are unsigned varints.
func (c Context) Append(b []byte) []byte {
	b = binary.AppendUvarint(b, uint64(len(c.entries)))
	for _, e := range c.entries {
		b = binary.BigEndian.AppendUint64(b, uint64(e.replica))
		b = binary.AppendUvarint(b, e.base)
		b = binary.AppendUvarint(b, uint64(len(e.loose)))
		prev := e.base + 1
		for _, n := range e.loose {
			b = binary.AppendUvarint(b, n-prev)
			prev = n
		}
	}
	return b
}

// DecodeContext reads a set from the front of b and gives the rest. Only the
// form that Append writes is taken.
func DecodeContext(b []byte) (c Context, rest []byte, err error) {
	count, b, ok := uvarint(b)
	if !ok || count > MaxReplicas || count*10 > uint64(len(b)) {
		return Context{}, nil, errContext
	}
	for range count {
		var e entry
		if e, b, ok = decodeEntry(b); !ok {
			return Context{}, nil, errContext
		}
		if k := len(c.entries); k > 0 && c.entries[k-1].replica >= e.replica {
			return Context{}, nil, errContext
		}
		c.entries = append(c.entries, e)
	}
	return c, b, nil
}

func decodeEntry(b []byte) (e entry, rest []byte, ok bool) {
	if len(b) < 8 {
		return e, nil, false
	}
	e.replica, b = Replica(binary.BigEndian.Uint64(b)), b[8:]
	if e.base, b, ok = uvarint(b); !ok {
		return e, nil, false
	}
	count, b, ok := uvarint(b)
	if !ok || count > MaxLoose || count > uint64(len(b)) || e.replica == 0 || e.base >= MaxN || e.base+count == 0 {
		return e, nil, false
	}
	prev := e.base + 1
	for range count {
		var step uint64
		if step, b, ok = uvarint(b); !ok || step == 0 || step > MaxN-prev {
			return e, nil, false
		}
		prev += step
		e.loose = append(e.loose, prev)
	}
	return e, b, true
}

// uvarint reads an unsigned varint in its shortest form.
func uvarint(b []byte) (n uint64, rest []byte, ok bool) {
	n, k := binary.Uvarint(b)
	if k <= 0 || (k > 1 && b[k-1] == 0) {
		return 0, nil, false
	}
	return n, b[k:], true
}
