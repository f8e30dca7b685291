package ledger

import (
	"errors"
	"fmt"
	"iter"
	"os"
	"slices"
)

// A Frame is one payload with its number. The payload belongs to the receiver.
type Frame struct {
	Number  uint64
	Payload []byte
}

// Read gives the frames from a number on, in rising order, up to the newest
// synced one at the time of reading; it may run beside Append, Drop and Restore.
// Every payload's checksum is verified.
//
// Where frames are missing or were dropped it gives a MissingError in place of
// them, and goes on behind them if the caller does. A frame that is found damaged
// now is missing from then on. Other errors stand for one frame each, save
// ErrClosed, which ends the reading.
func (l *Ledger) Read(from uint64) iter.Seq2[Frame, error] {
	return func(yield func(Frame, error) bool) {
		r := reader{l: l}
		defer r.close()
		for n := max(from, 1); n <= l.Last(); {
			frame, err := r.frame(n)
			if !yield(frame, err) || errors.Is(err, ErrClosed) {
				return
			}
			n++
			if gap := (MissingError{}); errors.As(err, &gap) {
				n = gap.To + 1
			}
		}
	}
}

// ChainAt is the chain hash at frame n, for First-1 <= n <= Last. It reads the
// segment up to there. It is all zero where no hash before n is known, and fails
// with a MissingError if n was dropped, or if n or a frame before it in the segment
// is missing.
func (l *Ledger) ChainAt(n uint64) (Hash, error) {
	h := l.state()
	switch {
	case n > h.last:
		return Hash{}, fmt.Errorf("chain hash at frame %d: the newest is %d", n, h.last)
	case n == h.last:
		return h.chain, nil
	case n == 0:
		return l.id.origin(), nil
	case n < h.dropped:
		return Hash{}, MissingError{From: n, To: h.dropped, Dropped: true}
	}
	first, sum, ok := l.headerBefore(n + 1)
	if !ok {
		return Hash{}, MissingError{From: n, To: n, Dropped: n == h.dropped}
	}
	if first > n {
		return sum, nil
	}
	for frame, err := range l.Read(first) {
		if err != nil {
			return Hash{}, err
		}
		sum = sum.extend(frame.Payload)
		if frame.Number == n {
			break
		}
	}
	return sum, nil
}

// headerBefore gives what is in the header of the segment of frame n.
func (l *Ledger) headerBefore(n uint64) (first uint64, before Hash, ok bool) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	i := l.covering(n)
	if i < 0 {
		return 0, Hash{}, false
	}
	return l.segments[i].first, l.segments[i].before, true
}

// A reader keeps the segment open that it reads from.
type reader struct {
	l       *Ledger
	segment *segment
	file    *os.File
}

func (r *reader) close() {
	if r.file != nil {
		r.file.Close()
	}
}

// frame reads frame n, which is not above Last.
func (r *reader) frame(n uint64) (Frame, error) {
	at, err := r.seek(n)
	if err != nil {
		return Frame{}, err
	}
	frame, err := readFrame(r.file, at, r.l.id.salt(), n)
	if errors.Is(err, errFrame) {
		r.l.lose(r.segment, n)
		return Frame{}, MissingError{From: n, To: n}
	}
	if err != nil {
		return Frame{}, err
	}
	return Frame{n, frame[FrameOverhead:]}, nil
}

// seek finds where frame n stands, and opens its file. Both happen under one lock,
// so that a file that Restore replaces is never read by the offsets of another.
func (r *reader) seek(n uint64) (at span, err error) {
	l := r.l
	l.mu.RLock()
	defer l.mu.RUnlock()
	if l.closed {
		return span{}, ErrClosed
	}
	i := l.covering(n)
	if i < 0 || !l.segments[i].holds(n) {
		return span{}, l.gapAt(n)
	}
	if r.segment != l.segments[i] {
		r.close()
		r.segment = l.segments[i]
		if r.file, err = os.Open(r.segment.path); err != nil {
			r.segment = nil
			return span{}, fmt.Errorf("open a segment: %w", err)
		}
	}
	return r.segment.frames[n-r.segment.first], nil
}

// gapAt says how far the frames from n on are missing. The caller holds mu.
func (l *Ledger) gapAt(n uint64) MissingError {
	if n <= l.head.dropped {
		return MissingError{From: n, To: l.head.dropped, Dropped: true}
	}
	for _, gap := range l.missing() {
		if n >= gap.From && n <= gap.To {
			return MissingError{From: n, To: gap.To}
		}
	}
	return MissingError{From: n, To: n}
}

// lose notes that a frame was found damaged.
func (l *Ledger) lose(s *segment, n uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if slices.Contains(l.segments, s) {
		s.frames[n-s.first] = span{}
		s.sound = false
	}
}
