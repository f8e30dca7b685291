package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/bothy-mesh/bothy/sync/replica"
)

func backupCommand() command {
	dir, out, keyFile := new(string), new(string), new(string)
	return command{
		name: "backup",
		line: "write everything that a stopped node or hub holds to a file",
		text: backupText,
		settings: []setting{
			dirSetting(dir),
			{name: "out", missing: "name the file to write", help: "file to write; it must not exist", set: text(out)},
			keySetting(keyFile),
		},
		run: func(ctx context.Context, c call) error { return backup(ctx, c, *dir, *out, *keyFile) },
	}
}

const backupText = `The backup holds every change, with who made it and when. Without a key file anybody
who has the backup can read it. It appears under its name only when it is whole.`

func keySetting(to *string) setting {
	return setting{name: "key_file", help: "file with the key that encrypts the backup, of 16 bytes or more; without it, it stays plain", set: text(to)}
}

func backup(ctx context.Context, c call, dir, out, keyFile string) error {
	key, err := readKey(keyFile)
	if err != nil {
		return err
	}
	var sum replica.Summary
	err = withStopped(ctx, dir, c.stderr, func(r *replica.Replica) error {
		return writeNew(out, func(f *bufio.Writer) (err error) {
			sum, err = r.Backup(ctx, f, key)
			return err
		})
	})
	if err != nil {
		return err
	}
	fmt.Fprintf(c.stdout, "%s holds %d changes of %d replicas\n", out, sum.Changes, sum.Replicas)
	return nil
}

// keyLeast is the length of the shortest key, in bytes: nobody guesses 128 bits.
const keyLeast = 16

// readKey reads a key file. The end of a last line is not of the key, because an
// editor may add one. No name is no key.
func readKey(name string) ([]byte, error) {
	if name == "" {
		return nil, nil
	}
	key, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("read the key: %w", err)
	}
	key = bytes.TrimRight(key, "\r\n")
	if len(key) < keyLeast {
		return nil, fmt.Errorf("the key in %s has %d bytes; at least %d are needed, and they should be random", name, len(key), keyLeast)
	}
	return key, nil
}

// writeNew makes a file that appears, whole and synced, only when write has
// succeeded, and never in place of another.
func writeNew(name string, write func(*bufio.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(name), filepath.Base(name)+".partial-")
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	defer func() { err = errors.Join(err, os.Remove(f.Name())) }()
	w := bufio.NewWriter(f)
	if err := errors.Join(write(w), w.Flush(), f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	// A link, unlike a renaming, replaces nothing.
	err = os.Link(f.Name(), name)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s exists already; name a file that does not", name)
	}
	return errors.Join(err, syncDir(filepath.Dir(name)))
}

func syncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
