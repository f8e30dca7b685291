package record

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// The columns of numbers that every change has a place in.
const (
	// partShape, partReplica, partAhead and partAuthor are places in a table.
	partShape = iota
	partReplica
	partAhead
	partAuthor
	// partSeq is the distance from the number after the replica's last one.
	partSeq
	// partN counts from 0.
	partN
	// partID is twice the place, in the table of authors, of what the record's id
	// has behind its OwnID; or twice the length of another id, and 1.
	partID
	// partMillis is the distance from the change before.
	partMillis
	partCounter
	parts
)

// field names a column of values: one field of one kind.
type field struct{ kind, number uint32 }

func (f field) compare(o field) int {
	return cmp.Or(cmp.Compare(f.kind, o.kind), cmp.Compare(f.number, o.number))
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }

func zigzag(n int64) uint64   { return uint64(n)<<1 ^ uint64(n>>63) }
func unzigzag(n uint64) int64 { return int64(n>>1) ^ -int64(n&1) }

// changes adds the number of changes; the tables; the columns of numbers and
// the ids; the dots that are replaced; then a column for each field, by kind and
// number.
func (w *columns) changes(changes []Change) {
	var t tables
	var part [parts][]uint64
	put := func(p int, n uint64) { part[p] = append(part[p], n) }
	values := map[field][]cell{}
	last := map[clock.Replica]uint64{}
	prev := clock.Hybrid(0)
	var ids []byte
	for i := range changes {
		c := &changes[i]
		put(partShape, placeFunc(&t.shapes, shapeOf(*c), shapeOf(*c).equal))
		put(partReplica, place(&t.replicas, c.Replica))
		put(partAhead, place(&t.aheads, c.Ahead))
		put(partAuthor, place(&t.authors, c.Author))
		put(partSeq, zigzag(int64(c.Seq-last[c.Replica]-1)))
		put(partN, c.N-1)
		if behind, own := strings.CutPrefix(c.Key.ID, OwnID(c.Replica, c.Seq)); own {
			put(partID, place(&t.authors, behind)<<1)
		} else {
			put(partID, uint64(len(c.Key.ID))<<1|1)
			ids = append(ids, c.Key.ID...)
		}
		put(partMillis, zigzag(c.At.Millis()-prev.Millis()))
		put(partCounter, uint64(c.At.Counter()))
		for _, write := range c.Writes {
			at := field{c.Key.Kind, write.Number}
			values[at] = append(values[at], cell{write.Value, &c.Origin})
		}
		prev, last[c.Replica] = c.At, c.Seq
	}
	replaced := replacedBy(changes, &t)
	w.uvarint(uint64(len(changes)))
	w.tables(t)
	for _, p := range part {
		w.put(p)
	}
	w.texts = append(w.texts, ids...)
	for _, column := range replaced {
		w.put(column)
	}
	for _, at := range slices.SortedFunc(maps.Keys(values), field.compare) {
		w.cells(values[at], 0)
	}
}

// replacedBy has three columns: how many dots each write replaces, the dots'
// replicas and their numbers.
func replacedBy(changes []Change, t *tables) (columns [3][]uint64) {
	for _, c := range changes {
		for _, write := range c.Writes {
			columns[0] = append(columns[0], uint64(len(write.Replaces)))
			for _, d := range write.Replaces {
				columns[1] = append(columns[1], place(&t.replicas, d.Replica))
				columns[2] = append(columns[2], d.N)
			}
		}
	}
	return columns
}

// changes reads what columns.changes wrote. The changes are not validated.
func (r *reader) changes() ([]Change, error) {
	count := int(r.numbers.upTo(MaxPieceChanges))
	t := r.tables()
	changes := r.heads(count, t)
	r.replaced(changes, t)
	writes := map[field][]*Write{}
	of := map[field][]*Origin{}
	for i := range changes {
		c := &changes[i]
		for j := range c.Writes {
			at := field{c.Key.Kind, c.Writes[j].Number}
			writes[at], of[at] = append(writes[at], &c.Writes[j]), append(of[at], &c.Origin)
		}
	}
	for _, at := range slices.SortedFunc(maps.Keys(writes), field.compare) {
		if r.bad() {
			break
		}
		for i, value := range r.cells(of[at], 0) {
			writes[at][i].Value = value
		}
	}
	if r.bad() || len(r.numbers.b)+len(r.texts.b) > 0 {
		return nil, fmt.Errorf("piece: %w", ErrMalformed)
	}
	return changes, nil
}

// heads reads all of the changes but what they wrote.
func (r *reader) heads(count int, t tables) []Change {
	limits := [parts]uint64{
		partSeq: math.MaxUint64, partN: clock.MaxN - 1, partID: uint64(max(MaxID, len(t.authors)))<<1 | 1, partMillis: math.MaxUint64, partCounter: math.MaxUint16,
	}
	var part [parts][]uint64
	for p, items := range []int{partShape: len(t.shapes), partReplica: len(t.replicas), partAhead: len(t.aheads), partAuthor: len(t.authors)} {
		part[p] = r.places(count, items)
	}
	for p := partSeq; p < parts; p++ {
		part[p] = r.column(count, limits[p])
	}
	if r.bad() {
		return nil
	}
	changes := make([]Change, count)
	last := map[clock.Replica]uint64{}
	millis, writes := int64(0), 0
	for i := range changes {
		at := func(p int) uint64 { return part[p][i] }
		s, c := t.shapes[at(partShape)], &changes[i]
		c.Key.Kind, c.Lane = s.kind, s.lane
		c.Replica, c.Ahead, c.Author = t.replicas[at(partReplica)], t.aheads[at(partAhead)], t.authors[at(partAuthor)]
		c.Seq = last[c.Replica] + 1 + uint64(unzigzag(at(partSeq)))
		last[c.Replica] = c.Seq
		c.N = at(partN) + 1
		c.Key.ID = r.id(*c, at(partID), t.authors)
		if millis += unzigzag(at(partMillis)); millis < 0 || millis >= 1<<48 {
			r.fail()
		}
		c.At = clock.HybridAt(millis, uint16(at(partCounter)))
		if writes += len(s.numbers); writes > MaxPieceWrites || r.bad() {
			r.fail()
			return nil
		}
		c.Writes = make([]Write, len(s.numbers))
		for j, number := range s.numbers {
			c.Writes[j].Number = number
		}
	}
	return changes
}

// id reads a record's id.
func (r *reader) id(c Change, part uint64, behind []string) string {
	n := part >> 1
	switch {
	case part&1 == 1:
		return string(r.text(n))
	case n < uint64(len(behind)):
		return OwnID(c.Replica, c.Seq) + behind[n]
	}
	r.fail()
	return ""
}

// replaced reads the dots that each write replaces.
func (r *reader) replaced(changes []Change, t tables) {
	writes, total := 0, uint64(0)
	for _, c := range changes {
		writes += len(c.Writes)
	}
	counts := r.column(writes, MaxVersions)
	for _, n := range counts {
		total += n
	}
	if total > MaxPieceWrites {
		r.fail()
		return
	}
	replicas := r.places(int(total), len(t.replicas))
	numbers := r.column(int(total), math.MaxUint64)
	if r.bad() {
		return
	}
	for _, c := range changes {
		for i := range c.Writes {
			for range counts[0] {
				c.Writes[i].Replaces = append(c.Writes[i].Replaces, clock.Dot{Replica: t.replicas[replicas[0]], N: numbers[0]})
				replicas, numbers = replicas[1:], numbers[1:]
			}
			counts = counts[1:]
		}
	}
}
