package exchange

import (
	"encoding/binary"
	"errors"
	"fmt"
	"iter"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Place is how far a lane's log has been read: the position of the last entry,
// and the mark that the log had there. Position 0 is before the first.
type Place struct {
	Pos  uint64
	Mark uint64
}

// Cursor is how far the lane logs of one view have been read.
type Cursor struct {
	// View is the id of the view that owns the logs; 0 knows none.
	View  uint64
	Lanes [record.Lanes]Place
}

// Append adds the cursor's binary form to b: the view's id, then for each lane
// its position as a varint and, unless that is 0, its mark.
func (c Cursor) Append(b []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, c.View)
	for _, p := range c.Lanes {
		b = binary.AppendUvarint(b, p.Pos)
		if p.Pos > 0 {
			b = binary.BigEndian.AppendUint64(b, p.Mark)
		}
	}
	return b
}

// DecodeCursor reads a cursor that stands alone.
func DecodeCursor(b []byte) (Cursor, error) {
	r := reader{b: b}
	c := r.cursor()
	if r.bad || len(r.b) > 0 {
		return Cursor{}, fmt.Errorf("cursor: %w", errMalformed)
	}
	return c, nil
}

var errMalformed = errors.New("malformed message")

// Entry is one line of a lane's log.
type Entry struct {
	Pos uint64
	ID  record.ID
	// Size of the change in bytes.
	Size int
	// FromHub says that the change came from the hub.
	FromHub bool
	// Mark that the log has at this entry.
	Mark uint64
}

// Log is what a replica's view shows of itself. An error ends a sequence.
type Log interface {
	// View is the id of the view.
	View() uint64
	// Entries of a lane after a position, in order.
	Entries(lane record.Lane, after uint64) iter.Seq2[Entry, error]
	// Mark of a lane's log at a position; not ok if there is no such position.
	Mark(lane record.Lane, pos uint64) (mark uint64, ok bool, err error)
	// Change of an entry, and whether it is of interest to the given sites (nil
	// means all). An entry whose change is gone is not ok: that is no error.
	Change(id record.ID, sites []string) (c record.Change, ok bool, err error)
}

// Knows says whether the cursor is a place in the history of the log.
func Knows(log Log, c Cursor) (bool, error) {
	if c.View != log.View() {
		return false, nil
	}
	for lane, p := range c.Lanes {
		if p.Pos == 0 {
			continue
		}
		mark, ok, err := log.Mark(record.Lane(lane), p.Pos)
		if err != nil || !ok || mark != p.Mark {
			return false, err
		}
	}
	return true, nil
}

// Filter says what the reader of a log does not need.
type Filter struct {
	// Sites limits what is of interest; nil means everything.
	Sites []string
	// Has are changes, as dots (replica, sequence), that the reader has.
	Has clock.Context
	// NotFrom is a replica whose own changes the reader has; 0 is none.
	NotFrom clock.Replica
	// NotFromHub leaves out what came from the hub.
	NotFromHub bool
}

// Drops says whether the reader does not need the entry.
func (f Filter) Drops(e Entry) bool {
	return e.ID.Replica == f.NotFrom || f.NotFromHub && e.FromHub ||
		f.Has.Has(clock.Dot{Replica: e.ID.Replica, N: e.ID.Seq})
}

// Budget limits one piece. Size counts bytes before compression. At least one
// change is taken, however large.
type Budget struct {
	Changes int
	Size    int
}

// Batch is one piece's worth of changes.
type Batch struct {
	Changes []record.Change
	// Lane of the most urgent change; record.Lanes if there is none.
	Lane record.Lane
	// Next is the cursor behind the batch.
	Next Cursor
	// More says that the budget ended the batch, not the logs.
	More bool
}

// Next reads the logs from the cursor, lane 0 first, and goes on to a lane only
// when all more urgent ones are read to their end. The cursor must be one that
// the log Knows, or have no view: then it starts at the beginning.
func Next(log Log, from Cursor, f Filter, limit Budget) (Batch, error) {
	out := Batch{Lane: record.Lanes, Next: from}
	out.Next.View = log.View()
	taken := map[record.ID]bool{}
	size := 0
	for lane := range record.Lane(record.Lanes) {
		for e, err := range log.Entries(lane, from.Lanes[lane].Pos) {
			if err != nil {
				return Batch{}, fmt.Errorf("read lane %d: %w", lane, err)
			}
			if !taken[e.ID] && !f.Drops(e) {
				c, ok, err := log.Change(e.ID, f.Sites)
				if err != nil {
					return Batch{}, fmt.Errorf("read change %d of %s: %w", e.ID.Seq, e.ID.Replica, err)
				}
				if ok {
					if len(out.Changes) > 0 && (len(out.Changes) >= limit.Changes || size+e.Size > limit.Size) {
						out.More = true
						return out, nil
					}
					taken[e.ID] = true
					size += e.Size
					out.Changes = append(out.Changes, c)
					out.Lane = min(out.Lane, lane)
				}
			}
			out.Next.Lanes[lane] = Place{Pos: e.Pos, Mark: e.Mark}
		}
	}
	return out, nil
}
