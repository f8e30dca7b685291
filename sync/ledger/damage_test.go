package ledger

import (
	"bytes"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"testing"
)

// damages is a model of twelve frames in writes of one to three, and the files that
// hold them in several segments.
func damages(t *testing.T) (model, map[string][]byte) {
	t.Helper()
	m := lines(12)
	return m, closed(t, m, 3)
}

// single is the same in writes of one frame. Where a file was cut, nothing tells
// which frames were written together.
func single(t *testing.T) (model, map[string][]byte) {
	t.Helper()
	m := lines(12)
	return m, closed(t, m, 1)
}

// survive opens a damaged directory and holds Open to its promise: every frame is
// there with the right payload, or reported; what is reported can be put back, and
// then the segments are what they were; the ledger goes on behind the last frame;
// and a later Open has nothing more to say.
func survive(t tb, dir string, m model, want map[string][]byte) Report {
	t.Helper()
	l, report := mustOpen(t, dir, tiny, quickDisk())
	missing := check(t, l, m)
	if !slices.Equal(missing, merge(report.Missing())) {
		t.Fatalf("missing %v, reported %v", missing, report)
	}
	restore(t, l, m)
	if missing := check(t, l, m); len(missing) > 0 {
		t.Fatalf("missing frames %v after restoring; %v", missing, report)
	}
	now := files(t, dir)
	for _, name := range segmentsOf(want) {
		if !bytes.Equal(now[name], want[name]) {
			t.Fatalf("%s is not as it was; %v\n%x, want\n%x", name, report, now[name], want[name])
		}
	}
	if err := l.Settle(); err != nil {
		t.Fatalf("settle: %v", err)
	}
	m = append(slices.Clone(m), []byte("after"))
	mustAppend(t, l, m[len(m)-1])
	mustClose(t, l)
	l, again := mustOpen(t, dir, tiny, quickDisk())
	if again.MayHaveGoneBack() || len(again.Missing()) > 0 {
		t.Fatalf("second open found %v; the first %v", again, report)
	}
	checkWhole(t, l, m)
	mustClose(t, l)
	return report
}

// stride is how far apart the damaged bytes are: every one counts, a short test
// takes some.
func stride() int {
	if testing.Short() {
		return 13
	}
	return 1
}

// merge joins ranges that touch.
func merge(gaps []Range) (joined []Range) {
	for _, r := range gaps {
		joined = joinRange(joined, r)
	}
	return joined
}

func TestAFlippedByteAnywhereIsReportedAndMended(t *testing.T) {
	t.Parallel()
	m, all := damages(t)
	below := t.TempDir()
	for _, name := range append(segmentsOf(all), headName) {
		for at := 0; at < len(all[name]); at += stride() {
			if name == headName && at%slotStride >= slotSize {
				continue // filling between the slots, which nobody reads
			}
			bad := maps.Clone(all)
			bad[name] = slices.Clone(all[name])
			bad[name][at] ^= 1 << (at % 8)
			report := survive(prefix{t, fmt.Sprintf("%s byte %d flipped", name, at)}, place(t, below, bad), m, all)
			if len(report.Findings) == 0 {
				t.Fatalf("%s byte %d flipped: no report", name, at)
			}
		}
	}
}

func TestACutFileIsReportedAndMendedAtEveryByte(t *testing.T) {
	t.Parallel()
	m, all := single(t)
	below := t.TempDir()
	for _, name := range append(segmentsOf(all), headName) {
		for size := 0; size < len(all[name]); size += stride() {
			if name == headName && size%slotStride > slotSize {
				continue // as if cut at the end of the slot
			}
			bad := maps.Clone(all)
			bad[name] = all[name][:size]
			report := survive(prefix{t, fmt.Sprintf("%s cut to %d bytes", name, size)}, place(t, below, bad), m, all)
			if len(report.Findings) == 0 && !(name == headName && size == slotStride+slotSize) { // filling cut
				t.Fatalf("%s cut to %d bytes: no report", name, size)
			}
		}
	}
}

func TestAZeroedRangeIsReportedAndMended(t *testing.T) {
	t.Parallel()
	m, all := single(t)
	below := t.TempDir()
	for _, name := range segmentsOf(all) {
		for _, size := range []int{4, 16, 512} {
			for at := 0; at < len(all[name]); at += 8 {
				bad := maps.Clone(all)
				bad[name] = slices.Clone(all[name])
				clear(bad[name][at:min(at+size, len(bad[name]))])
				dir := place(t, below, bad)
				report := survive(prefix{t, fmt.Sprintf("%s zero from %d for %d", name, at, size)}, dir, m, all)
				if len(report.Findings) == 0 && !bytes.Equal(bad[name], all[name]) {
					t.Fatalf("%s zero from %d for %d: no report", name, at, size)
				}
			}
		}
	}
}

func TestMissingFilesAreReportedAndMended(t *testing.T) {
	m, all := damages(t)
	names := append(segmentsOf(all), headName)
	for set := 1; set < 1<<len(names)-1; set++ {
		bad := maps.Clone(all)
		for i, name := range names {
			if set>>i&1 == 1 {
				delete(bad, name)
			}
		}
		if _, ok := bad[headName]; !ok {
			continue // what the end was is then not known; see the findings
		}
		report := survive(prefix{t, fmt.Sprintf("without %b of %v", set, names)}, place(t, t.TempDir(), bad), m, nil)
		if len(report.Missing()) == 0 {
			t.Fatalf("without %b of %v: %v", set, names, report)
		}
	}
}

