package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

func rebuildCommand() command {
	dir := new(string)
	return command{
		name: "rebuild",
		line: "build a stopped node's or hub's view again from its ledgers",
		text: `The view is set aside, not deleted, and built again from the ledgers. A node's digest
is the same afterwards; where it is not, the ledgers lack something that the hub must
send again. What only a hub's stream holds is read when the hub starts.`,
		settings: []setting{dirSetting(dir)},
		run:      func(ctx context.Context, c call) error { return rebuild(ctx, c, *dir) },
	}
}

// rebuild opens the replica twice: what only its view holds is rescued into the
// ledgers at the first opening.
func rebuild(ctx context.Context, c call, dir string) error {
	err := withStopped(ctx, dir, c.stderr, func(r *replica.Replica) error {
		digest, err := r.Digest(nil)
		fmt.Fprintf(c.stdout, "digest before %s\n", digest)
		return err
	})
	if err != nil {
		return err
	}
	aside, err := setViewAside(dir)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.stdout, "the view was set aside as %s\n", aside)
	return withStopped(ctx, dir, c.stderr, func(r *replica.Replica) error { return tellBuilt(ctx, c.stdout, r) })
}

// setViewAside moves the view away. It holds the ledger's lock meanwhile, so
// that the view of a running replica stays where it is.
func setViewAside(dir string) (aside string, err error) {
	own, _, err := ledger.Open(filepath.Join(dir, "own"), ledger.Options{})
	if err != nil {
		return "", fmt.Errorf("open %s: %w", dir, err)
	}
	defer func() { err = errors.Join(err, own.Close()) }()
	return view.SetAside(filepath.Join(dir, "view"))
}

// tellBuilt reports what the view holds now. Counting goes the way of a backup,
// which reads every change.
func tellBuilt(ctx context.Context, w io.Writer, r *replica.Replica) error {
	sum, err := r.Backup(ctx, io.Discard, nil)
	if err != nil {
		return err
	}
	status, err := r.Status()
	if err != nil {
		return err
	}
	digest, err := r.Digest(nil)
	if err != nil {
		return err
	}
	fmt.Fprintf(w, "applied %d changes of %d replicas\n", sum.Changes, sum.Replicas)
	for _, alarm := range status.Alarms {
		fmt.Fprintf(w, "alarm: %s\n", alarm)
	}
	fmt.Fprintf(w, "digest after  %s\n", digest)
	return nil
}
