package view

import (
	"fmt"
	"iter"
)

// Local is a piece of the owner's own state: a cursor, a receipt, an answer that
// was given. It is not exchanged with anyone.
type Local struct {
	Name  string
	Bytes []byte
}

// Local gives the owner's bytes under a name.
func (tx *Tx) Local(name string) (b []byte, found bool, err error) {
	return tx.get(localKey(name))
}

// SetLocal keeps bytes of the owner's under a name of 1 to MaxName bytes; nil
// deletes them.
func (tx *Tx) SetLocal(name string, b []byte) error {
	if len(name) == 0 || len(name) > MaxName {
		return fmt.Errorf("name of local state has %d bytes, want 1 to %d", len(name), MaxName)
	}
	return tx.writing(func() error {
		key := localKey(name)
		_, found, err := tx.value(key)
		switch {
		case err != nil:
			return err
		case b != nil && found:
			return tx.put(key, b)
		case b != nil:
			return tx.insert(key, b)
		case found:
			return tx.remove(key)
		}
		return nil
	})
}

// LocalPrefix walks the owner's state whose names start with a prefix, by name.
func (tx *Tx) LocalPrefix(prefix string) iter.Seq2[Local, error] {
	return func(yield func(Local, error) bool) {
		for row, err := range tx.scan(localKey(prefix), nil, false) {
			var l Local
			if err == nil {
				name, ok := decodeLocalKey(row.key)
				if !ok {
					err = damagedRow(row.key, "malformed")
				}
				l = Local{name, row.bytes}
			}
			if !yield(l, err) || err != nil {
				return
			}
		}
	}
}
