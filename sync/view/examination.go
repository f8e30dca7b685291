package view

import (
	"bytes"
	"encoding/binary"
	"hash/maphash"
	"slices"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// An examination meets every row of a view once, those of one prefix in order of
// key. Rows of different prefixes may be met at the same time, because each
// field is written for rows of one prefix alone, but those about changes must be
// met in order.
type examination struct {
	view *View
	// listsStand says that the lists were made for this schema; otherwise they
	// will be made anew.
	listsStand bool

	stored map[countKey]uint64        // what was counted
	found  map[byte]map[uint32]uint64 // what was met, by prefix and kind
	ends   [record.Lanes]logEnd       // as stored
	logs   [record.Lanes]logEnd       // as met
	held   map[clock.Replica]held     // as stored, of replicas that did not come up yet

	// replica and run are what was met of the replica whose changes come up now.
	replica clock.Replica
	run     held
	// record is the one whose history comes up now.
	record record.Key

	histories balance // changes imply them
	dots      balance // changes imply those of the records
	births    balance // the first rows of histories imply those of the records
	lists     balance // records imply them
}

// balance are two sums of hashes, over what one kind of row implies about
// another and over what is met there. They are equal if and, but for chance,
// only if both sides have the same things equally often, in whatever order.
type balance struct {
	seed           maphash.Seed
	implied, there uint64
}

func (b *balance) imply(thing []byte) { b.implied += maphash.Bytes(b.seed, thing) }
func (b *balance) meet(thing []byte)  { b.there += maphash.Bytes(b.seed, thing) }
func (b *balance) even() bool         { return b.implied == b.there }

func newExamination(tx *Tx) (*examination, error) {
	row, found, err := tx.format()
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, damage("it has no format row")
	}
	if err := tx.view.ratchet(row.format); err != nil {
		return nil, err
	}
	b := balance{seed: maphash.MakeSeed()}
	e := &examination{
		view:      tx.view,
		stored:    map[countKey]uint64{},
		found:     map[byte]map[uint32]uint64{},
		held:      map[clock.Replica]held{},
		histories: b, dots: b, births: b, lists: b,
	}
	for prefix := range rowNames {
		e.found[prefix] = map[uint32]uint64{}
	}
	return e, nil
}

// row takes the next row of a prefix, in its envelope.
func (e *examination) row(key, value []byte) error {
	b, err := unseal(key, value)
	if err != nil {
		return err
	}
	if k, ok := counted(key); ok {
		e.found[k.prefix][k.kind]++
	}
	switch key[0] {
	case prefixFormat, prefixLocal:
		return nil
	case prefixLists:
		e.listsStand = bytes.Equal(b, listsPrint(e.view.schema))
		return nil
	case prefixCount:
		return e.countRow(key, b)
	case prefixLogEnd:
		return e.logEndRow(key, b)
	case prefixHeld:
		return e.heldRow(key, b)
	case prefixChange:
		return e.changeRow(key, b)
	case prefixHistory:
		return e.historyRow(key, b)
	case prefixRecord:
		return e.recordRow(key, b)
	case prefixList:
		return e.listRow(key)
	case prefixLog:
		return e.logRow(key, b)
	}
	return damagedRow(key, "no such prefix")
}

func (e *examination) countRow(key, b []byte) error {
	k, keyOK := decodeCountKey(key)
	n, ok := decodeCountRow(b)
	if !keyOK || !ok {
		return damagedRow(key, "malformed")
	}
	e.stored[k] = n
	return nil
}

func (e *examination) logEndRow(key, b []byte) error {
	lane, keyOK := decodeLogEndKey(key)
	end, ok := decodeLogEnd(b)
	if !keyOK || !ok {
		return damagedRow(key, "malformed")
	}
	e.ends[lane] = end
	return nil
}

func (e *examination) heldRow(key, b []byte) error {
	r, keyOK := decodeHeldKey(key)
	h, ok := decodeHeld(b)
	if !keyOK || !ok {
		return damagedRow(key, "malformed")
	}
	e.held[r] = h
	return nil
}

