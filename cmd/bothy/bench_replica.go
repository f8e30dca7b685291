package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

// How much is joined and opened.
const (
	joinedChecks = 100_000
	joinBatch    = 1_000
	openedChecks = 100_000
)

// joining measures how many changes a hub joins in a second, with every commit
// of its view synced.
func (b *bench) joining(ctx context.Context) error {
	source, err := b.openReplica(ctx, "source", replica.Options{KeepReceived: true})
	if err != nil {
		return err
	}
	defer source.Close()
	changes, err := manyChecks(ctx, source, joinedChecks)
	if err != nil {
		return err
	}
	hub, err := b.openReplica(ctx, "joining", replica.Options{SyncView: true})
	if err != nil {
		return err
	}
	defer hub.Close()
	began := time.Now()
	for i := 0; i < len(changes); i += joinBatch {
		d := replica.Delivery{Changes: changes[i:min(i+joinBatch, len(changes))], From: view.Hub, Position: uint64(i + 1), StoredAt: began}
		if _, err := hub.Receive(ctx, d); err != nil {
			return err
		}
	}
	b.row("changes joined by a hub, in pieces of 1,000, one core", "%.0f /s", float64(len(changes))/time.Since(began).Seconds())
	return nil
}

// opening measures how long a node with many checks takes to open, its view
// examined first.
func (b *bench) opening(ctx context.Context) error {
	r, err := b.openReplica(ctx, "opening", replica.Options{KeepReceived: true})
	if err != nil {
		return err
	}
	if _, err := manyChecks(ctx, r, openedChecks); err != nil {
		return err
	}
	if err := r.Close(); err != nil {
		return err
	}
	self, err := os.Executable()
	if err != nil {
		return err
	}
	for _, how := range []struct {
		what    string
		examine []string
	}{
		{"opening a node with 100,000 checks, view examined", []string{self, "examine-view"}},
		{"the same, not examined", nil},
	} {
		began := time.Now()
		r, err := b.openReplica(ctx, "opening", replica.Options{KeepReceived: true, Examine: how.examine})
		if err != nil {
			return err
		}
		b.row(how.what, "%.2f s", time.Since(began).Seconds())
		if err := r.Close(); err != nil {
			return err
		}
	}
	return nil
}

func (b *bench) openReplica(ctx context.Context, name string, o replica.Options) (*replica.Replica, error) {
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		return nil, err
	}
	o.Dir, o.Schema, o.Now, o.Log = filepath.Join(b.dir, name), schema, time.Now, slog.New(slog.NewTextHandler(io.Discard, nil))
	return replica.Open(ctx, o)
}

// manyChecks writes checks in order, many in one transaction, and gives the
// changes.
func manyChecks(ctx context.Context, r *replica.Replica, n int) (changes []record.Change, err error) {
	rng := rand.New(rand.NewPCG(7, 7))
	at := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	const perTransaction = 200
	for written := 0; written < n; written += perTransaction {
		err := r.Write(ctx, "isla", func(w store.Writer) error {
			for range perTransaction {
				at = at.Add(time.Duration(rng.IntN(600)) * time.Second)
				_, err := w.Create(&bothyv1.Check{
					Machine: fmt.Sprintf("d-%d", rng.IntN(40)), Site: "ravens-quarry", Sheet: "wheeled-site-dumper.pre-use.1", Person: "isla",
					StartedAt: timestamppb.New(at.Add(-9 * time.Minute)), FinishedAt: timestamppb.New(at),
					MeterHours: float64(rng.IntN(90_000)) / 10, PointsOk: 46, Options: []string{"frame", "straight-skip"},
				}, store.Calm)
				if err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	err = r.Each(func(c record.Change) error {
		changes = append(changes, c)
		return nil
	})
	return changes, err
}
