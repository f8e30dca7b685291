package replica

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// A fork: two copies of a data directory (a cloned card, an old copy put back)
// have written under one id, so that its numbers from one on mean two things.
// Whoever meets two changes with one number, or with one dot, writes a Fork
// record, which travels like any other. Every replica then keeps the id's changes
// from that number on under ids of their own, each made of the change's hash:
// the same everywhere, whichever history was heard first. Nothing that anybody
// accepted is lost or counts twice, and no dot means two things. The copies
// themselves take new ids as soon as they hear of it.

// join applies a change, in its own place or in the one that a fork gives it.
func (r *Replica) join(tx *view.Tx, c record.Change, from view.Source) (view.Outcome, error) {
	if c.Seq >= orMost(r.forks, c.Replica) {
		c = underOwnHash(c)
	}
	outcome, err := tx.Apply(c, from)
	if err != nil {
		return outcome, err
	}
	if outcome == view.Forked {
		outcome = view.Applied
		if err := r.meetFork(tx, c, from); err != nil {
			return outcome, err
		}
	}
	if c.Key.Kind == r.forkKind {
		return outcome, r.heedFork(tx, c.Key)
	}
	return outcome, nil
}

// meetFork parts the histories of a change and of those whose number or dot it
// has, and notes that a Fork record is to be written.
func (r *Replica) meetFork(tx *view.Tx, c record.Change, from view.Source) error {
	at := c.Seq
	for other, err := range tx.ChangesOf(c.Key) {
		if err != nil {
			return err
		}
		if other.Dot() == c.Dot() {
			at = min(at, other.Seq)
		}
	}
	r.newForks[c.Replica] = min(at, orMost(r.newForks, c.Replica))
	if err := r.part(tx, c.Replica, at); err != nil {
		return err
	}
	_, err := tx.Apply(underOwnHash(c), from)
	return err
}

// heedFork parts a history because a Fork record says so.
func (r *Replica) heedFork(tx *view.Tx, key record.Key) error {
	id, err := clock.ParseReplica(key.ID)
	if err != nil {
		return nil // nobody's id: nothing to part
	}
	rec, _, err := tx.Record(key)
	if err != nil {
		return err
	}
	var f bothyv1.Fork
	if err := r.schema.Kind(key.Kind).Read(rec, &f); err != nil {
		return err
	}
	return r.part(tx, id, max(f.GetFrom(), 1))
}

// part moves the changes of an id from a number on to ids of their own.
func (r *Replica) part(tx *view.Tx, id clock.Replica, from uint64) error {
	if orMost(r.forks, id) <= from {
		return nil
	}
	r.forks[id] = from
	var forked []record.Change
	for c, err := range tx.ChangesFrom(id, from) {
		if err != nil {
			return err
		}
		forked = append(forked, c)
	}
	for _, c := range forked {
		if err := tx.Forget(c.ID()); err != nil {
			return err
		}
		c = underOwnHash(c)
		_, err := tx.Apply(c, r.partedFrom())
		if errors.Is(err, view.ErrOverfull) {
			err = r.refuse(tx, c, err.Error())
		}
		if err != nil {
			return err
		}
	}
	r.carried.Add(1)
	r.log.Warn("history forked", "replica", id, "from", from, "parted", len(forked))
	return raise(tx, r.opts.Now(), fmt.Sprintf(
		"Two copies of one node have written as %s: a cloned card, or an old copy put back. What both wrote from number %d on is kept.", id, from))
}

// partedFrom has a node offer what it parted to the hub, which may not have met
// it; a hub's own stream holds it.
func (r *Replica) partedFrom() view.Source {
	if r.opts.KeepReceived {
		return view.Peer
	}
	return view.Hub
}

func orMost(m map[clock.Replica]uint64, id clock.Replica) uint64 {
	if n, ok := m[id]; ok {
		return n
	}
	return ^uint64(0)
}

// underOwnHash is the change under an id of its own. The dots of its old id no
// longer say which of two changes its writer had seen, so it replaces none of
// them: a value too many stands until somebody settles it, and none is lost.
func underOwnHash(c record.Change) record.Change {
	sum := sha256.Sum256(c.Append([]byte("fork")))
	old := c.Replica
	c.Replica, c.Seq, c.N = clock.Replica(max(binary.BigEndian.Uint64(sum[:]), 1)), 1, 1
	writes := make([]record.Write, len(c.Writes))
	for i, w := range c.Writes {
		w.Replaces = slices.DeleteFunc(slices.Clone(w.Replaces), func(d clock.Dot) bool { return d.Replica == old })
		writes[i] = w
	}
	c.Writes = writes
	return c
}

// actOnForks takes a new id if the own one has forked, and writes the records of
// the forks that were met.
func (r *Replica) actOnForks(tx *view.Tx, b *batch) error {
	if _, forked := r.forks[r.ID()]; forked {
		if err := r.standApart(tx, b); err != nil {
			return err
		}
	}
	for _, id := range sortedIDs(r.newForks) {
		d := &draft{reader: reader{r, tx}}
		f := &bothyv1.Fork{Id: id.String(), From: r.newForks[id]}
		if err := d.Change(f, []string{"from"}, "", store.Urgent); err != nil {
			return err
		}
		if err := r.stage(tx, b, d); err != nil {
			return err
		}
		delete(r.newForks, id)
	}
	return nil
}

func sortedIDs(m map[clock.Replica]uint64) []clock.Replica {
	var out []clock.Replica
	for id := range m {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// loadForks reads which ids are known to have forked.
func (r *Replica) loadForks() error {
	r.forks, r.newForks = map[clock.Replica]uint64{}, map[clock.Replica]uint64{}
	kind := r.schema.Of(&bothyv1.Fork{})
	if kind == nil {
		return fmt.Errorf("the schema has no %s", (&bothyv1.Fork{}).ProtoReflect().Descriptor().FullName())
	}
	r.forkKind = kind.Number
	return r.view.Read(func(tx *view.Tx) error {
		for rec, err := range tx.List(kind.Number, "") {
			if err != nil {
				return err
			}
			var f bothyv1.Fork
			if err := kind.Read(rec, &f); err != nil {
				return err
			}
			if id, err := clock.ParseReplica(f.GetId()); err == nil {
				r.forks[id] = max(f.GetFrom(), 1)
			}
		}
		return nil
	})
}

// forkedIDs are the ids that are known to have forked.
func (r *Replica) forkedIDs(tx *view.Tx) (map[clock.Replica]bool, error) {
	out := map[clock.Replica]bool{}
	for rec, err := range tx.List(r.forkKind, "") {
		if err != nil {
			return nil, err
		}
		if id, err := clock.ParseReplica(rec.Key.ID); err == nil {
			out[id] = true
		}
	}
	return out, nil
}

// standApart takes a new id, because somebody else writes under this one.
func (r *Replica) standApart(tx *view.Tx, b *batch) error {
	old := r.ID()
	r.setID(r.opts.DrawID())
	r.carried.Add(1)
	b.own = append(b.own, identityFrame(r.ID()))
	r.log.Warn("took a new replica id", "old", old, "new", r.ID())
	return raise(tx, r.opts.Now(), fmt.Sprintf("Another copy of this node writes as %s. This one writes as %s from now on.", old, r.ID()))
}
