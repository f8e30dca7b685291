package view

import (
	"bytes"
	"errors"
)

// relistBatch is how many list rows are dropped, or records listed, in one
// transaction while the lists are made anew: far within what one takes.
const relistBatch = 500

// refreshLists makes all lists anew if they were made for another schema. The
// print of the schema is taken away first and put back last, so that a start in
// the middle starts over.
func (v *View) refreshLists() error {
	stands := false
	err := v.Read(func(tx *Tx) error {
		b, found, err := tx.get(listsKey)
		stands = found && bytes.Equal(b, listsPrint(v.schema))
		return err
	})
	if err != nil || stands {
		return err
	}
	err = v.Update(func(tx *Tx) error {
		tx.pending.set(listsKey, nil)
		return nil
	})
	return errors.Join(err, v.dropLists(), v.makeLists(), v.Update(func(tx *Tx) error {
		return tx.put(listsKey, listsPrint(v.schema))
	}))
}

func (v *View) dropLists() error {
	for {
		dropped := 0
		err := v.Update(func(tx *Tx) error {
			for row, err := range tx.scan([]byte{prefixList}, nil, false) {
				if err != nil || dropped == relistBatch {
					return err
				}
				if err := tx.remove(row.key); err != nil {
					return err
				}
				dropped++
			}
			return nil
		})
		if err != nil || dropped == 0 {
			return err
		}
	}
}

func (v *View) makeLists() error {
	var after []byte
	for {
		made := 0
		err := v.Update(func(tx *Tx) error {
			for row, err := range tx.scan([]byte{prefixRecord}, after, false) {
				if err != nil || made == relistBatch {
					return err
				}
				r, err := recordRowAt(row.key, row.bytes)
				if err != nil {
					return err
				}
				if err := tx.relist(recordRow{}, r); err != nil {
					return err
				}
				after = row.key
				made++
			}
			return nil
		})
		if err != nil || made == 0 {
			return err
		}
	}
}
