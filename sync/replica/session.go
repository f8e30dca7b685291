package replica

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// loadLink sets up the exchange with the hub from what was kept.
func (r *Replica) loadLink(found *findings) error {
	r.carried.Store(1) // whatever came from elsewhere before may still wait
	return r.read(func(tx *view.Tx) error {
		push, kept, err := loadPush(tx, r.ID())
		if err != nil {
			return err
		}
		was, err := loadPull(tx)
		if err != nil {
			return err
		}
		r.push = push
		r.pull = exchange.NewPull(r.opts.Sites, was.cursor, was.sites, was.comparing || found.lost || !kept)
		if r.opts.KeepReceived {
			r.wantHas = was.wantHas || found.wentBack || !kept
		} else if was.wantHas {
			r.push.Offer(clock.Context{}) // a hub's stream: there is nobody to ask
		}
		return nil
	})
}

// The push state is kept as: replica, receipt, acknowledged number, cursor. What
// was kept under another id says nothing any more.
func loadPush(tx *view.Tx, self clock.Replica) (p *exchange.Push, kept bool, err error) {
	b, ok, err := tx.Local(localPush)
	if err != nil || !ok || len(b) < 24 || clock.Replica(binary.BigEndian.Uint64(b)) != self {
		return exchange.NewPush(self, exchange.Cursor{}, 0, 0), false, err
	}
	acked, err := exchange.DecodeCursor(b[24:])
	return exchange.NewPush(self, acked, binary.BigEndian.Uint64(b[16:]), binary.BigEndian.Uint64(b[8:])), true, err
}

func (r *Replica) savePush(tx *view.Tx) error {
	b := binary.BigEndian.AppendUint64(nil, uint64(r.ID()))
	b = binary.BigEndian.AppendUint64(b, r.push.Receipted())
	b = binary.BigEndian.AppendUint64(b, r.push.AckedSeq())
	return tx.SetLocal(localPush, r.push.Acked().Append(b))
}

// pullState is what is kept of the way from the hub.
type pullState struct {
	comparing, wantHas bool
	sites              []string
	cursor             exchange.Cursor
}

// The pull state is kept as: flags (1 comparing, 2 wantHas), the number of sites
// and each, cursor.
func loadPull(tx *view.Tx) (s pullState, err error) {
	b, ok, err := tx.Local(localPull)
	if err != nil || !ok || len(b) < 2 {
		return pullState{comparing: true}, err
	}
	s.comparing, s.wantHas = b[0]&1 != 0, b[0]&2 != 0
	count, k := binary.Uvarint(b[1:])
	b = b[1+max(k, 0):]
	for range count {
		var site string
		if site, b, err = takeText(b); err != nil {
			return s, err
		}
		s.sites = append(s.sites, site)
	}
	s.cursor, err = exchange.DecodeCursor(b)
	return s, err
}

func (r *Replica) savePull(tx *view.Tx) error {
	b := []byte{0}
	if r.pull.Comparing() {
		b[0] |= 1
	}
	if r.wantHas || r.push.Offering() { // what is offered now is offered again after a stop
		b[0] |= 2
	}
	b = binary.AppendUvarint(b, uint64(len(r.opts.Sites)))
	for _, s := range r.opts.Sites {
		b = appendText(b, s)
	}
	return tx.SetLocal(localPull, r.pull.Cursor().Append(b))
}

// saveLink keeps the cursors. They are only a saving of work: without room for
// them, or after a crash, things are sent again, which is harmless.
func (r *Replica) saveLink(ctx context.Context, more func(tx *view.Tx) error) error {
	if r.space.check() != nil {
		return nil
	}
	return r.do(ctx, func(tx *view.Tx, b *batch) error {
		b.err = func() error {
			if err := r.savePush(tx); err != nil {
				return err
			}
			if err := r.savePull(tx); err != nil {
				return err
			}
			return more(tx)
		}()
		return b.err
	})
}

func nothingMore(*view.Tx) error { return nil }

// NextPiece gives the next piece for the hub, the same one again until it is
// acknowledged or cut; nil if nothing waits. What it shows is pledged first, so
// that a ledger that loses it knows.
func (r *Replica) NextPiece() (piece []byte, err error) {
	r.link.Lock()
	defer r.link.Unlock()
	var b exchange.Batch
	var ok bool
	err = r.read(func(tx *view.Tx) error {
		b, ok, err = r.push.Next(viewLog{r.view, tx}, exchange.Budget{Changes: record.MaxPieceChanges, Size: r.pace.Size()})
		return err
	})
	if err != nil || !ok {
		return nil, err
	}
	// Only now: the snapshot may hold frames newer than any asked for before it.
	if err := r.own.Pledge(r.own.Last()); err != nil {
		return nil, r.breakDown(err)
	}
	r.raw = 0
	for _, c := range b.Changes {
		r.raw += len(c.Append(nil))
	}
	return r.packer.Pack(b.Changes)
}

// Acknowledged says that the hub's ledger has the piece, synced. wire and elapsed
// are its size on the link and how long it took.
func (r *Replica) Acknowledged(ctx context.Context, wire int, elapsed time.Duration) error {
	r.link.Lock()
	defer r.link.Unlock()
	r.push.Acknowledged()
	r.pace.Sent(r.raw, wire, elapsed)
	return r.saveLink(ctx, nothingMore)
}

// Cut says that the piece in flight may not have arrived.
func (r *Replica) Cut() {
	r.link.Lock()
	defer r.link.Unlock()
	r.push.Cut()
}

