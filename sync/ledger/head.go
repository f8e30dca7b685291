package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	slotSize   = 104
	slotStride = 4096 // a block of the file system each: a torn block spoils one slot
	headSize   = 2 * slotStride
)

// A head is what the ledger remembers apart from its segments.
type head struct {
	id        ID
	counter   uint64 // of the head's writes; its lowest bit is the slot
	last      uint64 // newest synced frame
	pledged   uint64 // newest frame that another replica may have seen; at most last
	dropped   uint64 // newest frame that was dropped on purpose
	settled   uint64 // newest frame when the owner last settled
	chain     Hash   // at last
	unsettled bool   // the past was found changed, and the owner has not settled it
}

func (h head) encode() []byte {
	b := make([]byte, 0, slotSize)
	b = append(b, headKind...)
	b = append(b, version)
	b = append(b, h.id[:]...)
	for _, n := range []uint64{h.counter, h.last, h.pledged, h.dropped, h.settled} {
		b = binary.BigEndian.AppendUint64(b, n)
	}
	b = append(b, h.chain[:]...)
	flags := uint32(0)
	if h.unsettled {
		flags = 1
	}
	b = binary.BigEndian.AppendUint32(b, flags)
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// decodeHead returns errSlot for anything but a whole slot, and errVersion for a
// whole one of another version.
func decodeHead(b []byte) (h head, err error) {
	if len(b) < slotSize || !sealed(b[:slotSize], headKind) {
		return head{}, errSlot
	}
	if b[7] != version {
		return head{}, fmt.Errorf("%w: head format %d, known is %d", errVersion, b[7], version)
	}
	copy(h.id[:], b[8:])
	for i, n := range []*uint64{&h.counter, &h.last, &h.pledged, &h.dropped, &h.settled} {
		*n = binary.BigEndian.Uint64(b[24+8*i:])
	}
	copy(h.chain[:], b[64:])
	h.unsettled = binary.BigEndian.Uint32(b[96:])&1 != 0
	if h.last > maxNumber || max(h.pledged, h.dropped, h.settled) > h.last {
		return head{}, errSlot
	}
	return h, nil
}

// headState tells how much of a head file was readable.
type headState int

const (
	headAbsent headState = iota // there is no file
	headLost                    // there is one, with no valid slot
	headTorn                    // one slot is valid
	headWhole                   // both are
)

// readHead gives the newer valid slot of the head file. A read error counts as
// damage.
func readHead(dir string) (newest head, state headState, err error) {
	f, err := os.Open(filepath.Join(dir, headName))
	if errors.Is(err, fs.ErrNotExist) {
		return head{}, headAbsent, nil
	}
	if err != nil {
		return head{}, headAbsent, fmt.Errorf("open the ledger's head: %w", err)
	}
	defer f.Close()
	b := make([]byte, headSize)
	load(f, b)
	state = headLost
	for slot := range 2 {
		h, err := decodeHead(b[slot*slotStride:])
		if errors.Is(err, errVersion) {
			return head{}, headLost, err
		}
		if err != nil {
			continue
		}
		state++
		if state == headTorn || h.counter > newest.counter {
			newest = h
		}
	}
	return newest, state, nil
}

// load fills b from the start of a file as far as it can be read. What the disk
// refuses to give is left zero, which no checksum accepts.
func load(r io.ReaderAt, b []byte) {
	if n, err := r.ReadAt(b, 0); n == len(b) || errors.Is(err, io.EOF) {
		clear(b[n:])
		return
	}
	for at := 0; at < len(b); at += 4096 {
		block := b[at:min(at+4096, len(b))]
		n, _ := r.ReadAt(block, int64(at))
		clear(block[n:])
	}
}
