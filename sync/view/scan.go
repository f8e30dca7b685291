package view

import (
	"bytes"
	"iter"

	"github.com/dgraph-io/badger/v4"
)

// row is a key and the bytes that stand under it, out of their envelope. Both
// are the receiver's.
type row struct {
	key, bytes []byte
}

// scan walks the rows whose keys start with a prefix, in order of key or in
// reverse. It starts beyond the key after, where that is given. It sees what the
// transaction has written, also while it walks, and any number of walks can be
// open. Damage ends it.
func (tx *Tx) scan(prefix, after []byte, reverse bool) iter.Seq2[row, error] {
	return func(yield func(row, error) bool) {
		if tx.over {
			yield(row{}, errOver)
			return
		}
		w := walk{tx: tx, prefix: prefix, at: after, past: after != nil, reverse: reverse}
		if after == nil {
			w.at = prefix
			if reverse {
				w.at = lastOf(prefix)
			}
		}
		defer w.close()
		for {
			key, value, err := w.next()
			if err != nil {
				yield(row{}, err)
				return
			}
			if key == nil {
				return
			}
			b, err := unseal(key, value)
			if !yield(row{key, b}, err) || err != nil {
				return
			}
		}
	}
}

// lastOf gives a key that is beyond all keys with a prefix: what follows it in
// any key is shorter than this.
func lastOf(prefix []byte) []byte {
	return append(bytes.Clone(prefix), bytes.Repeat([]byte{0xff}, MaxName+1)...)
}

// walk merges the committed rows with the pending ones.
type walk struct {
	tx      *Tx
	prefix  []byte
	reverse bool
	// at is where the walk stands; past says that this key itself is done.
	at   []byte
	past bool

	it *badger.Iterator // opened at the first step
}

// next gives the next row that is there, in its envelope; no key at the end.
func (w *walk) next() (key, value []byte, err error) {
	for {
		key, value, err = w.step()
		if err != nil || key == nil {
			return nil, nil, err
		}
		w.at, w.past = key, true
		if value != nil {
			return key, value, nil
		}
	}
}

// step gives the next key; no value where a pending write deletes it.
func (w *walk) step() (key, value []byte, err error) {
	key, err = w.committed()
	if err != nil {
		return nil, nil, err
	}
	if p := w.tx.pending; p != nil {
		x, ok := p.next(w.at, w.past, w.reverse)
		if ok && bytes.HasPrefix(x.key, w.prefix) && (key == nil || !w.beyond(x.key, key)) {
			return x.key, x.value, nil
		}
	}
	if key == nil {
		return nil, nil, nil
	}
	value, err = w.value()
	return key, value, err
}

// beyond says whether a comes after b in the direction of the walk.
func (w *walk) beyond(a, b []byte) bool {
	if w.reverse {
		a, b = b, a
	}
	return bytes.Compare(a, b) > 0
}

// committed moves to the next committed row and gives a copy of its key.
func (w *walk) committed() (key []byte, err error) {
	defer caught("walk", &err)
	if w.it == nil {
		w.it = w.tx.txn.NewIterator(badger.IteratorOptions{Prefix: w.prefix, Reverse: w.reverse})
		w.it.Seek(w.at)
	}
	for w.it.Valid() {
		if key := w.it.Item().Key(); w.beyond(key, w.at) || !w.past && bytes.Equal(key, w.at) {
			return bytes.Clone(key), nil
		}
		w.it.Next()
	}
	return nil, nil
}

// value gives a copy of the value of the row that committed gave. An empty one
// is not nil, so that it is not taken for a deletion.
func (w *walk) value() (value []byte, err error) {
	defer caught("walk", &err)
	return w.it.Item().ValueCopy([]byte{})
}

func (w *walk) close() {
	if w.it != nil {
		w.it.Close()
	}
}
