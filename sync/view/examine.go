package view

import (
	"errors"
	"io/fs"
	"os"
	"sync"

	"github.com/dgraph-io/badger/v4"
	"github.com/dgraph-io/badger/v4/options"

	"github.com/bothy-mesh/bothy/sync/record"
)

// Examine opens a view, walks everything in it once and compares: every envelope
// and form, the number of rows of each kind, the changes with what is held of
// each replica and with its chain, the history and the records with the changes,
// the lists with the records, and the logs with their marks and ends. The first
// thing that does not fit is told in an error that wraps ErrDamaged. A directory
// that does not exist has nothing damaged in it.
//
// What it cannot see is a whole view that went back to how it was: that is for
// the owner, who compares it with its ledger.
//
// Damage can end the process, and so can a full disk; see [ExamineInChild].
func Examine(dir string, schema *record.Schema, o Options) error {
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	// A block whose checksum does not fit ends a walk in silence; the counts tell.
	v, err := open(dir, schema, o, options.OnBlockRead)
	if err != nil {
		return err
	}
	return errors.Join(v.Read(examineAll), v.Close())
}

// shares are the ranges of prefixes that are walked at the same time, about
// equal in work. What is stored about the changes is met before they are.
func shares() []share {
	return []share{{0, prefixRecord}, {prefixRecord, prefixList}, {prefixList, 0xff}}
}

// share is the rows whose prefix is at least from and less than to.
type share struct{ from, to byte }

func examineAll(tx *Tx) error {
	e, err := newExamination(tx)
	if err != nil {
		return err
	}
	errs := make([]error, len(shares()))
	var walks sync.WaitGroup
	for i, s := range shares() {
		walks.Go(func() { errs[i] = tx.each(s, e.row) })
	}
	walks.Wait()
	if err := errors.Join(errs...); err != nil {
		return err
	}
	return e.conclude()
}

// each walks the committed rows of a share in order of key, without copying
// them: both slices are good until f returns.
func (tx *Tx) each(s share, f func(key, value []byte) error) error {
	it := tx.txn.NewIterator(badger.IteratorOptions{})
	defer it.Close()
	var value []byte
	step := func(move func()) (key []byte, err error) {
		defer caught("walk", &err)
		if move(); !it.Valid() {
			return nil, nil
		}
		value, err = it.Item().ValueCopy(value[:0])
		return it.Item().Key(), err
	}
	key, err := step(func() { it.Seek([]byte{s.from}) })
	for ; err == nil && key != nil && key[0] < s.to; key, err = step(it.Next) {
		if err := f(key, value); err != nil {
			return err
		}
	}
	return err
}
