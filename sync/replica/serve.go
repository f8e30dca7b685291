package replica

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// viewLog shows a view's logs to package exchange.
type viewLog struct {
	view *view.View
	tx   *view.Tx
}

// View implements exchange.Log.
func (l viewLog) View() uint64 { return l.view.ID() }

// Entries implements exchange.Log.
func (l viewLog) Entries(lane record.Lane, after uint64) iter.Seq2[exchange.Entry, error] {
	return func(yield func(exchange.Entry, error) bool) {
		for e, err := range l.tx.Log(lane, after) {
			if !yield(exchange.Entry{Pos: e.Pos, ID: e.ID, Size: e.Size, FromHub: e.From == view.Hub, Mark: e.Mark}, err) {
				return
			}
		}
	}
}

// Mark implements exchange.Log.
func (l viewLog) Mark(lane record.Lane, pos uint64) (uint64, bool, error) {
	return l.tx.LogMark(lane, pos)
}

// Change implements exchange.Log.
func (l viewLog) Change(id record.ID, sites []string) (record.Change, bool, error) {
	c, ok, err := l.tx.Change(id)
	if err != nil || !ok || sites == nil {
		return c, ok, err
	}
	rec, ok, err := l.tx.Record(c.Key)
	if err != nil || !ok {
		return record.Change{}, false, err
	}
	wanted, err := l.tx.InterestedIn(rec, sites)
	return c, wanted, err
}

// Answer answers another replica's question. settled says whether the view holds
// all of the ledger that it is built from.
func (r *Replica) Answer(ctx context.Context, q exchange.Request, settled func(position uint64) bool) (exchange.Answer, error) {
	var a exchange.Answer
	asked := q
	err := r.read(func(tx *view.Tx) error {
		position, _, err := getPosition(tx)
		if err != nil {
			return err
		}
		if err := r.trust(tx, &q); err != nil {
			return err
		}
		if a, err = exchange.Serve(viewLog{r.view, tx}, q, r.packer.Pack); err != nil {
			return err
		}
		a.Settled = settled(position)
		return r.addState(tx, q, &a)
	})
	if err != nil {
		return exchange.Answer{}, err
	}
	a.Replica, a.Millis = r.ID(), r.opts.Now().UnixMilli()
	if err := r.meet(ctx, q, a); err != nil {
		return exchange.Answer{}, err
	}
	return a, r.outrun(ctx, asked)
}

// outrun takes a new id when the asker has more changes of this replica than it
// has itself: it went back, and nobody but an asker could tell it.
func (r *Replica) outrun(ctx context.Context, q exchange.Request) error {
	if q.Has == nil {
		return nil
	}
	r.link.Lock()
	defer r.link.Unlock()
	before := r.ID()
	err := r.do(ctx, func(tx *view.Tx, b *batch) error {
		have, err := tx.Have()
		if err != nil || q.Has.Last(r.ID()) <= have.Last(r.ID()) {
			return err
		}
		b.err = r.standApart(tx, b)
		return b.err
	})
	if err == nil && r.ID() != before {
		r.push = exchange.NewPush(r.ID(), r.push.Acked(), 0, 0)
	}
	return err
}

// trust takes out of what the asker has all changes of ids whose history there is
// not known to be the one that is here: of forked ids, of those whose chains
// differ, and of those of which this replica, having gone back, lacks the end.
// The asker is sent those whole, and so meets the fork.
func (r *Replica) trust(tx *view.Tx, q *exchange.Request) error {
	if q.Has == nil {
		return nil
	}
	forked, err := r.forkedIDs(tx)
	if err != nil {
		return err
	}
	doubtful := map[clock.Replica]bool{}
	for i, id := range q.Has.Replicas() {
		known, err := sameChain(tx, id, q.Has.Base(id), q.Prints[i])
		if err != nil {
			return err
		}
		doubtful[id] = forked[id] || !known && id != q.Replica
	}
	has := q.Has.Except(func(id clock.Replica) bool { return doubtful[id] })
	q.Has = &has
	return nil
}

// sameChain says whether the changes of an id up to a number are those of which
// somebody gave the print.
func sameChain(tx *view.Tx, id clock.Replica, upto uint64, print [8]byte) (bool, error) {
	mine, chain, err := tx.Chain(id)
	if err != nil || mine < upto {
		return false, err
	}
	if mine > upto {
		if chain, err = chainAt(tx, id, upto); err != nil {
			return false, err
		}
	}
	return [8]byte(chain[:8]) == print, nil
}

// chainAt computes the hash of an id's chain at a number that the view is beyond,
// as the view does (package view).
func chainAt(tx *view.Tx, id clock.Replica, upto uint64) ([sha256.Size]byte, error) {
	hash := sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(id)))
	for c, err := range tx.ChangesFrom(id, 1) {
		if err != nil || c.Seq > upto {
			return hash, err
		}
		hash = sha256.Sum256(c.Append(hash[:]))
	}
	return hash, nil
}

// printed is what is here, with the prints of its chains.
func printed(tx *view.Tx) (have clock.Context, prints [][8]byte, err error) {
	if have, err = tx.Have(); err != nil {
		return have, nil, err
	}
	for _, id := range have.Replicas() {
		_, chain, err := tx.Chain(id)
		if err != nil {
			return have, nil, err
		}
		prints = append(prints, [8]byte(chain[:8]))
	}
	return have, prints, nil
}

