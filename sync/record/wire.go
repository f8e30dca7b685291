package record

import (
	"encoding/binary"
	"math"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/bothy-mesh/bothy/sync/clock"
)

func appendBytes[T string | []byte](b []byte, s T) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func appendDot(b []byte, d clock.Dot) []byte {
	return binary.AppendUvarint(binary.BigEndian.AppendUint64(b, uint64(d.Replica)), d.N)
}

func appendDots(b []byte, dots []clock.Dot) []byte {
	b = binary.AppendUvarint(b, uint64(len(dots)))
	for _, d := range dots {
		b = appendDot(b, d)
	}
	return b
}

func appendOrigin(b []byte, o Origin) []byte {
	b = binary.BigEndian.AppendUint64(b, uint64(o.At))
	b = appendAhead(b, o.Ahead)
	return appendBytes(b, o.Author)
}

func appendAhead(b []byte, a clock.Ahead) []byte {
	if !a.Known() {
		return append(b, 0)
	}
	return binary.AppendVarint(append(b, 1), int64(a))
}

// decoder reads from the front of b. The first thing that is not as it should
// be sets bad; everything read after that is zero.
type decoder struct {
	b   []byte
	bad bool
}

func (d *decoder) take(n int) []byte {
	if d.bad || n > len(d.b) {
		d.bad = true
		return nil
	}
	out := d.b[:n:n]
	d.b = d.b[n:]
	return out
}

func (d *decoder) byte() byte {
	if b := d.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (d *decoder) format(want byte) {
	if d.byte() != want {
		d.bad = true
	}
}

func (d *decoder) fixed64() uint64 {
	if b := d.take(8); b != nil {
		return binary.BigEndian.Uint64(b)
	}
	return 0
}

// uvarint takes only the shortest form, so that one value has one encoding.
func (d *decoder) uvarint() uint64 {
	if d.bad {
		return 0
	}
	n, k := binary.Uvarint(d.b)
	if k <= 0 || k > 1 && d.b[k-1] == 0 {
		d.bad = true
		return 0
	}
	d.b = d.b[k:]
	return n
}

func (d *decoder) varint() int64 {
	n := d.uvarint()
	return int64(n>>1) ^ -int64(n&1)
}

// upTo reads a count or number that may be at most limit.
func (d *decoder) upTo(limit uint64) uint64 {
	n := d.uvarint()
	if n > limit {
		d.bad = true
		return 0
	}
	return n
}

func (d *decoder) bytes(limit int) []byte {
	n := d.upTo(uint64(limit))
	return d.take(int(n))
}

func (d *decoder) dot() clock.Dot {
	return clock.Dot{Replica: clock.Replica(d.fixed64()), N: d.uvarint()}
}

func (d *decoder) dots() []clock.Dot {
	var out []clock.Dot
	for range d.upTo(MaxVersions) {
		if d.bad {
			return nil
		}
		out = append(out, d.dot())
	}
	return out
}

func (d *decoder) ahead() clock.Ahead {
	switch d.byte() {
	case 0:
		return clock.UnknownAhead
	case 1:
		if a := d.varint(); a != math.MinInt64 {
			return clock.Ahead(a)
		}
	}
	d.bad = true
	return 0
}

func (d *decoder) origin() Origin {
	return Origin{At: clock.Hybrid(d.fixed64()), Ahead: d.ahead(), Author: string(d.bytes(MaxAuthor))}
}

func (d *decoder) context() clock.Context {
	if d.bad {
		return clock.Context{}
	}
	c, rest, err := clock.DecodeContext(d.b)
	if err != nil {
		d.bad = true
		return clock.Context{}
	}
	d.b = rest
	return c
}

// ofField says whether value is empty or a run of whole protobuf fields, all of
// this number.
func ofField(value []byte, number uint32) bool {
	for len(value) > 0 {
		num, _, n := protowire.ConsumeField(value)
		if n < 0 || uint32(num) != number {
			return false
		}
		value = value[n:]
	}
	return true
}
