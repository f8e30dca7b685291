package ledger

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// gappy opens a ledger whose second segment lacks some frames.
func gappy(t *testing.T, damaged ...int) (l *Ledger, m model, all map[string][]byte, dir string) {
	t.Helper()
	m, all = damages(t)
	name := segmentsOf(all)[1]
	bad := maps.Clone(all)
	bad[name] = slices.Clone(all[name])
	found, _ := scan(all[name], 1, 100)
	for _, i := range damaged {
		bad[name][found[i].end-1] ^= 0xff
	}
	dir = place(t, t.TempDir(), bad)
	l, _ = mustOpen(t, dir, tiny, quickDisk())
	t.Cleanup(func() { l.Close() })
	return l, m, all, dir
}

func TestAMissingFrameIsAnErrorAndReadingGoesOnBehindIt(t *testing.T) {
	l, m, _, _ := gappy(t, 0, 1)
	gap := l.Missing()[0]
	var got []uint64
	for frame, err := range l.Read(gap.From + 1) {
		var missing MissingError
		if errors.As(err, &missing) {
			if missing != (MissingError{gap.From + 1, gap.To, false}) || len(got) > 0 {
				t.Errorf("%v after frames %v", missing, got)
			}
			continue
		}
		got = append(got, frame.Number)
	}
	if len(got) != len(m)-int(gap.To) || got[0] != gap.To+1 {
		t.Errorf("read %v", got)
	}
}

func TestRestoredFramesWaitForTheirSegment(t *testing.T) {
	l, m, all, dir := gappy(t, 0, 2)
	gaps := l.Missing()
	if len(gaps) != 2 {
		t.Fatalf("missing %v", gaps)
	}
	a, b := gaps[0].From, gaps[1].From
	lent := slices.Clone(m[b-1])
	if err := l.Restore(b, lent); err != nil {
		t.Fatal(err)
	}
	clear(lent)
	if missing := check(t, l, m); !slices.Equal(missing, gaps) {
		t.Errorf("missing %v with one restored, want %v", missing, gaps)
	}
	before := files(t, dir)
	if err := l.Restore(a, m[a-1]); err != nil {
		t.Fatal(err)
	}
	checkWhole(t, l, m)
	after, name := files(t, dir), segmentsOf(all)[1]
	if !slices.Equal(after[name], all[name]) {
		t.Errorf("segment is not as it was")
	}
	kept := after[filepath.Base(aside(dir, mustParse(t, name)))+"-1"]
	if !slices.Equal(kept, before[name]) {
		t.Errorf("the damaged file was not kept: %v", slices.Collect(maps.Keys(after)))
	}
	if err := l.Restore(a, m[a-1]); err == nil {
		t.Error("restored a frame that is there")
	}
}

func mustParse(t *testing.T, name string) uint64 {
	t.Helper()
	n, ok := parseSegmentName(name)
	if !ok {
		t.Fatal(name)
	}
	return n
}

func TestAWrongPayloadIsRefusedAndTheRightOneStillTaken(t *testing.T) {
	l, m, _, _ := gappy(t, 1)
	n := l.Missing()[0].From
	if err := l.Restore(n, []byte("not this one")); !errors.Is(err, ErrMisfit) {
		t.Fatalf("wrong payload: %v", err)
	}
	if missing := check(t, l, m); len(missing) != 1 {
		t.Errorf("missing %v", missing)
	}
	if err := l.Restore(n, m[n-1]); err != nil {
		t.Fatal(err)
	}
	checkWhole(t, l, m)
}

// TestALostChainIsKnownAgainAfterRestoring loses the head and a frame before the last
// write, so that nothing says what the chain hash behind it was.
func TestALostChainIsKnownAgainAfterRestoring(t *testing.T) {
	m := lines(3)
	all := closed(t, m, 1)
	delete(all, headName)
	all[segmentName(1)][headerSize+FrameOverhead] ^= 1
	dir := place(t, t.TempDir(), all)
	l, _ := mustOpen(t, dir, tiny, quickDisk())
	if l.Chain().known() || len(l.Missing()) == 0 {
		t.Fatalf("chain %x, missing %v", l.Chain(), l.Missing())
	}
	m = append(m, []byte("after"))
	mustAppend(t, l, m[len(m)-1])
	restore(t, l, m)
	if err := l.Settle(); err != nil {
		t.Fatal(err)
	}
	mustClose(t, l)
	l, report := mustOpen(t, dir, tiny, quickDisk())
	defer l.Close()
	if len(report.Findings) > 0 {
		t.Error(report)
	}
	checkWhole(t, l, m)
}

