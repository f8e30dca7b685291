package view

import (
	"fmt"

	"github.com/bothy-mesh/bothy/sync/record"
)

// Forget removes a change and joins its record anew from those that remain; a
// record that has none left is gone. It is for a change that lost to another of
// the same id. Entries of it stay in the lanes' logs: who follows one finds
// nothing, or what was applied under the id since. It reads all earlier changes
// of the replica, for the chain.
func (tx *Tx) Forget(id record.ID) error {
	if err := tx.writable(); err != nil {
		return err
	}
	c, found, err := tx.Change(id)
	if err != nil {
		return err
	}
	if !found {
		return fmt.Errorf("forget change %d of replica %s: it is not held", id.Seq, id.Replica)
	}
	return tx.writing(func() error {
		if err := tx.remove(changeKey(id)); err != nil {
			return err
		}
		if err := tx.remove(historyOf(c).bytes()); err != nil {
			return err
		}
		if err := tx.release(id); err != nil {
			return err
		}
		old, err := tx.recordRow(c.Key)
		if err != nil {
			return err
		}
		now, err := tx.fold(c.Key)
		if err != nil {
			return err
		}
		return tx.replace(old, now)
	})
}

// Rejoin puts a record right whose stored form or lists are damaged: it joins it
// anew from its stored changes. It reads all list rows of the record's kind. A
// key of which nothing is stored is left as it is.
func (tx *Tx) Rejoin(key record.Key) error {
	return tx.writing(func() error {
		now, err := tx.fold(key)
		if err != nil {
			return err
		}
		if err := tx.unlist(key); err != nil {
			return err
		}
		_, found, err := tx.value(recordKey(key))
		if err != nil {
			return err
		}
		if found {
			if err := tx.remove(recordKey(key)); err != nil {
				return err
			}
		}
		if !now.exists() {
			return nil
		}
		return tx.replace(recordRow{}, now)
	})
}

// fold joins a record from its changes; the zero row if it has none.
func (tx *Tx) fold(key record.Key) (row recordRow, err error) {
	for p, err := range tx.history(key) {
		if err != nil {
			return recordRow{}, err
		}
		c, found, err := tx.Change(p.id)
		if err != nil {
			return recordRow{}, err
		}
		if !found || historyOf(c) != p.historyKey {
			return recordRow{}, damagedRow(p.historyKey.bytes(), "it names a change that is not there")
		}
		slowest := max(row.slowest, p.lane)
		if row, err = row.with(c); err != nil {
			return recordRow{}, err
		}
		row.slowest = slowest
	}
	return row, nil
}
