package record

import (
	"encoding/binary"
	"slices"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// tables are what columns point into.
type tables struct {
	replicas []clock.Replica
	authors  []string // and what ids have behind their OwnID
	aheads   []clock.Ahead
	shapes   []shape
}

// shape is what changes of one kind have in common.
type shape struct {
	kind    uint32
	lane    Lane
	numbers []uint32
}

func shapeOf(c Change) shape {
	s := shape{kind: c.Key.Kind, lane: c.Lane, numbers: make([]uint32, len(c.Writes))}
	for i, w := range c.Writes {
		s.numbers[i] = w.Number
	}
	return s
}

func (s shape) equal(o shape) bool {
	return s.kind == o.kind && s.lane == o.lane && slices.Equal(s.numbers, o.numbers)
}

func place[T comparable](list *[]T, v T) uint64 {
	return placeFunc(list, v, func(o T) bool { return o == v })
}

func placeFunc[T any](list *[]T, v T, equal func(T) bool) uint64 {
	i := slices.IndexFunc(*list, equal)
	if i < 0 {
		i = len(*list)
		*list = append(*list, v)
	}
	return uint64(i)
}

func (w *columns) tables(t tables) {
	w.uvarint(uint64(len(t.replicas)))
	for _, r := range t.replicas {
		w.numbers = binary.BigEndian.AppendUint64(w.numbers, uint64(r))
	}
	w.uvarint(uint64(len(t.authors)))
	for _, a := range t.authors {
		w.uvarint(uint64(len(a)))
		w.texts = append(w.texts, a...)
	}
	w.uvarint(uint64(len(t.aheads)))
	for _, a := range t.aheads {
		w.numbers = appendAhead(w.numbers, a)
	}
	w.uvarint(uint64(len(t.shapes)))
	for _, s := range t.shapes {
		w.uvarint(uint64(s.kind))
		w.numbers = append(w.numbers, byte(s.lane))
		w.fieldNumbers(s.numbers)
	}
}

func (w *columns) fieldNumbers(numbers []uint32) {
	w.uvarint(uint64(len(numbers)))
	for _, n := range numbers {
		w.uvarint(uint64(n))
	}
}

func (r *reader) tables() tables {
	return tables{
		replicas: list(r, clock.MaxReplicas, func() clock.Replica { return clock.Replica(r.numbers.fixed64()) }),
		authors:  list(r, 2*MaxPieceChanges, func() string { return string(r.text(r.numbers.upTo(MaxAuthor))) }),
		aheads:   list(r, MaxPieceChanges, r.numbers.ahead),
		shapes: list(r, MaxPieceChanges, func() shape {
			return shape{kind: uint32(r.numbers.upTo(MaxNumber)), lane: Lane(r.numbers.byte()), numbers: r.fieldNumbers()}
		}),
	}
}

func (r *reader) fieldNumbers() []uint32 {
	return list(r, MaxFields, func() uint32 { return uint32(r.numbers.upTo(MaxNumber)) })
}

// list reads a count of at most limit and so many items. Each item takes at
// least a byte, so that a list is never much longer than what it is read from.
func list[T any](r *reader, limit uint64, item func() T) []T {
	var out []T
	for range r.numbers.upTo(limit) {
		v := item()
		if r.bad() {
			return nil
		}
		out = append(out, v)
	}
	return out
}