// Question asks the hub for news.
func (r *Replica) Question(cabin string) (exchange.Request, error) {
	r.link.Lock()
	defer r.link.Unlock()
	q := exchange.Request{
		Replica: r.ID(),
		Cabin:   cabin,
		Millis:  r.opts.Now().UnixMilli(),
		WantHas: r.wantHas,
		Size:    r.pace.Size(),
	}
	r.asked = r.push.AckedSeq()
	err := r.read(func(tx *view.Tx) error {
		if err := r.addWritten(tx, &q); err != nil {
			return err
		}
		if err := r.addCarries(tx, &q); err != nil {
			return err
		}
		return r.pull.Ask(&q, func() (clock.Context, [][8]byte, error) { return printed(tx) })
	})
	return q, err
}

// addWritten says how much was written. What is lost here counts, too; the chain
// is then not known.
func (r *Replica) addWritten(tx *view.Tx, q *exchange.Request) error {
	have, err := tx.Have()
	if err != nil {
		return err
	}
	upto, chain, err := tx.Chain(q.Replica)
	if q.Written = have.Last(q.Replica); q.Written == upto {
		copy(q.Chain[:], chain[:])
	}
	return err
}

// addCarries says whether the hub may lack changes that are here and not of the
// own id. Until a settled hub has answered after the last of them was
// acknowledged, it may.
func (r *Replica) addCarries(tx *view.Tx, q *exchange.Request) error {
	r.askedCarried = r.carried.Load()
	if q.Carries = r.askedCarried != 0; !q.Carries {
		return nil
	}
	waits, err := r.push.Waits(viewLog{r.view, tx}, q.Replica)
	if waits || r.wantHas {
		r.askedCarried = 0
	}
	return err
}

// Answered takes the hub's answer to a question, and says whether to ask again at
// once. roundTrip is how long it took.
func (r *Replica) Answered(ctx context.Context, q exchange.Request, a exchange.Answer, roundTrip time.Duration) (again bool, err error) {
	r.link.Lock()
	defer r.link.Unlock()
	if len(a.Piece) > 0 {
		changes, err := r.packer.Open(a.Piece)
		if err != nil {
			return false, fmt.Errorf("open the hub's piece: %w", err)
		}
		if _, err := r.Receive(ctx, Delivery{Changes: changes, From: view.Hub}); err != nil {
			return false, err
		}
	}
	if a.Has != nil && r.wantHas && a.Settled {
		if err := r.offer(ctx, *a.Has); err != nil {
			return false, err
		}
	}
	switch {
	case r.ID() != q.Replica || a.Forked || a.Receipt > q.Written:
		if err := r.leaveID(ctx, q.Replica); err != nil {
			return false, err
		}
		again = true
	case r.push.Receipt(a.Receipt, r.asked, a.Settled):
		r.log.Warn("the hub has less than it once said; everything it lacks is offered again", "receipt", a.Receipt)
		r.wantHas = true
		again = r.pull.Answered(a)
	default:
		again = r.pull.Answered(a)
	}
	r.wantHas = r.wantHas || a.Unknown
	if r.askedCarried != 0 && a.Settled && !r.wantHas && !r.push.Offering() {
		r.carried.CompareAndSwap(r.askedCarried, 0)
	}
	again = again || r.wantHas && a.Settled
	ahead := measure(r.opts.Now().UnixMilli(), a.Millis, roundTrip)
	return again, r.saveLink(ctx, func(tx *view.Tx) error {
		r.ahead = steady(r.ahead, ahead)
		for _, f := range a.Refused {
			if err := r.keepRefusal(tx, f); err != nil {
				return err
			}
		}
		return tx.SetLocal(localAhead, encodeAhead(r.ahead))
	})
}

// offer sends the hub all that it lacks. What it has of this replica's former ids
// may be somebody else's, so those are sent whole.
func (r *Replica) offer(ctx context.Context, hubHas clock.Context) error {
	return r.do(ctx, func(*view.Tx, *batch) error {
		r.push.Offer(hubHas.Except(func(id clock.Replica) bool { return r.former[id] }))
		r.wantHas = false
		return nil
	})
}

// leaveID goes on under a new id: somebody else has written under this one. What
// that was is not here yet, and receipts no longer speak of what was written under
// the old id, so everything is compared both ways.
func (r *Replica) leaveID(ctx context.Context, old clock.Replica) error {
	err := r.do(ctx, func(tx *view.Tx, b *batch) error {
		if r.ID() == old {
			b.err = r.standApart(tx, b)
		}
		return b.err
	})
	if err != nil {
		return err
	}
	r.push = exchange.NewPush(r.ID(), r.push.Acked(), 0, 0)
	r.pull = exchange.NewPull(r.opts.Sites, exchange.Cursor{}, nil, true)
	r.wantHas = true
	return nil
}

// keepRefusal keeps the hub's word on a change that is here.
func (r *Replica) keepRefusal(tx *view.Tx, f exchange.Refusal) error {
	if _, known, err := tx.Local(changeName(localRefused, f.ID)); err != nil || known {
		return err
	}
	c, ok, err := tx.Change(f.ID)
	if err != nil || !ok {
		return err
	}
	return r.refuse(tx, c, f.Reason)
}

// measure is how far the own clock is ahead of the hub's, in whole seconds, by
// the middle of the round trip.
func measure(now, hub int64, roundTrip time.Duration) clock.Ahead {
	ahead := now - roundTrip.Milliseconds()/2 - hub
	return clock.Ahead((ahead + 500*sign(ahead)) / 1000 * 1000)
}

func sign(n int64) int64 {
	if n < 0 {
		return -1
	}
	return 1
}

// steady keeps the last measure while the new one is within two seconds of it:
// the records need trust in a time, not its third decimal, and a constant costs
// nothing on the wire.
func steady(old, now clock.Ahead) clock.Ahead {
	if old.Known() && now-old < 2000 && old-now < 2000 {
		return old
	}
	return now
}
