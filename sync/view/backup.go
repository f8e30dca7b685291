package view

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
)

// The stream of a backup is a header and a body, which are described in seal.go.
// In the body, sealed or plain, are
//
//	rows     for each, in order of key: length of the key, length of the value,
//	         key, value in its envelope; lengths as unsigned varints
//	end      a 0 in place of the length of a key
//	count    of the rows, 8 bytes, big-endian
//	sum      SHA-256 over everything before it, header included, 32 bytes
//
// and nothing after it.

// Backup writes everything in the view, as it is at one time, and examines it on
// the way; damage ends it without the end that a restore needs. With a key (32
// bytes) the stream is encrypted and authenticated; nil leaves it plain, with a
// sum against accidents only.
func (v *View) Backup(w io.Writer, key []byte) error {
	out := bufio.NewWriter(w)
	body, err := newSealer(out, key)
	if err != nil {
		return fmt.Errorf("back up a view: %w", err)
	}
	err = v.Read(func(tx *Tx) error { return tx.backup(body, body.sum) })
	if err == nil {
		err = errors.Join(body.Close(), out.Flush())
	}
	if err != nil {
		return fmt.Errorf("back up a view: %w", err)
	}
	return nil
}

func (tx *Tx) backup(w io.Writer, sum hash.Hash) error {
	e, err := newExamination(tx)
	if err != nil {
		return err
	}
	out := io.MultiWriter(w, sum)
	count := uint64(0)
	err = tx.each(share{0, 0xff}, func(key, value []byte) error {
		count++
		return errors.Join(e.row(key, value), writeRow(out, key, value))
	})
	if err != nil {
		return err
	}
	if err := e.conclude(); err != nil {
		return err
	}
	if _, err := out.Write(binary.BigEndian.AppendUint64([]byte{0}, count)); err != nil {
		return err
	}
	_, err = w.Write(sum.Sum(nil))
	return err
}

func writeRow(w io.Writer, key, value []byte) error {
	head := binary.AppendUvarint(nil, uint64(len(key)))
	head = binary.AppendUvarint(head, uint64(len(value)))
	for _, b := range [][]byte{head, key, value} {
		if _, err := w.Write(b); err != nil {
			return err
		}
	}
	return nil
}
