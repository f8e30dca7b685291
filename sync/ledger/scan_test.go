package ledger

import (
	"bytes"
	"encoding/binary"
	"errors"
	"slices"
	"testing"
)

// segmentOf gives the bytes of a segment with some payloads, each its own write.
func segmentOf(first uint64, m model) []byte {
	b := header{testID, first, Hash{}}.encode()
	for i, p := range m {
		b = appendFrame(b, testID.salt(), first+uint64(i), p, true)
	}
	return b
}

func scan(b []byte, low, high uint64) (found []located, left int) {
	s := scanner{b: b, salt: testID.salt()}
	s.frames(low, high, func(f located) { found = append(found, f) })
	return found, s.budget
}

func numbers(found []located) (ns []uint64) {
	for _, f := range found {
		ns = append(ns, f.number)
	}
	return ns
}

// TestAFrameInsideADamagedPayloadIsNotFound: what others sent is stored as it came,
// and might hold what looks like a frame.
func TestAFrameInsideADamagedPayloadIsNotFound(t *testing.T) {
	forged := appendFrame(nil, testID.salt(), 3, []byte("forged"), true)
	m := model{[]byte("one"), slices.Concat([]byte("two"), forged), forged, []byte("four")}
	b := segmentOf(1, m)
	for _, damaged := range [][]uint64{{2}, {2, 3}} {
		bad := slices.Clone(b)
		for _, n := range damaged {
			whole, _ := scan(b, 1, 10)
			bad[whole[n-1].start+FrameOverhead] ^= 1
		}
		found, _ := scan(bad, 1, 10)
		for _, f := range found {
			if !bytes.Equal(bad[f.start+FrameOverhead:f.end], m[f.number-1]) {
				t.Errorf("damaged %v: frame %d is %q", damaged, f.number, bad[f.start:f.end])
			}
		}
		if want := len(m) - len(damaged); len(found) != want {
			t.Errorf("damaged %v: found %v", damaged, numbers(found))
		}
	}
}

func TestAFrameOfAnotherLedgerIsNotFound(t *testing.T) {
	b := segmentOf(1, lines(3))
	s := scanner{b: b, salt: ID{1}.salt()}
	s.frames(1, 10, func(f located) { t.Errorf("found frame %d", f.number) })
}

func TestNumbersOutsideTheSegmentAreNotFound(t *testing.T) {
	b := segmentOf(5, lines(6))
	for _, c := range []struct {
		low, high uint64
		want      []uint64
	}{
		{5, 10, []uint64{5, 6, 7, 8, 9, 10}}, {5, 7, []uint64{5, 6, 7}}, {1, 6, []uint64{5, 6}},
		{7, 9, []uint64{7, 8, 9}}, {11, 20, nil}, {1, 4, nil},
	} {
		if found, _ := scan(b, c.low, c.high); !slices.Equal(numbers(found), c.want) {
			t.Errorf("from %d to %d found %v", c.low, c.high, numbers(found))
		}
	}
}

// TestSearchIsBounded: bytes that all look like the header of a long frame must not
// cost a checksum of a long frame each.
func TestSearchIsBounded(t *testing.T) {
	var b []byte
	for len(b) < 1<<20 {
		b = binary.BigEndian.AppendUint32(b, 1<<19)
		b = binary.BigEndian.AppendUint32(b, 0)
		b = binary.BigEndian.AppendUint64(b, 7)
	}
	found, left := scan(b, 1, 1<<20)
	if len(found) > 0 || left > 0 || left < -MaxPayload {
		t.Errorf("found %d frames, the budget is spent up to %d bytes", len(found), left)
	}
}

// A patchyReader cannot read one block.
type patchyReader struct {
	*bytes.Reader
	block int64
}

func (p patchyReader) ReadAt(b []byte, at int64) (int, error) {
	from := p.block * 4096
	if at < from+4096 && at+int64(len(b)) > from {
		n := max(0, from-at)
		p.Reader.ReadAt(b[:n], at)
		return int(n), errors.New("bad block")
	}
	return p.Reader.ReadAt(b, at)
}

