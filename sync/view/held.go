package view

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"slices"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// span is a range of seq, first to last.
type span struct{ first, last uint64 }

// held is what a view holds of one replica's changes.
type held struct {
	// ranges ascend and do not touch each other.
	ranges []span
	// chain is the hash over the changes 1 to base.
	chain [sha256.Size]byte
}

// chainStart is h(0) of a replica.
func chainStart(r clock.Replica) [sha256.Size]byte {
	return sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(r)))
}

// chainNext is h(n) after h(n-1) and the n-th change's canonical bytes.
func chainNext(h [sha256.Size]byte, change []byte) (next [sha256.Size]byte) {
	d := sha256.New()
	d.Write(h[:])
	d.Write(change)
	d.Sum(next[:0])
	return next
}

// base is the greatest n of which all of 1 to n are held.
func (h held) base() uint64 {
	if len(h.ranges) == 0 || h.ranges[0].first != 1 {
		return 0
	}
	return h.ranges[0].last
}

func (h held) size() (n uint64) {
	for _, r := range h.ranges {
		n += r.last - r.first + 1
	}
	return n
}

// find gives the place of the first range that does not end before seq.
func (h held) find(seq uint64) int {
	i, _ := slices.BinarySearchFunc(h.ranges, seq, func(r span, seq uint64) int { return cmp.Compare(r.last, seq) })
	return i
}

func (h held) has(seq uint64) bool {
	i := h.find(seq)
	return i < len(h.ranges) && h.ranges[i].first <= seq
}

// add puts a seq in that is not held yet. The chain is left to the caller.
func (h *held) add(seq uint64) {
	i := h.find(seq)
	touchesBefore := i > 0 && h.ranges[i-1].last == seq-1
	touchesAfter := i < len(h.ranges) && h.ranges[i].first == seq+1
	switch {
	case touchesBefore && touchesAfter:
		h.ranges[i-1].last = h.ranges[i].last
		h.ranges = slices.Delete(h.ranges, i, i+1)
	case touchesBefore:
		h.ranges[i-1].last = seq
	case touchesAfter:
		h.ranges[i].first = seq
	default:
		h.ranges = slices.Insert(h.ranges, i, span{seq, seq})
	}
}

// drop takes a seq out that is held. The chain is left to the caller.
func (h *held) drop(seq uint64) {
	i := h.find(seq)
	r := h.ranges[i]
	var rest []span
	if r.first < seq {
		rest = append(rest, span{r.first, seq - 1})
	}
	if seq < r.last {
		rest = append(rest, span{seq + 1, r.last})
	}
	h.ranges = slices.Replace(h.ranges, i, i+1, rest...)
}

// expected are the seqs that a walk has still to meet, in order.
type expected []span

// from gives what a walk from a seq on must meet.
func (h held) from(seq uint64) expected {
	due := slices.Clone(h.ranges[h.find(seq):])
	if len(due) > 0 {
		due[0].first = max(due[0].first, seq)
	}
	return due
}

// next takes the next seq off; it says false if another one was due.
func (e *expected) next(seq uint64) bool {
	if len(*e) == 0 || (*e)[0].first != seq {
		return false
	}
	if (*e)[0].first == (*e)[0].last {
		*e = (*e)[1:]
	} else {
		(*e)[0].first++
	}
	return true
}

// context gives the same as dots of the replica.
func (h held) context(r clock.Replica) clock.Context {
	parts := []clock.Context{clock.Upto(r, h.base())}
	for _, s := range h.ranges {
		if s.first == 1 {
			continue
		}
		for n := s.first; n <= s.last; n++ {
			parts = append(parts, clock.ContextOf(clock.Dot{Replica: r, N: n}))
		}
	}
	return union(parts)
}

// union joins by halves, so that each dot is moved but a few times.
func union(parts []clock.Context) clock.Context {
	switch len(parts) {
	case 0:
		return clock.Context{}
	case 1:
		return parts[0]
	}
	half := len(parts) / 2
	return union(parts[:half]).Join(union(parts[half:]))
}

// heldOf gives what is held of a replica, to be changed in place by one who
// marks it as changed.
func (tx *Tx) heldOf(r clock.Replica) (*held, error) {
	if h := tx.held[r]; h != nil {
		return h, nil
	}
	b, found, err := tx.get(heldKey(r))
	if err != nil {
		return nil, err
	}
	h := held{chain: chainStart(r)}
	if found {
		var ok bool
		if h, ok = decodeHeld(b); !ok {
			return nil, damagedRow(heldKey(r), "malformed")
		}
	}
	if tx.held == nil {
		tx.held = map[clock.Replica]*held{}
	}
	tx.held[r] = &h
	return &h, nil
}

// Have gives all changes that the view holds, as dots (replica, seq).
func (tx *Tx) Have() (clock.Context, error) {
	if err := tx.settle(); err != nil {
		return clock.Context{}, err
	}
	var parts []clock.Context
	for row, err := range tx.scan([]byte{prefixHeld}, nil, false) {
		if err != nil {
			return clock.Context{}, err
		}
		r, keyOK := decodeHeldKey(row.key)
		h, ok := decodeHeld(row.bytes)
		if !keyOK || !ok {
			return clock.Context{}, damagedRow(row.key, "malformed")
		}
		parts = append(parts, h.context(r))
	}
	n, err := tx.count(countKey{prefix: prefixHeld})
	if err == nil && n != uint64(len(parts)) {
		err = damage("%d replicas are held, %d were counted", len(parts), n)
	}
	return union(parts), err
}

// Chain gives the number of changes of a replica that are held without a gap
// from the first, and the chain hash over them.
func (tx *Tx) Chain(r clock.Replica) (upto uint64, hash [sha256.Size]byte, err error) {
	h, err := tx.heldOf(r)
	if err != nil {
		return 0, hash, err
	}
	return h.base(), h.chain, nil
}

// hold notes a stored change and moves the chain over every change that the
// contiguous range has gained.
func (tx *Tx) hold(id record.ID) error {
	h, err := tx.heldOf(id.Replica)
	if err != nil {
		return err
	}
	if len(h.ranges) == 0 {
		if err := tx.addCount(countKey{prefix: prefixHeld}, 1); err != nil {
			return err
		}
	}
	before := h.base()
	h.add(id.Seq)
	tx.touched[id.Replica] = true
	return tx.chainOver(id.Replica, h, before+1)
}

// release notes that a change is held no more.
func (tx *Tx) release(id record.ID) error {
	h, err := tx.heldOf(id.Replica)
	if err != nil {
		return err
	}
	before := h.base()
	h.drop(id.Seq)
	tx.touched[id.Replica] = true
	if len(h.ranges) == 0 {
		if err := tx.addCount(countKey{prefix: prefixHeld}, -1); err != nil {
			return err
		}
	}
	if id.Seq <= before {
		h.chain = chainStart(id.Replica)
		return tx.chainOver(id.Replica, h, 1)
	}
	return nil
}

// chainOver moves the chain from the change before the given one to the base.
func (tx *Tx) chainOver(r clock.Replica, h *held, from uint64) error {
	for seq := from; seq <= h.base(); seq++ {
		b, found, err := tx.get(changeKey(record.ID{Replica: r, Seq: seq}))
		if err != nil {
			return err
		}
		if !found {
			return damage("change %d of replica %s is held but not there", seq, r)
		}
		h.chain = chainNext(h.chain, b)
	}
	return nil
}
