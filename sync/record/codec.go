package record

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"unicode/utf8"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Limits on what is written and on what a decoder believes.
const (
	// MaxValue is the greatest field value, in bytes: a sheet with all its
	// points and texts has room, a photo has not.
	MaxValue = 1 << 19
	// MaxChange bounds all that one change writes, in bytes. A change travels in
	// one piece, and a message of 1 MiB must hold that even if nothing in it can
	// be compressed.
	MaxChange = 3 << 18
	// MaxID and MaxAuthor bound ids, in bytes.
	MaxID     = 128
	MaxAuthor = 128
	// MaxNumber is protobuf's greatest field number.
	MaxNumber = 1<<29 - 1
	// MaxFields is how many fields one change or record may have.
	MaxFields = 256
	// MaxVersions is how many versions of one field, or dots replaced in it, may
	// stand side by side: more people than ever edit one defect at once.
	MaxVersions = 1 << 12
)

// changeFormat and recordFormat stand in front of each binary form.
const (
	changeFormat = 1
	recordFormat = 1
)

// ErrMalformed is wrapped by every decoder's error: the bytes are not what an
// encoder of a known version writes.
var ErrMalformed = errors.New("malformed")

// Append adds the change's one binary form to b. The hash chain of a replica
// runs over these bytes:
//
//	format       1 byte, 1
//	replica      8 bytes, big-endian
//	seq, n, kind unsigned varints
//	id           length and bytes
//	lane         1 byte
//	at           8 bytes, big-endian
//	ahead        1 byte: 0 unknown, or 1 and a signed varint (milliseconds)
//	author       length and bytes
//	writes       their number, then for each: number, length and value, and the
//	             number of replaced dots, each as 8 bytes and a varint
func (c Change) Append(b []byte) []byte {
	b = append(b, changeFormat)
	b = binary.BigEndian.AppendUint64(b, uint64(c.Replica))
	b = binary.AppendUvarint(b, c.Seq)
	b = binary.AppendUvarint(b, c.N)
	b = binary.AppendUvarint(b, uint64(c.Key.Kind))
	b = appendBytes(b, c.Key.ID)
	b = append(b, byte(c.Lane))
	b = appendOrigin(b, c.Origin)
	b = binary.AppendUvarint(b, uint64(len(c.Writes)))
	for _, w := range c.Writes {
		b = binary.AppendUvarint(b, uint64(w.Number))
		b = appendBytes(b, w.Value)
		b = appendDots(b, w.Replaces)
	}
	return b
}

// DecodeChange reads a change from the front of b and gives the rest. Only what
// Append writes is taken, so that equal changes are equal bytes.
func DecodeChange(b []byte) (c Change, rest []byte, err error) {
	d := decoder{b: b}
	d.format(changeFormat)
	c.Replica = clock.Replica(d.fixed64())
	c.Seq, c.N = d.uvarint(), d.uvarint()
	c.Key.Kind = uint32(d.upTo(MaxNumber))
	c.Key.ID = string(d.bytes(MaxID))
	c.Lane = Lane(d.byte())
	c.Origin = d.origin()
	for range d.upTo(MaxFields) {
		if d.bad {
			break
		}
		c.Writes = append(c.Writes, Write{
			Number:   uint32(d.upTo(MaxNumber)),
			Value:    d.bytes(MaxValue),
			Replaces: d.dots(),
		})
	}
	if d.bad {
		return Change{}, nil, fmt.Errorf("change: %w", ErrMalformed)
	}
	if err := c.Validate(); err != nil {
		return Change{}, nil, err
	}
	return c, d.b, nil
}

