package replica

import (
	"bufio"
	"bytes"
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path/filepath"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// A backup holds every change that a replica has:
//
//	magic    8 bytes
//	salt     16 random bytes; all zero if the backup is not encrypted
//	parts    each a length (4 bytes, big-endian) and a piece of changes; sealed
//	         with AES-256-GCM if encrypted, the part's number as nonce
//	end      a part of length 0, then the number of changes (8 bytes) and the
//	         SHA-256 of all that stands before; sealed likewise if encrypted
//
// It is verified whole before anything of it is used.
var backupMagic = [8]byte{'b', 'o', 't', 'h', 'y', 'b', 'k', 1}

// ErrBackup is wrapped when a backup is damaged, cut short, or encrypted with
// another key.
var ErrBackup = errors.New("backup is damaged, cut short, or has another key")

// Summary says what a backup holds.
type Summary struct {
	Changes  uint64
	Replicas int
}

// backupPart bounds the changes of one part, and backupBytes their size: with one
// more change, a piece still holds them.
const (
	backupPart  = 4096
	backupBytes = 2 << 20
)

// Backup writes every change that is here. A key of any length encrypts it.
func (r *Replica) Backup(ctx context.Context, w io.Writer, key []byte) (Summary, error) {
	out, err := newBackupWriter(w, key)
	if err != nil {
		return Summary{}, err
	}
	var sum Summary
	var part []record.Change
	size, last := 0, clock.Replica(0)
	err = r.Each(func(c record.Change) error {
		sum.Changes++
		if c.Replica != last {
			sum.Replicas, last = sum.Replicas+1, c.Replica
		}
		size += len(c.Append(nil))
		if part = append(part, c); len(part) < backupPart && size < backupBytes {
			return nil
		}
		defer func() { part, size = part[:0], 0 }()
		return r.writePart(ctx, out, part)
	})
	if err == nil {
		err = r.writePart(ctx, out, part)
	}
	if err != nil {
		return Summary{}, fmt.Errorf("back up: %w", err)
	}
	return sum, out.end(sum.Changes)
}

func (r *Replica) writePart(ctx context.Context, out *backupWriter, part []record.Change) error {
	if len(part) == 0 {
		return ctx.Err()
	}
	piece, err := r.packer.Pack(part)
	if err != nil {
		return err
	}
	return errors.Join(ctx.Err(), out.part(piece))
}

// Restore makes a data directory from a backup. The replica that opens it takes
// a new id. The directory must not exist; on any error there is none.
func Restore(ctx context.Context, in io.Reader, dir string, key []byte) (sum Summary, err error) {
	if _, err := os.Lstat(dir); !errors.Is(err, os.ErrNotExist) {
		return sum, fmt.Errorf("restore into %s: it must not exist", dir)
	}
	packer, err := record.NewPacker()
	if err != nil {
		return sum, err
	}
	partial := dir + ".partial"
	if err := os.RemoveAll(partial); err != nil {
		return sum, fmt.Errorf("clear %s: %w", partial, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("restore: %w", err), os.RemoveAll(partial))
		}
	}()
	l, _, err := ledger.Open(filepath.Join(partial, "received"), ledger.Options{})
	if err != nil {
		return sum, err
	}
	sum, err = restoreParts(ctx, in, l, packer, key)
	if err = errors.Join(err, l.Close()); err != nil {
		return sum, err
	}
	return sum, os.Rename(partial, dir)
}

func restoreParts(ctx context.Context, in io.Reader, l *ledger.Ledger, packer *record.Packer, key []byte) (sum Summary, err error) {
	r, err := newBackupReader(in, key)
	if err != nil {
		return sum, err
	}
	replicas := map[uint64]bool{}
	for {
		piece, err := r.part()
		if err != nil {
			return sum, err
		}
		if piece == nil {
			break
		}
		changes, err := packer.Open(piece)
		if err != nil {
			return sum, fmt.Errorf("%w: %w", ErrBackup, err)
		}
		sum.Changes += uint64(len(changes))
		for _, c := range changes {
			replicas[uint64(c.Replica)] = true
		}
		if err := appendRestored(l, changes); err != nil {
			return sum, err
		}
		if err := ctx.Err(); err != nil {
			return sum, err
		}
	}
	sum.Replicas = len(replicas)
	return sum, r.end(sum.Changes)
}

// appendRestored keeps changes as received ones.
func appendRestored(l *ledger.Ledger, changes []record.Change) error {
	_, err := l.Append(receivedFrames(byte(view.Peer), changes)...)
	return err
}

