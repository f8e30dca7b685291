package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// TestCallersThatWaitShareOneSync holds the first caller's sync until 31 others wait.
func TestCallersThatWaitShareOneSync(t *testing.T) {
	const writers = 32
	syncs := -1 << 60
	entered, release := make(chan struct{}), make(chan struct{})
	d := quickDisk()
	d.sync = func(*os.File) error {
		if syncs++; syncs == 1 {
			close(entered)
			<-release
		}
		return nil
	}
	l := openClean(t, t.TempDir(), Options{}, d)
	syncs = 0
	var all sync.WaitGroup
	write := func() {
		if _, err := l.Append([]byte("x")); err != nil {
			t.Error(err)
		}
	}
	patience, enough := context.WithTimeout(t.Context(), 20*time.Second)
	defer enough()
	all.Go(write)
	select {
	case <-entered:
	case <-patience.Done():
		t.Fatal("an append does not sync")
	}
	for range writers - 1 {
		all.Go(write)
	}
	for l.waiting() < writers-1 && patience.Err() == nil {
		runtime.Gosched()
	}
	close(release)
	all.Wait()
	if syncs != 2 || l.Last() != writers {
		t.Errorf("%d syncs for %d appends", syncs, l.Last())
	}
	mustClose(t, l)
}

// waiting counts the frames of the write that callers may still join.
func (l *Ledger) waiting() int {
	l.joining.Lock()
	defer l.joining.Unlock()
	if l.next == nil {
		return 0
	}
	return len(l.next.payloads)
}

// TestFramesOfOneCallStayTogether appends from many goroutines, reads beside them,
// pledges, drops, and checks that no frame is lost, doubled or torn from its call.
func TestFramesOfOneCallStayTogether(t *testing.T) {
	const writers, calls = 32, 20
	dir := t.TempDir()
	l := openClean(t, dir, Options{SegmentBytes: 4096}, realDisk())
	first := make([][calls]uint64, writers)
	var writing, beside sync.WaitGroup
	done := make(chan struct{})
	for w := range writers {
		writing.Go(func() {
			for c := range calls {
				n, err := l.Append(tag(w, c, 0), tag(w, c, 1), tag(w, c, 2))
				if err != nil {
					t.Error(err)
				}
				first[w][c] = n
			}
		})
	}
	beside.Go(func() {
		for next := uint64(1); ; {
			select {
			case <-done:
				return
			default:
			}
			for frame, err := range l.Read(next) {
				if gap := (MissingError{}); errors.As(err, &gap) && gap.Dropped {
					next = gap.To + 1
					continue
				}
				if err != nil || frame.Number != next {
					t.Errorf("at %d: frame %d, %v", next, frame.Number, err)
					return
				}
				next++
			}
			if err := errors.Join(l.Pledge(l.Last()), l.Drop(l.Last()/2)); err != nil {
				t.Error(err)
			}
			l.Missing()
			l.Bytes()
		}
	})
	writing.Wait()
	close(done)
	beside.Wait()
	if l.Last() != writers*calls*3 {
		t.Errorf("last is %d", l.Last())
	}
	mustClose(t, l)
	l = openClean(t, dir, Options{SegmentBytes: 4096}, realDisk())
	defer l.Close()
	content := map[uint64][]byte{}
	for frame, err := range l.Read(l.First()) {
		if err != nil {
			t.Fatal(err)
		}
		content[frame.Number] = frame.Payload
	}
	for w := range writers {
		for c := range calls {
			for i := range 3 {
				n := first[w][c] + uint64(i)
				if n >= l.First() && !bytes.Equal(content[n], tag(w, c, i)) {
					t.Fatalf("frame %d is %q, want %q", n, content[n], tag(w, c, i))
				}
			}
		}
	}
}

func tag(w, c, i int) []byte { return fmt.Appendf(nil, "writer %d call %d frame %d", w, c, i) }

func TestABatchHoldsNoMoreThanOneWriteMay(t *testing.T) {
	l := &Ledger{}
	a, _, leads := l.join([][]byte{{1}}, MaxAppend-100)
	if !leads {
		t.Error("the first does not lead")
	}
	if b, place, leads := l.join([][]byte{{2}, {3}}, 100); b != a || place != 1 || leads {
		t.Error("the second does not join")
	}
	if b, place, leads := l.join([][]byte{{4}}, 1); b == a || place != 0 || !leads {
		t.Error("the third joins a full batch")
	}
}

func TestCloseWaitsForAppendsAndNothingIsLost(t *testing.T) {
	dir := t.TempDir()
	l := openClean(t, dir, Options{}, realDisk())
	var all sync.WaitGroup
	var acked atomic.Int64
	for range 16 {
		all.Go(func() {
			for {
				_, err := l.Append([]byte("x"))
				if errors.Is(err, ErrClosed) {
					return
				}
				if err != nil {
					t.Error(err)
					return
				}
				acked.Add(1)
			}
		})
	}
	for acked.Load() < 100 {
		runtime.Gosched()
	}
	mustClose(t, l)
	all.Wait()
	l = openClean(t, dir, Options{}, realDisk())
	defer l.Close()
	if int64(l.Last()) != acked.Load() {
		t.Errorf("last is %d, acknowledged %d", l.Last(), acked.Load())
	}
}

var payload = bytes.Repeat([]byte("0123456789"), 30) // a change of 300 bytes

func BenchmarkAppend(b *testing.B) {
	for _, writers := range []int{1, 32} {
		b.Run(fmt.Sprintf("writers=%d", writers), func(b *testing.B) {
			syncs := 0
			d := realDisk()
			d.sync = func(f *os.File) error { syncs++; return f.Sync() }
			l, _ := mustOpen(b, b.TempDir(), Options{}, d)
			defer l.Close()
			var left atomic.Int64
			left.Store(int64(b.N))
			syncs = 0
			b.SetBytes(int64(len(payload)))
			b.ReportAllocs()
			b.ResetTimer()
			var all sync.WaitGroup
			for range writers {
				all.Go(func() {
					for left.Add(-1) >= 0 {
						if _, err := l.Append(payload); err != nil {
							b.Error(err)
						}
					}
				})
			}
			all.Wait()
			b.ReportMetric(float64(syncs)/float64(b.N), "syncs/op")
		})
	}
}

// BenchmarkRawSyncedAppend is what the disk takes for a write of the same size.
func BenchmarkRawSyncedAppend(b *testing.B) {
	f, err := os.Create(filepath.Join(b.TempDir(), "raw"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	frame := appendFrame(nil, 0, 1, payload, true)
	b.SetBytes(int64(len(payload)))
	for b.Loop() {
		if _, err := f.Write(frame); err != nil {
			b.Fatal(err)
		}
		if err := f.Sync(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	l, _ := mustOpen(b, dir, Options{}, quickDisk())
	batch := make([][]byte, 1000)
	for i := range batch {
		batch[i] = payload
	}
	for range 100 {
		mustAppend(b, l, batch...)
	}
	mustClose(b, l)
	b.SetBytes(l.Bytes())
	b.ReportAllocs()
	for b.Loop() {
		l, _ := mustOpen(b, dir, Options{}, realDisk())
		mustClose(b, l)
	}
}

func BenchmarkRead(b *testing.B) {
	l, _ := mustOpen(b, b.TempDir(), Options{}, quickDisk())
	defer l.Close()
	for range 1000 {
		mustAppend(b, l, payload)
	}
	b.SetBytes(int64(1000 * len(payload)))
	for b.Loop() {
		for _, err := range l.Read(1) {
			if err != nil {
				b.Fatal(err)
			}
		}
	}
}
