package view

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"slices"
	"testing"
)

// sealedBody seals a body and gives the header and the chunks.
func sealedBody(t *testing.T, key, body []byte) (header []byte, chunks [][]byte) {
	t.Helper()
	var out bytes.Buffer
	s, err := newSealer(&out, key)
	if err != nil {
		t.Fatal(err)
	}
	for part := range slices.Chunk(body, 1000) { // in many writes, as a backup is
		if _, err := s.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b := out.Bytes()
	for chunk := range slices.Chunk(b[headerSize:], chunkSize+16) {
		chunks = append(chunks, chunk)
	}
	return b[:headerSize], chunks
}

func unsealed(key, header []byte, chunks [][]byte) ([]byte, error) {
	b := slices.Concat(slices.Concat([][]byte{header}, chunks)...)
	body, err := openBody(bufio.NewReader(bytes.NewReader(b)), key)
	if err != nil {
		return nil, err
	}
	return io.ReadAll(body)
}

// A body of any length comes back; chunks that are left out, cut off, repeated or
// exchanged, within a backup or between two with one key, do not.
func TestSealedChunksCannotBeRearranged(t *testing.T) {
	key := bytes.Repeat([]byte{7}, BackupKeySize)
	for _, size := range []int{0, 1, chunkSize - 1, chunkSize, chunkSize + 1, 3 * chunkSize, 3*chunkSize + 5} {
		body := bytes.Repeat([]byte("abcdefg"), size/7+1)[:size]
		header, chunks := sealedBody(t, key, body)
		if got, err := unsealed(key, header, chunks); err != nil || !bytes.Equal(got, body) {
			t.Errorf("%d bytes: got %d bytes, %v", size, len(got), err)
		}
	}
	body := bytes.Repeat([]byte("x"), 3*chunkSize+5)
	header, chunks := sealedBody(t, key, body)
	_, others := sealedBody(t, key, body)
	a, b, c, last := chunks[0], chunks[1], chunks[2], chunks[3]
	for name, forged := range map[string][][]byte{
		"cut off behind a chunk": {a, b, c},
		"cut off at the start":   {},
		"one left out":           {a, c, last},
		"two exchanged":          {b, a, c, last},
		"one repeated":           {a, a, b, c, last},
		"one more behind":        {a, b, c, last, last},
		"one of another backup":  {a, others[1], c, last},
	} {
		if _, err := unsealed(key, header, forged); !errors.Is(err, ErrBackup) {
			t.Errorf("%s: got %v, want ErrBackup", name, err)
		}
	}
}
