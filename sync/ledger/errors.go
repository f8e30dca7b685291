package ledger

import (
	"errors"
	"fmt"
	"syscall"
)

var (
	// ErrBroken: a write or a sync failed, so what is on disk is not known.
	// Nothing is accepted any more until the ledger is opened again.
	ErrBroken = errors.New("ledger is broken by a failed write; restart to verify")

	// ErrFull: the disk or the quota is full. Nothing was written; the call may
	// be repeated when there is room.
	ErrFull = errors.New("no room on the ledger's disk")

	// ErrClosed: the ledger was closed.
	ErrClosed = errors.New("ledger is closed")

	// ErrInUse: the directory is open already, in this process or another.
	ErrInUse = errors.New("ledger is open already, here or in another process")

	// ErrNoIdentity: neither the head nor any segment says which ledger this
	// is, so no frame can be told from noise. Set the directory aside; what it
	// held must come from elsewhere.
	ErrNoIdentity = errors.New("no head and no segment header of the ledger is readable")

	// ErrMisfit: restored frames do not give the chain hash that the ledger
	// has of them, so at least one of them is not the frame that was lost.
	ErrMisfit = errors.New("restored frames do not fit the chain")
)

// A MissingError says that frames are not in the ledger: lost, or dropped on
// purpose.
type MissingError struct {
	From, To uint64 // first and last of them, from the asked one on
	Dropped  bool   // they were dropped on purpose and cannot be restored
}

// Error names the frames and what became of them.
func (e MissingError) Error() string {
	if e.Dropped {
		return fmt.Sprintf("frames %v were dropped from the ledger", Range{e.From, e.To})
	}
	return fmt.Sprintf("frames %v are missing from the ledger and must be restored", Range{e.From, e.To})
}

// noRoom tells whether the operating system refused for want of space.
func noRoom(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}
