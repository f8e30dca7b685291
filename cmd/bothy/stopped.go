package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// A stopped replica is a data directory whose node or hub does not run. The
// tools that work on one open it as its owner would.

func dirSetting(to *string) setting {
	return setting{name: "dir", missing: "name the data directory of a node or hub that does not run", help: "data directory of a node or hub that does not run", set: text(to)}
}

// withStopped opens the replica in a directory, and closes it when f is done.
func withStopped(ctx context.Context, dir string, stderr io.Writer, f func(*replica.Replica) error) error {
	r, err := openStopped(ctx, dir, stderr)
	if err != nil {
		return err
	}
	return errors.Join(f(r), r.Close())
}

// openStopped opens the replica in a directory that has one.
func openStopped(ctx context.Context, dir string, stderr io.Writer) (*replica.Replica, error) {
	isNode, err := isNodes(dir)
	if err != nil {
		return nil, err
	}
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		return nil, err
	}
	examine, err := examiner()
	if err != nil {
		return nil, err
	}
	return replica.Open(ctx, replica.Options{
		Dir: dir, Schema: schema, Now: time.Now, Examine: examine, KeepReceived: isNode, SyncView: !isNode,
		Log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelWarn})),
	})
}

// isNodes tells a node's directory, which keeps what others sent in a ledger of
// its own, from a hub's, which has that ledger only if it was restored, and the
// stream besides. It refuses one that is neither, so that a mistyped name does
// not begin a new replica.
func isNodes(dir string) (bool, error) {
	var has [3]bool
	for i, part := range [...]string{"own", "received", "stream"} {
		var err error
		if has[i], err = exists(filepath.Join(dir, part)); err != nil {
			return false, err
		}
	}
	own, received, stream := has[0], has[1], has[2]
	if !own && !received {
		return false, fmt.Errorf("%s is not the data directory of a node or hub; name the one that its setting dir names", dir)
	}
	return received && !stream, nil
}

func exists(path string) (bool, error) {
	_, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}
