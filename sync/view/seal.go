package view

import (
	"bufio"
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
)

// A backup starts with a header: "bothy-V", the version of its form (1 byte), how
// it is sealed (1 byte: 0 plain, 1 sealed) and a salt (16 bytes, random).
//
// A sealed body is cut into chunks of at most chunkSize bytes; only the last is
// shorter, and it may be empty. Each is encrypted by AES-256-GCM. The key is
// HKDF-SHA256 of the given key, with the whole header as its info, so that each
// backup has a key of its own and the header cannot be changed. The nonce is the
// chunk's number (11 bytes, big-endian) and a byte that is 1 on the last chunk
// and 0 before it: chunks cannot be left out, repeated, moved or cut off. This is
// the STREAM construction (Hoang, Reyhanitabar, Rogaway, Vizar, 2015).
const (
	backupMagic   = "bothy-V"
	backupVersion = 1
	headerSize    = len(backupMagic) + 2 + 16
	chunkSize     = 64 << 10
	// BackupKeySize is the size of a backup's key, in bytes.
	BackupKeySize = 32
)

const (
	bodyPlain  = 0
	bodySealed = 1
)

func chunkCipher(key, header []byte) (cipher.AEAD, error) {
	if len(key) != BackupKeySize {
		return nil, fmt.Errorf("%w: it has %d bytes, a backup takes %d", ErrWrongKey, len(key), BackupKeySize)
	}
	derived, err := hkdf.Key(sha256.New, key, nil, string(header), 32)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(derived)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}

func nonce(chunk uint64, last bool) []byte {
	n := make([]byte, 12)
	binary.BigEndian.PutUint64(n[3:], chunk)
	if last {
		n[11] = 1
	}
	return n
}

// sealer writes a body in sealed chunks; Close writes the last.
type sealer struct {
	to    io.Writer
	sum   hash.Hash   // over the header; the body's sum goes on from it
	aead  cipher.AEAD // nil for a plain body
	buf   []byte
	chunk uint64
}

// newSealer writes the header and takes the body.
func newSealer(to io.Writer, key []byte) (*sealer, error) {
	header := append([]byte(backupMagic), backupVersion, bodyPlain)
	if key != nil {
		header[len(header)-1] = bodySealed
	}
	salt := make([]byte, 16)
	rand.Read(salt) // never fails
	header = append(header, salt...)
	s := &sealer{to: to, sum: sha256.New()}
	s.sum.Write(header)
	if key != nil {
		var err error
		if s.aead, err = chunkCipher(key, header); err != nil {
			return nil, err
		}
	}
	_, err := to.Write(header)
	return s, err
}

func (s *sealer) Write(p []byte) (int, error) {
	if s.aead == nil {
		return s.to.Write(p)
	}
	s.buf = append(s.buf, p...)
	for len(s.buf) > chunkSize {
		if err := s.flush(s.buf[:chunkSize], false); err != nil {
			return 0, err
		}
		s.buf = append(s.buf[:0], s.buf[chunkSize:]...)
	}
	return len(p), nil
}

func (s *sealer) flush(plain []byte, last bool) error {
	_, err := s.to.Write(s.aead.Seal(nil, nonce(s.chunk, last), plain, nil))
	s.chunk++
	return err
}

func (s *sealer) Close() error {
	if s.aead == nil {
		return nil
	}
	return s.flush(s.buf, true)
}

// unsealer reads a body out of its chunks, and gives no byte that is not
// authentic.
type unsealer struct {
	from  io.Reader
	aead  cipher.AEAD
	chunk uint64
	plain []byte
	last  bool
}

// openBody reads the header and gives the body.
func openBody(from *bufio.Reader, key []byte) (body, error) {
	header := make([]byte, headerSize)
	if _, err := io.ReadFull(from, header); err != nil || !bytes.HasPrefix(header, []byte(backupMagic)) {
		return body{}, fmt.Errorf("%w: it does not start like one", ErrBackup)
	}
	version, sealed := header[len(backupMagic)], header[len(backupMagic)+1]
	if err := checkHeader(version, sealed, key); err != nil {
		return body{}, err
	}
	out := body{from, sha256.New()}
	out.sum.Write(header)
	if sealed == bodySealed {
		aead, err := chunkCipher(key, header)
		if err != nil {
			return body{}, err
		}
		out.from = bufio.NewReader(&unsealer{from: from, aead: aead})
	}
	return out, nil
}

// checkHeader refuses what cannot be read. A key and a plain backup do not go
// together: nobody shall pass a forged one off as the sealed one.
func checkHeader(version, sealed byte, key []byte) error {
	switch {
	case version > backupVersion:
		return fmt.Errorf("%w: backup of version %d, this program knows versions up to %d", ErrNewer, version, backupVersion)
	case version == 0 || sealed > bodySealed:
		return fmt.Errorf("%w: malformed header", ErrBackup)
	case sealed == bodySealed && key == nil:
		return fmt.Errorf("%w: the backup is encrypted, and no key was given", ErrWrongKey)
	case sealed == bodyPlain && key != nil:
		return fmt.Errorf("%w: the backup is not encrypted, yet a key was given", ErrWrongKey)
	}
	return nil
}

func (u *unsealer) Read(p []byte) (int, error) {
	for len(u.plain) == 0 {
		if u.last {
			return 0, io.EOF
		}
		if err := u.next(); err != nil {
			return 0, err
		}
	}
	n := copy(p, u.plain)
	u.plain = u.plain[n:]
	return n, nil
}

// next opens one more chunk. A short one must be the last; a full one may be.
func (u *unsealer) next() error {
	sealed := make([]byte, chunkSize+u.aead.Overhead())
	n, err := io.ReadFull(u.from, sealed)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("%w: it breaks off: %w", ErrBackup, err)
	}
	full := n == len(sealed)
	if full {
		if u.plain, err = u.aead.Open(nil, nonce(u.chunk, false), sealed, nil); err == nil {
			u.chunk++
			return nil
		}
	}
	if u.plain, err = u.aead.Open(nil, nonce(u.chunk, true), sealed[:n], nil); err != nil {
		return fmt.Errorf("%w: chunk %d is not authentic", ErrBackup, u.chunk)
	}
	u.last = true
	if k, _ := io.ReadFull(u.from, make([]byte, 1)); k > 0 {
		return fmt.Errorf("%w: something follows its last chunk", ErrBackup)
	}
	return nil
}