func TestABlockThatCannotBeReadCostsOnlyItsOwnFrames(t *testing.T) {
	m := make(model, 200)
	for i := range m {
		m[i] = bytes.Repeat([]byte{byte(i)}, 100)
	}
	b := segmentOf(1, m)
	for block := range (len(b) + 4095) / 4096 {
		got := bytes.Repeat([]byte{0xee}, len(b))
		load(patchyReader{bytes.NewReader(b), int64(block)}, got)
		found, _ := scan(got, 1, 200)
		if lost := len(m) - len(found); lost < 1 || lost > 4096/116+2 {
			t.Errorf("block %d: %d frames lost", block, lost)
		}
	}
}

func TestAFileThatEndsEarlyIsZeroBehindItsEnd(t *testing.T) {
	b := bytes.Repeat([]byte{0xee}, 10)
	load(bytes.NewReader([]byte("abc")), b)
	if !bytes.Equal(b, []byte("abc\x00\x00\x00\x00\x00\x00\x00")) {
		t.Errorf("%q", b)
	}
}

// FuzzSegment scans any bytes. What is found must be whole frames in rising order
// that do not overlap, and the search must be bounded.
func FuzzSegment(f *testing.F) {
	b := segmentOf(1, lines(5))
	f.Add(b, false)
	f.Add(b[:len(b)-3], false)
	f.Add(slices.Concat(b[:100], b[:]), true)
	f.Add(slices.Concat(b[:120], make([]byte, 40), b[160:]), true)
	f.Add(append(segmentOf(1, lines(1)), 0x80, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2, 9), true)
	f.Fuzz(func(t *testing.T, b []byte, mend bool) {
		if mend && len(b) > headerSize+smallest { // let one mutated frame through
			s := scanner{b: b}
			if c, ok := s.claim(headerSize); ok {
				binary.BigEndian.PutUint32(b[c.start+4:], frameSum(testID.salt(), b[c.start:c.end]))
			}
		}
		end, next := headerSize, uint64(1)
		found, left := scan(b, 1, 1000)
		for _, f := range found {
			if f.start < end || f.number < next || f.number > 1000 || f.end > len(b) {
				t.Fatalf("%+v behind %d and frame %d", f, end, next-1)
			}
			payload := b[f.start+FrameOverhead : f.end]
			if !bytes.Equal(appendFrame(nil, testID.salt(), f.number, payload, f.first), b[f.start:f.end]) {
				t.Fatalf("%+v is not what would be written", f)
			}
			end, next = f.end, f.number+1
		}
		if left < -MaxPayload {
			t.Fatalf("%d bytes over the budget", -left)
		}
	})
}

// FuzzOpen opens any bytes as the first segment of a ledger with a good head. Open
// must not fail, and what can be read must carry on from there.
func FuzzOpen(f *testing.F) {
	b := segmentOf(1, lines(5))
	copy(b, header{testID, 1, testID.origin()}.encode())
	f.Add(b, uint16(5))
	f.Add(b[:len(b)-7], uint16(3))
	f.Add(b[:200], uint16(5))
	f.Add([]byte{}, uint16(0))
	f.Fuzz(func(t *testing.T, b []byte, last uint16) {
		slots := make([]byte, headSize)
		copy(slots, head{id: testID, last: uint64(last)}.encode())
		copy(slots[slotStride:], head{id: testID, last: uint64(last), counter: 1}.encode())
		dir := place(t, t.TempDir(), map[string][]byte{headName: slots, segmentName(1): b})
		l, report := mustOpen(t, dir, tiny, quickDisk())
		m := make(model, l.Last())
		for frame, err := range l.Read(1) {
			if gap := (MissingError{}); err == nil {
				m[frame.Number-1] = frame.Payload
			} else if !errors.As(err, &gap) {
				t.Fatal(err)
			}
		}
		if l.Last() < uint64(last) {
			t.Fatalf("last is %d, the head said %d", l.Last(), last)
		}
		missing := check(t, l, m)
		if !slices.Equal(missing, merge(report.Missing())) {
			t.Fatalf("missing %v, reported %v", missing, report)
		}
		m = append(m, []byte("after"))
		mustAppend(t, l, m[len(m)-1])
		mustClose(t, l)
		l, _ = mustOpen(t, dir, tiny, quickDisk())
		if again := check(t, l, m); !slices.Equal(again, missing) {
			t.Fatalf("missing %v, and then %v", missing, again)
		}
		mustClose(t, l)
	})
}
