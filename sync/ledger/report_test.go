package ledger

import (
	"bytes"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"testing"
)

func TestEveryFinding(t *testing.T) {
	m, all := damages(t)
	names := segmentsOf(all)
	if len(names) < 4 {
		t.Fatalf("only %d segments", len(names))
	}
	first := func(i int) (n uint64) { n, _ = parseSegmentName(names[i]); return n }
	last := len(names) - 1
	other := foreign(t, m)
	alter := func(change func(map[string][]byte)) map[string][]byte {
		bad := maps.Clone(all)
		for name, b := range bad {
			bad[name] = slices.Clone(b)
		}
		change(bad)
		return bad
	}
	for name, c := range map[string]struct {
		files map[string][]byte
		want  []Finding
		back  bool
	}{
		"nothing": {files: all},
		"head lost": {
			alter(func(f map[string][]byte) { clear(f[headName]) }),
			[]Finding{HeadLost{}}, true,
		},
		"head missing": {
			alter(func(f map[string][]byte) { delete(f, headName) }),
			[]Finding{HeadLost{}}, true,
		},
		"head lost and nothing else there": {
			map[string][]byte{headName: {}},
			[]Finding{HeadLost{}}, true,
		},
		"one slot lost": {
			alter(func(f map[string][]byte) { clear(f[headName][slotStride:]) }),
			[]Finding{HeadTorn{}}, false,
		},
		"head of another ledger": {
			alter(func(f map[string][]byte) { f[headName] = other[headName] }),
			[]Finding{ForeignHead{ID{15: 1}, testID}}, true,
		},
		"segment in the middle missing": {
			alter(func(f map[string][]byte) { delete(f, names[1]) }),
			[]Finding{MissingSegment{Range{first(1), first(2) - 1}}}, false,
		},
		"first segment missing": {
			alter(func(f map[string][]byte) { delete(f, names[0]) }),
			[]Finding{MissingSegment{Range{1, first(1) - 1}}}, false,
		},
		"last segment missing": {
			alter(func(f map[string][]byte) { delete(f, names[last]) }),
			[]Finding{MissingSegment{Range{first(last), 12}}, WentBack{first(last) - 1, 12}}, true,
		},
		"all segments missing": {
			map[string][]byte{headName: all[headName]},
			[]Finding{WentBack{0, 12}, MissingSegment{Range{1, 12}}}, true,
		},
		"segment of another ledger": {
			alter(func(f map[string][]byte) { f[names[1]] = other[names[1]] }),
			[]Finding{Damaged{first(1), []Range{{first(1), first(2) - 1}}}}, false,
		},
		"frame damaged": {
			alter(func(f map[string][]byte) { f[names[1]][headerSize+FrameOverhead] ^= 1 }),
			[]Finding{Damaged{first(1), []Range{{first(1), first(1)}}}}, false,
		},
		"last frame damaged": {
			alter(func(f map[string][]byte) { f[names[last]][len(f[names[last]])-1] ^= 1 }),
			[]Finding{Damaged{first(last), []Range{{12, 12}}}, WentBack{11, 12}}, true,
		},
		"last frame damaged, and a torn write behind it": {
			alter(func(f map[string][]byte) {
				b := f[names[last]]
				b[len(b)-1] ^= 1
				b = append(b, make([]byte, 40)...)
				f[names[last]] = appendFrame(b, testID.salt(), 14, []byte("later"), false)
			}),
			[]Finding{Damaged{first(last), []Range{{12, 12}}}, WentBack{11, 12}}, true,
		},
		"header damaged": {
			alter(func(f map[string][]byte) { f[names[1]][30] ^= 1 }),
			[]Finding{Damaged{first(1), nil}}, false,
		},
		"bytes too many": {
			alter(func(f map[string][]byte) { f[names[1]] = append(f[names[1]], 1, 2, 3) }),
			[]Finding{Damaged{first(1), nil}}, false,
		},
		"bytes too many at the end": {
			alter(func(f map[string][]byte) { f[names[last]] = append(f[names[last]], 1, 2, 3) }),
			[]Finding{TornTail{13, 3}}, false,
		},
		"a segment that was begun and is empty": {
			alter(func(f map[string][]byte) { f[segmentName(13)] = nil }),
			[]Finding{TornTail{13, 0}}, false,
		},
		"a segment that was begun, header cut": {
			alter(func(f map[string][]byte) { f[segmentName(13)] = []byte("bothy-L") }),
			[]Finding{TornTail{13, 7}}, false,
		},
		"an older copy of the last segment": {
			alter(func(f map[string][]byte) {
				f[names[last]] = f[names[last]][:headerSize+FrameOverhead+len(m[first(last)-1])]
			}),
			[]Finding{Damaged{first(last), []Range{{first(last) + 1, 12}}}, WentBack{first(last), 12}}, true,
		},
		"another history": {
			alter(func(f map[string][]byte) {
				b := f[names[last]]
				frame := appendFrame(nil, testID.salt(), 12, bytes.Repeat([]byte{'x'}, len(m[11])), true)
				copy(b[len(b)-len(frame):], frame)
			}),
			[]Finding{ChainBroken{At: 12}}, true,
		},
		"another history in an earlier segment": {
			alter(func(f map[string][]byte) {
				frame := appendFrame(nil, testID.salt(), first(1), bytes.Repeat([]byte{'x'}, len(m[first(1)-1])), true)
				copy(f[names[1]][headerSize:], frame)
			}),
			[]Finding{ChainBroken{At: first(2) - 1}}, true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := place(t, t.TempDir(), c.files)
			l, report := mustOpen(t, dir, tiny, quickDisk())
			if !slices.EqualFunc(report.Findings, c.want, func(a, b Finding) bool { return reflect.DeepEqual(a, b) }) {
				t.Errorf("found %v, want %v", report, Report{c.want})
			}
			if report.MayHaveGoneBack() != c.back {
				t.Errorf("may have gone back: %v", report.MayHaveGoneBack())
			}
			last := l.Last()
			mustAppend(t, l, []byte("goes on"))
			mustClose(t, l)

			l, report = mustOpen(t, dir, tiny, quickDisk())
			if report.MayHaveGoneBack() != c.back {
				t.Errorf("second open, not settled: %v", report)
			}
			if err := l.Settle(); err != nil {
				t.Fatal(err)
			}
			mustClose(t, l)
			l, report = mustOpen(t, dir, tiny, quickDisk())
			if report.MayHaveGoneBack() {
				t.Errorf("third open, settled: %v", report)
			}
			if l.Last() != last+1 {
				t.Errorf("last is %d, want %d", l.Last(), last+1)
			}
			mustClose(t, l)
		})
	}
}

