package view

import (
	"errors"
	"fmt"

	"github.com/bothy-mesh/bothy/sync/record"
)

var (
	// ErrDamaged: what was read is not what was written. Set the view aside and
	// build it again; one record can be put right by Rejoin. It is wrapped by a
	// [DamageError].
	ErrDamaged = errors.New("view is damaged")

	// ErrTooLarge: a row, or what the owner would do at once, is more than is taken.
	// Nothing was written; try again with less.
	ErrTooLarge = errors.New("too much for one transaction")

	// ErrOverfull: a change would make its record, or what is held of its
	// replica, outgrow the limits of their binary forms. The change is refused
	// and nothing was written.
	ErrOverfull = errors.New("change would outgrow a limit")

	// ErrBroken: a commit or a sync failed, so it is not known what is on disk.
	// Nothing is written any more until the view is opened again.
	ErrBroken = errors.New("view is broken by a failed write; restart to verify")

	// ErrNewer: a newer version of the program wrote this.
	ErrNewer = errors.New("written by a newer version of the program")

	// ErrWrongKey: the key that was given, or none, does not open this.
	ErrWrongKey = errors.New("encryption key does not fit")

	// ErrInUse: the view is open already, in this process or another.
	ErrInUse = errors.New("view is in use")

	// ErrReadOnly: a change was asked of a transaction that only reads.
	ErrReadOnly = errors.New("this transaction only reads")
)

// A DamageError says where damage was met. It wraps ErrDamaged.
type DamageError struct {
	// Row names the kind of row, for example "record"; empty where the damage
	// is not in one row.
	Row string
	// Record is the record concerned; the zero key where it is not of one record.
	Record record.Key
	// Reason says what was wrong.
	Reason string
}

// Error names the kind of row and what was wrong with it, and no id: an id may
// tell of a person.
func (e *DamageError) Error() string {
	if e.Row == "" {
		return fmt.Sprintf("%v: %s", ErrDamaged, e.Reason)
	}
	return fmt.Sprintf("%v: %s row: %s", ErrDamaged, e.Row, e.Reason)
}

// Unwrap gives ErrDamaged.
func (e *DamageError) Unwrap() error { return ErrDamaged }

// damage makes an error about the view as a whole.
func damage(format string, args ...any) error {
	return &DamageError{Reason: fmt.Sprintf(format, args...)}
}

// damagedRow makes an error about the row under a key.
func damagedRow(key []byte, format string, args ...any) error {
	return &DamageError{Row: rowName(key), Record: recordOf(key), Reason: fmt.Sprintf(format, args...)}
}

// caught turns a panic of Badger's into damage. It is deferred around calls of
// Badger alone, so that nobody else's panic is taken for that.
func caught(doing string, err *error) {
	if p := recover(); p != nil {
		*err = damage("%s: the store panicked: %v", doing, p)
	}
}
