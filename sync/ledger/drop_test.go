package ledger

import (
	"errors"
	"testing"
)

func TestDropKeepsTheRestAndItsNumbers(t *testing.T) {
	dir, m := t.TempDir(), lines(40)
	l := openClean(t, dir, tiny, quickDisk())
	fill(t, l, m)
	for _, through := range []uint64{0, 1, 17, 17, 30} {
		if err := l.Drop(through); err != nil {
			t.Fatal(err)
		}
		if l.First() > through+1 {
			t.Fatalf("drop through %d dropped up to %d", through, l.First()-1)
		}
		checkWhole(t, l, m)
	}
	if l.First() == 1 {
		t.Fatal("nothing was dropped")
	}
	var gap MissingError
	for _, err := range l.Read(1) {
		if !errors.As(err, &gap) || gap != (MissingError{1, l.First() - 1, true}) {
			t.Fatalf("reading dropped frames: %v", err)
		}
		break
	}
	if _, err := l.ChainAt(1); !errors.As(err, &gap) || !gap.Dropped {
		t.Errorf("chain at a dropped frame: %v", err)
	}
	first := l.First()
	mustClose(t, l)

	l = openClean(t, dir, tiny, quickDisk())
	checkWhole(t, l, m)
	if l.First() != first {
		t.Errorf("first is %d after reopening, was %d", l.First(), first)
	}
	if err := l.Drop(1 << 63); err != nil {
		t.Fatal(err)
	}
	if n := len(segmentsOf(files(t, dir))); n != 1 {
		t.Errorf("%d segments left", n)
	}
	m = append(m, []byte("after"))
	mustAppend(t, l, m[40])
	checkWhole(t, l, m)
	mustClose(t, l)
	l = openClean(t, dir, tiny, quickDisk())
	defer l.Close()
	checkWhole(t, l, m)
}

func TestAnInterruptedDropIsFinishedByTheNextOpen(t *testing.T) {
	dir, m := t.TempDir(), lines(40)
	l := openClean(t, dir, tiny, gated(quickDisk(), func(call, _ string) error {
		if call == "remove" {
			return errors.New("no")
		}
		return nil
	}))
	fill(t, l, m)
	before := len(segmentsOf(files(t, dir)))
	if err := l.Drop(30); err == nil {
		t.Fatal("dropped without removing")
	}
	checkWhole(t, l, m)
	mustClose(t, l)
	if n := len(segmentsOf(files(t, dir))); n != before {
		t.Fatalf("%d segments, had %d", n, before)
	}
	l = openClean(t, dir, tiny, quickDisk())
	defer l.Close()
	checkWhole(t, l, m)
	if names := segmentsOf(files(t, dir)); names[0] != segmentName(l.First()) || l.First() == 1 {
		t.Errorf("segments %v, first frame %d", names, l.First())
	}
}
