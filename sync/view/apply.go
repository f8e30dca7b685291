package view

import (
	"bytes"
	"fmt"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Source says from whom a change came.
type Source uint8

// Where a change can come from. The numbers are stored.
const (
	// Own: this replica made it.
	Own Source = iota
	// Hub: the hub gave it.
	Hub
	// Peer: another node or a post bag gave it.
	Peer

	sources
)

func (s Source) String() string {
	if s < sources {
		return [...]string{"own", "hub", "peer"}[s]
	}
	return fmt.Sprintf("Source(%d)", uint8(s))
}

// Outcome says what became of a change.
type Outcome uint8

const (
	// Applied: the change was new and is part of the view now.
	Applied Outcome = iota
	// Known: the view holds it already, to the byte.
	Known
	// Forked: the view holds another change of the same id, or another that
	// claims the same place in its record. Two replicas wrote under one id.
	// Nothing was written.
	Forked
)

func (o Outcome) String() string {
	if o <= Forked {
		return [...]string{"applied", "known", "forked"}[o]
	}
	return fmt.Sprintf("Outcome(%d)", uint8(o))
}

// Apply makes a change part of the view. It is the same in whatever order
// changes come and however often. ErrOverfull and record.ErrMalformed refuse
// this one change and leave the transaction usable.
func (tx *Tx) Apply(c record.Change, from Source) (Outcome, error) {
	if err := tx.writable(); err != nil {
		return 0, err
	}
	if err := c.Validate(); err != nil {
		return 0, err
	}
	if from >= sources {
		return 0, fmt.Errorf("source %d of a change, want 0 to %d", from, sources-1)
	}
	canonical := c.Append(nil)
	h, err := tx.heldOf(c.Replica)
	if err != nil {
		return 0, err
	}
	if h.has(c.Seq) {
		return tx.again(c.ID(), canonical)
	}
	old, err := tx.recordRow(c.Key)
	if err != nil {
		return 0, err
	}
	if old.rec.Seen.Has(c.Dot()) {
		return Forked, nil
	}
	joined, err := old.with(c)
	if err != nil {
		return 0, err
	}
	if len(h.ranges) >= clock.MaxLoose {
		return 0, fmt.Errorf("%w: changes of replica %s have %d gaps", ErrOverfull, c.Replica, len(h.ranges))
	}
	return Applied, tx.writing(func() error { return tx.store(c, canonical, from, old, joined) })
}

// again compares a change with the one that is held under its id.
func (tx *Tx) again(id record.ID, canonical []byte) (Outcome, error) {
	stored, found, err := tx.get(changeKey(id))
	switch {
	case err != nil:
		return 0, err
	case !found:
		return 0, damage("change %d of replica %s is held but not there", id.Seq, id.Replica)
	case bytes.Equal(stored, canonical):
		return Known, nil
	}
	return Forked, nil
}

func (tx *Tx) store(c record.Change, canonical []byte, from Source, old, joined recordRow) error {
	if err := tx.insert(changeKey(c.ID()), canonical); err != nil {
		return err
	}
	if err := tx.hold(c.ID()); err != nil {
		return err
	}
	if old.exists() && old.slowest > c.Lane {
		if err := tx.rideAlong(c.Key, c.Lane); err != nil {
			return err
		}
	}
	h := historyRow{lane: c.Lane, from: from, size: len(canonical)}
	if err := tx.insert(historyOf(c).bytes(), h.bytes()); err != nil {
		return err
	}
	if err := tx.log(c.Lane, entryOf(historyOf(c), h)); err != nil {
		return err
	}
	return tx.replace(old, joined)
}

// with is the record's row after one more change. All earlier changes wait in
// the change's lane or in more urgent ones then, because they ride along.
func (r recordRow) with(c record.Change) (recordRow, error) {
	joined := recordRow{created: c.At, slowest: c.Lane, rec: c.Delta()}
	if r.exists() {
		joined.created = min(r.created, c.At)
		joined.rec = record.Join(r.rec, joined.rec)
	}
	return joined, joined.encode()
}

// smallRecord is a size in bytes under which no limit of a record's form can be
// passed: the cheapest way, one field too many, takes more.
const smallRecord = 5 * record.MaxFields

// encode sets the canonical bytes, and makes sure that they can be read again.
func (r *recordRow) encode() error {
	r.canonical = r.rec.Append(nil)
	if len(r.canonical) <= smallRecord {
		return nil
	}
	if _, err := record.DecodeRecord(r.canonical); err != nil || len(r.canonical) > maxRow-recordRowHead {
		return fmt.Errorf("%w: record of kind %d with %d bytes and %d fields",
			ErrOverfull, r.rec.Key.Kind, len(r.canonical), len(r.rec.Fields))
	}
	return nil
}

// replace puts a record's new row in place of its old one and brings everything
// that depends on what the record reads as up to date. Either may be the zero
// row, for no record.
func (tx *Tx) replace(old, now recordRow) error {
	key := now.rec.Key
	if !now.exists() {
		key = old.rec.Key
	}
	var err error
	switch {
	case !now.exists():
		err = tx.remove(recordKey(key))
	case !old.exists():
		err = tx.insert(recordKey(key), now.bytes())
	default:
		err = tx.put(recordKey(key), now.bytes())
	}
	if err != nil {
		return err
	}
	if err := tx.relist(old, now); err != nil {
		return err
	}
	if kind := tx.view.schema.Kind(key.Kind); kind != nil && kind.Home != nil &&
		reads(kind, old.rec, kind.Home) != reads(kind, now.rec, kind.Home) {
		return tx.relogFollowers(key)
	}
	return nil
}