// Validate says what makes a change impossible, whoever sent it.
func (c Change) Validate() error {
	switch {
	case c.Replica == 0 || c.Seq == 0 || c.N == 0 || c.N > c.Seq || c.Seq > clock.MaxN:
		return fmt.Errorf("change %s of replica %s: number %d, number %d of the record: %w", c.Key, c.Replica, c.Seq, c.N, ErrMalformed)
	case c.Key.Kind == 0 || c.Key.Kind > MaxNumber || c.Key.ID == "" || !plain(c.Key.ID, MaxID):
		return fmt.Errorf("change %q of replica %s: want a kind, and an id of 1 to %d bytes of UTF-8: %w", c.Key, c.Replica, MaxID, ErrMalformed)
	case !plain(c.Author, MaxAuthor):
		return fmt.Errorf("change %s: author %q: want at most %d bytes of UTF-8: %w", c.Key, c.Author, MaxAuthor, ErrMalformed)
	case c.Lane >= Lanes:
		return fmt.Errorf("change %s: lane %d, want 0 to %d: %w", c.Key, c.Lane, Lanes-1, ErrMalformed)
	case len(c.Writes) == 0 || len(c.Writes) > MaxFields:
		return fmt.Errorf("change %s: %d fields, want 1 to %d: %w", c.Key, len(c.Writes), MaxFields, ErrMalformed)
	}
	size := 0
	for i, w := range c.Writes {
		if err := c.validateWrite(i, w); err != nil {
			return err
		}
		size += len(w.Value) + len(w.Replaces)*(8+binary.MaxVarintLen64)
	}
	if size > MaxChange {
		return fmt.Errorf("change %s writes %d bytes, at most %d are taken: %w", c.Key, size, MaxChange, ErrMalformed)
	}
	return nil
}

func plain(s string, limit int) bool { return len(s) <= limit && utf8.ValidString(s) }

func (c Change) validateWrite(i int, w Write) error {
	switch {
	case w.Number == 0 || w.Number > MaxNumber || i > 0 && c.Writes[i-1].Number >= w.Number:
		return fmt.Errorf("change %s: field number %d out of order: %w", c.Key, w.Number, ErrMalformed)
	case len(w.Value) > MaxValue:
		return fmt.Errorf("change %s: field %d has %d bytes, at most %d are taken: %w", c.Key, w.Number, len(w.Value), MaxValue, ErrMalformed)
	case !ofField(w.Value, w.Number):
		return fmt.Errorf("change %s: field %d: value is not of that field: %w", c.Key, w.Number, ErrMalformed)
	case len(w.Replaces) > MaxVersions || !ascending(w.Replaces) || slices.Contains(w.Replaces, c.Dot()):
		return fmt.Errorf("change %s: field %d: replaced dots: %w", c.Key, w.Number, ErrMalformed)
	}
	return nil
}

// Append adds the record's one binary form to b:
//
//	format   1 byte, 1
//	kind, id as in a change
//	seen     a context
//	writers  the number of dots that have live versions, then for each, in
//	         order: 8 bytes, a varint, and its origin as in a change
//	fields   their number, then for each: number; the number of versions, each
//	         as its writer's place in the list above, length and value; gone dots
func (r Record) Append(b []byte) []byte {
	b = append(b, recordFormat)
	b = binary.AppendUvarint(b, uint64(r.Key.Kind))
	b = appendBytes(b, r.Key.ID)
	b = r.Seen.Append(b)
	writers := r.writers()
	b = binary.AppendUvarint(b, uint64(len(writers)))
	for _, v := range writers {
		b = appendDot(b, v.Dot)
		b = appendOrigin(b, v.Origin)
	}
	b = binary.AppendUvarint(b, uint64(len(r.Fields)))
	for _, f := range r.Fields {
		b = binary.AppendUvarint(b, uint64(f.Number))
		b = binary.AppendUvarint(b, uint64(len(f.Versions)))
		for _, v := range f.Versions {
			i, _ := slices.BinarySearchFunc(writers, v.Dot, versionDot)
			b = binary.AppendUvarint(b, uint64(i))
			b = appendBytes(b, v.Value)
		}
		b = appendDots(b, f.Gone)
	}
	return b
}

func versionDot(v Version, d clock.Dot) int { return v.Dot.Compare(d) }

