package record_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

func newPacker(tb rapid.TB) *record.Packer {
	tb.Helper()
	p, err := record.NewPacker()
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

// What is compressed together grows from one check at a time to a month's.
var pieceSizes = []int{1, 20, 200, 1000}

func BenchmarkPack(b *testing.B) {
	changes := fleetChecks(b, bothySchema(b), 1000)
	for _, n := range pieceSizes {
		b.Run(fmt.Sprintf("checks=%d", n), func(b *testing.B) {
			p := newPacker(b)
			var piece []byte
			var err error
			b.ReportAllocs()
			for b.Loop() {
				if piece, err = p.Pack(changes[:n]); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(piece))/float64(n), "bytes/check")
		})
	}
}

func BenchmarkOpen(b *testing.B) {
	changes := fleetChecks(b, bothySchema(b), 1000)
	for _, n := range pieceSizes {
		b.Run(fmt.Sprintf("checks=%d", n), func(b *testing.B) {
			p := newPacker(b)
			piece, err := p.Pack(changes[:n])
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := p.Open(piece); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// A defect that was edited many times takes one more edit.
func BenchmarkJoin(b *testing.B) {
	now := record.Record{Key: defectKey}
	for i := range 50 {
		by := clock.Replica(i%5 + 1)
		now = record.Join(now, write(now, by, now.Seen, uint32(3+i%10), "what was found").Delta())
	}
	delta := write(now, 1, now.Seen, text, "what was found later").Delta()
	b.ReportAllocs()
	for b.Loop() {
		record.Join(now, delta)
	}
}
