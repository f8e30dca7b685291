package view

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	"github.com/dgraph-io/badger/v4"
	"github.com/dgraph-io/badger/v4/options"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Options of a view. The zero value works.
type Options struct {
	// SyncWrites makes every Update durable before it returns. A node leaves it
	// off: its ledger is what must not be lost, and the view is caught up from it.
	// A hub, whose receipts speak for the view, turns it on.
	SyncWrites bool
	// Key of 16, 24 or 32 bytes encrypts the view at rest (AES); nil leaves it
	// plain. A view keeps the key that it was made with.
	Key []byte
	// Log takes the store's own messages; nil drops them.
	Log *slog.Logger
}

// View is one replica's view. Reads may be concurrent with each other and with
// an update.
type View struct {
	db     *badger.DB
	dir    string
	schema *record.Schema
	// listed are the fields by which the records of each kind are listed.
	listed map[uint32][]*record.FieldRule
	id     uint64

	writing sync.Mutex // held by an Update
	broken  error      // guarded by writing: why nothing is written any more
	// parting is held while a commit is made in several parts, so that nobody
	// begins between two of them.
	parting sync.RWMutex
}

// Open opens the view in a directory, or makes one there. A view that was made
// for other lists than this schema's gets them anew, which takes a while. Errors
// to tell apart: ErrNewer, ErrWrongKey, ErrInUse and ErrDamaged.
//
// A damaged view can take the process with it when it is opened; see
// [ExamineInChild].
func Open(dir string, schema *record.Schema, o Options) (*View, error) {
	v, err := open(dir, schema, o, options.NoVerification)
	if err != nil {
		return nil, err
	}
	err = v.identify()
	if err == nil {
		err = v.refreshLists()
	}
	if err != nil {
		return nil, errors.Join(err, v.Close())
	}
	return v, nil
}

// open opens the store, and nothing of what is in it.
func open(dir string, schema *record.Schema, o Options, check options.ChecksumVerificationMode) (*View, error) {
	if k := len(o.Key); k != 0 && k != 16 && k != 24 && k != 32 {
		return nil, fmt.Errorf("%w: it has %d bytes, want 16, 24 or 32", ErrWrongKey, k)
	}
	if err := unlocked(dir); err != nil {
		return nil, err
	}
	db, err := openStore(storeOptions(dir, o).WithChecksumVerificationMode(check))
	if err != nil {
		return nil, openError(dir, err)
	}
	v := &View{db: db, dir: dir, schema: schema, listed: map[uint32][]*record.FieldRule{}}
	for _, k := range schema.Kinds() {
		v.listed[k.Number] = listedFields(k)
	}
	return v, nil
}

// openError says why the store did not open. Badger's errors do not tell a full
// disk from a damaged file, so that is tried out.
func openError(dir string, err error) error {
	if errors.Is(err, badger.ErrEncryptionKeyMismatch) {
		return fmt.Errorf("%w: view %s was made with another key, or without one, or its KEYREGISTRY is damaged: "+
			"if the key is right, move the directory away and let the view be built anew", ErrWrongKey, dir)
	}
	if cannot := tryWriting(dir); cannot != nil {
		return fmt.Errorf("open view: %w", cannot)
	}
	return fmt.Errorf("open view: %w: %w", ErrDamaged, err)
}

func tryWriting(dir string) error {
	f, err := os.CreateTemp(dir, "try-*.tmp")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, 64<<10))
	return errors.Join(err, f.Close(), os.Remove(f.Name()))
}

func openStore(o badger.Options) (db *badger.DB, err error) {
	defer caught("open", &err)
	return badger.Open(o)
}

// unlocked makes sure that the directory is there and that no one has it open,
// which Badger's own error could not be told by.
func unlocked(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("open view: %w", err)
	}
	f, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("open view: %w", err)
	}
	defer f.Close()
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("%w: %s", ErrInUse, dir)
	}
	return err
}

// The store's sizes, in bytes.
const (
	memTable = 8 << 20
	// valueThreshold: values below it stay beside their keys, where they are
	// checked and synced with them. Two of them, a change and its record, fit in
	// one transaction of 15 % of a memTable; greater ones do not count there. So
	// every change that is valid can be applied by itself.
	valueThreshold = 1 << 19
	valueLogFile   = 16 << 20
)

// storeOptions are sized for a board with 1 GB of memory that does other things
// besides, and are enough for a hub.
func storeOptions(dir string, o Options) badger.Options {
	b := badger.DefaultOptions(dir)
	b.SyncWrites = o.SyncWrites
	b.EncryptionKey = o.Key
	b.Logger = logger{o.Log}
	b.MemTableSize = memTable // with it one transaction takes 1.2 MB or 13,000 rows
	b.NumMemtables = 2
	b.NumLevelZeroTables = 2
	b.NumLevelZeroTablesStall = 6
	b.BlockCacheSize = 8 << 20
	b.IndexCacheSize = 4 << 20 // must not be 0 with encryption
	b.ValueLogFileSize = valueLogFile
	b.ValueThreshold = valueThreshold
	b.VerifyValueChecksum = true
	b.NumCompactors = 2
	b.CompactL0OnClose = true
	b.NumVersionsToKeep = 1
	b.DetectConflicts = false // one writer
	b.MetricsEnabled = false  // they would be global
	return b
}

