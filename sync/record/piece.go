package record

import (
	"encoding/binary"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Limits on a piece.
const (
	// MaxPieceRaw bounds a piece before compression, in bytes, and with it what
	// a few hostile bytes can make a decoder hold.
	MaxPieceRaw = 8 << 20
	// MaxPieceChanges bounds the changes in one piece.
	MaxPieceChanges = 1 << 16
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

// NewPacker sets a packer up. It holds some megabytes, so make few.
func NewPacker() (*Packer, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedBestCompression),
		zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true), zstd.WithWindowSize(1<<20))
	if err != nil {
		return nil, fmt.Errorf("set up compression: %w", err)
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(MaxPieceRaw), zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, fmt.Errorf("set up decompression: %w", err)
	}
	return &Packer{enc, dec}, nil
}

// Pack makes one piece of the changes: a format byte, how the body is packed,
// and the body. Changes of a kind resemble each other, so the body keeps like
// with like: one column for each part of a change and for each field, each in
// the form that suits its values, and the whole compressed.
func (p *Packer) Pack(changes []Change) ([]byte, error) {
	if len(changes) > MaxPieceChanges {
		return nil, fmt.Errorf("piece of %d changes, at most %d are taken", len(changes), MaxPieceChanges)
	}
	raw := appendColumns(nil, changes)
	if len(raw) > MaxPieceRaw {
		return nil, fmt.Errorf("piece of %d bytes, at most %d are taken", len(raw), MaxPieceRaw)
	}
	if packed := p.enc.EncodeAll(raw, []byte{pieceFormat, packZstd}); len(packed) < len(raw)+2 {
		return packed, nil
	}
	return append([]byte{pieceFormat, packStored}, raw...), nil
}

// Open gives the changes of a piece. Every change is one that Pack could have
// been given, to the byte; anything else is ErrMalformed.
func (p *Packer) Open(piece []byte) ([]Change, error) {
	if len(piece) < 2 || piece[0] != pieceFormat {
		return nil, fmt.Errorf("piece: unknown format: %w", ErrMalformed)
	}
	raw := piece[2:]
	switch piece[1] {
	case packStored:
	case packZstd:
		var err error
		if raw, err = p.dec.DecodeAll(raw, nil); err != nil {
			return nil, fmt.Errorf("piece: %w: %w", ErrMalformed, err)
		}
	default:
		return nil, fmt.Errorf("piece: unknown packing: %w", ErrMalformed)
	}
	if len(raw) > MaxPieceRaw {
		return nil, fmt.Errorf("piece of %d bytes, at most %d are taken: %w", len(raw), MaxPieceRaw, ErrMalformed)
	}
	return decodeColumns(raw)
}

// shape is what changes of one kind have in common.
type shape struct {
	kind    uint32
	lane    Lane
	numbers []uint32
}

func shapeOf(c Change) shape {
	s := shape{kind: c.Key.Kind, lane: c.Lane, numbers: make([]uint32, len(c.Writes))}
	for i, w := range c.Writes {
		s.numbers[i] = w.Number
	}
	return s
}

func (s shape) equal(o shape) bool {
	return s.kind == o.kind && s.lane == o.lane && slices.Equal(s.numbers, o.numbers)
}

// column names the values of one field of one kind.
type column struct{ kind, number uint32 }

func (c column) compare(o column) int {
	if c.kind != o.kind {
		return int(c.kind) - int(o.kind)
	}
	return int(c.number) - int(o.number)
}

// The parts of a change that have a column of their own.
const (
	partShape = iota
	partReplica
	partSeq
	partN
	partID
	partMillis
	partCounter
	partAhead
	partAuthor
	partReplaces
	parts
)

// tables are what columns point into.
type tables struct {
	replicas []clock.Replica
	authors  []string
	shapes   []shape
}

func place[T comparable](list *[]T, v T) uint64 {
	i := slices.Index(*list, v)
	if i < 0 {
		i = len(*list)
		*list = append(*list, v)
	}
	return uint64(i)
}

func (t *tables) shape(s shape) uint64 {
	i := slices.IndexFunc(t.shapes, s.equal)
	if i < 0 {
		i = len(t.shapes)
		t.shapes = append(t.shapes, s)
	}
	return uint64(i)
}

