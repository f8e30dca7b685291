package replica

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// Options set a replica up.
type Options struct {
	// Dir is its data directory; made if it is not there.
	Dir    string
	Schema *record.Schema
	// Now is the physical clock.
	Now func() time.Time
	Log *slog.Logger
	// SyncView makes every commit of the view durable: for a hub, whose receipts
	// promise that. A node builds its view again from its ledgers instead.
	SyncView bool
	// KeepReceived keeps what others sent in a ledger of this replica's own: for
	// a node. A hub reads its stream again instead.
	KeepReceived bool
	// Sites that a node carries; nil on a hub.
	Sites []string
	// Examine is the command that examines the view's directory, its last
	// argument, in a child process before it is opened; empty skips that.
	Examine []string
	// FreeBytes is the space on the disk below which nothing is accepted; 0
	// watches nothing.
	FreeBytes uint64
	// DrawID draws a replica id; nil draws it by chance, as everywhere but in
	// simulation.
	DrawID func() clock.Replica
}

// Replica is one copy of the data that writes. Close it after use.
type Replica struct {
	opts     Options
	schema   *record.Schema
	log      *slog.Logger
	own      *ledger.Ledger
	received *ledger.Ledger // nil on a hub, unless it was restored from a backup
	view     *view.View
	packer   *record.Packer
	space    space

	id     atomic.Uint64 // clock.Replica; changes when history forks
	latest atomic.Uint64 // clock.Hybrid: clock, for those who only read
	// session is drawn at each start and ends the ids of new records: two copies
	// of one replica never name two records alike.
	session string
	broken  atomic.Pointer[error]
	// carried counts when this replica came by changes that are not of its id:
	// from a peer, from before it took the id. 0 once the hub has them all.
	carried atomic.Uint64

	// reading is held by who reads the view, and by Close to end that.
	reading  sync.RWMutex
	over     bool
	closing  sync.Once
	closeErr error

	jobs    chan *job
	stop    chan struct{}
	stopped chan struct{}
	news    chan struct{} // one slot: something was written

	forkKind uint32
	// Only the owner goroutine touches these.
	seq   uint64
	clock clock.Hybrid
	ahead clock.Ahead
	// forks are the ids that have forked, with the number from which on; newForks
	// are those that no Fork record says yet.
	forks, newForks map[clock.Replica]uint64
	// former are the ids that this replica wrote under before. Somebody else may
	// have too, so that their numbers say little.
	former map[clock.Replica]bool

	// link guards the state of the exchange with the hub.
	link  sync.Mutex
	push  *exchange.Push
	pull  *exchange.Pull
	pace  exchange.Pace
	asked uint64 // push.AckedSeq when the last question was made
	// askedCarried is carried when the last question was made, if nothing that is
	// not of the own id waited then; otherwise 0.
	askedCarried uint64
	raw          int // size of the piece in flight before compression
	// wantHas is set from seeing that the hub went back until it has said what
	// it has.
	wantHas bool
}

// sessionLength is how many characters, of 5 bits each, a session has.
const sessionLength = 3

// ErrBroken is wrapped by every refusal after a failed write of the ledger or
// the view: what is on disk is not known, and nothing is accepted until the
// replica is opened again and has verified its files.
var ErrBroken = errors.New("a write to disk failed; restart to verify")

// Open opens a replica, or makes one. It verifies the ledgers, sets a damaged
// view aside, applies what the view lacks, and takes a new id if history may
// have gone back. What it found is logged and kept as alarms.
func Open(ctx context.Context, opts Options) (*Replica, error) {
	if opts.DrawID == nil {
		opts.DrawID = clock.NewReplica
	}
	r := &Replica{
		opts: opts, schema: opts.Schema, log: opts.Log,
		jobs: make(chan *job), stop: make(chan struct{}), stopped: make(chan struct{}), news: make(chan struct{}, 1),
		space: space{dir: opts.Dir, floor: opts.FreeBytes},
	}
	r.session = opts.DrawID().String()[:sessionLength]
	if err := r.open(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("open %s: %w", opts.Dir, err), r.closeFiles())
	}
	go r.run()
	return r, nil
}

