package replica

import (
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"time"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

func opened(t *testing.T) *Replica {
	t.Helper()
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Open(t.Context(), Options{
		Dir: t.TempDir(), Schema: schema, Now: time.Now, Log: slog.New(slog.DiscardHandler), KeepReceived: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// A new id, or a fork, that did not reach the disk must not be acted on: the next
// writes would stand under an id of which the ledger knows nothing.
func TestABatchThatFailsLeavesIDAndForksAsTheyWere(t *testing.T) {
	r := opened(t)
	id := r.ID()
	err := r.do(t.Context(), func(tx *view.Tx, b *batch) error {
		r.forks[id], r.newForks[id] = 1, 1
		if b.err = r.standApart(tx, b); b.err == nil {
			b.err = fmt.Errorf("does not fit: %w", view.ErrTooLarge)
		}
		return b.err
	})
	if !errors.Is(err, view.ErrTooLarge) || r.Err() != nil {
		t.Fatalf("outcome %v, then %v", err, r.Err())
	}
	if r.ID() != id || len(r.forks)+len(r.newForks)+len(r.former) != 0 {
		t.Errorf("writes as %s (was %s), forks %v and %v, former %v", r.ID(), id, r.forks, r.newForks, r.former)
	}
}

func TestOldRequestsAreForgottenByAgeAndByNumber(t *testing.T) {
	r := opened(t)
	now := time.Date(2031, 3, 3, 12, 0, 0, 0, time.UTC)
	const last = 2*rememberFrames + sweepEvery // a frame at which is swept
	requests := []struct {
		id    string
		frame uint64
		age   time.Duration
		kept  bool
	}{
		{"old", 1, rememberFor + time.Hour, false},
		{"old by the clock alone", last - 5, 40 * 365 * 24 * time.Hour, true},
		{"old by number alone", 2, time.Hour, true},
		{"new", last - 1, 0, true},
	}
	err := r.do(t.Context(), func(tx *view.Tx, b *batch) error {
		for _, q := range requests {
			if b.err = remember(tx, request{q.id, store.Memory{At: now.Add(-q.age)}}, q.frame, now); b.err != nil {
				return b.err
			}
		}
		b.err = remember(tx, request{"last", store.Memory{At: now}}, last, now)
		return b.err
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range requests {
		var ok bool
		err := r.read(func(tx *view.Tx) (err error) {
			_, ok, err = remembered(tx, q.id)
			return err
		})
		if err != nil || ok != q.kept {
			t.Errorf("%s: remembered %v, %v", q.id, ok, err)
		}
	}
}
