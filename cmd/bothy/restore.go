package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/bothy-mesh/bothy/sync/replica"
)

func restoreCommand() command {
	in, dir, keyFile := new(string), new(string), new(string)
	return command{
		name: "restore",
		line: "make a data directory from a backup",
		text: `The backup is verified whole first; on any error nothing is made. What is started on
the directory writes under an id of its own, so that it can run beside the replica
that the backup is of.`,
		settings: []setting{
			{name: "in", missing: "name the backup", help: "file that bothy backup has written", set: text(in)},
			{name: "dir", missing: "name the data directory to make", help: "data directory to make; it must not exist", set: text(dir)},
			keySetting(keyFile),
		},
		run: func(ctx context.Context, c call) error { return restore(ctx, c, *in, *dir, *keyFile) },
	}
}

func restore(ctx context.Context, c call, in, dir, keyFile string) error {
	key, err := readKey(keyFile)
	if err != nil {
		return err
	}
	f, err := os.Open(in)
	if err != nil {
		return fmt.Errorf("read the backup: %w", err)
	}
	sum, err := replica.Restore(ctx, f, dir, key)
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	fmt.Fprintf(c.stdout, "%s holds %d changes of %d replicas\n", dir, sum.Changes, sum.Replicas)
	return nil
}