// appendColumns writes: the number of changes; the tables of replicas, authors
// and shapes; the part columns; then a column for each field, by kind and
// number. Every column is its length and its bytes.
func appendColumns(b []byte, changes []Change) []byte {
	var t tables
	var part [parts][]byte
	values := map[column][]cell{}
	var prev Change
	prev.Ahead = clock.UnknownAhead
	last := map[clock.Replica]uint64{}
	for _, c := range changes {
		t.appendParts(&part, c, prev, last[c.Replica])
		for _, w := range c.Writes {
			at := column{c.Key.Kind, w.Number}
			values[at] = append(values[at], cell{w.Value, c.At})
		}
		prev, last[c.Replica] = c, c.Seq
	}
	b = binary.AppendUvarint(b, uint64(len(changes)))
	b = t.append(b)
	for _, p := range part {
		b = appendBytes(b, p)
	}
	for _, at := range sortedColumns(values) {
		b = appendBytes(b, appendCells(nil, values[at]))
	}
	return b
}

func sortedColumns[T any](values map[column]T) []column {
	out := make([]column, 0, len(values))
	for at := range values {
		out = append(out, at)
	}
	slices.SortFunc(out, column.compare)
	return out
}

func (t *tables) append(b []byte) []byte {
	b = binary.AppendUvarint(b, uint64(len(t.replicas)))
	for _, r := range t.replicas {
		b = binary.BigEndian.AppendUint64(b, uint64(r))
	}
	b = binary.AppendUvarint(b, uint64(len(t.authors)))
	for _, a := range t.authors {
		b = appendBytes(b, a)
	}
	b = binary.AppendUvarint(b, uint64(len(t.shapes)))
	for _, s := range t.shapes {
		b = binary.AppendUvarint(b, uint64(s.kind))
		b = append(b, byte(s.lane))
		b = binary.AppendUvarint(b, uint64(len(s.numbers)))
		for _, n := range s.numbers {
			b = binary.AppendUvarint(b, uint64(n))
		}
	}
	return b
}

func (t *tables) appendParts(part *[parts][]byte, c, prev Change, lastSeq uint64) {
	put := func(p int, n uint64) { part[p] = binary.AppendUvarint(part[p], n) }
	put(partShape, t.shape(shapeOf(c)))
	put(partReplica, place(&t.replicas, c.Replica))
	put(partSeq, zigzag(int64(c.Seq-lastSeq-1)))
	put(partN, c.N-1)
	if c.Key.ID == OwnID(c.Replica, c.Seq) {
		put(partID, 0)
	} else {
		put(partID, uint64(len(c.Key.ID)))
		part[partID] = append(part[partID], c.Key.ID...)
	}
	put(partMillis, zigzag(c.At.Millis()-prev.At.Millis()))
	put(partCounter, uint64(c.At.Counter()))
	if c.Ahead == prev.Ahead {
		put(partAhead, 0)
	} else {
		put(partAhead, 1)
		part[partAhead] = appendAhead(part[partAhead], c.Ahead)
	}
	put(partAuthor, place(&t.authors, c.Author))
	for _, w := range c.Writes {
		put(partReplaces, uint64(len(w.Replaces)))
		for _, d := range w.Replaces {
			put(partReplaces, place(&t.replicas, d.Replica))
			put(partReplaces, d.N)
		}
	}
}

func zigzag(n int64) uint64   { return uint64(n)<<1 ^ uint64(n>>63) }
func unzigzag(n uint64) int64 { return int64(n>>1) ^ -int64(n&1) }

