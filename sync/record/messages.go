package record

import (
	"slices"

	"google.golang.org/protobuf/encoding/protowire"
)

// Limits on what one column of messages is split into. A column beyond them
// keeps another form.
const (
	// maxDepth is how many messages deep.
	maxDepth = 4
	// maxInside is how many messages, and how many values of their fields.
	maxInside = 1 << 17
	// maxShapes is how many distinct lists of fields.
	maxShapes = 1 << 8
)

// inside is what a column of messages holds.
type inside struct {
	// shapes are the distinct lists of the numbers of a message's fields.
	shapes [][]uint32
	// which shape each message has.
	which []uint64
	// fields has a column for each field. A value is a run of one field, as it
	// is in a record.
	fields map[uint32][]cell
	// values counts those of all fields.
	values int
}

// messages splits each value into messages, and each message into its fields.
func (w *columns) messages(cells []cell, depth int) bool {
	tag, ok := commonTag(cells, protowire.BytesType)
	if !ok || depth == maxDepth {
		return false
	}
	in := inside{fields: map[uint32][]cell{}}
	lengths := make([]uint64, len(cells))
	for i, c := range cells {
		for b := c.value; len(b) > 0; lengths[i]++ {
			var content []byte
			if content, b, ok = cutContent(b, tag); !ok || !in.add(content, c.of) {
				return false
			}
		}
	}
	w.uvarint(tag)
	w.put(lengths)
	w.uvarint(uint64(len(in.shapes)))
	for _, s := range in.shapes {
		w.fieldNumbers(s)
	}
	w.put(in.which)
	for _, number := range sortedKeys(in.fields) {
		w.cells(in.fields[number], depth+1)
	}
	return true
}

// add takes one message apart; false if it is none, or too much.
func (in *inside) add(message []byte, of *Origin) bool {
	var shape []uint32
	for len(message) > 0 {
		number, n := run(message)
		if n == 0 {
			return false
		}
		shape = append(shape, number)
		in.fields[number] = append(in.fields[number], cell{message[:n], of})
		message = message[n:]
	}
	at := placeFunc(&in.shapes, shape, func(o []uint32) bool { return slices.Equal(o, shape) })
	in.which = append(in.which, at)
	in.values += len(shape)
	return at < maxShapes && len(shape) <= MaxFields && len(in.which) <= maxInside && in.values <= maxInside
}

// run is the length in bytes of the run of one field at the front of a message;
// 0 if there is none.
func run(message []byte) (number uint32, length int) {
	for length < len(message) {
		n, _, size := protowire.ConsumeField(message[length:])
		if size < 0 || length > 0 && uint32(n) != number {
			break
		}
		number, length = uint32(n), length+size
	}
	return number, length
}

// messages reads the columns and puts the values together again.
func (r *reader) messages(of []*Origin, depth int) [][]byte {
	tag := r.numbers.tag()
	lengths := r.column(len(of), maxInside)
	writers := r.repeat(of, lengths)
	shapes := list(r, maxShapes, r.fieldNumbers)
	which := r.places(len(writers), len(shapes))
	owners := map[uint32][]*Origin{}
	for i, values := 0, 0; i < len(which) && !r.bad(); i++ {
		shape := shapes[which[i]]
		if values += len(shape); values > maxInside {
			r.fail()
		}
		for _, number := range shape {
			owners[number] = append(owners[number], writers[i])
		}
	}
	fields := map[uint32][][]byte{}
	for _, number := range sortedKeys(owners) {
		if !r.bad() {
			fields[number] = r.cells(owners[number], depth+1)
		}
	}
	next := 0
	return r.each(len(of), func(i int) (value []byte) {
		for range lengths[i] {
			var message []byte
			for _, number := range shapes[which[next]] {
				message = append(message, fields[number][0]...)
				fields[number] = fields[number][1:]
			}
			value = append(value, lengthDelimited(tag, message)...)
			next++
		}
		return value
	})
}

// repeat names each writer as often as it has messages.
func (r *reader) repeat(of []*Origin, lengths []uint64) []*Origin {
	var out []*Origin
	for i, n := range lengths {
		if len(out)+int(n) > maxInside {
			r.fail()
			return nil
		}
		out = append(out, slices.Repeat(of[i:i+1], int(n))...)
	}
	return out
}
