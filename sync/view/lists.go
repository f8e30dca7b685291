package view

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"iter"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/bothy-mesh/bothy/sync/record"
)

// Every record of a known kind stands, for each field by which its kind is
// listed, in exactly one list: that of the value which the field reads as, the
// empty one included.

// listedFields are those that are declared so, and the one by which the kind
// follows another.
func listedFields(k *record.Kind) []*record.FieldRule {
	var out []*record.FieldRule
	for _, f := range k.Fields {
		if f.ListedBy || f == k.Follows {
			out = append(out, f)
		}
	}
	return out
}

// listsPrint tells schemas apart that list records differently.
func listsPrint(s *record.Schema) []byte {
	h := sha256.New()
	for _, k := range s.Kinds() {
		for _, f := range listedFields(k) {
			for _, n := range []uint32{k.Number, f.Number, uint32(f.Rule), uint32(f.Caution)} {
				binary.Write(h, binary.BigEndian, n) // a hash takes everything
			}
		}
	}
	return h.Sum(nil)
}

// reads is the text that a string field reads as.
func reads(k *record.Kind, r record.Record, f *record.FieldRule) string {
	var text []byte
	for b := k.Resolve(r.Field(f.Number)); len(b) > 0; {
		_, wire, n := protowire.ConsumeTag(b)
		if n < 0 {
			break
		}
		size := protowire.ConsumeFieldValue(f.Descriptor.Number(), wire, b[n:])
		if size < 0 {
			break
		}
		if wire == protowire.BytesType { // the last one counts, as in any protobuf message
			text, _ = protowire.ConsumeBytes(b[n:])
		}
		b = b[n+size:]
	}
	return string(text)
}

// listKeys are the keys of the list rows of a record; none for no record.
func (v *View) listKeys(r recordRow) [][]byte {
	fields := v.listed[r.rec.Key.Kind]
	if len(fields) == 0 {
		return nil
	}
	kind := v.schema.Kind(r.rec.Key.Kind)
	out := make([][]byte, len(fields))
	for i, f := range fields {
		value := listed(reads(kind, r.rec, f))
		out[i] = listKey{kind.Number, f.Number, value, r.created, r.rec.Key.ID}.bytes()
	}
	return out
}

// relist moves a record's list rows to where they now belong.
func (tx *Tx) relist(old, now recordRow) error {
	before, after := tx.view.listKeys(old), tx.view.listKeys(now)
	for i := range max(len(before), len(after)) {
		if i < len(before) && i < len(after) && bytes.Equal(before[i], after[i]) {
			continue
		}
		if i < len(before) {
			if err := tx.remove(before[i]); err != nil {
				return err
			}
		}
		if i < len(after) {
			if err := tx.insert(after[i], nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// unlist removes every list row of a record, wherever it stands.
func (tx *Tx) unlist(key record.Key) error {
	for _, f := range tx.view.listed[key.Kind] {
		for row, err := range tx.scan(fieldPrefix(key.Kind, f.Number), nil, false) {
			if err != nil {
				return err
			}
			if recordOf(row.key) == key {
				if err := tx.remove(row.key); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// List walks the records of a kind by id, from beyond an id on; empty for all.
// A walk over all that does not meet as many as were counted ends with damage.
func (tx *Tx) List(kind uint32, afterID string) iter.Seq2[record.Record, error] {
	return func(yield func(record.Record, error) bool) {
		var after []byte
		if afterID != "" {
			after = recordKey(record.Key{Kind: kind, ID: afterID})
		}
		seen := uint64(0)
		for row, err := range tx.scan(recordPrefix(kind), after, false) {
			var r recordRow
			if err == nil {
				r, err = recordRowAt(row.key, row.bytes)
			}
			if !yield(r.rec, err) || err != nil {
				return
			}
			seen++
		}
		if after != nil {
			return
		}
		if n, err := tx.CountRecords(kind); err != nil || n != seen {
			if err == nil {
				err = damage("%d records of kind %d were found, %d were counted", seen, kind, n)
			}
			yield(record.Record{}, err)
		}
	}
}

// ListBy walks the records of a kind whose field reads as a value, by the hybrid
// time at which they were made (the least of their changes), then by id. The
// field must be one by which the kind is listed.
func (tx *Tx) ListBy(kind, field uint32, value string, newestFirst bool) iter.Seq2[record.Record, error] {
	return func(yield func(record.Record, error) bool) {
		if !tx.view.isListed(kind, field) {
			yield(record.Record{}, fmt.Errorf("kind %d is not listed by field %d", kind, field))
			return
		}
		for row, err := range tx.scan(listPrefix(kind, field, listed(value)), nil, newestFirst) {
			var r recordRow
			if err == nil {
				r, err = tx.recordRow(recordOf(row.key))
			}
			if err == nil && !r.exists() {
				err = damagedRow(row.key, "it names a record that is not there")
			}
			if !yield(r.rec, err) || err != nil {
				return
			}
		}
	}
}

func (v *View) isListed(kind, field uint32) bool {
	for _, f := range v.listed[kind] {
		if f.Number == field {
			return true
		}
	}
	return false
}
