package ledger

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
)

// A segment is one file of frames, as far as it was verified.
type segment struct {
	path   string
	first  uint64 // number of its first frame, as its name says
	before Hash   // chain hash before that frame
	frames []span // where frame first+i stands
	size   int64  // of the file, in bytes

	// sound: the file holds a valid header and every frame from first to its
	// end, and no other byte. Frames may be missing behind that.
	sound bool
}

// A span is where a frame stands in its file, with its header, in bytes. Its size
// is 0 where the frame is missing.
type span struct{ offset, size uint32 }

func (s span) end() int64 { return int64(s.offset) + int64(s.size) }

// errFrame: the bytes where a frame was are no longer that frame.
var errFrame = errors.New("frame fails its checksum")

// end is the number behind the last frame that the segment holds.
func (s *segment) end() uint64 { return s.first + uint64(len(s.frames)) }

// holds tells whether the segment can give frame n.
func (s *segment) holds(n uint64) bool {
	return n >= s.first && n < s.end() && s.frames[n-s.first].size != 0
}

// missing lists the frames that the segment should hold, up to and with until,
// and does not.
func (s *segment) missing(until uint64) (gaps []Range) {
	for i, at := range s.frames {
		if n := s.first + uint64(i); at.size == 0 {
			gaps = joinRange(gaps, Range{n, n})
		}
	}
	if until >= s.end() {
		gaps = joinRange(gaps, Range{s.end(), until})
	}
	return gaps
}

// joinRange appends a range, or lengthens the last one where they touch.
func joinRange(gaps []Range, r Range) []Range {
	if k := len(gaps) - 1; k >= 0 && gaps[k].To+1 == r.From {
		gaps[k].To = r.To
		return gaps
	}
	return append(gaps, r)
}

// note records where frame n stands. Frames are noted in rising order.
func (s *segment) note(n uint64, at span) {
	for s.end() < n {
		s.frames = append(s.frames, span{})
	}
	s.frames = append(s.frames, at)
}

// readFrame reads frame n with its header. It returns errFrame where the bytes are
// not that frame.
func readFrame(f io.ReaderAt, at span, salt uint32, n uint64) ([]byte, error) {
	b := make([]byte, at.size)
	if _, err := f.ReadAt(b, int64(at.offset)); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read frame %d: %w", n, err)
	}
	s := scanner{b: b, salt: salt}
	if f, ok := s.at(0, n, n); !ok || f.end != len(b) {
		return nil, fmt.Errorf("read frame %d: %w", n, errFrame)
	}
	return b, nil
}

// aside is the name, but for its number, under which a damaged file of a segment
// is kept.
func aside(dir string, first uint64) string {
	return filepath.Join(dir, fmt.Sprintf("%s%d", asidePrefix, first))
}
