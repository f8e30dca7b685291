package record

import (
	"bytes"
	"encoding/binary"
	"math"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// cell is one value of a column, with the time of the change it belongs to.
type cell struct {
	value []byte
	at    clock.Hybrid
}

// The forms of a column. The first that fits all its values is taken.
const (
	// formWords: a table of distinct values, then an index for each.
	formWords = 1
	// formSeconds: the tag once; each value is a message with only a first field
	// of seconds, kept as its distance from the change's own time.
	formSeconds = 2
	// formTenths: the tag once; each value is a double that is a whole number of
	// tenths, kept as that number.
	formTenths = 3
	// formPlain: the lengths, then the bytes.
	formPlain = 0
)

// appendCells writes a column: its form and what the form needs.
func appendCells(b []byte, cells []cell) []byte {
	for _, form := range []struct {
		id     byte
		append func([]byte, []cell) ([]byte, bool)
	}{{formSeconds, appendSeconds}, {formTenths, appendTenths}, {formWords, appendWords}} {
		if out, ok := form.append(append(b, form.id), cells); ok {
			return out
		}
	}
	b = append(b, formPlain)
	for _, c := range cells {
		b = binary.AppendUvarint(b, uint64(len(c.value)))
	}
	for _, c := range cells {
		b = append(b, c.value...)
	}
	return b
}

// cells reads a column into the writes that it belongs to.
func (d *decoder) cells(into []*Write, times []clock.Hybrid) bool {
	switch d.byte() {
	case formPlain:
		d.plain(into)
	case formWords:
		d.words(into)
	case formSeconds:
		tag := d.tag()
		for i, w := range into {
			w.Value = secondsValue(tag, times[i].Millis()/1000+d.varint())
		}
	case formTenths:
		tag := d.tag()
		for _, w := range into {
			w.Value = tenthsValue(tag, d.varint())
		}
	default:
		return false
	}
	return !d.bad && len(d.b) == 0
}

func (d *decoder) plain(into []*Write) {
	lengths := make([]int, len(into))
	for i := range into {
		lengths[i] = int(d.upTo(MaxValue))
	}
	for i, w := range into {
		w.Value = d.take(lengths[i])
	}
}

func appendWords(b []byte, cells []cell) ([]byte, bool) {
	var words [][]byte
	index := map[string]int{}
	for _, c := range cells {
		if _, ok := index[string(c.value)]; !ok {
			index[string(c.value)] = len(words)
			words = append(words, c.value)
		}
	}
	if len(cells) < 4 || len(words)*2 > len(cells) {
		return nil, false
	}
	b = binary.AppendUvarint(b, uint64(len(words)))
	for _, w := range words {
		b = appendBytes(b, w)
	}
	for _, c := range cells {
		b = binary.AppendUvarint(b, uint64(index[string(c.value)]))
	}
	return b, true
}

func (d *decoder) words(into []*Write) {
	var words [][]byte
	for range d.upTo(uint64(len(into))) {
		words = append(words, d.bytes(MaxValue))
	}
	for _, w := range into {
		if i := d.uvarint(); i < uint64(len(words)) {
			w.Value = words[i]
		} else {
			d.bad = true
		}
	}
}

// tag reads a protobuf tag: field number and wire type.
func (d *decoder) tag() uint64 { return d.upTo(MaxNumber<<3 | 7) }

func appendSeconds(b []byte, cells []cell) ([]byte, bool) {
	tag, ok := commonTag(cells, protowire.BytesType)
	if !ok {
		return nil, false
	}
	b = binary.AppendUvarint(b, tag)
	for _, c := range cells {
		_, n := binary.Uvarint(c.value)
		message, m := protowire.ConsumeBytes(c.value[n:])
		if m < 0 || len(message) < 2 || message[0] != 1<<3 {
			return nil, false
		}
		seconds, _ := binary.Uvarint(message[1:])
		if !bytes.Equal(secondsValue(tag, int64(seconds)), c.value) {
			return nil, false
		}
		b = binary.AppendVarint(b, int64(seconds)-c.at.Millis()/1000)
	}
	return b, true
}

func secondsValue(tag uint64, seconds int64) []byte {
	message := binary.AppendUvarint([]byte{1 << 3}, uint64(seconds))
	return appendBytes(binary.AppendUvarint(nil, tag), message)
}

func appendTenths(b []byte, cells []cell) ([]byte, bool) {
	tag, ok := commonTag(cells, protowire.Fixed64Type)
	if !ok {
		return nil, false
	}
	b = binary.AppendUvarint(b, tag)
	for _, c := range cells {
		_, n := binary.Uvarint(c.value)
		if len(c.value) != n+8 {
			return nil, false
		}
		v := math.Float64frombits(binary.LittleEndian.Uint64(c.value[n:]))
		tenths := math.Round(v * 10)
		if !(math.Abs(tenths) < 1<<52) || !bytes.Equal(tenthsValue(tag, int64(tenths)), c.value) {
			return nil, false
		}
		b = binary.AppendVarint(b, int64(tenths))
	}
	return b, true
}

func tenthsValue(tag uint64, tenths int64) []byte {
	b := binary.AppendUvarint(nil, tag)
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(float64(tenths)/10))
}

// commonTag is the tag that all values of a column start with, if it is of the
// wire type and none is cleared.
func commonTag(cells []cell, wireType protowire.Type) (uint64, bool) {
	if len(cells[0].value) == 0 {
		return 0, false
	}
	tag, _ := binary.Uvarint(cells[0].value)
	for _, c := range cells {
		if t, n := binary.Uvarint(c.value); n <= 0 || t != tag {
			return 0, false
		}
	}
	return tag, protowire.Type(tag&7) == wireType
}