func TestTheHeadKnowsTheChainBehindAMissingFrame(t *testing.T) {
	m := lines(3)
	all := closed(t, m, 1)
	all[segmentName(1)][headerSize+FrameOverhead] ^= 1
	l, _ := mustOpen(t, place(t, t.TempDir(), all), tiny, quickDisk())
	defer l.Close()
	if l.Chain() != m.chain(testID, 3) {
		t.Errorf("chain %x", l.Chain())
	}
	if err := l.Restore(1, []byte("not this one")); !errors.Is(err, ErrMisfit) {
		t.Errorf("wrong payload: %v", err)
	}
	if err := l.Restore(1, m[0]); err != nil {
		t.Error(err)
	}
	checkWhole(t, l, m)
}

func TestAMisfitRefusesAllThatWaited(t *testing.T) {
	l, m, _, _ := gappy(t, 0, 2)
	gaps := l.Missing()
	a, b := gaps[0].From, gaps[1].From
	if err := l.Restore(a, []byte("not this one")); err != nil {
		t.Fatal(err)
	}
	if err := l.Restore(b, m[b-1]); !errors.Is(err, ErrMisfit) {
		t.Fatal(err)
	}
	if err := l.Restore(a, m[a-1]); err != nil {
		t.Fatal(err)
	}
	if missing := check(t, l, m); !slices.Equal(missing, gaps) {
		t.Errorf("missing %v, want %v", missing, gaps)
	}
	if err := l.Restore(b, m[b-1]); err != nil {
		t.Fatal(err)
	}
	checkWhole(t, l, m)
}

// TestAnInterruptedMendingKeepsTheDamagedFileOnce fails the last step of mending.
func TestAnInterruptedMendingKeepsTheDamagedFileOnce(t *testing.T) {
	l, m, all, dir := gappy(t, 0)
	mustClose(t, l)
	name := segmentsOf(all)[1]
	for range 3 {
		l, _ := mustOpen(t, dir, tiny, gated(quickDisk(), func(call, file string) error {
			if call == "rename" && filepath.Base(file) == name {
				return syscall.EIO
			}
			return nil
		}))
		n := l.Missing()[0].From
		if err := l.Restore(n, m[n-1]); !errors.Is(err, ErrBroken) {
			t.Fatal(err)
		}
		mustClose(t, l)
	}
	l, _ = mustOpen(t, dir, tiny, quickDisk())
	restore(t, l, m)
	checkWhole(t, l, m)
	mustClose(t, l)
	kept, spare := 0, 0
	for name := range files(t, dir) {
		if strings.HasPrefix(name, asidePrefix) {
			kept++
		}
		if strings.HasSuffix(name, spareExt) {
			spare++
		}
	}
	if kept != 1 || spare != 0 {
		t.Errorf("%d damaged files kept, %d unfinished files", kept, spare)
	}
}

// TestAFrameThatRotsBeforeTheSegmentIsWrittenAgain damages a frame that Open has
// found whole, and then restores its neighbour.
func TestAFrameThatRotsBeforeTheSegmentIsWrittenAgain(t *testing.T) {
	l, m, all, dir := gappy(t, 0)
	name := segmentsOf(all)[1]
	path := filepath.Join(dir, name)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)-1] ^= 1
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	n := l.Missing()[0].From
	var rotten MissingError
	if err := l.Restore(n, m[n-1]); !errors.As(err, &rotten) || rotten.From == n {
		t.Fatalf("restored beside a rotten frame: %v", err)
	}
	if err := l.Restore(rotten.From, m[rotten.From-1]); err != nil {
		t.Fatal(err)
	}
	checkWhole(t, l, m)
	if now := files(t, dir)[name]; !slices.Equal(now, all[name]) {
		t.Error("segment is not as it was")
	}
}

func TestDropForgetsFramesThatWait(t *testing.T) {
	l, m, _, _ := gappy(t, 0, 2)
	n := l.Missing()[0].From
	if err := l.Restore(n, m[n-1]); err != nil {
		t.Fatal(err)
	}
	if err := l.Drop(l.Last()); err != nil {
		t.Fatal(err)
	}
	if len(l.restored) > 0 || len(l.Missing()) > 0 {
		t.Errorf("%d frames wait, missing %v", len(l.restored), l.Missing())
	}
}

func TestOnlyMissingFramesAreRestored(t *testing.T) {
	l, m, _, _ := gappy(t, 1)
	n := l.Missing()[0].From
	for name, c := range map[string]struct {
		number  uint64
		payload []byte
	}{
		"zero": {0, m[0]}, "there": {1, m[0]}, "above the last": {l.Last() + 1, m[0]},
		"empty": {n, nil}, "too large": {n, make([]byte, MaxPayload+1)},
	} {
		if err := l.Restore(c.number, c.payload); err == nil {
			t.Errorf("%s: restored", name)
		}
	}
	if err := l.Drop(n); err != nil {
		t.Fatal(err)
	}
	if l.First() > n {
		if err := l.Restore(n, m[n-1]); err == nil {
			t.Error("restored a dropped frame")
		}
	}
}

