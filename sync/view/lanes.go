package view

import (
	"crypto/sha256"
	"encoding/binary"
	"iter"
	"slices"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Entry is one entry of a lane's log.
type Entry struct {
	// Pos is its position in the lane: 1, 2, 3 ...
	Pos uint64
	// ID and Key of the change.
	ID  record.ID
	Key record.Key
	// Size of the change's canonical form, in bytes.
	Size int
	// At is the change's hybrid time.
	At clock.Hybrid
	// From whom the change came.
	From Source
	// Mark depends on all entries of the lane up to this one: the first 8 bytes
	// of SHA-256(mark before, replica, seq), each 8 bytes. The mark before the
	// first entry is 0.
	Mark uint64
}

func entryOf(k historyKey, r historyRow) Entry {
	return Entry{ID: k.id, Key: k.key, At: k.at, Size: r.size, From: r.from}
}

// after gives the end of a log that has one more entry.
func (e logEnd) after(id record.ID) logEnd {
	var b [24]byte
	binary.BigEndian.PutUint64(b[0:], e.mark)
	binary.BigEndian.PutUint64(b[8:], uint64(id.Replica))
	binary.BigEndian.PutUint64(b[16:], id.Seq)
	sum := sha256.Sum256(b[:])
	return logEnd{e.pos + 1, binary.BigEndian.Uint64(sum[:])}
}

// log appends an entry to a lane's log.
func (tx *Tx) log(lane record.Lane, e Entry) error {
	end, err := tx.end(lane)
	if err != nil {
		return err
	}
	end = end.after(e.ID)
	tx.ends[lane] = &end
	e.Pos, e.Mark = end.pos, end.mark
	return tx.put(logKey(lane, e.Pos), e.bytes())
}

func (tx *Tx) end(lane record.Lane) (logEnd, error) {
	if end := tx.ends[lane]; end != nil {
		return *end, nil
	}
	b, found, err := tx.get(logEndKey(lane))
	if err != nil || !found {
		return logEnd{}, err
	}
	end, ok := decodeLogEnd(b)
	if !ok {
		return logEnd{}, damagedRow(logEndKey(lane), "malformed")
	}
	return end, nil
}

// rideAlong logs the changes of a record that wait only in less urgent lanes,
// the earliest first.
func (tx *Tx) rideAlong(key record.Key, lane record.Lane) error {
	for p, err := range tx.history(key) {
		if err != nil {
			return err
		}
		if p.lane <= lane {
			continue
		}
		if err := tx.log(lane, entryOf(p.historyKey, p.historyRow)); err != nil {
			return err
		}
		p.lane = lane
		if err := tx.put(p.historyKey.bytes(), p.historyRow.bytes()); err != nil {
			return err
		}
	}
	return nil
}

// MaxRelogged is how many records of each kind are logged again when the record
// that they follow moves to another site: what a person there looks back at.
const MaxRelogged = 20

// relogFollowers logs the changes of the latest records that follow one again,
// of each kind the older record first, each change in the most urgent lane in
// which it stands.
func (tx *Tx) relogFollowers(followed record.Key) error {
	for _, kind := range tx.view.schema.Kinds() {
		if kind.Follows == nil || kind.FollowsKind != followed.Kind {
			continue
		}
		latest, err := tx.latest(listPrefix(kind.Number, kind.Follows.Number, listed(followed.ID)))
		if err != nil {
			return err
		}
		for _, key := range latest {
			if err := tx.relog(key); err != nil {
				return err
			}
		}
	}
	return nil
}

// latest gives the last records of a list, the oldest first.
func (tx *Tx) latest(list []byte) ([]record.Key, error) {
	var out []record.Key
	for row, err := range tx.scan(list, nil, true) {
		if err != nil {
			return nil, err
		}
		out = append(out, recordOf(row.key))
		if len(out) == MaxRelogged {
			break
		}
	}
	slices.Reverse(out)
	return out, nil
}

func (tx *Tx) relog(key record.Key) error {
	for p, err := range tx.history(key) {
		if err != nil {
			return err
		}
		if err := tx.log(p.lane, entryOf(p.historyKey, p.historyRow)); err != nil {
			return err
		}
	}
	return nil
}

// Log walks a lane's log from beyond a position on. A log that does not reach its
// end is damage.
func (tx *Tx) Log(lane record.Lane, after uint64) iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		end, err := tx.end(lane)
		if err != nil {
			yield(Entry{}, err)
			return
		}
		pos := after
		for row, err := range tx.scan(logPrefix(lane), logKey(lane, after), false) {
			var e Entry
			if err == nil {
				e, err = entryAt(row.key, row.bytes)
			}
			if pos++; err == nil && e.Pos != pos {
				err = damage("log of lane %d: entry %d is followed by entry %d", lane, pos-1, e.Pos)
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
		if pos < end.pos {
			yield(Entry{}, damage("log of lane %d ends at %d, want %d", lane, pos, end.pos))
		}
	}
}

func entryAt(key, b []byte) (Entry, error) {
	_, pos, keyOK := decodeLogKey(key)
	e, ok := decodeEntry(pos, b)
	if !keyOK || !ok {
		return Entry{}, damagedRow(key, "malformed")
	}
	return e, nil
}

// LogEnd gives the last position of a lane's log and its mark; 0 and 0 for an
// empty log.
func (tx *Tx) LogEnd(lane record.Lane) (pos, mark uint64, err error) {
	end, err := tx.end(lane)
	return end.pos, end.mark, err
}

// LogMark gives the mark at a position, which is 0 at position 0. ok is false for
// a position that the log has not reached.
func (tx *Tx) LogMark(lane record.Lane, pos uint64) (mark uint64, ok bool, err error) {
	if pos == 0 {
		return 0, true, nil
	}
	end, err := tx.end(lane)
	if err != nil || pos > end.pos {
		return 0, false, err
	}
	key := logKey(lane, pos)
	b, found, err := tx.get(key)
	if err != nil {
		return 0, false, err
	}
	if !found {
		return 0, false, damage("log of lane %d: entry %d of %d is not there", lane, pos, end.pos)
	}
	e, err := entryAt(key, b)
	return e.Mark, err == nil, err
}
