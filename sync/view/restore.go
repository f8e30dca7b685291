package view

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path/filepath"

	"github.com/dgraph-io/badger/v4"
	"github.com/dgraph-io/badger/v4/options"

	"github.com/bothy-mesh/bothy/sync/record"
)

// ErrBackup: the stream is not a whole backup that was made with this key.
var ErrBackup = errors.New("not a whole backup, or not of this key")

// Restore makes a view out of a backup. The directory must not exist; it appears
// when everything has been read, checked and examined, and not at all on any
// error. The view gets a new id, because what it hands out from now on is not
// what the backed-up view has handed out since. The key is that of the backup;
// o.Key encrypts the new view.
func Restore(r io.Reader, key []byte, dir string, schema *record.Schema, o Options) (err error) {
	dir = filepath.Clean(dir)
	if _, err := os.Stat(dir); err == nil {
		return fmt.Errorf("restore a view: %s exists already", dir)
	}
	unsafe := dir + ".restoring"
	defer func() {
		if err != nil {
			err = fmt.Errorf("restore a view: %w", errors.Join(err, os.RemoveAll(unsafe)))
		}
	}()
	if err := os.RemoveAll(unsafe); err != nil { // of a restore that was cut off
		return err
	}
	if err := load(r, key, unsafe, schema, o); err != nil {
		return err
	}
	if err := Examine(unsafe, schema, o); err != nil {
		return err
	}
	if err := os.Rename(unsafe, dir); err != nil {
		return err
	}
	return syncFile(filepath.Dir(dir))
}

// load reads a backup into a new store and gives it a new id.
func load(r io.Reader, key []byte, dir string, schema *record.Schema, o Options) (err error) {
	body, err := openBody(bufio.NewReader(r), key)
	if err != nil {
		return err
	}
	v, err := open(dir, schema, o, options.NoVerification)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, v.Close()) }()
	b := batch{db: v.db}
	defer b.discard()
	err = body.rows(func(key, value []byte) error {
		if !bytes.Equal(key, formatKey) {
			return b.set(key, value)
		}
		value, err := v.renamed(value)
		if err != nil {
			return err
		}
		return b.set(key, value)
	})
	if err != nil {
		return err
	}
	return errors.Join(b.commit(), v.sync())
}

// renamed gives the format row of a backup a new id, if this program knows the
// format.
func (v *View) renamed(value []byte) ([]byte, error) {
	b, err := unseal(formatKey, value)
	if err != nil {
		return nil, err
	}
	row, ok := decodeFormatRow(b)
	if !ok {
		return nil, damagedRow(formatKey, "malformed")
	}
	row.id = newID()
	return seal(formatKey, row.bytes()), v.ratchet(row.format)
}

// body is a backup's body, which adds what is read to its sum.
type body struct {
	from *bufio.Reader
	sum  hash.Hash
}

// rows reads the rows of a backup and makes sure that they are all there.
func (s body) rows(row func(key, value []byte) error) error {
	for count := uint64(0); ; count++ {
		keySize, err := binary.ReadUvarint(s)
		if err != nil {
			return notWhole(err)
		}
		if keySize == 0 {
			return s.end(count)
		}
		key, value, err := s.row(keySize)
		if err != nil {
			return err
		}
		if _, err := unseal(key, value); err != nil {
			return fmt.Errorf("%w: %w", ErrBackup, err)
		}
		if err := row(key, value); err != nil {
			return err
		}
	}
}

// notWhole is for a read that failed: at an end or a fault of the stream.
func notWhole(err error) error {
	if errors.Is(err, ErrBackup) {
		return err
	}
	return fmt.Errorf("%w: %w", ErrBackup, err)
}

func (s body) Read(p []byte) (int, error) {
	n, err := s.from.Read(p)
	s.sum.Write(p[:n])
	return n, err
}

func (s body) ReadByte() (byte, error) {
	b, err := s.from.ReadByte()
	if err == nil {
		s.sum.Write([]byte{b})
	}
	return b, err
}

func (s body) row(keySize uint64) (key, value []byte, err error) {
	valueSize, err := binary.ReadUvarint(s)
	if err != nil {
		return nil, nil, notWhole(err)
	}
	if keySize > 1+MaxName || valueSize > maxRow+16 {
		return nil, nil, fmt.Errorf("%w: a row with a key of %d and a value of %d bytes", ErrBackup, keySize, valueSize)
	}
	// ReadAll grows with what is there, not with what is claimed.
	b, err := io.ReadAll(io.LimitReader(s, int64(keySize+valueSize)))
	if err == nil && uint64(len(b)) < keySize+valueSize {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, nil, notWhole(err)
	}
	return b[:keySize], b[keySize:], nil
}

func (s body) end(rows uint64) error {
	var count [8]byte
	if _, err := io.ReadFull(s, count[:]); err != nil {
		return notWhole(err)
	}
	var sum [sha256.Size]byte
	if _, err := io.ReadFull(s.from, sum[:]); err != nil {
		return notWhole(err)
	}
	if binary.BigEndian.Uint64(count[:]) != rows || sum != [sha256.Size]byte(s.sum.Sum(nil)) {
		return fmt.Errorf("%w: its count or sum does not fit its %d rows", ErrBackup, rows)
	}
	_, err := s.from.ReadByte()
	switch {
	case err == nil:
		return fmt.Errorf("%w: something follows its end", ErrBackup)
	case !errors.Is(err, io.EOF):
		return notWhole(err)
	}
	return nil
}

// batch writes rows in as few transactions as they fit in.
type batch struct {
	db  *badger.DB
	txn *badger.Txn
}

func (b *batch) set(key, value []byte) error {
	if b.txn == nil {
		b.txn = b.db.NewTransaction(true)
	}
	err := b.txn.Set(key, value)
	if !errors.Is(err, badger.ErrTxnTooBig) {
		return err
	}
	if err := b.commit(); err != nil {
		return err
	}
	b.txn = b.db.NewTransaction(true)
	return b.txn.Set(key, value)
}

func (b *batch) commit() error {
	defer b.discard()
	return b.txn.Commit()
}

func (b *batch) discard() {
	if b.txn != nil {
		b.txn.Discard()
		b.txn = nil
	}
}
