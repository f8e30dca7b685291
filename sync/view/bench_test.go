package view_test

import (
	"fmt"
	"testing"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// BenchmarkApply gives changes per second for clean checks.
func BenchmarkApply(b *testing.B) {
	for _, synced := range []bool{false, true} {
		for _, batch := range []int{100, 1000} {
			b.Run(fmt.Sprintf("sync=%v/batch=%d", synced, batch), func(b *testing.B) {
				v := open(b, b.TempDir(), view.Options{SyncWrites: synced})
				defer closed(b, v)
				r := newReplica(7)
				applied := 0
				for b.Loop() {
					b.StopTimer()
					changes := make([]record.Change, batch)
					for i := range changes {
						changes[i] = r.check(fmt.Sprintf("d-%d", i%40), "ravens-quarry")
					}
					b.StartTimer()
					apply(b, v, changes...)
					applied += batch
				}
				b.ReportMetric(float64(applied)/b.Elapsed().Seconds(), "changes/s")
			})
		}
	}
}

// hundredThousand is a closed view of 100,000 clean checks.
func hundredThousand(b *testing.B) string {
	if testing.Short() {
		b.Skip("fills a view with 100,000 checks")
	}
	dir := b.TempDir()
	v := open(b, dir, view.Options{})
	fill(b, v, newReplica(7), 100_000)
	closed(b, v)
	return dir
}

func BenchmarkOpen100k(b *testing.B) {
	dir := hundredThousand(b)
	for b.Loop() {
		v := open(b, dir, view.Options{})
		b.StopTimer()
		closed(b, v)
		b.StartTimer()
	}
}

func BenchmarkExamine(b *testing.B) {
	dir := hundredThousand(b)
	s := realSchema()
	for b.Loop() {
		if err := view.Examine(dir, s, view.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDigest100k(b *testing.B) {
	dir := hundredThousand(b)
	v := open(b, dir, view.Options{})
	defer closed(b, v)
	for b.Loop() {
		digest(b, v)
	}
}
