package record

import (
	"encoding/binary"
	"math/bits"
)

// columns is the body of a piece while it is written.
type columns struct {
	// numbers holds all that is not text: tables, forms, planes of numbers.
	numbers []byte
	// texts holds strings, and whatever has no better form.
	texts []byte
	// cuts are the places in numbers at which a long plane starts or ends, in
	// order.
	cuts []int
}

// longPlane is the length, in bytes, from which a plane is compressed better
// with a table of code lengths of its own than with that of its neighbours. It
// was found by measuring.
const longPlane = 256

// put adds a column of numbers: how many bytes the greatest of them needs, then
// a plane of their lowest bytes, a plane of the next ones, and so on. Bytes of
// one weight resemble each other.
func (w *columns) put(numbers []uint64) {
	all := uint64(0)
	for _, n := range numbers {
		all |= n
	}
	width := (bits.Len64(all) + 7) / 8
	w.numbers = append(w.numbers, byte(width))
	for shift := 0; shift < 8*width; shift += 8 {
		start := len(w.numbers)
		for _, n := range numbers {
			w.numbers = append(w.numbers, byte(n>>shift))
		}
		if len(numbers) >= longPlane {
			w.cuts = append(w.cuts, start, len(w.numbers))
		}
	}
}

// add puts another body behind this one.
func (w *columns) add(o columns) {
	for _, at := range o.cuts {
		w.cuts = append(w.cuts, len(w.numbers)+at)
	}
	w.numbers = append(w.numbers, o.numbers...)
	w.texts = append(w.texts, o.texts...)
}

func (w *columns) size() int { return len(w.numbers) + len(w.texts) }

func (w *columns) uvarint(n uint64) { w.numbers = binary.AppendUvarint(w.numbers, n) }

// reader reads a body from the front.
type reader struct {
	numbers, texts decoder
	// room is how many more bytes of values may be made. It bounds what a short
	// body can grow into.
	room int
}

func (r *reader) bad() bool { return r.numbers.bad || r.texts.bad }

func (r *reader) fail() { r.numbers.bad = true }

// column reads a column of numbers of which none is greater than limit.
func (r *reader) column(count int, limit uint64) []uint64 {
	width := int(r.numbers.upTo(8))
	planes := r.numbers.take(width * count)
	if r.bad() {
		return nil
	}
	out := make([]uint64, count)
	for i := range out {
		for plane := range width {
			out[i] |= uint64(planes[plane*count+i]) << (8 * plane)
		}
		if out[i] > limit {
			r.fail()
			return nil
		}
	}
	return out
}

// places reads a column of places in a list of so many items.
func (r *reader) places(count, items int) []uint64 {
	if items == 0 && count > 0 {
		r.fail()
		return nil
	}
	return r.column(count, uint64(max(items, 1)-1))
}

// text reads a string of n bytes.
func (r *reader) text(n uint64) []byte { return r.texts.take(int(n)) }