// TestAGapOfManySegmentsIsRestoredInAnyOrder deletes all segments but the first and
// the last.
func TestAGapOfManySegmentsIsRestoredInAnyOrder(t *testing.T) {
	m := lines(60)
	all := closed(t, m, 1)
	names := segmentsOf(all)
	few := map[string][]byte{headName: all[headName], names[0]: all[names[0]], names[len(names)-1]: all[names[len(names)-1]]}
	from, to := mustParse(t, names[1]), mustParse(t, names[len(names)-1])-1
	for name, order := range map[string]func(i uint64) uint64{
		"rising":  func(i uint64) uint64 { return from + i },
		"falling": func(i uint64) uint64 { return to - i },
		"mixed":   func(i uint64) uint64 { return from + (i*11+3)%(to-from+1) },
	} {
		if (to-from+1)%11 == 0 {
			t.Fatal("the mixed order needs another step")
		}
		dir := place(t, t.TempDir(), few)
		l, report := mustOpen(t, dir, tiny, quickDisk())
		if !slices.Equal(report.Missing(), []Range{{from, to}}) {
			t.Fatalf("%v", report)
		}
		for i := range to - from + 1 {
			n := order(i)
			if err := l.Restore(n, m[n-1]); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		checkWhole(t, l, m)
		if now := files(t, dir); !maps.EqualFunc(now, all, slices.Equal) {
			t.Errorf("%s: files %v, want %v", name, segmentsOf(now), segmentsOf(all))
		}
		mustClose(t, l)
		l = openClean(t, dir, tiny, quickDisk())
		checkWhole(t, l, m)
		mustClose(t, l)
	}
}

func TestAFrameThatRotsWhileOpenIsMissingAndRestored(t *testing.T) {
	m, all := damages(t)
	for i, name := range segmentsOf(all) {
		dir := place(t, t.TempDir(), all)
		l := openClean(t, dir, tiny, quickDisk())
		bad := slices.Clone(all[name])
		found, _ := scan(bad, 1, 100)
		bad[found[0].end-1] ^= 1
		if err := os.WriteFile(filepath.Join(dir, name), bad, 0o600); err != nil {
			t.Fatal(err)
		}
		n := found[0].number
		if missing := l.readable(n); !errors.As(missing, new(MissingError)) {
			t.Fatalf("segment %d: %v", i, missing)
		}
		if missing := check(t, l, m); !slices.Equal(missing, []Range{{n, n}}) {
			t.Fatalf("segment %d: missing %v", i, missing)
		}
		grown := append(slices.Clone(m), []byte("after"))
		mustAppend(t, l, grown[len(m)])
		restore(t, l, grown)
		checkWhole(t, l, grown)
		if now := files(t, dir)[name]; !slices.Equal(now, all[name]) {
			t.Errorf("segment %d is not as it was", i)
		}
		mustClose(t, l)
		l = openClean(t, dir, tiny, quickDisk())
		checkWhole(t, l, grown)
		mustClose(t, l)
	}
}

// readable reads one frame for its error.
func (l *Ledger) readable(n uint64) error {
	for _, err := range l.Read(n) {
		return err
	}
	return errors.New("nothing read")
}

// TestDamageIsKeptOnceForEachTime mends the same segment three times, and opens
// between without mending.
func TestDamageIsKeptOnceForEachTime(t *testing.T) {
	l, m, all, dir := gappy(t, 0)
	name := segmentsOf(all)[1]
	kept := func() (n int) {
		for name := range files(t, dir) {
			if strings.HasPrefix(name, asidePrefix) {
				n++
			}
		}
		return n
	}
	for round := 1; round <= 3; round++ {
		for range 2 {
			mustClose(t, l)
			l, _ = mustOpen(t, dir, tiny, quickDisk())
		}
		if n := kept(); n != round-1 {
			t.Fatalf("%d damaged files before mending %d", n, round)
		}
		restore(t, l, m)
		checkWhole(t, l, m)
		if n := kept(); n != round {
			t.Fatalf("%d damaged files after mending %d", n, round)
		}
		mustClose(t, l)
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		b[len(b)-1] ^= 1 << round
		if err := os.WriteFile(filepath.Join(dir, name+spareExt), b, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(filepath.Join(dir, name+spareExt), filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
		l, _ = mustOpen(t, dir, tiny, quickDisk())
	}
	mustClose(t, l)
}
