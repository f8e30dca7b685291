package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
)

// gated is a disk that asks before every call that changes something.
func gated(d disk, gate func(call, name string) error) disk {
	return disk{
		create: func(name string) (*os.File, error) {
			if err := gate("create", name); err != nil {
				return nil, err
			}
			return d.create(name)
		},
		write: func(f *os.File, b []byte, at int64) (int, error) {
			if err := gate("write", f.Name()); err != nil {
				n, _ := d.write(f, b[:len(b)/2], at)
				return n, err
			}
			return d.write(f, b, at)
		},
		sync: func(f *os.File) error {
			if err := gate("sync", f.Name()); err != nil {
				return err
			}
			return d.sync(f)
		},
		truncate: func(f *os.File, size int64) error {
			if err := gate("truncate", f.Name()); err != nil {
				return err
			}
			return d.truncate(f, size)
		},
		rename: func(from, to string) error {
			if err := gate("rename", to); err != nil {
				return err
			}
			return d.rename(from, to)
		},
		link: func(from, to string) error {
			if err := gate("link", to); err != nil {
				return err
			}
			return d.link(from, to)
		},
		remove: func(name string) error {
			if err := gate("remove", name); err != nil {
				return err
			}
			return d.remove(name)
		},
		random: d.random,
	}
}

// A life is a fixed run of a ledger: it starts, appends, rolls, pledges, drops,
// closes, starts again after a power cut and damage, restores. It keeps what was
// acknowledged.
type life struct {
	dir     string
	disk    disk
	frames  model // in the order of their numbers, all that were ever tried
	acked   int   // of them, those acknowledged
	pledged uint64
	spoiled bool // one frame may be missing
}

// run goes through the life until the first error that retry does not forgive.
func (l *life) run(retry func(error) bool) error {
	try := func(do func() error) error {
		err := do()
		for err != nil && retry(err) {
			err = do()
		}
		return err
	}
	var open2 *Ledger
	start := func() error {
		return try(func() (err error) { open2, _, err = open(l.dir, tiny, l.disk); return err })
	}
	write := func(n int) error {
		l.frames = l.frames[:l.acked]
		for i := range n {
			l.frames = append(l.frames, fmt.Appendf(nil, "frame %d of a life", l.acked+i+1))
		}
		err := try(func() error { _, err := open2.Append(l.frames[l.acked:]...); return err })
		if err == nil {
			l.acked = len(l.frames)
		}
		return err
	}
	steps := []func() error{
		start,
		func() error { return write(1) },
		func() error { return write(3) },
		func() error { return write(2) },
		func() error { return try(func() error { return open2.Pledge(4) }) },
		func() error { l.pledged = 4; return write(2) },
		func() error { return write(1) },
		func() error { return try(func() error { return open2.Drop(6) }) },
		func() error {
			if open2.First() == 1 {
				return errors.New("the life drops nothing")
			}
			return open2.Close()
		},
		func() error { l.spoiled = true; return l.spoil() },
		start,
		func() error { return write(1) },
		func() error {
			for _, gap := range open2.Missing() {
				for n := gap.From; n <= gap.To; n++ {
					if err := try(func() error { return open2.Restore(n, l.frames[n-1]) }); err != nil {
						return err
					}
				}
			}
			return nil
		},
		func() error { return try(open2.Settle) },
		func() error { return write(1) },
		func() error { return open2.Close() },
	}
	for _, step := range steps {
		if err := step(); err != nil {
			if open2 != nil {
				open2.release()
			}
			return err
		}
	}
	return nil
}

