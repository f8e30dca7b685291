package ledger

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// testID is the id of every ledger that quickDisk makes.
var testID = ID{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}

// quickDisk does all but wait for the disk, and makes every ledger with testID.
func quickDisk() disk {
	d := realDisk()
	d.sync = func(*os.File) error { return nil }
	d.random = func(b []byte) (int, error) { return copy(b, testID[:]), nil }
	return d
}

// tiny segments hold a few frames of a few bytes.
var tiny = Options{SegmentBytes: 150}

// tb is what a helper needs of *testing.T and *rapid.T.
type tb interface {
	Helper()
	Fatalf(format string, args ...any)
}

func mustOpen(t tb, dir string, o Options, d disk) (*Ledger, Report) {
	t.Helper()
	l, report, err := open(dir, o, d)
	if err != nil {
		t.Fatalf("open: %v", err)
	}
	return l, report
}

// openClean fails if there is anything to report.
func openClean(t tb, dir string, o Options, d disk) *Ledger {
	t.Helper()
	l, report := mustOpen(t, dir, o, d)
	if len(report.Findings) > 0 {
		t.Fatalf("open found: %v", report)
	}
	return l
}

func mustAppend(t tb, l *Ledger, payloads ...[]byte) {
	t.Helper()
	last := l.Last()
	first, err := l.Append(payloads...)
	if err != nil {
		t.Fatalf("append: %v", err)
	}
	if first != last+1 || l.Last() != last+uint64(len(payloads)) {
		t.Fatalf("append gave frame %d and last %d after frame %d", first, l.Last(), last)
	}
}

func mustClose(t tb, l *Ledger) {
	t.Helper()
	if err := l.Close(); err != nil {
		t.Fatalf("close: %v", err)
	}
}

// A model is the dumb ledger: payload n-1 is frame n.
type model [][]byte

func (m model) chain(id ID, n uint64) Hash {
	h := sha256.Sum256(id[:])
	for _, p := range m[:n] {
		h = sha256.Sum256(append(h[:], p...))
	}
	return h
}

// lines is a model of n payloads of several lengths.
func lines(n int) (m model) {
	for i := range n {
		m = append(m, []byte(strings.Repeat(fmt.Sprintf("frame-%d ", i+1), 1+i%4)))
	}
	return m
}

// fill appends a model in writes of one, two and three frames.
func fill(t tb, l *Ledger, m model) {
	t.Helper()
	fillBy(t, l, m, 3)
}

// fillBy appends a model in writes of one frame up to most, again and again.
func fillBy(t tb, l *Ledger, m model, most int) {
	t.Helper()
	for i, n := 0, 1; i < len(m); i, n = i+n, n%most+1 {
		mustAppend(t, l, m[i:min(i+n, len(m))]...)
	}
}

// check reads everything, and fails if a payload is wrong or missing frames are
// not those that Missing lists. It returns those.
func check(t tb, l *Ledger, m model) (missing []Range) {
	t.Helper()
	if l.Last() != uint64(len(m)) {
		t.Fatalf("last is %d, want %d", l.Last(), len(m))
	}
	next := l.First()
	for frame, err := range l.Read(next) {
		var gap MissingError
		switch {
		case errors.As(err, &gap):
			if gap.From != next || gap.Dropped {
				t.Fatalf("at frame %d: %v", next, err)
			}
			missing = append(missing, Range{gap.From, gap.To})
			next = gap.To + 1
		case err != nil:
			t.Fatalf("read: %v", err)
		case frame.Number != next || !bytes.Equal(frame.Payload, m[next-1]):
			t.Fatalf("frame %d came as %d %q, want %q", next, frame.Number, frame.Payload, m[next-1])
		default:
			next++
		}
	}
	if next != l.Last()+1 {
		t.Fatalf("reading ended before %d, last is %d", next, l.Last())
	}
	if !slices.Equal(missing, l.Missing()) {
		t.Fatalf("missing when read: %v, listed: %v", missing, l.Missing())
	}
	return missing
}

// checkWhole fails, too, if anything is missing or the chain is not the model's.
func checkWhole(t tb, l *Ledger, m model) {
	t.Helper()
	if missing := check(t, l, m); len(missing) > 0 {
		t.Fatalf("missing frames %v", missing)
	}
	if l.Chain() != m.chain(l.ID(), l.Last()) {
		t.Fatalf("wrong chain hash at frame %d", l.Last())
	}
}

// restore puts back all that is missing.
func restore(t tb, l *Ledger, m model) {
	t.Helper()
	for _, gap := range l.Missing() {
		for n := gap.From; n <= gap.To; n++ {
			if err := l.Restore(n, m[n-1]); err != nil {
				t.Fatalf("restore: %v", err)
			}
		}
	}
}

// files reads a directory, but for the lock.
func files(t tb, dir string) map[string][]byte {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatalf("%v", err)
	}
	all := map[string][]byte{}
	for _, e := range entries {
		if e.Name() == lockName {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatalf("%v", err)
		}
		all[e.Name()] = b
	}
	return all
}

// place makes a new directory with some files, below a test's own.
func place(t tb, below string, all map[string][]byte) (dir string) {
	t.Helper()
	dir, err := os.MkdirTemp(below, "")
	if err != nil {
		t.Fatalf("%v", err)
	}
	for name, b := range all {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatalf("%v", err)
		}
	}
	return dir
}

// closed gives the files of a ledger that holds a model, in writes of one frame up
// to most, and was closed.
func closed(t *testing.T, m model, most int) map[string][]byte {
	t.Helper()
	dir := t.TempDir()
	l := openClean(t, dir, tiny, quickDisk())
	fillBy(t, l, m, most)
	mustClose(t, l)
	return files(t, dir)
}

