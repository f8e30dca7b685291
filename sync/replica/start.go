package replica

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// bootClosed stands in the view in place of a boot id after an orderly end.
const bootClosed = "closed"

// openView opens the view, or sets it aside and begins an empty one: when the
// examination finds it damaged, or when its last writes may not have reached the
// disk because the machine itself stopped while it was open.
func (r *Replica) openView(ctx context.Context, found *findings) error {
	opts := view.Options{SyncWrites: r.opts.SyncView, Log: r.log}
	dir := filepath.Join(r.opts.Dir, "view")
	doubt := r.examine(ctx, dir)
	if doubt != nil && !errors.Is(doubt, view.ErrDamaged) {
		return doubt
	}
	var err error
	if doubt == nil {
		if r.view, err = view.Open(dir, r.schema, opts); err != nil {
			if errors.Is(err, view.ErrNewer) || errors.Is(err, view.ErrInUse) {
				return err
			}
			doubt = err
		}
	}
	if doubt == nil && !r.opts.SyncView {
		if doubt, err = r.doubtBoot(); err != nil {
			return err
		}
	}
	if doubt != nil {
		if err := r.setViewAside(dir, doubt, found); err != nil {
			return err
		}
		if r.view, err = view.Open(dir, r.schema, opts); err != nil {
			return err
		}
	}
	return r.view.Update(func(tx *view.Tx) error { return tx.SetLocal(localBoot, []byte(bootID())) })
}

func (r *Replica) examine(ctx context.Context, dir string) error {
	if len(r.opts.Examine) == 0 {
		return nil
	}
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return view.ExamineInChild(ctx, append(append([]string{}, r.opts.Examine...), dir))
}

func (r *Replica) setViewAside(dir string, doubt error, found *findings) error {
	if r.view != nil {
		if err := r.view.Close(); err != nil {
			r.log.Warn("close the doubtful view", "error", err)
		}
		r.view = nil
	}
	aside, err := view.SetAside(dir)
	if err != nil {
		return fmt.Errorf("set a damaged view aside: %w", err)
	}
	found.add("The view could not be trusted (%v). It was set aside as %s and is built again from the ledgers.", doubt, filepath.Base(aside))
	return nil
}

// doubtBoot says why the view's last writes may be missing: it was not closed,
// and the machine has been started anew since.
func (r *Replica) doubtBoot() (doubt, err error) {
	err = r.view.Read(func(tx *view.Tx) error {
		b, ok, err := tx.Local(localBoot)
		if err != nil || !ok {
			return err
		}
		if last := string(b); last != bootClosed && last != bootID() {
			doubt = errors.New("the machine stopped while it was open")
		}
		return nil
	})
	if errors.Is(err, view.ErrDamaged) {
		return err, nil
	}
	return doubt, err
}

// bootID names this start of the machine; empty where the system does not say.
func bootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

func (r *Replica) markClosed() error {
	return r.view.Update(func(tx *view.Tx) error { return tx.SetLocal(localBoot, []byte(bootClosed)) })
}

// replayBatch is how many frames one transaction of the view takes in replay.
const replayBatch = 256

// replay applies the frames that the view does not hold yet.
func (r *Replica) replay(found *findings) error {
	if err := r.readIdentity(found); err != nil {
		return err
	}
	if err := r.loadForks(); err != nil {
		return err
	}
	if err := r.replayLedger(r.own, localOwnFrame, found); err != nil {
		return err
	}
	if r.received != nil {
		if err := r.replayLedger(r.received, localReceivedFrame, found); err != nil {
			return err
		}
	}
	return r.loadClock()
}

// readIdentity reads which id the own ledger was last written under. Frames that
// are missing behind it may have held a later one, and changes whose dots would
// be used again.
func (r *Replica) readIdentity(found *findings) error {
	r.former = map[clock.Replica]bool{}
	doubt := false
	defer func() { found.wentBack = found.wentBack || doubt }()
	for raw, err := range r.own.Read(1) {
		if gap := (ledger.MissingError{}); errors.As(err, &gap) {
			doubt = doubt || !gap.Dropped
			continue
		}
		if err != nil {
			return err
		}
		if raw.Payload[0] != frameIdentity {
			continue
		}
		f, err := openFrame(raw.Payload)
		if err != nil {
			return fmt.Errorf("frame %d of the own ledger: %w", raw.Number, err)
		}
		r.setID(f.replica)
		doubt = false
	}
	return nil
}

// setID has the replica write under an id, from its first number on.
func (r *Replica) setID(id clock.Replica) {
	if old := r.ID(); old != 0 {
		r.former[old] = true
	}
	r.id.Store(uint64(id))
	r.seq = 0
}

