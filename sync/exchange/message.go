package exchange

import (
	"encoding/binary"
	"fmt"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Limits on a message, each far above what one holds.
const (
	MaxSites   = 1 << 10
	MaxSite    = 128
	MaxRefused = 1 << 10
	MaxReason  = 1 << 10
	// MaxPiece bounds the piece in an answer, in bytes; a NATS message holds it.
	MaxPiece = 1<<20 - 64<<10
)

// The messages' formats.
const (
	requestFormat = 1
	answerFormat  = 1
)

// Request is what a node asks of the hub.
type Request struct {
	// Replica that asks, and the cabin's name.
	Replica clock.Replica
	Cabin   string
	// Sites that the node carries; nil means all.
	Sites []string
	// Written is the number of the node's last change, and Chain the first 8
	// bytes of the hash of its chain there.
	Written uint64
	// Zero if the node has lost some of its own changes.
	Chain [8]byte
	// Carries says that the hub may lack changes which the node holds and did not
	// write under this id: its Written does not speak for them.
	Carries bool
	// Millis is the node's physical clock.
	Millis int64
	Cursor Cursor
	// Has is what the node has, sent while the hub does not know its cursor.
	Has *clock.Context
	// Prints tell whose changes those are: for each replica in Has, in order, the
	// first 8 bytes of the hash of its chain up to its base.
	Prints [][8]byte
	// WantHas asks the hub what it has.
	WantHas bool
	// Size limits the piece, in bytes before compression.
	Size int
}

// Answer is what the hub replies.
type Answer struct {
	// Replica of the hub.
	Replica clock.Replica
	// Millis is the hub's physical clock.
	Millis int64
	// Receipt: the asker's changes 1 to Receipt are in the hub's synced view,
	// joined or, if it refused them, set aside.
	Receipt uint64
	// Settled says that the hub's view held all of its ledger when it answered.
	Settled bool
	// Unknown says that the hub does not know the cursor: ask again with Has.
	Unknown bool
	// Cursor behind the piece.
	Cursor Cursor
	// More says that there is more to ask for at once.
	More bool
	// Piece of changes; empty if there are none.
	Piece []byte
	// Refused are changes of the asker's that the hub would not take.
	Refused []Refusal
	// Forked says that somebody else has written under the asker's id.
	Forked bool
	// Has is what the hub has, when it was asked.
	Has *clock.Context
}

// Refusal is one change that the other side would not take.
type Refusal struct {
	ID     record.ID
	Reason string
}

// Append adds the request's binary form to b.
func (q Request) Append(b []byte) []byte {
	b = append(b, requestFormat)
	b = binary.BigEndian.AppendUint64(b, uint64(q.Replica))
	b = appendString(b, q.Cabin)
	if q.Sites == nil {
		b = append(b, 0)
	} else {
		b = binary.AppendUvarint(append(b, 1), uint64(len(q.Sites)))
		for _, s := range q.Sites {
			b = appendString(b, s)
		}
	}
	b = binary.AppendUvarint(b, q.Written)
	b = append(b, q.Chain[:]...)
	b = appendBool(b, q.Carries)
	b = binary.AppendVarint(b, q.Millis)
	b = q.Cursor.Append(b)
	b = appendContext(b, q.Has)
	for _, p := range q.Prints {
		b = append(b, p[:]...)
	}
	b = appendBool(b, q.WantHas)
	return binary.AppendUvarint(b, uint64(q.Size))
}

// DecodeRequest reads what Append wrote, and nothing else.
func DecodeRequest(b []byte) (Request, error) {
	r := reader{b: b}
	var q Request
	r.format(requestFormat)
	q.Replica = clock.Replica(r.fixed64())
	q.Cabin = r.string(MaxSite)
	if r.bool() {
		q.Sites = []string{}
		for range r.upTo(MaxSites) {
			q.Sites = append(q.Sites, r.string(MaxSite))
		}
	}
	q.Written = r.uvarint()
	copy(q.Chain[:], r.take(8))
	q.Carries = r.bool()
	q.Millis = r.varint()
	q.Cursor = r.cursor()
	if q.Has = r.context(); q.Has != nil {
		q.Prints = make([][8]byte, len(q.Has.Replicas()))
		for i := range q.Prints {
			copy(q.Prints[i][:], r.take(8))
		}
	}
	q.WantHas = r.bool()
	q.Size = int(r.upTo(record.MaxPieceRaw))
	if r.bad || len(r.b) > 0 || q.Replica == 0 {
		return Request{}, fmt.Errorf("request: %w", errMalformed)
	}
	return q, nil
}

// Append adds the answer's binary form to b.
func (a Answer) Append(b []byte) []byte {
	b = append(b, answerFormat)
	b = binary.BigEndian.AppendUint64(b, uint64(a.Replica))
	b = binary.AppendVarint(b, a.Millis)
	b = binary.AppendUvarint(b, a.Receipt)
	b = appendBool(b, a.Settled)
	b = appendBool(b, a.Unknown)
	b = a.Cursor.Append(b)
	b = appendBool(b, a.More)
	b = append(binary.AppendUvarint(b, uint64(len(a.Piece))), a.Piece...)
	b = binary.AppendUvarint(b, uint64(len(a.Refused)))
	for _, f := range a.Refused {
		b = binary.BigEndian.AppendUint64(b, uint64(f.ID.Replica))
		b = binary.AppendUvarint(b, f.ID.Seq)
		b = appendString(b, f.Reason)
	}
	b = appendBool(b, a.Forked)
	return appendContext(b, a.Has)
}

// DecodeAnswer reads what Append wrote, and nothing else.
func DecodeAnswer(b []byte) (Answer, error) {
	r := reader{b: b}
	var a Answer
	r.format(answerFormat)
	a.Replica = clock.Replica(r.fixed64())
	a.Millis = r.varint()
	a.Receipt = r.uvarint()
	a.Settled = r.bool()
	a.Unknown = r.bool()
	a.Cursor = r.cursor()
	a.More = r.bool()
	a.Piece = r.take(int(r.upTo(MaxPiece)))
	for range r.upTo(MaxRefused) {
		f := Refusal{ID: record.ID{Replica: clock.Replica(r.fixed64()), Seq: r.uvarint()}}
		f.Reason = r.string(MaxReason)
		a.Refused = append(a.Refused, f)
	}
	a.Forked = r.bool()
	a.Has = r.context()
	if r.bad || len(r.b) > 0 || a.Replica == 0 {
		return Answer{}, fmt.Errorf("answer: %w", errMalformed)
	}
	return a, nil
}

func appendString(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func appendBool(b []byte, v bool) []byte {
	if v {
		return append(b, 1)
	}
	return append(b, 0)
}

func appendContext(b []byte, c *clock.Context) []byte {
	if c == nil {
		return append(b, 0)
	}
	return c.Append(append(b, 1))
}

// reader reads from the front of b. The first thing that is not as it should be
// sets bad; everything read after that is zero.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) take(n int) []byte {
	if r.bad || n > len(r.b) {
		r.bad = true
		return nil
	}
	out := r.b[:n:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) format(want byte) {
	if b := r.take(1); b == nil || b[0] != want {
		r.bad = true
	}
}

func (r *reader) bool() bool {
	b := r.take(1)
	if b == nil || b[0] > 1 {
		r.bad = true
		return false
	}
	return b[0] == 1
}

func (r *reader) fixed64() uint64 {
	if b := r.take(8); b != nil {
		return binary.BigEndian.Uint64(b)
	}
	return 0
}

func (r *reader) uvarint() uint64 {
	if r.bad {
		return 0
	}
	n, k := binary.Uvarint(r.b)
	if k <= 0 || k > 1 && r.b[k-1] == 0 {
		r.bad = true
		return 0
	}
	r.b = r.b[k:]
	return n
}

func (r *reader) varint() int64 {
	n := r.uvarint()
	return int64(n>>1) ^ -int64(n&1)
}

// upTo reads a count that may be at most limit, and is no more than the bytes
// that are left could hold.
func (r *reader) upTo(limit uint64) uint64 {
	n := r.uvarint()
	if n > limit {
		r.bad = true
		return 0
	}
	return n
}

func (r *reader) string(limit uint64) string { return string(r.take(int(r.upTo(limit)))) }

func (r *reader) cursor() Cursor {
	c := Cursor{View: r.fixed64()}
	for i := range c.Lanes {
		if c.Lanes[i].Pos = r.uvarint(); c.Lanes[i].Pos > 0 {
			c.Lanes[i].Mark = r.fixed64()
		}
	}
	return c
}

func (r *reader) context() *clock.Context {
	if !r.bool() || r.bad {
		return nil
	}
	c, rest, err := clock.DecodeContext(r.b)
	if err != nil {
		r.bad = true
		return nil
	}
	r.b = rest
	return &c
}