func TestALostHeadHasPledgedEverything(t *testing.T) {
	m, all := damages(t)
	delete(all, headName)
	l, _ := mustOpen(t, place(t, t.TempDir(), all), tiny, quickDisk())
	defer l.Close()
	if l.Pledged() != uint64(len(m)) {
		t.Errorf("pledged %d of %d", l.Pledged(), len(m))
	}
}

func TestASettledLossIsNotReportedAgain(t *testing.T) {
	m, all := damages(t)
	names := segmentsOf(all)
	delete(all, names[len(names)-1])
	dir := place(t, t.TempDir(), all)
	l, report := mustOpen(t, dir, tiny, quickDisk())
	if !report.MayHaveGoneBack() {
		t.Fatal(report)
	}
	lost := report.Missing()
	if err := l.Settle(); err != nil {
		t.Fatal(err)
	}
	mustClose(t, l)
	l, report = mustOpen(t, dir, tiny, quickDisk())
	defer l.Close()
	if report.MayHaveGoneBack() || !slices.Equal(report.Missing(), lost) {
		t.Errorf("settled, and found %v", report)
	}
	check(t, l, m)
}

// foreign gives the files of another ledger with the same frames.
func foreign(t *testing.T, m model) map[string][]byte {
	t.Helper()
	dir, d := t.TempDir(), quickDisk()
	d.random = func(b []byte) (int, error) { b[15] = 1; return len(b), nil }
	l := openClean(t, dir, tiny, d)
	fill(t, l, m)
	mustClose(t, l)
	return files(t, dir)
}

func TestEveryFindingIsSaidWithItsNumbers(t *testing.T) {
	for want, f := range map[string]fmt.Stringer{
		"an interrupted write was cut off: 7 bytes from frame 5 on":                                       TornTail{5, 7},
		"one slot of the head was damaged":                                                                HeadTorn{},
		"segment 3 was damaged, no frame is missing":                                                      Damaged{3, nil},
		"segment 3 is damaged, missing frames [4 6-8]":                                                    Damaged{3, []Range{{4, 4}, {6, 8}}},
		"the segment with frames 4-9 is missing":                                                          MissingSegment{Range{4, 9}},
		"the files end with frame 5, but frame 8 was synced once":                                         WentBack{5, 8},
		"the head is of ledger " + ID{}.String() + ", the segments are of " + "ledger " + testID.String(): ForeignHead{ID{}, testID},
		"the frames up to 4 are not those that were written (chain hash)":                                 ChainBroken{At: 4},
		"the head was lost and was made again; one slot of the head was damaged":                          Report{[]Finding{HeadLost{}, HeadTorn{}}},
		"in order": Report{},
		"an earlier start found that the ledger may have gone back, and the owner has not settled it": Unsettled{},
	} {
		if f.String() != want {
			t.Errorf("%T says %q, want %q", f, f, want)
		}
	}
	for want, err := range map[string]MissingError{
		"frames 3-5 were dropped from the ledger":                   {3, 5, true},
		"frames 3 are missing from the ledger and must be restored": {3, 3, false},
	} {
		if err.Error() != want {
			t.Errorf("%q, want %q", err, want)
		}
	}
}