// writers lists each dot that has a live version once, by dot, with its origin.
func (r Record) writers() []Version {
	var out []Version
	for _, f := range r.Fields {
		for _, v := range f.Versions {
			out = append(out, Version{Dot: v.Dot, Origin: v.Origin})
		}
	}
	slices.SortFunc(out, func(a, b Version) int { return a.Dot.Compare(b.Dot) })
	return slices.CompactFunc(out, func(a, b Version) bool { return a.Dot == b.Dot })
}

// DecodeRecord reads a whole record; nothing may follow it.
func DecodeRecord(b []byte) (Record, error) {
	d := decoder{b: b}
	d.format(recordFormat)
	var r Record
	r.Key.Kind = uint32(d.upTo(MaxNumber))
	r.Key.ID = string(d.bytes(MaxID))
	r.Seen = d.context()
	var writers []Version
	for range d.upTo(MaxVersions * MaxFields) {
		if d.bad {
			break
		}
		writers = append(writers, Version{Dot: d.dot(), Origin: d.origin()})
	}
	for range d.upTo(MaxFields) {
		if d.bad {
			break
		}
		r.Fields = append(r.Fields, d.field(writers))
	}
	if d.bad || len(d.b) > 0 || !slices.EqualFunc(writers, r.writers(), func(a, b Version) bool { return a.Dot == b.Dot }) {
		return Record{}, fmt.Errorf("record: %w", ErrMalformed)
	}
	return r, r.Validate()
}

func (d *decoder) field(writers []Version) Field {
	f := Field{Number: uint32(d.upTo(MaxNumber))}
	for range d.upTo(MaxVersions) {
		i := d.uvarint()
		if d.bad || i >= uint64(len(writers)) {
			d.bad = true
			return f
		}
		v := writers[i]
		v.Value = d.bytes(MaxValue)
		f.Versions = append(f.Versions, v)
	}
	f.Gone = d.dots()
	return f
}

// Validate says what makes a record impossible, or so large that its binary
// form would not be taken. A join of valid changes can only be too large.
func (r Record) Validate() error {
	switch {
	case r.Key.Kind == 0 || r.Key.ID == "" || !plain(r.Key.ID, MaxID) || r.Seen.Empty():
		return fmt.Errorf("record %q: key, or nothing seen: %w", r.Key, ErrMalformed)
	case len(r.Fields) > MaxFields:
		return fmt.Errorf("record %s has %d fields, at most %d are taken: %w", r.Key, len(r.Fields), MaxFields, ErrMalformed)
	}
	for i, f := range r.Fields {
		switch {
		case f.Number == 0 || i > 0 && r.Fields[i-1].Number >= f.Number:
			return fmt.Errorf("record %s: field number %d out of order: %w", r.Key, f.Number, ErrMalformed)
		case len(f.Versions) > MaxVersions || len(f.Gone) > MaxVersions:
			return fmt.Errorf("record %s: field %d has %d versions and %d that went, at most %d are taken: %w",
				r.Key, f.Number, len(f.Versions), len(f.Gone), MaxVersions, ErrMalformed)
		case !f.wellFormed(r.Seen):
			return fmt.Errorf("record %s: field %d: %w", r.Key, f.Number, ErrMalformed)
		}
	}
	return nil
}

// wellFormed checks the invariants that Join keeps.
func (f Field) wellFormed(seen clock.Context) bool {
	for i, v := range f.Versions {
		if !seen.Has(v.Dot) || i > 0 && f.Versions[i-1].Dot.Compare(v.Dot) >= 0 || !ofField(v.Value, f.Number) {
			return false
		}
	}
	return len(f.Versions)+len(f.Gone) > 0 && ascending(f.Gone) && !slices.ContainsFunc(f.Gone, seen.Has)
}

func ascending(dots []clock.Dot) bool {
	for i, d := range dots {
		if d.Replica == 0 || d.N == 0 || d.N > clock.MaxN || i > 0 && dots[i-1].Compare(d) >= 0 {
			return false
		}
	}
	return true
}
