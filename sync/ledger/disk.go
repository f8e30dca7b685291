package ledger

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// disk is what changes files, so that a test can make each call fail.
type disk struct {
	create   func(name string) (*os.File, error)
	write    func(f *os.File, b []byte, at int64) (int, error)
	sync     func(f *os.File) error
	truncate func(f *os.File, size int64) error
	rename   func(from, to string) error
	link     func(from, to string) error
	remove   func(name string) error
	random   func(b []byte) (int, error)
}

func realDisk() disk {
	return disk{
		create:   create,
		write:    (*os.File).WriteAt,
		sync:     (*os.File).Sync,
		truncate: (*os.File).Truncate,
		rename:   os.Rename,
		link:     os.Link,
		remove:   os.Remove,
		random:   rand.Read,
	}
}

func create(name string) (*os.File, error) {
	return os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
}

// lock takes the directory for this process, until the file is closed or the
// process ends in any way.
func lock(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock the ledger: %w", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = fmt.Errorf("%w: %s", ErrInUse, dir)
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// makeDir makes the directory and its name durable.
func (d disk) makeDir(dir string) error {
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make the ledger's directory: %w", err)
	}
	return d.syncDir(filepath.Dir(dir))
}

// syncDir makes the names in a directory durable.
func (d disk) syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.sync(f), f.Close())
}

// A sink writes a file from its start through a disk.
type sink struct {
	d    disk
	f    *os.File
	size int64
}

func (s *sink) Write(b []byte) (int, error) {
	n, err := s.d.write(s.f, b, s.size)
	s.size += int64(n)
	return n, err
}

// spare writes a file beside the place where it will stand, synced. The caller
// gives it its name.
func (d disk) spare(name string, fill func(w io.Writer) error) (err error) {
	f, err := d.create(name + spareExt)
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			os.Remove(name + spareExt)
		}
	}()
	w := bufio.NewWriterSize(&sink{d: d, f: f}, 64<<10)
	if err := fill(w); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return d.sync(f)
}

// keep gives a file a second name of the form aside-1, aside-2 ... unless it has
// one, so that replacing it loses nothing. It takes no room on the disk.
func (d disk) keep(name, aside string) error {
	file, err := os.Stat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for n := 1; ; n++ {
		second := fmt.Sprintf("%s-%d", aside, n)
		err := d.link(name, second)
		if err == nil {
			return d.syncDir(filepath.Dir(name))
		}
		if !errors.Is(err, fs.ErrExist) {
			return err
		}
		if kept, err := os.Stat(second); err == nil && os.SameFile(kept, file) {
			return nil
		}
	}
}
