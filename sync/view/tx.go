package view

import (
	"errors"
	"fmt"
	"slices"

	"github.com/dgraph-io/badger/v4"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Tx is one transaction on a view. It sees the view as it was when it began and
// what it has itself written since. It is for one goroutine, and only within
// the function that was given it.
//
// When a method that writes fails half-way, the transaction cannot be committed
// any more. Refusals ([ErrOverfull], a change that is not valid) come before
// anything is written and leave it usable.
type Tx struct {
	view *View
	txn  *badger.Txn // a snapshot
	// pending is nil in a transaction that only reads.
	pending *pending
	// failed is the first error that left something half-written.
	failed error
	over   bool

	// The rows that nearly every change touches are kept decoded until the
	// transaction settles.
	held    map[clock.Replica]*held
	touched map[clock.Replica]bool
	ends    [record.Lanes]*logEnd
	counts  map[countKey]uint64
}

var errOver = errors.New("the transaction is over")

// maxRow bounds one row, in bytes: what the value log takes at once, with room
// for the envelope. It is far above any real record.
const maxRow = valueLogFile - 1<<10

func (tx *Tx) writable() error {
	switch {
	case tx.over:
		return errOver
	case tx.pending == nil:
		return ErrReadOnly
	}
	return tx.failed
}

// writing runs a step that may leave something half-written if it fails.
func (tx *Tx) writing(step func() error) error {
	if err := tx.writable(); err != nil {
		return err
	}
	tx.failed = step()
	return tx.failed
}

// get gives a row's bytes, which are the caller's.
func (tx *Tx) get(key []byte) (row []byte, found bool, err error) {
	if tx.over {
		return nil, false, errOver
	}
	value, found, err := tx.value(key)
	if err != nil || !found {
		return nil, false, err
	}
	row, err = unseal(key, value)
	return row, err == nil, err
}

// value gives what is stored under a key, in its envelope.
func (tx *Tx) value(key []byte) (value []byte, found bool, err error) {
	if tx.pending != nil {
		if w, ok := tx.pending.writes[string(key)]; ok {
			return w.value, w.value != nil, nil
		}
	}
	defer caught("read", &err)
	item, err := tx.txn.Get(key)
	if errors.Is(err, badger.ErrKeyNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read a row: %w", err)
	}
	value, err = item.ValueCopy(nil)
	return value, err == nil, err
}

// put writes a row, new or not. It is for rows that are not counted, and for
// those that are known to be there.
func (tx *Tx) put(key, row []byte) error {
	if len(row) > maxRow {
		return fmt.Errorf("%w: %s row of %d bytes, at most %d are taken", ErrTooLarge, rowName(key), len(row), maxRow)
	}
	tx.pending.set(key, seal(key, row))
	return nil
}

// insert writes a row that is not there yet.
func (tx *Tx) insert(key, row []byte) error {
	if err := tx.put(key, row); err != nil {
		return err
	}
	return tx.recount(key, 1)
}

// remove deletes a row that is there.
func (tx *Tx) remove(key []byte) error {
	tx.pending.set(key, nil)
	return tx.recount(key, -1)
}

func (tx *Tx) recount(key []byte, by int) error {
	if k, ok := counted(key); ok {
		return tx.addCount(k, by)
	}
	return nil
}

func (tx *Tx) count(k countKey) (uint64, error) {
	if n, ok := tx.counts[k]; ok {
		return n, nil
	}
	b, found, err := tx.get(k.bytes())
	if err != nil || !found {
		return 0, err
	}
	n, ok := decodeCountRow(b)
	if !ok {
		return 0, damagedRow(k.bytes(), "malformed")
	}
	return n, nil
}

func (tx *Tx) addCount(k countKey, by int) error {
	n, err := tx.count(k)
	if err != nil {
		return err
	}
	if by < 0 && n < uint64(-by) {
		return damage("a %s row is removed, but none was counted", rowNames[k.prefix])
	}
	tx.counts[k] = n + uint64(by)
	return nil
}

// settle writes the rows that are kept decoded.
func (tx *Tx) settle() error {
	if tx.pending == nil {
		return nil
	}
	for r := range tx.touched {
		h, key := tx.held[r], heldKey(r)
		if len(h.ranges) == 0 {
			tx.pending.set(key, nil)
		} else if err := tx.put(key, h.bytes()); err != nil {
			return err
		}
	}
	for lane, end := range tx.ends {
		if end != nil {
			if err := tx.put(logEndKey(record.Lane(lane)), end.bytes()); err != nil {
				return err
			}
		}
	}
	for k, n := range tx.counts {
		if err := tx.put(k.bytes(), countRow(n)); err != nil {
			return err
		}
	}
	clear(tx.touched)
	return nil
}

// commit writes what is pending. What one transaction of the store cannot hold
// goes into several: the rows that say what the others should be (counts, ends,
// what is held, the owner's places) come last, so that a view that was stopped in
// between is told by them, and its owner builds it again or applies the rest.
func (tx *Tx) commit() (err error) {
	if err := tx.settle(); err != nil {
		return err
	}
	defer caught("commit", &err)
	txn := tx.view.db.NewTransaction(true)
	defer func() { txn.Discard() }()
	parted := false
	for _, key := range tx.commitOrder() {
		w := tx.pending.writes[key]
		err := w.in(txn)
		if errors.Is(err, badger.ErrTxnTooBig) {
			if !parted {
				parted = true
				tx.view.parting.Lock()
				defer tx.view.parting.Unlock()
			}
			if err := txn.Commit(); err != nil {
				return fmt.Errorf("%w: %w", ErrBroken, err)
			}
			txn = tx.view.db.NewTransaction(true)
			err = w.in(txn)
		}
		if err != nil {
			return fmt.Errorf("%w: %s row: %w", ErrBroken, rowName(w.key), err)
		}
	}
	if err := txn.Commit(); err != nil {
		return fmt.Errorf("%w: %w", ErrBroken, err)
	}
	return nil
}

// in writes the row into a transaction of the store.
func (w write) in(txn *badger.Txn) error {
	if w.value == nil {
		return txn.Delete(w.key)
	}
	return txn.Set(w.key, w.value)
}

// commitOrder gives the keys of what is pending: first the rows of changes and
// records, then those that say what there should be.
func (tx *Tx) commitOrder() []string {
	keys := tx.pending.keys()
	of := func(described bool) []string {
		return slices.DeleteFunc(slices.Clone(keys), func(key string) bool {
			return (key[0] >= prefixChange && key[0] <= prefixLog) != described
		})
	}
	return append(of(true), of(false)...)
}

// CountRecords gives how many records of a kind there are.
func (tx *Tx) CountRecords(kind uint32) (uint64, error) {
	return tx.count(countKey{prefixRecord, kind})
}

// CountChanges gives how many changes of any replica are held.
func (tx *Tx) CountChanges() (uint64, error) {
	return tx.count(countKey{prefix: prefixChange})
}
