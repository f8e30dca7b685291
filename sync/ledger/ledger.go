package ledger

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"sync"
)

// A Ledger is one open directory of frames. Its methods may be called from
// several goroutines at once. It keeps 8 bytes of memory for each frame.
type Ledger struct {
	dir         string
	segmentSize int64 // at which the last segment is full, in bytes
	disk        disk
	id          ID
	locked      *os.File // holds the directory while it is open

	// writing is held while files change. It comes before mu.
	writing  sync.Mutex
	broken   error             // the first failed write; latched
	headFile *os.File          // both slots
	active   *os.File          // the last segment
	restored map[uint64][]byte // missing frames that wait for their neighbours

	// mu guards what readers see. Only the holder of writing changes it, save
	// for a frame that a reader found damaged.
	mu       sync.RWMutex
	closed   bool
	head     head
	segments []*segment // by rising number; never empty

	// joining guards the write that callers of Append may still join.
	joining sync.Mutex
	next    *batch
}

// ID names the ledger.
func (l *Ledger) ID() ID { return l.id }

// Last is the number of the newest synced frame, 0 where there is none. It never
// falls, not even where the newest frames were lost.
func (l *Ledger) Last() uint64 { return l.state().last }

// First is the number of the oldest frame that was not dropped. It is Last+1 where
// there is none.
func (l *Ledger) First() uint64 { return l.state().dropped + 1 }

// Pledged is the highest number that was given to Pledge. It is Last where that
// was lost with the head.
func (l *Ledger) Pledged() uint64 { return l.state().pledged }

// Chain is the chain hash at Last. It is all zero while it is not known, because
// frames before Last are missing; the Open after their restoring knows it again.
func (l *Ledger) Chain() Hash { return l.state().chain }

func (l *Ledger) state() head {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.head
}

// Bytes is the size of the head and all segments on disk. Damaged files that were
// kept aside do not count.
func (l *Ledger) Bytes() int64 {
	l.mu.RLock()
	defer l.mu.RUnlock()
	sum := int64(headSize)
	for _, s := range l.segments {
		sum += s.size
	}
	return sum
}

// Missing lists the frames from First to Last that are not in the files, by
// rising number.
func (l *Ledger) Missing() []Range {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.missing()
}

func (l *Ledger) missing() (gaps []Range) {
	for i, s := range l.segments {
		if from := l.head.dropped + 1; i == 0 && s.first > from {
			gaps = append(gaps, Range{from, s.first - 1})
		}
		until := l.head.last
		if i+1 < len(l.segments) {
			until = l.segments[i+1].first - 1
		}
		for _, r := range s.missing(until) {
			gaps = joinRange(gaps, r)
		}
	}
	return gaps
}

// covering is the index of the segment in which frame n stands or should stand, -1
// if n is before all segments. The caller holds mu.
func (l *Ledger) covering(n uint64) int {
	return sort.Search(len(l.segments), func(i int) bool { return l.segments[i].first > n }) - 1
}

// Pledge records durably that frames up to n are about to be shown to another
// replica. It is called before they are sent, so that a ledger that lost them
// knows that their numbers are taken. It fails with ErrBroken or ErrClosed, and
// if frame n does not exist.
func (l *Ledger) Pledge(n uint64) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	h := l.head
	if n > h.last {
		return fmt.Errorf("pledge frame %d: the newest is %d", n, h.last)
	}
	if n <= h.pledged {
		return nil
	}
	h.pledged = n
	return l.writeHead(h, true)
}

// Settle records durably that the owner has acted on a report that MayHaveGoneBack.
// Until it is called, every Open reports that again.
func (l *Ledger) Settle() error {
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	if err := l.closeGap(); err != nil {
		return err
	}
	h := l.head
	h.unsettled, h.settled = false, h.last
	return l.writeHead(h, true)
}

// Drop deletes the segments whose frames all have numbers up to through. The
// last segment always stays, so that a frame up to through may stay too. It fails
// with ErrBroken or ErrClosed, or if a file cannot be removed; the next Open then
// removes it.
func (l *Ledger) Drop(through uint64) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	if err := l.usable(); err != nil {
		return err
	}
	h := l.head
	through = min(through, h.last)
	keep := max(0, l.covering(through+1))
	before := l.segments[keep].first - 1
	if before > through || before <= h.dropped {
		return nil
	}
	h.dropped = before
	if err := l.writeHead(h, true); err != nil {
		return err
	}
	gone := l.segments[:keep]
	l.mu.Lock()
	l.segments = slices.Clone(l.segments[keep:])
	l.mu.Unlock()
	for n := range l.restored {
		if n <= before {
			delete(l.restored, n)
		}
	}
	return l.remove(gone)
}

func (l *Ledger) remove(gone []*segment) error {
	var errs []error
	for _, s := range gone {
		errs = append(errs, l.disk.remove(s.path))
	}
	return errors.Join(append(errs, l.disk.syncDir(l.dir))...)
}

