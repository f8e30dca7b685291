package record

import (
	"bytes"
	"encoding/binary"
	"errors"
	"runtime"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// A bomb is a few bytes that ask a decoder to make very many of them. Each is
// written by hand with the parts of the encoder, beyond what the encoder would
// do.

// blast bounds what opening a bomb may allocate in all, in bytes.
const blast = 128 << 20

func mustBeRefused(t *testing.T, name string, piece []byte) {
	t.Helper()
	p, err := NewPacker()
	if err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err = p.Open(piece)
	runtime.ReadMemStats(&after)
	if !errors.Is(err, ErrMalformed) {
		t.Errorf("%s: %d bytes were taken (%v)", name, len(piece), err)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > blast {
		t.Errorf("%s: %d bytes made the decoder allocate %d", name, len(piece), n)
	}
}

func zeros(t *testing.T, n int, opts ...zstd.EOption) []byte {
	t.Helper()
	var b bytes.Buffer
	enc, err := zstd.NewWriter(&b, opts...)
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 1<<20); n > 0; n -= len(block) {
		if _, err := enc.Write(block); err != nil {
			t.Fatal(err)
		}
	}
	if err := enc.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestCompressedBombsAreRefused(t *testing.T) {
	head := []byte{pieceFormat, packZstd}
	mustBeRefused(t, "a gigabyte of zeros", sealed(slices.Concat(head, zeros(t, 1<<30))))
	mustBeRefused(t, "a gigabyte in frames of half the limit", sealed(slices.Concat(head, bytes.Repeat(zeros(t, maxBody/2), 1<<30/(maxBody/2)))))
	enc, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	mustBeRefused(t, "a frame that tells its size", sealed(enc.EncodeAll(make([]byte, maxBody+1), head)))
}

// body is a piece of what build writes.
func body(build func(w *columns)) []byte {
	var w columns
	build(&w)
	b := binary.AppendUvarint([]byte{pieceFormat, packStored}, uint64(len(w.numbers)))
	return sealed(slices.Concat(b, w.numbers, w.texts))
}

// alike writes the front of a piece of so many changes by one author, all of
// the same fields, with planes that need no bytes, and nothing replaced.
func alike(w *columns, count int, numbers []uint32, author string) {
	w.uvarint(uint64(count))
	w.tables(tables{
		replicas: []clock.Replica{1},
		authors:  []string{author},
		aheads:   []clock.Ahead{0},
		shapes:   []shape{{kind: 6, numbers: numbers}},
	})
	for range parts + 3 {
		w.put(nil)
	}
}

func numbersUpTo(n int) (out []uint32) {
	for i := range n {
		out = append(out, uint32(i+1))
	}
	return out
}

// column opens a column of a form whose values start with the tag of field 1.
func (w *columns) column(form byte) {
	w.numbers = append(w.numbers, form)
	w.uvarint(1<<3 | 2)
}

// word opens a column in which every value is the same long one.
func (w *columns) word() {
	w.numbers = append(w.numbers, formWords)
	w.uvarint(1)
	w.numbers = append(w.numbers, formPlain)
	w.plain([]cell{{value: bytes.Repeat([]byte{1 << 3, 1}, MaxValue/2)}})
	w.put(nil)
}

// inside opens a column of so many messages in each of the values, all of the
// same fields.
func (w *columns) inside(values int, many uint64, numbers []uint32) {
	w.column(formMessages)
	w.put(slices.Repeat([]uint64{many}, values))
	w.uvarint(1)
	w.fieldNumbers(numbers)
	w.put(nil)
}

func TestBodiesThatGrowAreRefused(t *testing.T) {
	one := numbersUpTo(1)
	for _, bomb := range []struct {
		name  string
		build func(w *columns)
	}{
		{"more changes than may be", func(w *columns) { alike(w, MaxPieceChanges+1, one, "") }},
		{"very many changes of very many fields", func(w *columns) { alike(w, MaxPieceChanges, numbersUpTo(MaxFields), "") }},
		{"very many replaced dots", func(w *columns) {
			alike(w, MaxPieceChanges, one, "")
			w.numbers = w.numbers[:len(w.numbers)-3]
			w.put(slices.Repeat([]uint64{MaxVersions}, MaxPieceChanges))
			w.put(nil)
			w.put(nil)
		}},
		{"one long word for every change", func(w *columns) {
			alike(w, MaxPieceChanges, one, "")
			w.word()
		}},
		{"one long word for a few changes", func(w *columns) {
			alike(w, MaxPieceRaw/MaxValue+1, one, "")
			w.word()
		}},
		{"one long author for every write", func(w *columns) {
			alike(w, MaxPieceChanges, numbersUpTo(4), string(bytes.Repeat([]byte{'a'}, MaxAuthor)))
			for n := range uint64(4) {
				w.numbers = append(w.numbers, formAuthor)
				w.uvarint((n+1)<<3 | 2)
			}
		}},
		{"very many empty messages", func(w *columns) {
			alike(w, 1, one, "")
			w.inside(1, 1<<40, nil)
		}},
		{"very many empty messages in each of many values", func(w *columns) {
			alike(w, MaxPieceChanges, one, "")
			w.inside(MaxPieceChanges, maxInside, nil)
		}},
		{"messages of very many fields", func(w *columns) {
			alike(w, 1, one, "")
			w.inside(1, maxInside, numbersUpTo(MaxFields))
		}},
		{"long words in messages in messages", func(w *columns) {
			alike(w, 1, one, "")
			w.inside(1, 64, one)
			w.inside(64, 64, one)
			w.word()
		}},
		{"messages deeper than may be", func(w *columns) {
			alike(w, 1, one, "")
			for range maxDepth + 1 {
				w.inside(1, 1, one)
			}
			w.column(formAuthor)
		}},
	} {
		mustBeRefused(t, bomb.name, body(bomb.build))
	}
}

// What the bombs are made of is taken, in small.
func TestASmallBodyByHandIsTaken(t *testing.T) {
	p, err := NewPacker()
	if err != nil {
		t.Fatal(err)
	}
	changes, err := p.Open(body(func(w *columns) {
		alike(w, 2, numbersUpTo(1), "al")
		w.inside(2, 1, []uint32{1})
		w.inside(2, 2, []uint32{1})
		w.column(formAuthor)
	}))
	if err != nil {
		t.Fatal(err)
	}
	want := "\n\x0c\n\x04\n\x02al\n\x04\n\x02al"
	for i, c := range changes {
		if got := string(c.Writes[0].Value); got != want || c.Seq != uint64(i+1) || len(changes) != 2 {
			t.Errorf("change %d of %d: %q, want %q", c.Seq, len(changes), got, want)
		}
	}
}