func TestUnsyncedTailIsCutAtEveryByte(t *testing.T) {
	below, m := t.TempDir(), lines(12)
	dir := t.TempDir()
	l := openClean(t, dir, Options{}, quickDisk())
	fill(t, l, m[:9])
	before := files(t, dir)
	mustAppend(t, l, m[9:]...)
	after, name := files(t, dir)[segmentName(1)], segmentName(1)
	mustClose(t, l)
	whole := map[int]int{len(before[name]): 9} // frames in a file of so many bytes
	for at, n := len(before[name]), 9; n < 12; {
		at, n = at+FrameOverhead+len(m[n]), n+1
		whole[at] = n
	}
	kept := 0
	for size := len(before[name]); size <= len(after); size++ {
		torn := maps.Clone(before)
		torn[name] = after[:size]
		l, report := mustOpen(t, place(t, below, torn), Options{}, quickDisk())
		want := []Finding{}
		if n, ok := whole[size]; ok {
			kept = n
		} else {
			last := size
			for whole[last] != kept {
				last--
			}
			want = append(want, TornTail{From: uint64(kept) + 1, Bytes: int64(size - last)})
		}
		if fmt.Sprint(report.Findings) != fmt.Sprint(want) {
			t.Fatalf("cut to %d bytes: %v, want %v", size, report, want)
		}
		checkWhole(t, l, m[:kept])
		mustAppend(t, l, []byte("another"))
		mustClose(t, l)
	}
}

// TestATornWriteIsNoDamage zeroes any part of a write that was not synced, as a
// power cut does that lets later blocks reach the disk before earlier ones. The
// head on disk is older than the write, or much older.
func TestATornWriteIsNoDamage(t *testing.T) {
	t.Parallel()
	below, m := t.TempDir(), lines(12)
	dir := t.TempDir()
	l := openClean(t, dir, Options{}, quickDisk())
	first := files(t, dir)[headName]
	fill(t, l, m[:9])
	older := files(t, dir)
	name := segmentName(1)
	mustAppend(t, l, m[9:]...)
	after := files(t, dir)[name]
	mustClose(t, l)
	for _, head := range [][]byte{first, older[headName]} {
		for from := len(older[name]); from < len(after); from += 3 {
			for to := from + 1; to <= len(after); to += 7 {
				torn := slices.Clone(after)
				clear(torn[from:to])
				l, report := mustOpen(t, place(t, below, map[string][]byte{headName: head, name: torn}), Options{}, quickDisk())
				for _, f := range report.Findings {
					if _, ok := f.(TornTail); !ok {
						t.Fatalf("zero from %d to %d: %v", from, to, report)
					}
				}
				if n := l.Last(); n < 9 || n > 12 {
					t.Fatalf("zero from %d to %d: last is %d", from, to, n)
				}
				checkWhole(t, l, m[:l.Last()])
				mustClose(t, l)
			}
		}
	}
}

// TestDamageBeforeTheLastWriteIsNoTornTail holds with a head from before all
// writes, as a power cut may leave it.
func TestDamageBeforeTheLastWriteIsNoTornTail(t *testing.T) {
	t.Parallel()
	below, m := t.TempDir(), lines(12)
	dir := t.TempDir()
	l := openClean(t, dir, Options{}, quickDisk())
	head := files(t, dir)[headName]
	fill(t, l, m[:9])
	name := segmentName(1)
	end := len(files(t, dir)[name])
	mustAppend(t, l, m[9:]...)
	after := files(t, dir)[name]
	mustClose(t, l)
	for at := headerSize; at < end; at++ {
		bad := slices.Clone(after)
		bad[at] ^= 0x10
		l, report := mustOpen(t, place(t, below, map[string][]byte{headName: head, name: bad}), Options{}, quickDisk())
		if len(report.Missing()) == 0 || len(report.Findings) != 1 {
			t.Fatalf("byte %d: %v", at, report)
		}
		check(t, l, m)
		restore(t, l, m)
		if missing := check(t, l, m); len(missing) > 0 {
			t.Fatalf("byte %d: missing %v", at, missing)
		}
		mustClose(t, l)
	}
}

// TestANumberFarAheadCostsNoMemory: a frame that is whole but numbered far ahead of
// its place is not believed.
func TestANumberFarAheadCostsNoMemory(t *testing.T) {
	const far = 1 << 22
	b := header{testID, 1, testID.origin()}.encode()
	b = appendFrame(b, testID.salt(), 1, []byte("one"), true)
	b = appendFrame(b, testID.salt(), far, []byte("far"), true)
	for _, next := range []map[string][]byte{{}, {segmentName(far + 1): header{testID, far + 1, Hash{}}.encode()}} {
		next[segmentName(1)] = b
		l, report := mustOpen(t, place(t, t.TempDir(), next), tiny, quickDisk())
		if n := len(l.segments[0].frames); n != 1 {
			t.Errorf("%d frames noted; %v", n, report)
		}
		mustClose(t, l)
	}
}

func TestNoHeadAndNoHeaderIsAnError(t *testing.T) {
	dir := place(t, t.TempDir(), map[string][]byte{segmentName(1): []byte("noise")})
	before := files(t, dir)
	if _, _, err := open(dir, tiny, quickDisk()); err == nil {
		t.Fatal("opened")
	}
	if after := files(t, dir); !reflect.DeepEqual(after, before) {
		t.Error("files were changed")
	}
}

// prefix names the case in a failure.
type prefix struct {
	tb
	name string
}

func (p prefix) Fatalf(format string, args ...any) {
	p.Helper()
	p.tb.Fatalf(p.name+": "+format, args...)
}