func (r *Replica) open(ctx context.Context) (err error) {
	if err := r.space.prepare(); err != nil {
		return err
	}
	if r.packer, err = record.NewPacker(); err != nil {
		return err
	}
	var found findings
	if r.own, err = openLedger(filepath.Join(r.opts.Dir, "own"), &found); err != nil {
		return err
	}
	if r.opts.KeepReceived || exists(filepath.Join(r.opts.Dir, "received")) {
		if r.received, err = openLedger(filepath.Join(r.opts.Dir, "received"), &found); err != nil {
			return err
		}
	}
	if err := r.openView(ctx, &found); err != nil {
		return err
	}
	if err := r.replay(&found); err != nil {
		return err
	}
	if err := r.settleIdentity(&found); err != nil {
		return err
	}
	if err := r.settleForks(); err != nil {
		return err
	}
	if err := r.report(&found); err != nil {
		return err
	}
	return r.loadLink(&found)
}

// findings is what opening found out of order.
type findings struct {
	sentences []string
	// wentBack: numbers of the own ledger may have been used for other changes.
	wentBack bool
	// lost: frames are missing that others may have.
	lost bool
}

func (f *findings) add(format string, args ...any) {
	f.sentences = append(f.sentences, fmt.Sprintf(format, args...))
}

// openLedger opens one ledger. Files that no longer say which ledger they are
// are set aside, and an empty ledger begun.
func openLedger(dir string, found *findings) (*ledger.Ledger, error) {
	l, report, err := ledger.Open(dir, ledger.Options{})
	if errors.Is(err, ledger.ErrNoIdentity) {
		aside, moveErr := view.SetAside(dir)
		if moveErr != nil {
			return nil, errors.Join(err, moveErr)
		}
		found.add("The ledger %s was unreadable. It was set aside as %s, and what it held must come back from the hub.", filepath.Base(dir), filepath.Base(aside))
		found.lost, found.wentBack = true, true
		l, report, err = ledger.Open(dir, ledger.Options{})
	}
	if err != nil {
		return nil, err
	}
	for _, f := range report.Findings {
		found.add("The ledger %s: %s.", filepath.Base(dir), f)
	}
	found.lost = found.lost || len(report.Missing()) > 0
	if report.MayHaveGoneBack() {
		found.lost = true
		found.wentBack = found.wentBack || filepath.Base(dir) == "own"
	}
	return l, nil
}

// report logs what was found and keeps it for people to see.
func (r *Replica) report(found *findings) error {
	if len(found.sentences) == 0 {
		return nil
	}
	for _, s := range found.sentences {
		r.log.Warn("found at start", "what", s)
	}
	return r.view.Update(func(tx *view.Tx) error {
		for _, s := range found.sentences {
			if err := raise(tx, r.opts.Now(), s); err != nil {
				return err
			}
		}
		return nil
	})
}

// ID is the id that the replica writes under now.
func (r *Replica) ID() clock.Replica { return clock.Replica(r.id.Load()) }

// News has a value after something was written or received.
func (r *Replica) News() <-chan struct{} { return r.news }

// Err is why nothing is accepted any more, nil while all is well.
func (r *Replica) Err() error {
	if err := r.broken.Load(); err != nil {
		return *err
	}
	return nil
}

func (r *Replica) breakDown(err error) error {
	err = fmt.Errorf("%w: %w", ErrBroken, err)
	if r.broken.CompareAndSwap(nil, &err) {
		r.log.Error("nothing is accepted any more", "cause", err)
	}
	return err
}

// Close ends the owner, waits for readers, and closes view and ledgers. Who still
// waits to write is told that nothing was done. A second call does nothing.
func (r *Replica) Close() error {
	r.closing.Do(func() {
		close(r.stop)
		<-r.stopped
		r.reading.Lock()
		defer r.reading.Unlock()
		r.over = true
		if r.Err() == nil {
			r.closeErr = r.markClosed()
		}
		r.closeErr = errors.Join(r.closeErr, r.closeFiles())
	})
	return r.closeErr
}

// read runs f on a snapshot of the view, unless the replica is closed.
func (r *Replica) read(f func(*view.Tx) error) error {
	r.reading.RLock()
	defer r.reading.RUnlock()
	if r.over {
		return errStopping()
	}
	return r.view.Read(f)
}

func errStopping() error { return fault.Away("the node is stopping") }

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

func (r *Replica) closeFiles() error {
	var errs []error
	if r.view != nil {
		errs = append(errs, r.view.Close())
	}
	for _, l := range []*ledger.Ledger{r.own, r.received} {
		if l != nil {
			errs = append(errs, l.Close())
		}
	}
	return errors.Join(errs...)
}
