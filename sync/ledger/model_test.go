package ledger

import (
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// A machine drives a ledger and its model with the same random steps.
type machine struct {
	below string
	dir   string
	l     *Ledger
	m     model

	// settledHead is the head as the last sync of it left it: the oldest that a
	// power cut can leave.
	settledHead []byte
	quiet       map[string][]byte // the files before the last append
	unacked     int               // frames of m that the last append added
}

func (k *machine) open(t *rapid.T) Report {
	l, report := mustOpen(t, k.dir, tiny, quickDisk())
	k.l = l
	k.synced(t)
	return report
}

func (k *machine) synced(t *rapid.T) {
	k.settledHead = files(t, k.dir)[headName]
	k.quiet, k.unacked = nil, 0
}

// restart goes on with other files, as after a kill or a power cut.
func (k *machine) restart(t *rapid.T, all map[string][]byte) Report {
	mustClose(t, k.l)
	k.dir = place(t, k.below, all)
	return k.open(t)
}

func (k *machine) append(t *rapid.T) {
	payloads := rapid.SliceOfN(rapid.SliceOfN(rapid.Byte(), 1, 60), 1, 4).Draw(t, "payloads")
	k.quiet, k.unacked = files(t, k.dir), len(payloads)
	mustAppend(t, k.l, payloads...)
	k.m = append(k.m, payloads...)
}

func (k *machine) pledge(t *rapid.T) {
	n := rapid.Uint64Range(0, k.l.Last()).Draw(t, "pledge")
	if err := k.l.Pledge(n); err != nil {
		t.Fatal(err)
	}
	k.synced(t)
}

func (k *machine) drop(t *rapid.T) {
	if err := k.l.Drop(rapid.Uint64Range(0, k.l.Last()).Draw(t, "drop")); err != nil {
		t.Fatal(err)
	}
	k.synced(t)
}

func (k *machine) kill(t *rapid.T) {
	if report := k.restart(t, files(t, k.dir)); len(report.Findings) > 0 {
		t.Fatalf("after a kill: %v", report)
	}
}

// cutPower takes back the head to any that was written since it was last synced, and
// any blocks of the last append, which nobody was told of.
func (k *machine) cutPower(t *rapid.T) {
	now := files(t, k.dir)
	if rapid.Bool().Draw(t, "head lost too") {
		now[headName] = k.settledHead
	}
	if k.quiet != nil {
		if _, told := now[headName], k.quiet[headName]; rapid.Bool().Draw(t, "head of before") {
			now[headName] = told
		}
		k.tear(t, now)
	} else {
		k.unacked = 0
	}
	oldest := len(k.m) - k.unacked
	report := k.restart(t, now)
	for _, f := range report.Findings {
		if _, ok := f.(TornTail); !ok {
			t.Fatalf("after a power cut: %v", report)
		}
	}
	if n := int(k.l.Last()); n < oldest || n > len(k.m) {
		t.Fatalf("last is %d of %d, at least %d are synced", n, len(k.m), oldest)
	}
	k.m = k.m[:k.l.Last()]
}

// tear zeroes some blocks of what the last append added, and may cut the file. A
// head that names the append was not written then.
func (k *machine) tear(t *rapid.T, now map[string][]byte) {
	names := segmentsOf(now)
	name := names[len(names)-1]
	was := max(len(k.quiet[name]), headerSize) // a new segment has its header
	b := slices.Clone(now[name])
	const block = 8
	for at := was; at < len(b); at += block {
		if rapid.IntRange(0, 4).Draw(t, "block") == 0 {
			clear(b[at:min(at+block, len(b))])
		}
	}
	b = b[:rapid.IntRange(was, len(b)).Draw(t, "cut")]
	if !slices.Equal(b, now[name]) {
		now[name] = b
		if rapid.Bool().Draw(t, "old head") {
			now[headName] = k.settledHead
		} else {
			now[headName] = k.quiet[headName]
		}
	}
}

// damage flips some bytes of some files, and puts everything back.
func (k *machine) damage(t *rapid.T) {
	mustClose(t, k.l)
	want := files(t, k.dir)
	bad := maps.Clone(want)
	for range rapid.IntRange(1, 3).Draw(t, "flips") {
		name := rapid.SampledFrom(segmentsOf(want)).Draw(t, "file")
		bad[name] = slices.Clone(bad[name])
		at := rapid.IntRange(0, len(bad[name])-1).Draw(t, "at")
		bad[name][at] ^= rapid.ByteRange(1, 255).Draw(t, "flip")
	}
	k.dir = place(t, k.below, bad)
	report := k.open(t)
	missing := check(t, k.l, k.m)
	if !slices.Equal(missing, merge(report.Missing())) {
		t.Fatalf("missing %v, reported %v", missing, report)
	}
	if !maps.EqualFunc(bad, want, slices.Equal) && len(report.Findings) == 0 {
		t.Fatal("damage was not reported")
	}
	restore(t, k.l, k.m)
	if err := k.l.Settle(); err != nil {
		t.Fatal(err)
	}
	k.dir = place(t, k.below, files(t, k.dir))
	mustClose(t, k.l)
	if report := k.open(t); len(report.Missing()) > 0 || report.MayHaveGoneBack() {
		t.Fatalf("after mending: %v", report)
	}
}

func (k *machine) read(t *rapid.T) {
	if len(check(t, k.l, k.m)) > 0 {
		t.Fatal("frames are missing")
	}
	n := rapid.Uint64Range(k.l.First()-1, k.l.Last()).Draw(t, "chain at")
	h, err := k.l.ChainAt(n)
	if err != nil || h.known() && h != k.m.chain(testID, n) {
		t.Fatalf("chain at %d: %x, %v", n, h, err)
	}
}

func TestTheLedgerIsItsModel(t *testing.T) {
	t.Parallel()
	below := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		k := &machine{below: below, dir: place(t, below, nil)}
		if report := k.open(t); len(report.Findings) > 0 {
			t.Fatal(report)
		}
		defer func() { k.l.Close() }()
		t.Repeat(map[string]func(*rapid.T){
			"append":    k.append,
			"and again": k.append,
			"pledge":    k.pledge,
			"drop":      k.drop,
			"kill":      k.kill,
			"power cut": k.cutPower,
			"damage":    k.damage,
			"":          k.read,
		})
	})
}
