package view

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"

	"github.com/bothy-mesh/bothy/sync/record"
)

// interest decides which records a replica needs that serves some sites.
type interest struct {
	tx    *Tx
	sites []string // nil for everything
	// homes remembers where followed records are at home.
	homes map[record.Key]string
}

// InterestedIn says whether a replica that serves the sites needs a record; nil
// sites stand for all. A record of a kind that this program does not know, or
// whose own site is not known, is needed everywhere.
func (tx *Tx) InterestedIn(r record.Record, sites []string) (bool, error) {
	i := interest{tx: tx, sites: sites, homes: map[record.Key]string{}}
	return i.in(r)
}

func (i interest) in(r record.Record) (bool, error) {
	kind := i.tx.view.schema.Kind(r.Key.Kind)
	if i.sites == nil || kind == nil || kind.Site == nil {
		return true, nil
	}
	site := reads(kind, r, kind.Site)
	if site == "" || slices.Contains(i.sites, site) {
		return true, nil
	}
	if kind.Follows == nil {
		return false, nil
	}
	home, err := i.home(record.Key{Kind: kind.FollowsKind, ID: reads(kind, r, kind.Follows)})
	return home != "" && slices.Contains(i.sites, home), err
}

// home is the site at which a record is at home; empty if that is not known.
func (i interest) home(key record.Key) (string, error) {
	if home, ok := i.homes[key]; ok {
		return home, nil
	}
	r, _, err := i.tx.Record(key)
	if err != nil {
		return "", err
	}
	kind := i.tx.view.schema.Kind(key.Kind)
	home := reads(kind, r, kind.Home)
	i.homes[key] = home
	return home, nil
}

// Digest is a print of all records that are of interest to the sites, nil for
// all: SHA-256 over the canonical form of each (which starts with its key) with
// its length before it (8 bytes, big-endian), in order of key. Views that hold
// the same changes have the same digest.
func (tx *Tx) Digest(sites []string) (sum [sha256.Size]byte, err error) {
	i := interest{tx: tx, sites: sites, homes: map[record.Key]string{}}
	h := sha256.New()
	seen := map[uint32]uint64{}
	for row, err := range tx.scan([]byte{prefixRecord}, nil, false) {
		if err != nil {
			return sum, err
		}
		key, ok := decodeRecordKey(row.key)
		if !ok || len(row.bytes) < recordRowHead {
			return sum, damagedRow(row.key, "malformed")
		}
		seen[key.Kind]++
		wanted, err := i.inRow(row)
		if err != nil {
			return sum, err
		}
		if canonical := row.bytes[recordRowHead:]; wanted {
			h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(canonical))))
			h.Write(canonical)
		}
	}
	h.Sum(sum[:0])
	return sum, tx.allMet(seen)
}

// inRow is in for a stored record, which it decodes only if it must.
func (i interest) inRow(row row) (bool, error) {
	if i.sites == nil {
		return true, nil
	}
	r, err := recordRowAt(row.key, row.bytes)
	if err != nil {
		return false, err
	}
	return i.in(r.rec)
}

// allMet compares the records that a walk met with those that were counted.
func (tx *Tx) allMet(seen map[uint32]uint64) error {
	if err := tx.settle(); err != nil {
		return err
	}
	prefix := []byte{prefixCount, prefixRecord}
	for row, err := range tx.scan(prefix, nil, false) {
		if err != nil {
			return err
		}
		k, keyOK := decodeCountKey(row.key)
		n, ok := decodeCountRow(row.bytes)
		if !keyOK || !ok {
			return damagedRow(row.key, "malformed")
		}
		if n != seen[k.kind] {
			return damage("%d records of kind %d were found, %d were counted", seen[k.kind], k.kind, n)
		}
		delete(seen, k.kind)
	}
	for kind, n := range seen {
		return damage("%d records of kind %d were found, none were counted", n, kind)
	}
	return nil
}
