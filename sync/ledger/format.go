package ledger

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
	"strings"
)

// Limits of the format, each with its reason.
const (
	// MaxPayload is the largest payload of one frame in bytes. A change is
	// hundreds of bytes; a photo travels in smaller chunks than this.
	MaxPayload = 4 << 20

	// MaxAppend is the most that one write may hold, frames with their headers,
	// in bytes. It bounds what a failed write leaves behind and what Open must
	// hold in memory.
	MaxAppend = 16 << 20

	// MaxSegmentBytes is the largest size at which a segment may be told to
	// roll; Open holds one segment in memory.
	MaxSegmentBytes = 64 << 20

	// DefaultSegmentBytes is the size at which a segment rolls.
	DefaultSegmentBytes = 8 << 20

	// FrameOverhead is what a frame takes beside its payload, in bytes.
	FrameOverhead = 16

	maxNumber   = 1 << 62                             // no counter gets there; keeps sums of numbers from overflowing
	maxFileSize = MaxSegmentBytes + MaxAppend + 1<<20 // a longer file was not written by this package
	smallest    = FrameOverhead + 1                   // bytes of the smallest frame
	headerSize  = 68                                  // bytes of a segment's header
	firstBit    = 1 << 31                             // in a frame's length word: first frame of its write
	version     = 1                                   // of both file formats
	segmentKind = "bothy-L"                           // first seven bytes of a segment
	headKind    = "bothy-H"                           // first seven bytes of a head slot
	segmentExt  = ".led"                              // of a segment's file name
	headName    = "head"                              // file name of the head
	lockName    = "lock"                              // file name of the lock
	spareExt    = ".tmp"                              // of a file that is not in its place yet
	asidePrefix = "damaged-"                          // of the name under which a damaged file is kept
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// An ID names one ledger. It is made at random with the directory and stands in
// every file of it.
type ID [16]byte

// String gives the id as 32 hexadecimal digits.
func (id ID) String() string { return hex.EncodeToString(id[:]) }

// salt starts the checksum of every frame, so that a frame of another ledger is
// no frame of this one.
func (id ID) salt() uint32 { return crc32.Checksum(id[:], castagnoli) }

// origin is the chain hash before frame 1.
func (id ID) origin() Hash { return sha256.Sum256(id[:]) }

// A Hash is the chain hash at a frame: SHA-256 of the hash at the frame before it
// and the payload. All zero means that it is not known, because a frame before
// it is missing.
type Hash [sha256.Size]byte

// known tells whether the hash stands for anything.
func (h Hash) known() bool { return h != Hash{} }

// extend gives the hash after one more payload.
func (h Hash) extend(payload []byte) (next Hash) {
	if !h.known() {
		return h
	}
	d := sha256.New()
	d.Write(h[:])
	d.Write(payload)
	d.Sum(next[:0])
	return next
}

// A header opens a segment.
type header struct {
	id     ID
	first  uint64 // number of the segment's first frame
	before Hash   // chain hash before that frame
}

var (
	errHeader  = errors.New("no valid segment header")
	errSlot    = errors.New("no valid head slot")
	errVersion = errors.New("written by a version of the program that this one does not know")
)

func (h header) encode() []byte {
	b := make([]byte, 0, headerSize)
	b = append(b, segmentKind...)
	b = append(b, version)
	b = append(b, h.id[:]...)
	b = binary.BigEndian.AppendUint64(b, h.first)
	b = append(b, h.before[:]...)
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b, castagnoli))
}

// decodeHeader returns errHeader for anything but a whole header, and errVersion
// for a whole one of another version.
func decodeHeader(b []byte) (h header, err error) {
	if len(b) < headerSize || !sealed(b[:headerSize], segmentKind) {
		return header{}, errHeader
	}
	if b[7] != version {
		return header{}, fmt.Errorf("%w: segment format %d, known is %d", errVersion, b[7], version)
	}
	copy(h.id[:], b[8:])
	h.first = binary.BigEndian.Uint64(b[24:])
	copy(h.before[:], b[32:])
	if h.first == 0 || h.first > maxNumber {
		return header{}, errHeader
	}
	return h, nil
}

// sealed tells whether b begins with kind and ends with its own checksum, which
// holds for headers and head slots of every version.
func sealed(b []byte, kind string) bool {
	body := b[:len(b)-4]
	return string(b[:len(kind)]) == kind &&
		binary.BigEndian.Uint32(b[len(body):]) == crc32.Checksum(body, castagnoli)
}

// appendFrame appends the frame of one payload to b.
func appendFrame(b []byte, salt uint32, number uint64, payload []byte, first bool) []byte {
	word := uint32(len(payload))
	if first {
		word |= firstBit
	}
	start := len(b)
	b = binary.BigEndian.AppendUint32(b, word)
	b = append(b, 0, 0, 0, 0)
	b = binary.BigEndian.AppendUint64(b, number)
	b = append(b, payload...)
	binary.BigEndian.PutUint32(b[start+4:], frameSum(salt, b[start:]))
	return b
}

// frameSum is the checksum of a whole frame: its length word, number and payload.
func frameSum(salt uint32, frame []byte) uint32 {
	sum := crc32.Update(salt, castagnoli, frame[:4])
	return crc32.Update(sum, castagnoli, frame[8:])
}

// segmentName is the file name of the segment that begins with a frame.
func segmentName(first uint64) string { return fmt.Sprintf("%020d%s", first, segmentExt) }

// parseSegmentName is the inverse of segmentName.
func parseSegmentName(name string) (first uint64, ok bool) {
	digits, ok := strings.CutSuffix(name, segmentExt)
	if !ok || len(digits) != 20 {
		return 0, false
	}
	first, err := strconv.ParseUint(digits, 10, 64)
	return first, err == nil && first > 0 && first <= maxNumber
}
