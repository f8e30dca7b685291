package ledger

import "encoding/binary"

// A scanner finds the frames of one ledger in the bytes of a segment.
type scanner struct {
	b      []byte
	salt   uint32
	budget int // bytes that may still be summed in search of a frame
}

// A located frame is whole: its checksum passed.
type located struct {
	number     uint64
	start, end int // in the segment's bytes
	first      bool
}

// span is where the frame stands; no segment is as long as a span can count.
func (f located) span() span { return span{uint32(f.start), uint32(f.end - f.start)} }

// claim reads what the frame header at an offset says, without believing it. It
// is not ok if no frame could say that.
func (s *scanner) claim(at int) (f located, ok bool) {
	if at < 0 || len(s.b)-at < smallest {
		return located{}, false
	}
	word := binary.BigEndian.Uint32(s.b[at:])
	length := int(word &^ firstBit)
	if length == 0 || length > MaxPayload || length > len(s.b)-at-FrameOverhead {
		return located{}, false
	}
	number := binary.BigEndian.Uint64(s.b[at+8:])
	return located{number, at, at + FrameOverhead + length, word&firstBit != 0}, true
}

// whole tells whether the checksum of a claimed frame passes.
func (s *scanner) whole(f located) bool {
	frame := s.b[f.start:f.end]
	return binary.BigEndian.Uint32(frame[4:]) == frameSum(s.salt, frame)
}

// at gives the frame at an offset if it is whole and its number lies in [low, high].
func (s *scanner) at(at int, low, high uint64) (f located, ok bool) {
	f, ok = s.claim(at)
	ok = ok && f.number >= low && f.number <= high && s.whole(f)
	return f, ok
}

// frames calls visit for every frame from low to high, in rising order of
// number, and steps over what is no frame.
func (s *scanner) frames(low, high uint64, visit func(located)) {
	s.budget = 16 * len(s.b)
	for at := headerSize; low <= high; {
		f, ok := s.at(at, low, high)
		if !ok {
			f, ok = s.find(at, low, high)
		}
		if !ok {
			return
		}
		visit(f)
		at, low = f.end, f.number+1
	}
}

// find looks for the next whole frame behind a damaged one. It first follows the
// lengths that the damaged frames claim, which steps over damaged payloads
// whatever is in them, and then tries every byte.
func (s *scanner) find(at int, low, high uint64) (located, bool) {
	for hop, want := at, low; want < high; want++ {
		bad, ok := s.claim(hop)
		if !ok || bad.number != want {
			break
		}
		if f, ok := s.at(bad.end, want+1, want+1); ok {
			return f, true
		}
		hop = bad.end
	}
	for ; len(s.b)-at >= smallest && s.budget > 0; at++ {
		f, ok := s.claim(at)
		if !ok || f.number < low || f.number > high {
			continue
		}
		if s.whole(f) {
			return f, true
		}
		s.budget -= f.end - f.start
	}
	return located{}, false
}
