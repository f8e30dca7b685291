package record

import (
	"bytes"
	"encoding/hex"
	"errors"
	"os"
	"testing"
)

// FuzzOpen gives every piece its right checksum, and starts from bodies that are
// stored as they are: a decompressor refuses most of what is made of a compressed
// one.
func FuzzOpen(f *testing.F) {
	p, err := NewPacker()
	if err != nil {
		f.Fatal(err)
	}
	text, err := os.ReadFile("testdata/piece.hex")
	if err != nil {
		f.Fatal(err)
	}
	piece, err := hex.DecodeString(string(bytes.ReplaceAll(text, []byte("\n"), nil)))
	if err != nil {
		f.Fatal(err)
	}
	changes, err := p.Open(piece)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(piece[:len(piece)-4])
	for _, some := range [][]Change{nil, changes[:1], changes[:5], changes, changes[len(changes)-1:]} {
		whole := body(func(w *columns) { w.changes(some) })
		f.Add(whole[:len(whole)-4])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := p.Open(sealed(bytes.Clone(b)))
		if err != nil {
			if !errors.Is(err, ErrMalformed) {
				t.Fatalf("%v is no ErrMalformed", err)
			}
			return
		}
		again, err := p.Pack(got)
		if err != nil {
			t.Fatalf("what was opened cannot be packed: %v", err)
		}
		same, err := p.Open(again)
		if err != nil {
			t.Fatalf("what was opened and packed cannot be opened: %v", err)
		}
		if len(same) != len(got) {
			t.Fatalf("%d changes, packed again %d", len(got), len(same))
		}
		for i, c := range got {
			if err := c.Validate(); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(c.Append(nil), same[i].Append(nil)) {
				t.Fatalf("got %+v\npacked again %+v", c, same[i])
			}
		}
	})
}