func (e *examination) changeRow(key, b []byte) error {
	c, err := changeAt(key, b)
	if err != nil {
		return err
	}
	if c.Replica != e.replica {
		if err := e.endOfReplica(); err != nil {
			return err
		}
		e.replica, e.run = c.Replica, held{chain: chainStart(c.Replica)}
	}
	e.run.add(c.Seq)
	if e.run.base() == c.Seq {
		e.run.chain = chainNext(e.run.chain, b)
	}
	e.histories.imply(binary.AppendUvarint(historyOf(c).bytes(), uint64(len(b))))
	e.dots.imply(dotOf(c.Key, c.Dot()))
	return nil
}

// endOfReplica compares what was met of a replica's changes with what is held.
func (e *examination) endOfReplica() error {
	if e.replica == 0 {
		return nil
	}
	h, ok := e.held[e.replica]
	delete(e.held, e.replica)
	switch {
	case !ok:
		return damage("there are changes of replica %s, none are held", e.replica)
	case !slices.Equal(h.ranges, e.run.ranges):
		return damage("%d changes of replica %s are there, %d others are held", e.run.size(), e.replica, h.size())
	case h.chain != e.run.chain:
		return damage("changes 1 to %d of replica %s do not give its chain hash", h.base(), e.replica)
	}
	return nil
}

func dotOf(k record.Key, d clock.Dot) []byte {
	b := binary.BigEndian.AppendUint64(historyPrefix(k), uint64(d.Replica))
	return binary.BigEndian.AppendUint64(b, d.N)
}

func birthOf(k record.Key, created clock.Hybrid) []byte {
	return binary.BigEndian.AppendUint64(historyPrefix(k), uint64(created))
}

func (e *examination) historyRow(key, b []byte) error {
	p, err := pastChangeAt(key, b)
	if err != nil {
		return err
	}
	e.histories.meet(binary.AppendUvarint(bytes.Clone(key), uint64(p.size)))
	if p.key != e.record {
		e.record = p.key
		e.births.imply(birthOf(p.key, p.at))
	}
	return nil
}

func (e *examination) recordRow(key, b []byte) error {
	r, err := recordRowAt(key, b)
	if err != nil {
		return err
	}
	for _, d := range r.rec.Seen.Without(clock.Context{}) {
		e.dots.meet(dotOf(r.rec.Key, d))
	}
	e.births.meet(birthOf(r.rec.Key, r.created))
	for _, k := range e.view.listKeys(r) {
		e.lists.imply(k)
	}
	return nil
}

func (e *examination) listRow(key []byte) error {
	if _, ok := decodeListKey(key); !ok {
		return damagedRow(key, "malformed")
	}
	e.lists.meet(key)
	return nil
}

func (e *examination) logRow(key, b []byte) error {
	entry, err := entryAt(key, b)
	if err != nil {
		return err
	}
	lane, pos, _ := decodeLogKey(key)
	end := e.logs[lane].after(entry.ID)
	e.logs[lane] = end
	if end != (logEnd{pos, entry.Mark}) {
		return damage("log of lane %d: entry %d does not follow the one before it", lane, pos)
	}
	return nil
}

// conclude compares what can be known only when all rows have been met.
func (e *examination) conclude() error {
	if err := e.endOfReplica(); err != nil {
		return err
	}
	for r, h := range e.held {
		return damage("%d changes of replica %s are held, none are there", h.size(), r)
	}
	if err := e.compareCounts(); err != nil {
		return err
	}
	for lane := range e.logs {
		if e.logs[lane] != e.ends[lane] {
			return damage("log of lane %d ends at %d, want %d", lane, e.logs[lane].pos, e.ends[lane].pos)
		}
	}
	switch {
	case !e.histories.even():
		return damage("the records' histories are not those of the changes")
	case !e.dots.even():
		return damage("the records are not joined from the changes that are there")
	case !e.births.even():
		return damage("the records do not start with their first changes")
	case !e.lists.even() && e.listsStand:
		return damage("the lists are not those of the records")
	}
	return nil
}

func (e *examination) compareCounts() error {
	for prefix, kinds := range e.found {
		for kind, n := range kinds {
			if stored := e.stored[countKey{prefix, kind}]; stored != n {
				return damage("%d %s rows were found, %d were counted", n, rowNames[prefix], stored)
			}
		}
	}
	for k, n := range e.stored {
		if found := e.found[k.prefix][k.kind]; found != n {
			return damage("%d %s rows were found, %d were counted", found, rowNames[k.prefix], n)
		}
	}
	return nil
}