// addState adds to an answer what this replica knows of the asker.
func (r *Replica) addState(tx *view.Tx, q exchange.Request, a *exchange.Answer) error {
	have, err := tx.Have()
	if err != nil {
		return err
	}
	if q.WantHas {
		a.Has = &have
	}
	var refused []Refused
	if a.Receipt, refused, err = r.dealtWith(tx, have, q.Replica); err != nil {
		return err
	}
	for _, f := range refused[:min(len(refused), tellRefused)] {
		a.Refused = append(a.Refused, exchange.Refusal{ID: f.Change.ID(), Reason: f.Reason})
	}
	_, a.Forked, err = tx.Record(record.Key{Kind: r.forkKind, ID: q.Replica.String()})
	if err != nil || a.Forked || a.Receipt != q.Written || q.Chain == [8]byte{} {
		return err
	}
	upto, chain, err := tx.Chain(q.Replica)
	a.Forked = upto == q.Written && [8]byte(chain[:8]) != q.Chain
	return err
}

// tellRefused is how many refusals an answer tells of: each comes again with every
// answer, over a thin link.
const tellRefused = 16

// Contact is what a replica knows of another one that asked it.
type Contact struct {
	Replica clock.Replica
	Cabin   string
	Sites   []string
	// HeardAt is when it last asked, by this replica's clock.
	HeardAt time.Time
	// Written is how many changes it said it had made; the first Receipted of
	// them are here, joined or set aside.
	Written, Receipted uint64
	Ahead              clock.Ahead
	// AsOf: all that it held then is here. Zero if that never was so. It is the
	// time at which its question was met, which may be as late after it was asked
	// as an answer may take.
	AsOf time.Time
	// What it said at PendingAt will be here when Pending changes are.
	pending   uint64
	pendingAt time.Time
}

// settle moves AsOf on to what has arrived meanwhile.
func (c *Contact) settle(base uint64) {
	if !c.pendingAt.IsZero() && base >= c.pending {
		c.AsOf, c.pendingAt = c.pendingAt, time.Time{}
	}
}

// meet keeps what a question says of the asker. Without room for it the answer
// goes out all the same.
func (r *Replica) meet(ctx context.Context, q exchange.Request, a exchange.Answer) error {
	if r.space.check() != nil {
		return nil
	}
	now := r.opts.Now()
	return r.do(ctx, func(tx *view.Tx, b *batch) error {
		c, _, err := getContact(tx, q.Replica)
		if err != nil {
			return err
		}
		c.Replica, c.Cabin, c.Sites, c.HeardAt = q.Replica, q.Cabin, q.Sites, now
		c.Written = q.Written
		c.Ahead = steady(c.Ahead, measure(q.Millis, now.UnixMilli(), 0))
		c.settle(a.Receipt)
		if c.pendingAt.IsZero() && !q.Carries {
			c.pending, c.pendingAt = q.Written, now
			c.settle(a.Receipt)
		}
		b.err = setContact(tx, c)
		return b.err
	})
}

var errContact = errors.New("kept contact is malformed")

func setContact(tx *view.Tx, c Contact) error {
	b := binary.BigEndian.AppendUint64(nil, uint64(c.Replica))
	b = appendText(b, c.Cabin)
	b = binary.AppendUvarint(b, uint64(len(c.Sites)))
	for _, s := range c.Sites {
		b = appendText(b, s)
	}
	for _, n := range []int64{millisOf(c.HeardAt), int64(c.Written), int64(c.Ahead), millisOf(c.AsOf), int64(c.pending), millisOf(c.pendingAt)} {
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	return tx.SetLocal(localContact+c.Replica.String(), b)
}

func getContact(tx *view.Tx, of clock.Replica) (Contact, bool, error) {
	b, ok, err := tx.Local(localContact + of.String())
	if err != nil || !ok {
		return Contact{Ahead: clock.UnknownAhead}, false, err
	}
	c, err := openContact(b)
	return c, err == nil, err
}

func openContact(b []byte) (c Contact, err error) {
	if len(b) < 8 {
		return c, errContact
	}
	c.Replica = clock.Replica(binary.BigEndian.Uint64(b))
	if c.Cabin, b, err = takeText(b[8:]); err != nil {
		return c, err
	}
	count, k := binary.Uvarint(b)
	if k <= 0 || count > exchange.MaxSites {
		return c, errContact
	}
	b = b[k:]
	for range count {
		var s string
		if s, b, err = takeText(b); err != nil {
			return c, err
		}
		c.Sites = append(c.Sites, s)
	}
	if len(b) != 6*8 {
		return c, errContact
	}
	n := func(i int) int64 { return int64(binary.BigEndian.Uint64(b[8*i:])) }
	c.HeardAt, c.Written, c.Ahead = timeOf(n(0)), uint64(n(1)), clock.Ahead(n(2))
	c.AsOf, c.pending, c.pendingAt = timeOf(n(3)), uint64(n(4)), timeOf(n(5))
	return c, nil
}

func millisOf(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

// Contacts lists the replicas that ever asked, with how far their word is known.
func (r *Replica) Contacts() (out []Contact, err error) {
	err = r.read(func(tx *view.Tx) error {
		have, err := tx.Have()
		if err != nil {
			return err
		}
		for l, err := range tx.LocalPrefix(localContact) {
			if err != nil {
				return err
			}
			c, err := openContact(l.Bytes)
			if err != nil {
				return fmt.Errorf("%s: %w", l.Name, err)
			}
			if c.Receipted, _, err = r.dealtWith(tx, have, c.Replica); err != nil {
				return err
			}
			c.settle(c.Receipted)
			out = append(out, c)
		}
		return nil
	})
	return out, err
}