// backupCipher seals parts, or leaves them as they are without a key.
func backupCipher(key, salt []byte) (cipher.AEAD, error) {
	if len(key) == 0 {
		return nil, nil
	}
	derived := sha256.Sum256(append(append([]byte("bothy backup"), salt...), key...))
	block, err := aes.NewCipher(derived[:])
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

func nonce(n uint64) []byte { return binary.BigEndian.AppendUint64(make([]byte, 4), n) }

type backupWriter struct {
	w    io.Writer
	aead cipher.AEAD
	sum  hash.Hash
	n    uint64
}

func newBackupWriter(w io.Writer, key []byte) (*backupWriter, error) {
	salt := make([]byte, 16)
	if len(key) > 0 {
		rand.Read(salt)
	}
	aead, err := backupCipher(key, salt)
	if err != nil {
		return nil, err
	}
	sum := sha256.New()
	b := &backupWriter{w: io.MultiWriter(w, sum), aead: aead, sum: sum}
	_, err = b.w.Write(append(backupMagic[:], salt...))
	return b, err
}

func (b *backupWriter) part(plain []byte) error {
	sealed := plain
	if b.aead != nil {
		sealed = b.aead.Seal(nil, nonce(b.n), plain, nil)
	}
	b.n++
	if _, err := b.w.Write(binary.BigEndian.AppendUint32(nil, uint32(len(sealed)))); err != nil {
		return err
	}
	_, err := b.w.Write(sealed)
	return err
}

func (b *backupWriter) end(changes uint64) error {
	if _, err := b.w.Write(make([]byte, 4)); err != nil {
		return err
	}
	last := b.sum.Sum(binary.BigEndian.AppendUint64(nil, changes))
	if b.aead != nil {
		last = b.aead.Seal(nil, nonce(b.n), last, nil)
	}
	_, err := b.w.Write(last)
	return err
}

type backupReader struct {
	in   io.Reader
	sum  hash.Hash
	aead cipher.AEAD
	n    uint64
}

func newBackupReader(in io.Reader, key []byte) (*backupReader, error) {
	b := &backupReader{sum: sha256.New()}
	b.in = bufio.NewReader(in)
	head := make([]byte, 24)
	if err := b.read(head); err != nil {
		return nil, err
	}
	encrypted := !bytes.Equal(head[8:], make([]byte, 16))
	switch {
	case !bytes.Equal(head[:8], backupMagic[:]):
		return nil, fmt.Errorf("%w: it does not begin like one", ErrBackup)
	case encrypted && len(key) == 0:
		return nil, errors.New("the backup is encrypted: give its key")
	case !encrypted && len(key) > 0:
		return nil, errors.New("the backup is not encrypted: give no key")
	}
	var err error
	b.aead, err = backupCipher(key, head[8:])
	return b, err
}

// read fills p and adds it to the sum.
func (b *backupReader) read(p []byte) error {
	if _, err := io.ReadFull(b.in, p); err != nil {
		return fmt.Errorf("%w: %w", ErrBackup, err)
	}
	b.sum.Write(p)
	return nil
}

// part gives the next piece, nil at the end.
func (b *backupReader) part() ([]byte, error) {
	size := make([]byte, 4)
	if err := b.read(size); err != nil {
		return nil, err
	}
	n := binary.BigEndian.Uint32(size)
	if n == 0 {
		return nil, nil
	}
	if n > record.MaxPieceRaw+64 {
		return nil, fmt.Errorf("%w: part of %d bytes", ErrBackup, n)
	}
	sealed := make([]byte, n)
	if err := b.read(sealed); err != nil {
		return nil, err
	}
	return b.open(sealed)
}

func (b *backupReader) open(sealed []byte) ([]byte, error) {
	if b.aead == nil {
		return sealed, nil
	}
	plain, err := b.aead.Open(nil, nonce(b.n), sealed, nil)
	if err != nil {
		return nil, fmt.Errorf("%w: part %d", ErrBackup, b.n)
	}
	b.n++
	return plain, nil
}

// end verifies the number of changes and the sum of everything.
func (b *backupReader) end(changes uint64) error {
	want := b.sum.Sum(binary.BigEndian.AppendUint64(nil, changes))
	size := len(want)
	if b.aead != nil {
		size += b.aead.Overhead()
	}
	last := make([]byte, size)
	if err := b.read(last); err != nil {
		return err
	}
	got, err := b.open(last)
	if err != nil {
		return err
	}
	if !bytes.Equal(got, want) {
		return fmt.Errorf("%w: sum", ErrBackup)
	}
	if _, err := io.ReadFull(b.in, make([]byte, 1)); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: something follows its end", ErrBackup)
	}
	return nil
}
