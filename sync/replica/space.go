package replica

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"

	"github.com/bothy-mesh/bothy/proto/fault"
)

// ballastBytes is what a file of no use holds on the disk, so that a node whose
// disk is full can still open, read and send: starting on a full disk deletes it.
const ballastBytes = 16 << 20

// space watches the disk. Badger dies on a full disk, so writing stops long
// before.
type space struct {
	dir   string
	floor uint64 // bytes; 0 watches nothing
}

func (s space) ballast() string { return filepath.Join(s.dir, "ballast") }

// prepare makes the directory and puts the ballast there, or gives it up if the
// disk is full.
func (s space) prepare() error {
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return fmt.Errorf("make the data directory: %w", err)
	}
	if s.floor == 0 {
		return nil
	}
	free, err := s.free()
	if err != nil {
		return err
	}
	if free < s.floor {
		if err := os.Remove(s.ballast()); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("give up the ballast: %w", err)
		}
		return nil
	}
	if free < s.floor+2*ballastBytes {
		return nil
	}
	return s.load()
}

// load puts the ballast on the disk. What is there already stays.
func (s space) load() error {
	f, err := os.OpenFile(s.ballast(), os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("put the ballast on the disk: %w", err)
	}
	if err := syscall.Fallocate(int(f.Fd()), 0, 0, ballastBytes); err != nil && !errors.Is(err, syscall.EOPNOTSUPP) {
		return errors.Join(fmt.Errorf("put the ballast on the disk: %w", err), f.Close())
	}
	return f.Close()
}

// free is the space that is left for us, in bytes.
func (s space) free() (uint64, error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(s.dir, &st); err != nil {
		return 0, fmt.Errorf("ask for the free space of %s: %w", s.dir, err)
	}
	return st.Bavail * uint64(st.Bsize), nil
}

// check refuses when space runs out.
func (s space) check() error {
	if s.floor == 0 {
		return nil
	}
	free, err := s.free()
	if err != nil {
		return err
	}
	if free < s.floor {
		return fault.Full("the disk has %d MB left and %d MB must stay free; nothing was saved", free>>20, s.floor>>20)
	}
	return nil
}
