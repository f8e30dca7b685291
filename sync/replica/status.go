package replica

import (
	"context"
	"encoding/hex"
	"slices"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// Waiting is what one lane holds that the hub's ledger has not acknowledged.
type Waiting struct {
	Changes int
	// Bytes before compression.
	Bytes int
	// OldestAt is when the oldest of them was written; zero if there is none.
	OldestAt time.Time
}

// Status is how a replica stands with the hub.
type Status struct {
	ID clock.Replica
	// Written is the number of its last change; the first Receipted of them are
	// in the hub's synced view.
	Written, Receipted uint64
	// Ahead is how far the own clock runs ahead of the hub's.
	Ahead clock.Ahead
	Lanes [record.Lanes]Waiting
	// Refused on either side.
	Refused []Refused
	// Alarms, newest first.
	Alarms []string
}

// Clear says that the hub has everything: the data may be wiped or replaced.
func (s Status) Clear() bool {
	for _, w := range s.Lanes {
		if w.Changes > 0 {
			return false
		}
	}
	return s.Written == s.Receipted && !slices.ContainsFunc(s.Refused, func(f Refused) bool { return f.Change.Replica == s.ID })
}

// Status reads how the replica stands.
func (r *Replica) Status() (s Status, err error) {
	r.link.Lock()
	acked, filter, receipted := r.push.Acked(), r.push.Filter(), r.push.Receipted()
	r.link.Unlock()
	s.ID, s.Receipted = r.ID(), receipted
	err = r.read(func(tx *view.Tx) error {
		if s.Written, _, err = tx.Chain(s.ID); err != nil {
			return err
		}
		if s.Ahead, err = getAhead(tx); err != nil {
			return err
		}
		if s.Refused, err = r.refusedOf(tx, 0); err != nil {
			return err
		}
		for l, err := range tx.LocalPrefix(localAlarm) {
			if err != nil {
				return err
			}
			s.Alarms = append(s.Alarms, string(l.Bytes))
		}
		slices.Reverse(s.Alarms)
		if acked.View != r.view.ID() {
			acked = exchange.Cursor{}
		}
		return waiting(tx, acked, filter, &s.Lanes)
	})
	return s, err
}

// waiting counts what the logs hold behind the cursor, each change once, in its
// most urgent lane.
func waiting(tx *view.Tx, acked exchange.Cursor, filter exchange.Filter, lanes *[record.Lanes]Waiting) error {
	counted := map[record.ID]bool{}
	for lane := range lanes {
		w := &lanes[lane]
		for e, err := range tx.Log(record.Lane(lane), acked.Lanes[lane].Pos) {
			if err != nil {
				return err
			}
			entry := exchange.Entry{ID: e.ID, FromHub: e.From == view.Hub}
			if counted[e.ID] || filter.Drops(entry) {
				continue
			}
			counted[e.ID] = true
			w.Changes++
			w.Bytes += e.Size
			if at := e.At.Time(); w.OldestAt.IsZero() || at.Before(w.OldestAt) {
				w.OldestAt = at
			}
		}
	}
	return nil
}

// Digest is a print of all records of interest to the sites (nil means all): equal
// on two replicas that hold the same.
func (r *Replica) Digest(sites []string) (string, error) {
	var out string
	err := r.read(func(tx *view.Tx) error {
		d, err := tx.Digest(sites)
		out = hex.EncodeToString(d[:])
		return err
	})
	return out, err
}

// Alarm keeps a sentence about something that a person should look at.
func (r *Replica) Alarm(ctx context.Context, sentence string) error {
	r.log.Warn("alarm", "what", sentence)
	return r.do(ctx, func(tx *view.Tx, b *batch) error {
		if err := r.space.check(); err != nil {
			return err
		}
		b.err = raise(tx, r.opts.Now(), sentence)
		return b.err
	})
}

// Each gives every change that is here, replica by replica in order of number.
func (r *Replica) Each(f func(record.Change) error) error {
	return r.read(func(tx *view.Tx) error {
		have, err := tx.Have()
		if err != nil {
			return err
		}
		for _, id := range have.Replicas() {
			for c, err := range tx.ChangesFrom(id, 1) {
				if err != nil {
					return err
				}
				if err := f(c); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// doubtfulBehind is how far the physical clock may stand before what is on record
// until it is known to be wrong.
const doubtfulBehind = 10 * time.Minute

// Now is the time to judge by: the physical clock, or, if that stands before what
// was written here already, the time of that.
func (r *Replica) Now() time.Time {
	now := r.opts.Now()
	if written := clock.Hybrid(r.latest.Load()).Time(); written.After(now) {
		return written
	}
	return now
}

// ClockDoubtful says that the physical clock is known to be wrong: it stands well
// before what was written here already. A node whose battery is dead starts so.
func (r *Replica) ClockDoubtful() bool {
	return clock.Hybrid(r.latest.Load()).Time().Sub(r.opts.Now()) > doubtfulBehind
}