// spoil flips a byte in a frame of the second segment from the end, and leaves the
// start of another frame behind the last.
func (l *life) spoil() error {
	entries, err := os.ReadDir(l.dir)
	if err != nil {
		return err
	}
	var names []string
	for _, e := range entries {
		if _, ok := parseSegmentName(e.Name()); ok {
			names = append(names, filepath.Join(l.dir, e.Name()))
		}
	}
	b, err := os.ReadFile(names[len(names)-2])
	if err != nil {
		return err
	}
	b[headerSize+FrameOverhead] ^= 1
	if err := os.WriteFile(names[len(names)-2], b, 0o600); err != nil {
		return err
	}
	f, err := os.OpenFile(names[len(names)-1], os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.Write(appendFrame(nil, testID.salt(), uint64(l.acked+1), []byte("torn"), true)[:11])
	return errors.Join(err, f.Close())
}

// examine opens what a life left behind. Everything acknowledged must be there, or
// missing by the damage that the life did, and what was not acknowledged may be.
func (l *life) examine(t tb, dir string) {
	t.Helper()
	after, report, err := open(dir, tiny, quickDisk())
	if err != nil {
		t.Fatalf("open again: %v", err)
	}
	defer after.Close()
	if report.MayHaveGoneBack() {
		t.Fatalf("open again found %v", report)
	}
	if n := after.Last(); n < uint64(l.acked) || n > uint64(len(l.frames)) {
		t.Fatalf("last is %d after %d acknowledged; %v", n, l.acked, report)
	}
	if after.Pledged() < l.pledged {
		t.Fatalf("pledged %d, was %d", after.Pledged(), l.pledged)
	}
	m := l.frames[:after.Last()]
	missing := check(t, after, m)
	if len(missing) > 1 || len(missing) == 1 && (missing[0].From != missing[0].To || !l.spoiled) {
		t.Fatalf("missing %v; %v", missing, report)
	}
	restore(t, after, m)
	if missing := check(t, after, m); len(missing) > 0 {
		t.Fatalf("missing %v after restoring", missing)
	}
}

// TestTheNthFailedCallLosesNothingAcknowledged fails every call of a life in turn.
func TestTheNthFailedCallLosesNothingAcknowledged(t *testing.T) {
	failed := 0
	for n := 1; ; n++ {
		calls, hit := 0, ""
		a := life{dir: filepath.Join(t.TempDir(), "led")}
		a.disk = gated(quickDisk(), func(call, name string) error {
			if calls++; calls == n {
				hit = call + " " + filepath.Base(name)
				return fmt.Errorf("call %d: %w", n, syscall.EIO)
			}
			return nil
		})
		err := a.run(func(error) bool { return false })
		if hit == "" {
			if err != nil {
				t.Fatal(err)
			}
			break
		}
		if !errors.Is(err, syscall.EIO) {
			t.Fatalf("%s (call %d) failed and the life got %v", hit, n, err)
		}
		failed++
		a.examine(prefix{t, fmt.Sprintf("%s (call %d)", hit, n)}, a.dir)
	}
	if failed < 50 {
		t.Errorf("only %d calls", failed)
	}
}

// TestAFailedWriteOrSyncLatches fails each call that one Append makes.
func TestAFailedWriteOrSyncLatches(t *testing.T) {
	for n := 1; ; n++ {
		calls := -1 << 60
		dir, m := t.TempDir(), lines(3)
		l := openClean(t, dir, tiny, gated(quickDisk(), func(string, string) error {
			if calls++; calls == n {
				return syscall.EIO
			}
			return nil
		}))
		fill(t, l, m) // the next append begins a segment
		calls = 0
		_, err := l.Append([]byte("fails"))
		if calls < n {
			if n < 8 {
				t.Errorf("an append that begins a segment made only %d calls", n-1)
			}
			calls = n
			mustClose(t, l)
			return
		}
		if !errors.Is(err, ErrBroken) || !errors.Is(err, syscall.EIO) {
			t.Fatalf("call %d: %v", n, err)
		}
		calls = n
		_, err = l.Append([]byte("after"))
		for what, err := range map[string]error{
			"append": err, "pledge": l.Pledge(3), "drop": l.Drop(1), "settle": l.Settle(),
		} {
			if !errors.Is(err, ErrBroken) {
				t.Errorf("call %d, then %s: %v", n, what, err)
			}
		}
		if calls != n {
			t.Errorf("call %d: a broken ledger made %d more", n, calls-n)
		}
		check(t, l, m)
		mustClose(t, l)
		l, report := mustOpen(t, dir, tiny, quickDisk())
		if n := l.Last(); n != 3 && n != 4 || report.MayHaveGoneBack() || len(report.Missing()) > 0 {
			t.Errorf("call %d: last %d, %v", n, l.Last(), report)
		}
		mustClose(t, l)
	}
}

// TestAKillBeforeAnyCallLosesNothingAcknowledged takes a copy of the directory
// before every call of a life: what a killed process leaves.
func TestAKillBeforeAnyCallLosesNothingAcknowledged(t *testing.T) {
	a := life{dir: filepath.Join(t.TempDir(), "led")}
	below, n := t.TempDir(), 0
	a.disk = gated(quickDisk(), func(call, name string) error {
		n++
		copied := place(t, below, files(t, a.dir))
		a.examine(prefix{t, fmt.Sprintf("before %s %s (call %d)", call, filepath.Base(name), n)}, copied)
		return nil
	})
	if err := a.run(func(error) bool { return false }); err != nil {
		t.Fatal(err)
	}
}

// TestFramesThatAFailedSyncLeftInMemoryAreWrittenAgain: after a failed sync the
// operating system may take written pages for clean. A new sync then says nothing
// about them, unless they are written anew.
func TestFramesThatAFailedSyncLeftInMemoryAreWrittenAgain(t *testing.T) {
	dir, m := t.TempDir(), lines(4)
	fails := false
	l := openClean(t, dir, Options{}, gated(quickDisk(), func(call, _ string) error {
		if fails && call == "sync" {
			return syscall.EIO
		}
		return nil
	}))
	fill(t, l, m[:3])
	from := files(t, dir)[segmentName(1)]
	fails = true
	if _, err := l.Append(m[3]); !errors.Is(err, ErrBroken) {
		t.Fatal(err)
	}
	mustClose(t, l)
	d, order := quickDisk(), []string{}
	plain := d.write
	d.write = func(f *os.File, b []byte, at int64) (int, error) {
		if filepath.Base(f.Name()) == segmentName(1) {
			order = append(order, fmt.Sprint("write ", at, " ", len(b)))
		}
		return plain(f, b, at)
	}
	d.sync = func(f *os.File) error {
		order = append(order, "sync "+filepath.Base(f.Name()))
		return nil
	}
	l = openClean(t, dir, Options{}, d)
	checkWhole(t, l, m)
	mustClose(t, l)
	want := []string{fmt.Sprint("write ", len(from), " ", FrameOverhead+len(m[3])), "sync " + segmentName(1), "sync head"}
	if !slices.Equal(order[:3], want) {
		t.Errorf("%v, want %v", order, want)
	}
}