// decodeColumns reads what appendColumns wrote.
func decodeColumns(raw []byte) ([]Change, error) {
	d := &decoder{b: raw}
	count := d.upTo(MaxPieceChanges)
	t := d.tables()
	var part [parts]decoder
	for i := range part {
		part[i].b = d.bytes(MaxPieceRaw)
	}
	if d.bad {
		return nil, fmt.Errorf("piece: %w", ErrMalformed)
	}
	changes := make([]Change, 0, min(count, uint64(len(part[partShape].b))))
	cells := map[column][]*Write{}
	times := map[column][]clock.Hybrid{}
	prev := Change{Origin: Origin{Ahead: clock.UnknownAhead}}
	last := map[clock.Replica]uint64{}
	for range count {
		c, ok := t.decodeParts(&part, prev, last)
		if !ok {
			return nil, fmt.Errorf("piece: %w", ErrMalformed)
		}
		for i := range c.Writes {
			at := column{c.Key.Kind, c.Writes[i].Number}
			cells[at] = append(cells[at], &c.Writes[i])
			times[at] = append(times[at], c.At)
		}
		changes = append(changes, c)
		prev, last[c.Replica] = c, c.Seq
	}
	for _, at := range sortedColumns(cells) {
		col := decoder{b: d.bytes(MaxPieceRaw)}
		if !d.bad {
			d.bad = !col.cells(cells[at], times[at])
		}
	}
	for i := range part {
		d.bad = d.bad || part[i].bad || len(part[i].b) > 0
	}
	if d.bad || len(d.b) > 0 {
		return nil, fmt.Errorf("piece: %w", ErrMalformed)
	}
	for _, c := range changes {
		if err := c.Validate(); err != nil {
			return nil, fmt.Errorf("piece: %w", err)
		}
	}
	return changes, nil
}

func (d *decoder) tables() tables {
	var t tables
	for range d.upTo(clock.MaxReplicas) {
		if d.bad {
			return t
		}
		t.replicas = append(t.replicas, clock.Replica(d.fixed64()))
	}
	for range d.upTo(MaxPieceChanges) {
		if d.bad {
			return t
		}
		t.authors = append(t.authors, string(d.bytes(MaxAuthor)))
	}
	for range d.upTo(MaxPieceChanges) {
		if d.bad {
			return t
		}
		s := shape{kind: uint32(d.upTo(MaxNumber)), lane: Lane(d.byte())}
		for range d.upTo(MaxFields) {
			if d.bad {
				return t
			}
			s.numbers = append(s.numbers, uint32(d.upTo(MaxNumber)))
		}
		t.shapes = append(t.shapes, s)
	}
	return t
}

func (t *tables) decodeParts(part *[parts]decoder, prev Change, last map[clock.Replica]uint64) (c Change, ok bool) {
	get := func(p int) uint64 { return part[p].uvarint() }
	shapeAt, replicaAt, authorAt := get(partShape), get(partReplica), get(partAuthor)
	if shapeAt >= uint64(len(t.shapes)) || replicaAt >= uint64(len(t.replicas)) || authorAt >= uint64(len(t.authors)) {
		return c, false
	}
	s := t.shapes[shapeAt]
	c.Replica, c.Author, c.Lane, c.Key.Kind = t.replicas[replicaAt], t.authors[authorAt], s.lane, s.kind
	c.Seq = last[c.Replica] + 1 + uint64(unzigzag(get(partSeq)))
	c.N = get(partN) + 1
	if n := part[partID].upTo(MaxID); n == 0 {
		c.Key.ID = OwnID(c.Replica, c.Seq)
	} else {
		c.Key.ID = string(part[partID].take(int(n)))
	}
	millis := prev.At.Millis() + unzigzag(get(partMillis))
	counter := part[partCounter].upTo(1<<16 - 1)
	if millis < 0 || millis >= 1<<48 {
		return c, false
	}
	c.At = clock.HybridAt(millis, uint16(counter))
	c.Ahead = prev.Ahead
	if part[partAhead].upTo(1) == 1 {
		c.Ahead = part[partAhead].ahead()
	}
	c.Writes = make([]Write, len(s.numbers))
	for i, n := range s.numbers {
		c.Writes[i] = Write{Number: n}
		for range part[partReplaces].upTo(MaxVersions) {
			at := get(partReplaces)
			if at >= uint64(len(t.replicas)) || part[partReplaces].bad {
				return c, false
			}
			c.Writes[i].Replaces = append(c.Writes[i].Replaces, clock.Dot{Replica: t.replicas[at], N: get(partReplaces)})
		}
	}
	for i := range part {
		if part[i].bad {
			return c, false
		}
	}
	return c, true
}
