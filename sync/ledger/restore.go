package ledger

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"
)

// Restore gives a missing frame back, from wherever the owner got it. Frames wait
// in memory until all that is missing of their segment is there; then the segment
// is written again, and they can be read. Those that still wait are missing again
// after Close.
//
// Where the chain hash behind the restored frames is known and they do not give
// it, all of them are refused with ErrMisfit; they can be given again. Where more
// than a segment's worth is missing in one gap, only the frames at its end are
// checked like that. Restore fails, too, if the frame is not missing, and with
// ErrFull, ErrBroken and ErrClosed.
func (l *Ledger) Restore(number uint64, payload []byte) error {
	if err := checkPayload(payload); err != nil {
		return fmt.Errorf("restore frame %d: %w", number, err)
	}
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return fmt.Errorf("restore frame %d: %w", number, err)
	}
	if !l.lacks(number) {
		return fmt.Errorf("restore frame %d: it is not missing", number)
	}
	if err := l.closeGap(); err != nil {
		return fmt.Errorf("restore frame %d: %w", number, err)
	}
	l.restored[number] = bytes.Clone(payload)
	if err := l.rebuild(number); err != nil {
		return fmt.Errorf("restore frame %d: %w", number, err)
	}
	return nil
}

// lacks tells whether frame n should be in the files and is not.
func (l *Ledger) lacks(n uint64) bool {
	l.mu.RLock()
	defer l.mu.RUnlock()
	i := l.covering(n)
	return n > l.head.dropped && n <= l.head.last && (i < 0 || !l.segments[i].holds(n))
}

// rebuild writes the segment with a restored frame, and those behind it, if all
// their frames are there.
func (l *Ledger) rebuild(number uint64) error {
	for l.lacks(number) {
		p, ok := l.plan(number)
		if !ok {
			return nil
		}
		if err := l.verify(&p); err != nil {
			if errors.Is(err, ErrMisfit) {
				l.forget(p)
			}
			return err
		}
		if err := l.build(p); err != nil {
			return err
		}
		l.forget(p)
		number = p.end
	}
	return nil
}

// A plan is a segment to be written from the frames of an old one and restored
// frames.
type plan struct {
	old           *segment // nil where no file held any of it
	first, end    uint64   // its frames, end not among them
	before, after Hash     // chain hashes at first-1 and end-1, where known
}

// plan finds the segment to write for a restored frame. It is not ok while frames
// of it are missing. A gap behind the frames of a segment is given to that segment
// until it is full, and then to new ones, as Append would have done.
func (l *Ledger) plan(number uint64) (p plan, ok bool) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	i := l.covering(number)
	if i+1 == len(l.segments) {
		return plan{}, false
	}
	next, held, full := l.segments[i+1], l.head.dropped+1, l.segmentSize
	p.first = held
	if i >= 0 {
		p.old = l.segments[i]
		p.first, held = p.old.first, p.old.end()
		if p.old.sound && p.old.size >= full {
			p.old, p.first = nil, held
		} else {
			full = max(full, min(p.old.size, maxFileSize)) // frames stood there
		}
	}
	size := int64(headerSize)
	for p.end = p.first; p.end < next.first; p.end++ {
		if p.end >= held && size >= full && p.end > p.first {
			return p, true
		}
		length := l.sizeOf(p.old, p.end)
		if length == 0 {
			return plan{}, false
		}
		size += length
	}
	p.after = next.before
	return p, true
}

// sizeOf is the size of a frame that is in a segment or was restored, 0 if it is
// neither.
func (l *Ledger) sizeOf(s *segment, n uint64) int64 {
	if s != nil && s.holds(n) {
		return int64(s.frames[n-s.first].size)
	}
	if payload, ok := l.restored[n]; ok {
		return int64(FrameOverhead + len(payload))
	}
	return 0
}

// verify completes a plan with the chain hash before it, and checks that its
// frames lead from there to the one behind it.
func (l *Ledger) verify(p *plan) error {
	if p.old != nil {
		p.before = p.old.before
	} else {
		p.before, _ = l.ChainAt(p.first - 1) // not known where it cannot be computed
	}
	sum := p.before
	err := l.assemble(*p, func(_ uint64, frame []byte) error {
		sum = sum.extend(frame[FrameOverhead:])
		return nil
	})
	if err != nil {
		return err
	}
	if sum.known() && p.after.known() && sum != p.after {
		return fmt.Errorf("%w: frames %v", ErrMisfit, Range{p.first, p.end - 1})
	}
	return nil
}

// forget drops what was restored for a plan.
func (l *Ledger) forget(p plan) {
	for n := range l.restored {
		if n >= p.first && n < p.end {
			delete(l.restored, n)
		}
	}
}

// build writes a planned segment in place of its old one.
func (l *Ledger) build(p plan) error {
	made := l.newSegment(p.first, p.before)
	fill := func(w io.Writer) error {
		return l.assemble(p, func(n uint64, frame []byte) error {
			made.note(n, span{uint32(made.size), uint32(len(frame))})
			made.size += int64(len(frame))
			_, err := w.Write(frame)
			return err
		})
	}
	return l.put(made, fill, func() {
		i := sort.Search(len(l.segments), func(i int) bool { return l.segments[i].first >= made.first })
		if p.old != nil {
			l.segments[i] = made
		} else {
			l.segments = slices.Insert(l.segments, i, made)
		}
	})
}

// assemble visits the frames of a plan, with their headers.
func (l *Ledger) assemble(p plan, visit func(n uint64, frame []byte) error) error {
	var file *os.File
	if p.old != nil {
		f, err := os.Open(p.old.path)
		if err != nil {
			return fmt.Errorf("open a segment: %w", err)
		}
		defer f.Close()
		file = f
	}
	at := int64(headerSize)
	for n := p.first; n < p.end; n++ {
		frame, err := l.frameOf(p.old, file, n, at)
		if err == nil {
			err = visit(n, frame)
		}
		if err != nil {
			return err
		}
		at += int64(len(frame))
	}
	return nil
}

// frameOf gives a frame that is in a segment or was restored. The place in the file
// where it will stand is where it stood.
func (l *Ledger) frameOf(s *segment, file *os.File, n uint64, at int64) ([]byte, error) {
	l.mu.RLock()
	var from span
	if s != nil && s.holds(n) {
		from = s.frames[n-s.first]
	}
	l.mu.RUnlock()
	payload, restored := l.restored[n]
	switch {
	case from.size != 0:
		frame, err := readFrame(file, from, l.id.salt(), n)
		if errors.Is(err, errFrame) {
			l.lose(s, n)
			return nil, MissingError{From: n, To: n}
		}
		return frame, err
	case restored:
		return l.remake(file, n, payload, at), nil
	default:
		return nil, MissingError{From: n, To: n}
	}
}

// remake makes the frame of a restored payload. Whether it was the first of its
// write is seen from the checksum that stood in its place, if that can be read.
func (l *Ledger) remake(file *os.File, n uint64, payload []byte, at int64) []byte {
	first := appendFrame(nil, l.id.salt(), n, payload, true)
	if file == nil {
		return first
	}
	later := appendFrame(nil, l.id.salt(), n, payload, false)
	var stood [8]byte
	if _, err := file.ReadAt(stood[:], at); err == nil && alike(later, stood) > alike(first, stood) {
		return later
	}
	return first
}

// alike counts the checksum bytes that a frame shares with what stood in its place.
func alike(frame []byte, stood [8]byte) (count int) {
	for i := 4; i < 8; i++ {
		if frame[i] == stood[i] {
			count++
		}
	}
	return count
}
