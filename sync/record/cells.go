package record

import (
	"bytes"
	"encoding/binary"
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// cell is one value of a column, with who wrote it and when.
type cell struct {
	value []byte
	of    *Origin
}

// The forms of a column of values. Whatever the form, a column opens to the
// same bytes; the form that takes the fewest bytes is used. All but the first
// two want values that start with one tag, and keep it once.
const (
	// formPlain: the lengths; the values themselves are text.
	formPlain = iota
	// formWords: the distinct values as a column, and for each value its place
	// among them.
	formWords
	// formText: each value is one string or message; the lengths, and the
	// contents as text.
	formText
	// formAuthor: each value is the string that is the author's id.
	formAuthor
	// formSeconds: each value is a message of whole seconds, kept as the
	// distance from the change's own time.
	formSeconds
	// formTenths: each value is a double that is a whole number of tenths.
	formTenths
	// formMessages: each value is one or more messages; a column for each of
	// their fields.
	formMessages
	forms
)

// cells adds a column in the form that takes the fewest bytes. depth is how
// many messages the values are inside of.
func (w *columns) cells(cells []cell, depth int) {
	var best columns
	for form := range forms {
		try := columns{numbers: []byte{byte(form)}}
		if try.form(form, cells, depth) && (form == 0 || try.size() < best.size()) {
			best = try
		}
	}
	w.add(best)
}

// form adds a column's values in the given form; false if they do not fit it.
func (w *columns) form(form int, cells []cell, depth int) bool {
	switch form {
	case formWords:
		return w.words(cells)
	case formText:
		return w.text(cells)
	case formAuthor:
		return w.author(cells)
	case formSeconds:
		return w.seconds(cells)
	case formTenths:
		return w.tenths(cells)
	case formMessages:
		return w.messages(cells, depth)
	}
	w.plain(cells)
	return true
}

// cells reads the column of the values that the given changes wrote.
func (r *reader) cells(of []*Origin, depth int) [][]byte {
	switch form := r.numbers.byte(); form {
	case formPlain, formText:
		return r.strings(form, len(of))
	case formWords:
		return r.words(len(of))
	case formAuthor:
		tag := r.numbers.tag()
		return r.each(len(of), func(i int) []byte { return lengthDelimited(tag, []byte(of[i].Author)) })
	case formSeconds:
		tag, distances := r.numbers.tag(), r.column(len(of), math.MaxUint64)
		return r.each(len(of), func(i int) []byte {
			return secondsValue(tag, of[i].At.Millis()/1000+unzigzag(distances[i]))
		})
	case formTenths:
		tag, tenths := r.numbers.tag(), r.column(len(of), math.MaxUint64)
		return r.each(len(of), func(i int) []byte { return tenthsValue(tag, unzigzag(tenths[i])) })
	case formMessages:
		if depth < maxDepth {
			return r.messages(of, depth)
		}
	}
	r.fail()
	return nil
}

// each makes a column's values one by one, until the reader fails.
func (r *reader) each(count int, value func(i int) []byte) [][]byte {
	out := make([][]byte, 0, count)
	for i := range count {
		if r.bad() {
			return nil
		}
		v := value(i)
		if r.room -= len(v); r.room < 0 {
			r.fail()
		}
		out = append(out, v)
	}
	return out
}

func (w *columns) plain(cells []cell) {
	lengths := make([]uint64, len(cells))
	for i, c := range cells {
		lengths[i] = uint64(len(c.value))
		w.texts = append(w.texts, c.value...)
	}
	w.put(lengths)
}

func (w *columns) text(cells []cell) bool {
	tag, ok := commonTag(cells, protowire.BytesType)
	if !ok {
		return false
	}
	w.uvarint(tag)
	contents := make([]cell, len(cells))
	for i, c := range cells {
		content, rest, ok := cutContent(c.value, tag)
		if !ok || len(rest) > 0 {
			return false
		}
		contents[i].value = content
	}
	w.plain(contents)
	return true
}

// strings reads a column in plain or text form.
func (r *reader) strings(form byte, count int) [][]byte {
	if form == formPlain {
		lengths := r.column(count, MaxValue)
		return r.each(count, func(i int) []byte { return r.text(lengths[i]) })
	}
	tag, lengths := r.numbers.tag(), r.column(count, MaxValue)
	return r.each(count, func(i int) []byte { return lengthDelimited(tag, r.text(lengths[i])) })
}

func (w *columns) words(cells []cell) bool {
	var words []cell
	places := make([]uint64, len(cells))
	index := map[string]uint64{}
	for i, c := range cells {
		at, ok := index[string(c.value)]
		if !ok {
			at = uint64(len(words))
			index[string(c.value)] = at
			words = append(words, c)
		}
		places[i] = at
	}
	if len(words) == len(cells) {
		return false
	}
	w.uvarint(uint64(len(words)))
	form := columns{numbers: []byte{formText}}
	if !form.text(words) {
		form = columns{numbers: []byte{formPlain}}
		form.plain(words)
	}
	w.add(form)
	w.put(places)
	return true
}

func (r *reader) words(count int) [][]byte {
	distinct := int(r.numbers.upTo(uint64(count)))
	form := r.numbers.byte()
	if form != formPlain && form != formText {
		r.fail()
	}
	words := r.strings(form, distinct)
	places := r.places(count, distinct)
	return r.each(count, func(i int) []byte { return words[places[i]] })
}

// tag reads a protobuf tag: field number and wire type.
func (d *decoder) tag() uint64 { return d.upTo(MaxNumber<<3 | 7) }

func (w *columns) author(cells []cell) bool {
	tag, ok := commonTag(cells, protowire.BytesType)
	if !ok {
		return false
	}
	w.uvarint(tag)
	for _, c := range cells {
		if !bytes.Equal(lengthDelimited(tag, []byte(c.of.Author)), c.value) {
			return false
		}
	}
	return true
}

func lengthDelimited(tag uint64, content []byte) []byte {
	b := make([]byte, 0, protowire.SizeVarint(tag)+protowire.SizeBytes(len(content)))
	return appendBytes(binary.AppendUvarint(b, tag), content)
}

// cutContent cuts the content of a field of the tag off the front, if it is
// encoded as lengthDelimited does it.
func cutContent(b []byte, tag uint64) (content, rest []byte, ok bool) {
	got, n := binary.Uvarint(b)
	if got != tag || n != protowire.SizeVarint(tag) {
		return nil, nil, false
	}
	content, m := protowire.ConsumeBytes(b[n:])
	if m != protowire.SizeBytes(len(content)) {
		return nil, nil, false
	}
	return content, b[n+m:], true
}

func (w *columns) seconds(cells []cell) bool {
	tag, ok := commonTag(cells, protowire.BytesType)
	if !ok {
		return false
	}
	w.uvarint(tag)
	distances := make([]uint64, len(cells))
	for i, c := range cells {
		message, _, ok := cutContent(c.value, tag)
		if !ok || len(message) == 0 {
			return false
		}
		seconds, _ := binary.Uvarint(message[1:])
		if !bytes.Equal(secondsValue(tag, int64(seconds)), c.value) {
			return false
		}
		distances[i] = zigzag(int64(seconds) - c.of.At.Millis()/1000)
	}
	w.put(distances)
	return true
}

// secondsValue is a message whose first field holds the seconds.
func secondsValue(tag uint64, seconds int64) []byte {
	return lengthDelimited(tag, binary.AppendUvarint([]byte{1 << 3}, uint64(seconds)))
}

func (w *columns) tenths(cells []cell) bool {
	tag, ok := commonTag(cells, protowire.Fixed64Type)
	if !ok {
		return false
	}
	w.uvarint(tag)
	numbers := make([]uint64, len(cells))
	for i, c := range cells {
		bits, _ := protowire.ConsumeFixed64(c.value[protowire.SizeVarint(tag):])
		tenths := math.Round(math.Float64frombits(bits) * 10)
		if !(math.Abs(tenths) < 1<<52) || !bytes.Equal(tenthsValue(tag, int64(tenths)), c.value) {
			return false
		}
		numbers[i] = zigzag(int64(tenths))
	}
	w.put(numbers)
	return true
}

func tenthsValue(tag uint64, tenths int64) []byte {
	return protowire.AppendFixed64(binary.AppendUvarint(nil, tag), math.Float64bits(float64(tenths)/10))
}

// commonTag is the tag that all values of a column start with, if it is of the
// wire type and none is cleared.
func commonTag(cells []cell, wireType protowire.Type) (uint64, bool) {
	tag, n := binary.Uvarint(cells[0].value)
	for _, c := range cells {
		if n <= 0 || !bytes.HasPrefix(c.value, cells[0].value[:n]) {
			return 0, false
		}
	}
	return tag, protowire.Type(tag&7) == wireType
}
