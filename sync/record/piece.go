package record

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"github.com/klauspost/compress/zstd"
)

// Limits on a piece. They bound what a few hostile bytes can make a decoder
// hold.
const (
	// MaxPieceRaw bounds the changes of a piece, in bytes of their binary form.
	MaxPieceRaw = 4 << 20
	// MaxPieceChanges bounds their number.
	MaxPieceChanges = 1 << 16
	// MaxPieceWrites bounds the fields that they write, and the dots that they
	// replace.
	MaxPieceWrites = 1 << 18

	// maxBody bounds a piece's body before compression, in bytes. Columns can
	// take more room than the changes they are made of, but not twice as much.
	maxBody = 2 * MaxPieceRaw
	// maxMade bounds what the values of all columns add up to, in bytes. A value
	// is made once for each message that it is inside of, and each time it can be
	// a word too.
	maxMade = 2 * (maxDepth + 1) * MaxPieceRaw
)

const pieceFormat = 1

// How a piece's body is packed.
const (
	packStored = 0
	packZstd   = 1
)

// Packer makes pieces and opens them. It is safe for concurrent use. The zero
// value does not work; use NewPacker.
type Packer struct {
	enc *zstd.Encoder
	dec *zstd.Decoder
}

// NewPacker sets a packer up. It holds about 7 MB, so make few.
func NewPacker() (*Packer, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedBetterCompression),
		zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true), zstd.WithWindowSize(1<<20))
	if err != nil {
		return nil, fmt.Errorf("set up compression: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(maxBody), zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, fmt.Errorf("set up decompression: %w", err)
	}
	return &Packer{enc, dec}, nil
}

// Pack makes one piece of the changes: a format byte, how the body is packed, the
// body, and a checksum. Changes of a kind resemble each other, so the body keeps like
// with like: one column for each part of a change and for each field, each in
// the form that suits its values. Numbers stand in front, their length before
// them, and texts behind. The body is compressed in stretches, each with the
// code lengths that suit it: the long planes of numbers one by one, what lies
// between them, and the texts.
func (p *Packer) Pack(changes []Change) ([]byte, error) {
	if err := fitsPiece(changes); err != nil {
		return nil, err
	}
	var w columns
	w.changes(changes)
	body := append(binary.AppendUvarint(nil, uint64(len(w.numbers))), w.numbers...)
	first := len(body) - len(w.numbers)
	body = append(body, w.texts...)
	if len(body) > maxBody {
		return nil, fmt.Errorf("piece with a body of %d bytes, at most %d are taken", len(body), maxBody)
	}
	packed := []byte{pieceFormat, packZstd}
	start := 0
	for _, cut := range append(w.cuts, len(w.numbers), len(body)-first) {
		packed = p.enc.EncodeAll(body[start:first+cut], packed)
		start = first + cut
	}
	if len(packed) < len(body)+2 {
		return sealed(packed), nil
	}
	return sealed(append([]byte{pieceFormat, packStored}, body...)), nil
}

// sealed is the piece with its checksum, CRC-32C, behind it: a byte that is
// damaged on the way or at rest must not open as other changes.
func sealed(piece []byte) []byte {
	return binary.BigEndian.AppendUint32(piece, crc32.Checksum(piece, crc32.MakeTable(crc32.Castagnoli)))
}

// unsealed is the piece without its checksum, if that is right.
func unsealed(piece []byte) ([]byte, bool) {
	n := len(piece) - crc32.Size
	if n < 2 || crc32.Checksum(piece[:n], crc32.MakeTable(crc32.Castagnoli)) != binary.BigEndian.Uint32(piece[n:]) {
		return nil, false
	}
	return piece[:n], true
}

func fitsPiece(changes []Change) error {
	var b []byte
	size, writes, dots := 0, 0, 0
	for _, c := range changes {
		b = c.Append(b[:0])
		size += len(b)
		writes += len(c.Writes)
		for _, w := range c.Writes {
			dots += len(w.Replaces)
		}
	}
	switch {
	case len(changes) > MaxPieceChanges:
		return fmt.Errorf("piece of %d changes, at most %d are taken", len(changes), MaxPieceChanges)
	case size > MaxPieceRaw:
		return fmt.Errorf("piece of %d bytes, at most %d are taken", size, MaxPieceRaw)
	case writes > MaxPieceWrites || dots > MaxPieceWrites:
		return fmt.Errorf("piece of %d writes that replace %d versions, at most %d are taken", writes, dots, MaxPieceWrites)
	}
	return nil
}

// Open gives the changes of a piece. Every change is one that Pack could have
// been given, to the byte; anything else is ErrMalformed.
func (p *Packer) Open(piece []byte) ([]Change, error) {
	piece, ok := unsealed(piece)
	if !ok {
		return nil, fmt.Errorf("piece: checksum: %w", ErrMalformed)
	}
	if piece[0] != pieceFormat {
		return nil, fmt.Errorf("piece: unknown format: %w", ErrMalformed)
	}
	body := piece[2:]
	switch piece[1] {
	case packStored:
	case packZstd:
		var err error
		if body, err = p.dec.DecodeAll(body, nil); err != nil {
			return nil, fmt.Errorf("piece: %w: %w", ErrMalformed, err)
		}
	default:
		return nil, fmt.Errorf("piece: unknown packing: %w", ErrMalformed)
	}
	d := decoder{b: body}
	numbers := d.bytes(maxBody)
	if d.bad {
		return nil, fmt.Errorf("piece: %w", ErrMalformed)
	}
	r := reader{numbers: decoder{b: numbers}, texts: decoder{b: d.b}, room: maxMade}
	changes, err := r.changes()
	if err != nil {
		return nil, err
	}
	for _, c := range changes {
		if err := c.Validate(); err != nil {
			return nil, fmt.Errorf("piece: %w", err)
		}
	}
	if err := fitsPiece(changes); err != nil {
		return nil, fmt.Errorf("%w: %w", err, ErrMalformed)
	}
	return changes, nil
}
