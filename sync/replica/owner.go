package replica

import (
	"context"
	"errors"
	"fmt"
	"maps"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/view"
)

// job is one atomic step that waits for the owner.
type job struct {
	ctx context.Context
	// run stages the step on the view and gives the frames that make it durable.
	// On an error it has staged nothing.
	run  func(tx *view.Tx, b *batch) error
	done chan error
}

// batch is what the owner commits at once.
type batch struct {
	own      [][]byte
	received [][]byte
	// err is a failure in staging: what is staged is not known, so nothing of
	// the batch may be committed.
	err error
}

// size of the frames in bytes, with what the ledger puts around each.
func (b *batch) size() (n int) {
	for _, frames := range [][][]byte{b.own, b.received} {
		for _, f := range frames {
			n += ledger.FrameOverhead + len(f)
		}
	}
	return n
}

// maxBatch bounds the steps of one batch: enough that a sync is shared by every
// handheld of a site, few enough that one transaction of the view holds them.
const maxBatch = 64

// do has the owner run a step and waits for it.
func (r *Replica) do(ctx context.Context, run func(tx *view.Tx, b *batch) error) error {
	if err := r.Err(); err != nil {
		return err
	}
	j := &job{ctx: ctx, run: run, done: make(chan error, 1)}
	select {
	case r.jobs <- j:
	case <-ctx.Done():
		return ctx.Err()
	case <-r.stop:
		return errStopping()
	}
	// From here on the step may be durable, so its outcome is waited for.
	return <-j.done
}

// run is the owner: it alone writes ledgers and view.
func (r *Replica) run() {
	defer close(r.stopped)
	for {
		select {
		case <-r.stop:
			return
		case j := <-r.jobs:
			r.commit(r.gather(j))
		}
	}
}

// gather takes the steps that wait already.
func (r *Replica) gather(first *job) []*job {
	jobs := []*job{first}
	for len(jobs) < maxBatch {
		select {
		case j := <-r.jobs:
			jobs = append(jobs, j)
		default:
			return jobs
		}
	}
	return jobs
}

// commit makes a batch durable and answers its callers. If it outgrows one
// transaction, its steps are committed one by one.
func (r *Replica) commit(jobs []*job) {
	outcome := make([]error, len(jobs))
	err := r.commitOnce(jobs, outcome)
	if outgrown(err) && len(jobs) > 1 {
		for _, j := range jobs {
			r.commit([]*job{j})
		}
		return
	}
	for i, j := range jobs {
		if err != nil {
			outcome[i] = err
		}
		j.done <- outcome[i]
	}
}

// commitOnce stages every step, appends their frames, and commits the view. A
// step that fails leaves nothing; the others go on.
func (r *Replica) commitOnce(jobs []*job, outcome []error) error {
	if err := r.Err(); err != nil {
		return err
	}
	before := r.state()
	logged := false
	err := r.view.Update(func(tx *view.Tx) error {
		var b batch
		for i, j := range jobs {
			if outcome[i] = j.ctx.Err(); outcome[i] != nil {
				continue
			}
			outcome[i] = j.run(tx, &b)
			if b.err != nil {
				return b.err
			}
		}
		if err := r.keepPlace(tx, &b); err != nil {
			return err
		}
		if b.size() > ledger.MaxAppend {
			return fmt.Errorf("steps of %d bytes at once: %w", b.size(), view.ErrTooLarge)
		}
		logged = len(b.own)+len(b.received) > 0
		return r.appendFrames(&b)
	})
	if err == nil {
		r.latest.Store(uint64(r.clock))
		if logged {
			r.ringNews()
		}
		return nil
	}
	r.goBack(before)
	switch {
	case outgrown(err) && !logged:
		return err
	case errors.Is(err, ledger.ErrFull):
		return fault.Full("the disk of the node is full; nothing was saved")
	}
	return r.breakDown(err)
}

// state is what the owner keeps beside the view: a batch that fails leaves it as
// it was.
type state struct {
	id              clock.Replica
	seq             uint64
	clock           clock.Hybrid
	ahead           clock.Ahead
	forks, newForks map[clock.Replica]uint64
	former          map[clock.Replica]bool
}

func (r *Replica) state() state {
	return state{r.ID(), r.seq, r.clock, r.ahead, maps.Clone(r.forks), maps.Clone(r.newForks), maps.Clone(r.former)}
}

func (r *Replica) goBack(s state) {
	r.id.Store(uint64(s.id))
	r.seq, r.clock, r.ahead = s.seq, s.clock, s.ahead
	r.forks, r.newForks, r.former = s.forks, s.newForks, s.former
}

func (r *Replica) ringNews() {
	select {
	case r.news <- struct{}{}:
	default:
	}
}

// outgrown says that nothing failed but the size of what was asked.
func outgrown(err error) bool {
	return errors.Is(err, view.ErrTooLarge) || errors.Is(err, view.ErrOverfull)
}

// keepPlace records in the view which frames it will hold.
func (r *Replica) keepPlace(tx *view.Tx, b *batch) error {
	if len(b.own) > 0 {
		if err := setUint(tx, localOwnFrame, r.own.Last()+uint64(len(b.own))); err != nil {
			return err
		}
		if err := setUint(tx, localClock, uint64(r.clock)); err != nil {
			return err
		}
	}
	if len(b.received) > 0 {
		return setUint(tx, localReceivedFrame, r.received.Last()+uint64(len(b.received)))
	}
	return nil
}

func (r *Replica) appendFrames(b *batch) error {
	if len(b.received) > 0 {
		if _, err := r.received.Append(b.received...); err != nil {
			return fmt.Errorf("keep what was received: %w", err)
		}
	}
	if len(b.own) > 0 {
		if _, err := r.own.Append(b.own...); err != nil {
			return fmt.Errorf("save to the ledger: %w", err)
		}
	}
	return nil
}
