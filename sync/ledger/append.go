package ledger

import (
	"errors"
	"fmt"
)

// A batch is one write, which several callers of Append may share.
type batch struct {
	payloads [][]byte
	size     int           // of its frames with their headers, in bytes
	done     chan struct{} // closed when first and err are set
	first    uint64        // number of the first frame
	err      error
}

// Append writes each payload as one frame, and returns the number of the first
// when all are durable; the others follow it. Callers that arrive while a write
// is under way share the next one, and its sync. The payloads must not change
// until Append returns, and are not kept.
//
// On an error nothing is promised: after ErrFull and ErrClosed the frames are not
// in the ledger, after ErrBroken they may be. A payload holds 1 to MaxPayload
// bytes, all frames of one call at most MaxAppend.
func (l *Ledger) Append(payloads ...[]byte) (first uint64, err error) {
	size, err := measure(payloads)
	if err != nil {
		return 0, err
	}
	b, place, leads := l.join(payloads, size)
	if leads {
		l.lead(b)
	}
	<-b.done
	if b.err != nil {
		return 0, fmt.Errorf("append to ledger: %w", b.err)
	}
	return b.first + uint64(place), nil
}

// measure gives the size of the frames of some payloads, in bytes.
func measure(payloads [][]byte) (size int, err error) {
	if len(payloads) == 0 {
		return 0, errors.New("append to ledger: no payload")
	}
	for i, p := range payloads {
		if err := checkPayload(p); err != nil {
			return 0, fmt.Errorf("append to ledger: payload %d of %d: %w", i+1, len(payloads), err)
		}
		size += FrameOverhead + len(p)
	}
	if size > MaxAppend {
		return 0, fmt.Errorf("append to ledger: %d bytes in one call: allowed are %d", size, MaxAppend)
	}
	return size, nil
}

func checkPayload(p []byte) error {
	if len(p) == 0 || len(p) > MaxPayload {
		return fmt.Errorf("payload of %d bytes: allowed are 1 to %d", len(p), MaxPayload)
	}
	return nil
}

// join adds payloads to the next write and tells their place in it. Who begins a
// batch leads it.
func (l *Ledger) join(payloads [][]byte, size int) (b *batch, place int, leads bool) {
	l.joining.Lock()
	defer l.joining.Unlock()
	if l.next == nil || l.next.size+size > MaxAppend {
		l.next = &batch{done: make(chan struct{})}
		leads = true
	}
	b = l.next
	place = len(b.payloads)
	b.payloads = append(b.payloads, payloads...)
	b.size += size
	return b, place, leads
}

// lead waits until the write before is done, closes the batch to others and
// writes it.
func (l *Ledger) lead(b *batch) {
	l.writing.Lock()
	defer l.writing.Unlock()
	l.joining.Lock()
	if l.next == b {
		l.next = nil
	}
	l.joining.Unlock()
	b.first, b.err = l.commit(b)
	close(b.done)
}

// commit writes a batch as frames, syncs them, shows them to readers and moves the
// head. The caller holds writing.
func (l *Ledger) commit(b *batch) (first uint64, err error) {
	if err := l.usable(); err != nil {
		return 0, err
	}
	if err := l.makeRoom(); err != nil {
		return 0, err
	}
	tail, h := l.tail(), l.head
	first = h.last + 1
	frames := make([]byte, 0, b.size)
	spans := make([]span, len(b.payloads))
	for i, payload := range b.payloads {
		spans[i] = span{uint32(tail.size) + uint32(len(frames)), uint32(FrameOverhead + len(payload))}
		frames = appendFrame(frames, l.id.salt(), first+uint64(i), payload, i == 0)
		h.chain = h.chain.extend(payload)
	}
	h.last += uint64(len(b.payloads))
	if err := l.writeFrames(frames, tail.size); err != nil {
		return 0, err
	}
	l.mu.Lock()
	tail.frames = append(tail.frames, spans...)
	tail.size += int64(len(frames))
	l.mu.Unlock()
	return first, l.writeHead(h, false)
}

// makeRoom begins a new segment where the last one is full or lacks frames.
func (l *Ledger) makeRoom() error {
	if tail := l.tail(); tail.size >= l.segmentSize && len(tail.frames) > 0 {
		return l.roll()
	}
	return l.closeGap()
}

// writeFrames writes and syncs. Where the disk is full it takes back what was
// written, and does not latch if that succeeds.
func (l *Ledger) writeFrames(frames []byte, at int64) error {
	_, err := l.disk.write(l.active, frames, at)
	if noRoom(err) {
		undo := l.disk.truncate(l.active, at)
		if undo == nil {
			undo = l.disk.sync(l.active)
		}
		if undo == nil {
			return l.fail("write frames", err)
		}
		return l.latch("take back frames that found no room", undo)
	}
	if err != nil {
		return l.latch("write frames", err)
	}
	if err := l.disk.sync(l.active); err != nil {
		return l.latch("sync frames", err)
	}
	return nil
}