// Close waits for a write under way, records the newest frame durably, and
// releases the directory. A ledger that is closed or broken is only released.
func (l *Ledger) Close() (err error) {
	l.writing.Lock()
	defer l.writing.Unlock()
	if l.usable() == nil {
		err = l.writeHead(l.head, true)
	}
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	return errors.Join(err, l.release())
}

// release closes what is open, the lock last.
func (l *Ledger) release() error {
	var errs []error
	for _, f := range []**os.File{&l.active, &l.headFile, &l.locked} {
		if *f != nil {
			errs = append(errs, (*f).Close())
			*f = nil
		}
	}
	return errors.Join(errs...)
}

// usable tells why nothing may be written. The caller holds writing.
func (l *Ledger) usable() error {
	if l.closed {
		return ErrClosed
	}
	return l.broken
}

// fail turns a failed write into ErrFull, where the caller undid it, or latches.
func (l *Ledger) fail(doing string, err error) error {
	if noRoom(err) {
		return fmt.Errorf("%w: %s: %w", ErrFull, doing, err)
	}
	return l.latch(doing, err)
}

func (l *Ledger) latch(doing string, err error) error {
	l.broken = fmt.Errorf("%w: %s: %w", ErrBroken, doing, err)
	return l.broken
}

// writeHead writes the older slot, and shows the new head to readers. Any failure
// latches: what the head says is then not known.
func (l *Ledger) writeHead(h head, durable bool) error {
	h.counter++
	_, err := l.disk.write(l.headFile, h.encode(), int64(h.counter%2)*slotStride)
	if err == nil && durable {
		err = l.disk.sync(l.headFile)
	}
	if err != nil {
		return l.latch("write the head", err)
	}
	l.mu.Lock()
	l.head = h
	l.mu.Unlock()
	return nil
}

// makeHead writes a head file with both slots.
func (l *Ledger) makeHead(h head) error {
	b := make([]byte, headSize)
	for range 2 {
		h.counter++
		copy(b[h.counter%2*slotStride:], h.encode())
	}
	path := filepath.Join(l.dir, headName)
	err := l.disk.spare(path, func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	})
	if err != nil {
		return err
	}
	if err := l.disk.rename(path+spareExt, path); err != nil {
		return err
	}
	l.head = h
	return l.disk.syncDir(l.dir)
}

// roll begins a new segment behind the newest frame, in place of the last one.
func (l *Ledger) roll() error {
	made := l.newSegment(l.head.last+1, l.head.chain)
	err := l.put(made, func(io.Writer) error { return nil }, func() {
		l.segments = append(l.segments, made)
	})
	if err != nil {
		return err
	}
	if err := l.openActive(); err != nil {
		return l.latch("begin a segment", err)
	}
	return nil
}

func (l *Ledger) newSegment(first uint64, before Hash) *segment {
	return &segment{
		path:  filepath.Join(l.dir, segmentName(first)),
		first: first, before: before, size: headerSize, sound: true,
	}
}

// put writes a segment file whole and durably, the header first and then what fill
// writes. A file that stood there is kept aside. Under its name it appears to
// readers at the moment of show.
func (l *Ledger) put(s *segment, fill func(w io.Writer) error, show func()) error {
	err := l.disk.spare(s.path, func(w io.Writer) error {
		if _, err := w.Write(header{l.id, s.first, s.before}.encode()); err != nil {
			return err
		}
		return fill(w)
	})
	if err == nil {
		err = l.disk.keep(s.path, aside(l.dir, s.first))
	}
	if err == nil {
		err = l.rename(s.path, show)
	}
	if missing := (MissingError{}); errors.As(err, &missing) {
		return missing
	}
	if err != nil {
		return l.fail("write a segment", err)
	}
	if err := l.disk.syncDir(l.dir); err != nil {
		return l.latch("name a segment", err)
	}
	return nil
}

func (l *Ledger) rename(path string, show func()) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.disk.rename(path+spareExt, path); err != nil {
		return err
	}
	show()
	return nil
}

// openActive opens the last segment for appending.
func (l *Ledger) openActive() error {
	f, err := os.OpenFile(l.tail().path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("open the last segment: %w", err)
	}
	if l.active != nil {
		l.active.Close() // its frames are synced
	}
	l.active = f
	return nil
}

func (l *Ledger) tail() *segment { return l.segments[len(l.segments)-1] }

// closeGap begins a new segment if the last one lacks frames, so that a segment
// that is appended to is always whole, and one that lacks frames has the chain
// hash behind it in the next one's header.
func (l *Ledger) closeGap() error {
	l.mu.RLock()
	tail := l.tail()
	whole := tail.sound && tail.end() > l.head.last
	l.mu.RUnlock()
	if whole {
		return nil
	}
	return l.roll()
}
