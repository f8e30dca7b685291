package view

import (
	"encoding/binary"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// What stands under each key, inside the envelope. Numbers are unsigned varints
// unless a width is given; those are big-endian.

// formatRow: format(4) view id(8).
type formatRow struct {
	format uint32
	id     uint64
}

func (r formatRow) bytes() []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint32(nil, r.format), r.id)
}

func decodeFormatRow(b []byte) (r formatRow, ok bool) {
	d := decoder{b: b}
	r.format, r.id = d.fixed32(), d.fixed64()
	return r, d.done()
}

// countRow: a number.
func countRow(n uint64) []byte { return binary.AppendUvarint(nil, n) }

func decodeCountRow(b []byte) (uint64, bool) {
	d := decoder{b: b}
	n := d.uvarint()
	return n, d.done()
}

// logEnd is the end of a lane's log: pos(8) mark(8).
type logEnd struct {
	pos, mark uint64
}

func (e logEnd) bytes() []byte {
	return binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(nil, e.pos), e.mark)
}

func decodeLogEnd(b []byte) (e logEnd, ok bool) {
	d := decoder{b: b}
	e.pos, e.mark = d.fixed64(), d.fixed64()
	return e, d.done()
}

// bytes of what is held: the number of ranges; for each the distance of its
// first seq from the end of the range before, and how many more it has; the
// chain hash(32).
func (h held) bytes() []byte {
	b := binary.AppendUvarint(nil, uint64(len(h.ranges)))
	end := uint64(0)
	for _, r := range h.ranges {
		b = binary.AppendUvarint(b, r.first-end)
		b = binary.AppendUvarint(b, r.last-r.first)
		end = r.last
	}
	return append(b, h.chain[:]...)
}

func decodeHeld(b []byte) (h held, ok bool) {
	d := decoder{b: b}
	count := d.uvarint()
	end := uint64(0)
	for i := range count {
		first := end + d.uvarint()
		last := first + d.uvarint()
		if d.bad || first <= end || last < first || i > 0 && first == end+1 {
			return h, false
		}
		h.ranges = append(h.ranges, span{first, last})
		end = last
	}
	copy(h.chain[:], d.take(len(h.chain)))
	return h, d.done() && count > 0
}

// historyRow: lane(1) source(1) size.
type historyRow struct {
	// lane is the most urgent in whose log the change stands.
	lane record.Lane
	from Source
	// size of the change's canonical bytes.
	size int
}

func (r historyRow) bytes() []byte {
	return binary.AppendUvarint([]byte{byte(r.lane), byte(r.from)}, uint64(r.size))
}

func decodeHistoryRow(b []byte) (r historyRow, ok bool) {
	d := decoder{b: b}
	r.lane, r.from, r.size = record.Lane(d.byte()), Source(d.byte()), int(d.uvarint())
	return r, d.done() && r.lane < record.Lanes && r.from < sources && r.size > 0
}

// recordRow: created(8) slowest(1) the record's canonical bytes. The zero row
// stands for no record.
type recordRow struct {
	// created is the least hybrid time of the record's changes.
	created clock.Hybrid
	// slowest is the least urgent lane in which a change of it still waits.
	slowest record.Lane
	rec     record.Record
	// canonical are the record's bytes.
	canonical []byte
}

const recordRowHead = 9

func (r recordRow) exists() bool { return r.rec.Key.Kind != 0 }

func (r recordRow) bytes() []byte {
	b := make([]byte, 0, recordRowHead+len(r.canonical))
	b = append(binary.BigEndian.AppendUint64(b, uint64(r.created)), byte(r.slowest))
	return append(b, r.canonical...)
}

func decodeRecordRow(b []byte) (r recordRow, ok bool) {
	if len(b) < recordRowHead || b[8] >= record.Lanes {
		return r, false
	}
	r.created, r.slowest, r.canonical = clock.Hybrid(binary.BigEndian.Uint64(b)), record.Lane(b[8]), b[recordRowHead:]
	var err error
	r.rec, err = record.DecodeRecord(r.canonical)
	return r, err == nil
}

// bytes of an entry: replica(8) seq(8) at(8) mark(8) source(1) kind size id(1+n).
// The position is in the key.
func (e Entry) bytes() []byte {
	b := binary.BigEndian.AppendUint64(make([]byte, 0, 48+len(e.Key.ID)), uint64(e.ID.Replica))
	b = binary.BigEndian.AppendUint64(b, e.ID.Seq)
	b = binary.BigEndian.AppendUint64(b, uint64(e.At))
	b = binary.BigEndian.AppendUint64(b, e.Mark)
	b = append(b, byte(e.From))
	b = binary.AppendUvarint(b, uint64(e.Key.Kind))
	b = binary.AppendUvarint(b, uint64(e.Size))
	return appendText(b, e.Key.ID)
}

func decodeEntry(pos uint64, b []byte) (e Entry, ok bool) {
	d := decoder{b: b}
	e.Pos = pos
	e.ID = record.ID{Replica: clock.Replica(d.fixed64()), Seq: d.fixed64()}
	e.At, e.Mark, e.From = clock.Hybrid(d.fixed64()), d.fixed64(), Source(d.byte())
	kind := d.uvarint()
	e.Size = int(d.uvarint())
	e.Key = record.Key{Kind: uint32(kind), ID: string(d.text())}
	return e, d.done() && kind <= record.MaxNumber && e.From < sources && e.Key.ID != "" && e.Size > 0
}

// decoder reads from the front of b. The first thing that is not as it should
// be sets bad; everything read after that is zero.
type decoder struct {
	b   []byte
	bad bool
}

// done says whether all was as it should be and nothing is left.
func (d *decoder) done() bool { return !d.bad && len(d.b) == 0 }

func (d *decoder) take(n int) []byte {
	if d.bad || n > len(d.b) {
		d.bad = true
		return nil
	}
	out := d.b[:n]
	d.b = d.b[n:]
	return out
}

func (d *decoder) byte() byte {
	if b := d.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (d *decoder) fixed32() uint32 {
	if b := d.take(4); b != nil {
		return binary.BigEndian.Uint32(b)
	}
	return 0
}

func (d *decoder) fixed64() uint64 {
	if b := d.take(8); b != nil {
		return binary.BigEndian.Uint64(b)
	}
	return 0
}

// uvarint takes only the shortest form.
func (d *decoder) uvarint() uint64 {
	n, k := binary.Uvarint(d.b)
	if d.bad || k <= 0 || k > 1 && d.b[k-1] == 0 {
		d.bad = true
		return 0
	}
	d.b = d.b[k:]
	return n
}

func (d *decoder) text() []byte { return d.take(int(d.byte())) }
