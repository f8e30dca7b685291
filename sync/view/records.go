package view

import (
	"iter"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// recordRow reads a record's row; the zero row if there is none.
func (tx *Tx) recordRow(key record.Key) (recordRow, error) {
	b, found, err := tx.get(recordKey(key))
	if err != nil || !found {
		return recordRow{}, err
	}
	return recordRowAt(recordKey(key), b)
}

func recordRowAt(key, b []byte) (recordRow, error) {
	r, ok := decodeRecordRow(b)
	if !ok || !isKeyOf(key, r.rec.Key) {
		return recordRow{}, damagedRow(key, "malformed")
	}
	return r, nil
}

// Record gives a joined record.
func (tx *Tx) Record(key record.Key) (r record.Record, found bool, err error) {
	row, err := tx.recordRow(key)
	return row.rec, row.exists(), err
}

// Change gives a change.
func (tx *Tx) Change(id record.ID) (c record.Change, found bool, err error) {
	key := changeKey(id)
	b, found, err := tx.get(key)
	if err != nil || !found {
		return c, false, err
	}
	c, err = changeAt(key, b)
	return c, err == nil, err
}

func changeAt(key, b []byte) (record.Change, error) {
	c, rest, err := record.DecodeChange(b)
	if want, _ := decodeChangeKey(key); err != nil || len(rest) > 0 || c.ID() != want {
		return record.Change{}, damagedRow(key, "malformed")
	}
	return c, nil
}

// ChangesFrom walks the changes of a replica from a seq on, in order of seq. A
// held change that does not come up is damage.
func (tx *Tx) ChangesFrom(r clock.Replica, seq uint64) iter.Seq2[record.Change, error] {
	return func(yield func(record.Change, error) bool) {
		h, err := tx.heldOf(r)
		if err != nil {
			yield(record.Change{}, err)
			return
		}
		due := h.from(seq)
		for row, err := range tx.scan(changePrefix(r), beforeChange(r, seq), false) {
			var c record.Change
			if err == nil {
				c, err = changeAt(row.key, row.bytes)
			}
			if err == nil && !due.next(c.Seq) {
				err = damage("changes of replica %s before %d are held but not there", r, c.Seq)
			}
			if !yield(c, err) || err != nil {
				return
			}
		}
		if len(due) > 0 {
			yield(record.Change{}, damage("changes of replica %s from %d on are held but not there", r, due[0].first))
		}
	}
}

// beforeChange is where a walk from a seq on starts; nil for the beginning.
func beforeChange(r clock.Replica, seq uint64) []byte {
	if seq < 2 {
		return nil
	}
	return changeKey(record.ID{Replica: r, Seq: seq - 1})
}

// ChangesOf walks the changes of a record by hybrid time, then by id.
func (tx *Tx) ChangesOf(key record.Key) iter.Seq2[record.Change, error] {
	return func(yield func(record.Change, error) bool) {
		for e, err := range tx.history(key) {
			var c record.Change
			found := false
			if err == nil {
				c, found, err = tx.Change(e.id)
			}
			if err == nil && (!found || historyOf(c) != e.historyKey) {
				err = damagedRow(e.historyKey.bytes(), "it names a change that is not there")
			}
			if !yield(c, err) || err != nil {
				return
			}
		}
	}
}

// pastChange is one row of a record's history.
type pastChange struct {
	historyKey
	historyRow
}

func (tx *Tx) history(key record.Key) iter.Seq2[pastChange, error] {
	return func(yield func(pastChange, error) bool) {
		for row, err := range tx.scan(historyPrefix(key), nil, false) {
			var p pastChange
			if err == nil {
				p, err = pastChangeAt(row.key, row.bytes)
			}
			if !yield(p, err) || err != nil {
				return
			}
		}
	}
}

func pastChangeAt(key, b []byte) (p pastChange, err error) {
	k, keyOK := decodeHistoryKey(key)
	r, ok := decodeHistoryRow(b)
	if !keyOK || !ok {
		return p, damagedRow(key, "malformed")
	}
	return pastChange{k, r}, nil
}