func (r *Replica) replayLedger(l *ledger.Ledger, place string, found *findings) error {
	held := uint64(0)
	err := r.view.Read(func(tx *view.Tx) (err error) {
		held, err = getUint(tx, place)
		return err
	})
	if err != nil {
		return err
	}
	if held > l.Last() {
		held = 0 // the view holds what the ledger lost; apply all again
	}
	var frames []ledger.Frame
	flush := func() error {
		if len(frames) == 0 {
			return nil
		}
		err := r.view.Update(func(tx *view.Tx) error {
			for _, raw := range frames {
				if err := r.applyFrame(tx, raw); err != nil {
					return err
				}
			}
			return setUint(tx, place, frames[len(frames)-1].Number)
		})
		frames = frames[:0]
		return err
	}
	size := 0
	for raw, err := range l.Read(held + 1) {
		if gap := (ledger.MissingError{}); errors.As(err, &gap) {
			if !gap.Dropped {
				found.lost = true
			}
			continue
		}
		if err != nil {
			return err
		}
		if size += len(raw.Payload); len(frames) >= replayBatch || size > 64<<10 && len(frames) > 0 {
			if err := flush(); err != nil {
				return err
			}
			size = len(raw.Payload)
		}
		frames = append(frames, raw)
	}
	return flush()
}

func (r *Replica) applyFrame(tx *view.Tx, raw ledger.Frame) error {
	f, err := openFrame(raw.Payload)
	if err != nil {
		return fmt.Errorf("frame %d: %w", raw.Number, err)
	}
	if f.request != nil {
		if err := remember(tx, *f.request, raw.Number, r.opts.Now()); err != nil {
			return err
		}
	}
	source := view.Own
	if f.kind == frameReceived {
		source = view.Source(f.source)
	}
	for _, c := range f.changes {
		if _, err := r.join(tx, c, source); err != nil {
			return fmt.Errorf("frame %d: %w", raw.Number, err)
		}
	}
	return nil
}

// loadClock sets the own counters from what the view holds.
func (r *Replica) loadClock() error {
	return r.view.Read(func(tx *view.Tx) error {
		have, err := tx.Have()
		if err != nil {
			return err
		}
		r.seq = have.Last(r.ID())
		kept, err := getUint(tx, localClock)
		if err != nil {
			return err
		}
		r.clock = clock.Hybrid(kept)
		for c, err := range tx.ChangesFrom(r.ID(), r.seq) {
			if err != nil {
				return err
			}
			r.clock = max(r.clock, c.At)
		}
		r.latest.Store(uint64(r.clock))
		r.ahead, err = getAhead(tx)
		return err
	})
}

// settleIdentity gives the replica an id: its first one, or a new one if numbers
// of its history may have been used twice.
func (r *Replica) settleIdentity(found *findings) error {
	if found.lost || found.wentBack {
		if err := r.rescue(); err != nil {
			return err
		}
	}
	if r.ID() == 0 {
		return r.takeID(r.opts.DrawID())
	}
	if !found.wentBack {
		return nil
	}
	old := r.ID()
	if err := r.takeID(r.opts.DrawID()); err != nil {
		return err
	}
	found.add("The history of this node may have gone back. It wrote as %s and writes as %s from now on.", old, r.ID())
	return r.own.Settle()
}

// settleForks acts on forks that were met in replay.
func (r *Replica) settleForks() error {
	return r.view.Update(func(tx *view.Tx) error {
		var b batch
		if err := r.actOnForks(tx, &b); err != nil {
			return err
		}
		if err := r.keepPlace(tx, &b); err != nil {
			return err
		}
		return r.appendFrames(&b)
	})
}

// takeID writes under a new id from here on.
func (r *Replica) takeID(id clock.Replica) error {
	if _, err := r.own.Append(identityFrame(id)); err != nil {
		return fmt.Errorf("take a replica id: %w", err)
	}
	r.setID(id)
	return r.view.Update(func(tx *view.Tx) error { return setUint(tx, localOwnFrame, r.own.Last()) })
}

// rescue keeps changes that the view holds and the ledgers lost, so that they
// outlive the view.
func (r *Replica) rescue() error {
	if r.received == nil {
		return nil
	}
	ledgered := clock.Context{}
	for _, l := range []*ledger.Ledger{r.own, r.received} {
		err := eachChange(l, func(c record.Change) { ledgered = ledgered.With(clock.Dot{Replica: c.Replica, N: c.Seq}) })
		if err != nil {
			return err
		}
	}
	var lost []record.Change
	err := r.Each(func(c record.Change) error {
		if !ledgered.Has(clock.Dot{Replica: c.Replica, N: c.Seq}) {
			lost = append(lost, c)
		}
		return nil
	})
	if err != nil || len(lost) == 0 {
		return err
	}
	for _, frame := range receivedFrames(byte(view.Peer), lost) {
		if _, err := r.received.Append(frame); err != nil {
			return fmt.Errorf("keep what the ledger lost: %w", err)
		}
	}
	return r.view.Update(func(tx *view.Tx) error { return setUint(tx, localReceivedFrame, r.received.Last()) })
}

// eachChange visits the changes that a ledger can still read.
func eachChange(l *ledger.Ledger, visit func(record.Change)) error {
	for raw, err := range l.Read(1) {
		if gap := (ledger.MissingError{}); errors.As(err, &gap) {
			continue
		}
		if err != nil {
			return err
		}
		f, err := openFrame(raw.Payload)
		if err != nil {
			return fmt.Errorf("frame %d: %w", raw.Number, err)
		}
		for _, c := range f.changes {
			visit(c)
		}
	}
	return nil
}