// segmentsOf lists the names of the segments by rising number.
func segmentsOf(all map[string][]byte) (names []string) {
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if _, ok := parseSegmentName(name); ok {
			names = append(names, name)
		}
	}
	return names
}

func TestFramesComeBackInOrderAfterReopening(t *testing.T) {
	dir, m := filepath.Join(t.TempDir(), "deep", "own"), lines(40)
	l := openClean(t, dir, tiny, realDisk())
	fill(t, l, m)
	checkWhole(t, l, m)
	id := l.ID()
	mustClose(t, l)

	l = openClean(t, dir, tiny, realDisk())
	defer l.Close()
	checkWhole(t, l, m)
	if l.ID() != id {
		t.Errorf("id changed from %v to %v", id, l.ID())
	}
	for n := range uint64(len(m) + 1) {
		if h, err := l.ChainAt(n); err != nil || h != m.chain(id, n) {
			t.Errorf("chain at %d: %x, %v", n, h, err)
		}
	}
	if _, err := l.ChainAt(l.Last() + 1); err == nil {
		t.Error("a chain hash above the last frame")
	}
}

func TestTwoLedgersHaveTwoIDs(t *testing.T) {
	a := openClean(t, t.TempDir(), Options{}, realDisk())
	defer a.Close()
	b := openClean(t, t.TempDir(), Options{}, realDisk())
	defer b.Close()
	if a.ID() == b.ID() {
		t.Errorf("both are %v", a.ID())
	}
}

func TestASecondOpenIsRefused(t *testing.T) {
	dir := t.TempDir()
	l := openClean(t, dir, Options{}, realDisk())
	if _, _, err := Open(dir, Options{}); !errors.Is(err, ErrInUse) {
		t.Fatalf("second open: %v", err)
	}
	mustClose(t, l)
	l = openClean(t, dir, Options{}, realDisk())
	mustClose(t, l)
}

func TestPayloadsOutsideTheLimitsAreRefusedAndChangeNothing(t *testing.T) {
	l := openClean(t, t.TempDir(), Options{}, quickDisk())
	defer l.Close()
	largest := make([]byte, MaxPayload)
	for name, payloads := range map[string][][]byte{
		"no payload":     nil,
		"empty":          {{}},
		"empty among":    {{1}, {}},
		"too large":      {make([]byte, MaxPayload+1)},
		"too many bytes": {largest, largest, largest, largest},
	} {
		if _, err := l.Append(payloads...); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	checkWhole(t, l, nil)
	m := model{largest, {1}, largest, largest}
	mustAppend(t, l, m[:3]...)
	mustAppend(t, l, m[3])
	checkWhole(t, l, m)
}

func TestSegmentSizeOutsideTheLimitsIsRefused(t *testing.T) {
	for _, size := range []int64{-1, MaxSegmentBytes + 1} {
		if l, _, err := Open(t.TempDir(), Options{SegmentBytes: size}); err == nil {
			l.Close()
			t.Errorf("%d bytes: accepted", size)
		}
	}
}

func TestBytesIsTheSizeOfHeadAndSegments(t *testing.T) {
	dir := t.TempDir()
	l := openClean(t, dir, tiny, quickDisk())
	defer l.Close()
	fill(t, l, lines(20))
	var sum int64
	for _, b := range files(t, dir) {
		sum += int64(len(b))
	}
	if l.Bytes() != sum {
		t.Errorf("%d, want %d", l.Bytes(), sum)
	}
}

func TestOpenRemovesItsUnfinishedFilesAndNoOther(t *testing.T) {
	all := closed(t, lines(4), 1)
	all[headName+spareExt], all[segmentName(1)+spareExt], all[segmentName(99)+spareExt] = nil, []byte("x"), nil
	all["notes.tmp"], all["notes.led"], all["damaged-1-1"] = nil, nil, nil
	dir := place(t, t.TempDir(), all)
	l := openClean(t, dir, tiny, quickDisk())
	defer l.Close()
	now := files(t, dir)
	for name := range all {
		_, stays := now[name]
		if unfinished := strings.HasSuffix(name, spareExt) && name != "notes.tmp"; stays == unfinished {
			t.Errorf("%s: there after open: %v", name, stays)
		}
	}
}

func TestPledgeOutlivesTheProcess(t *testing.T) {
	dir := t.TempDir()
	l := openClean(t, dir, tiny, quickDisk())
	fill(t, l, lines(5))
	if err := l.Pledge(6); err == nil {
		t.Error("pledged a frame that does not exist")
	}
	for _, n := range []uint64{3, 2} {
		if err := l.Pledge(n); err != nil {
			t.Fatal(err)
		}
	}
	killed := place(t, t.TempDir(), files(t, dir))
	mustClose(t, l)
	l = openClean(t, killed, tiny, quickDisk())
	defer l.Close()
	if l.Pledged() != 3 {
		t.Errorf("pledged %d, want 3", l.Pledged())
	}
}

func TestAClosedLedgerRefusesEverything(t *testing.T) {
	l := openClean(t, t.TempDir(), tiny, quickDisk())
	fill(t, l, lines(3))
	mustClose(t, l)
	_, appending := l.Append([]byte("late"))
	var reading error
	for _, err := range l.Read(1) {
		reading = err
	}
	for name, err := range map[string]error{
		"append": appending, "read": reading, "pledge": l.Pledge(1), "drop": l.Drop(1),
		"settle": l.Settle(), "restore": l.Restore(1, []byte("x")),
	} {
		if !errors.Is(err, ErrClosed) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := l.Close(); err != nil {
		t.Errorf("closing again: %v", err)
	}
}