// identify reads who the view is, or makes a new one out of an empty store.
func (v *View) identify() error {
	var row formatRow
	found := false
	err := v.Read(func(tx *Tx) (err error) {
		row, found, err = tx.format()
		return err
	})
	if err != nil {
		return err
	}
	if found {
		v.id = row.id
		return v.ratchet(row.format)
	}
	return v.create()
}

// ratchet refuses what a newer program wrote.
func (v *View) ratchet(found uint32) error {
	if found <= format {
		return nil
	}
	return fmt.Errorf("%w: view %s has format %d, this program knows formats up to %d: start the newer program again, "+
		"or move the directory away and let the view be built anew", ErrNewer, v.dir, found, format)
}

func (tx *Tx) format() (r formatRow, found bool, err error) {
	b, found, err := tx.get(formatKey)
	if err != nil || !found {
		return r, false, err
	}
	r, ok := decodeFormatRow(b)
	if !ok {
		return r, false, damagedRow(formatKey, "malformed")
	}
	return r, true, nil
}

// create writes the first rows of a new view, durably.
func (v *View) create() error {
	v.id = newID()
	err := v.Update(func(tx *Tx) error {
		for row, err := range tx.scan(nil, nil, false) {
			if err == nil {
				err = damage("it has rows (%s) but no format row", rowName(row.key))
			}
			return err
		}
		return errors.Join(
			tx.put(formatKey, formatRow{format, v.id}.bytes()),
			tx.put(listsKey, listsPrint(v.schema)))
	})
	if err != nil {
		return err
	}
	return v.Sync()
}

// newID draws the id of a view, which is never 0.
func newID() uint64 {
	for {
		var b [8]byte
		rand.Read(b[:]) // never fails: crypto/rand ends the program instead
		if id := binary.BigEndian.Uint64(b[:]); id != 0 {
			return id
		}
	}
}

// ID names this view and no other: cursors carry it, so that a position is never
// used on another view's log.
func (v *View) ID() uint64 { return v.id }

// Read runs f on a snapshot.
func (v *View) Read(f func(*Tx) error) error {
	tx, end := v.begin(nil)
	defer end()
	return f(tx)
}

// Update runs f and then commits what it wrote, all or nothing. Updates are run
// one after another. With an error of f nothing is written. Only what is too much
// for one transaction of the store goes into several: no reader sees a part, but a
// crash may leave one, and then [Examine] finds damage. A failure of the commit
// breaks the view (ErrBroken): it must be opened again, and the write may or may
// not be there.
func (v *View) Update(f func(*Tx) error) error {
	v.writing.Lock()
	defer v.writing.Unlock()
	if v.broken != nil {
		return v.broken
	}
	tx, end := v.begin(newPending())
	defer end()
	if err := f(tx); err != nil {
		return err
	}
	if tx.failed != nil {
		return tx.failed
	}
	err := tx.commit()
	if errors.Is(err, ErrBroken) {
		v.broken = err
	}
	return err
}

func (v *View) begin(p *pending) (tx *Tx, end func()) {
	v.parting.RLock()
	tx = &Tx{view: v, txn: v.db.NewTransaction(false), pending: p}
	v.parting.RUnlock()
	if p != nil {
		tx.touched = map[clock.Replica]bool{}
		tx.counts = map[countKey]uint64{}
	}
	return tx, func() {
		tx.over = true
		tx.txn.Discard()
	}
}

// Sync makes everything that was committed durable. Badger's own Sync leaves out
// a write-ahead file that is full and not yet turned into a table, so these are
// synced here.
func (v *View) Sync() error {
	if err := v.sync(); err != nil {
		v.writing.Lock()
		defer v.writing.Unlock()
		v.broken = fmt.Errorf("%w: %w", ErrBroken, err)
		return v.broken
	}
	return nil
}

func (v *View) sync() error {
	entries, err := os.ReadDir(v.dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".mem") {
			// One that is gone has become a table, which is synced when it is made.
			if err := syncFile(filepath.Join(v.dir, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	return errors.Join(v.db.Sync(), syncFile(v.dir))
}

// syncFile makes a file, or the names in a directory, durable.
func syncFile(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// Close ends the view. Every Read, Update and Sync must have returned.
func (v *View) Close() (err error) {
	defer caught("close", &err)
	if err := v.db.Close(); err != nil {
		return fmt.Errorf("close view: %w", err)
	}
	return nil
}
