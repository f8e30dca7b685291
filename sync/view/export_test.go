package view

import (
	"bufio"
	"bytes"
	"os"
	"testing"
)

// MemoryDir makes a directory in memory, where the system has such: for tests that
// open many views and are not about the disk.
func MemoryDir(t testing.TB) string {
	t.Helper()
	parent := "/dev/shm"
	if _, err := os.Stat(parent); err != nil {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp(parent, "view")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// ReadBackup reads a backup to its end as a restore does, and keeps nothing.
func ReadBackup(b, key []byte) error {
	body, err := openBody(bufio.NewReader(bytes.NewReader(b)), key)
	if err != nil {
		return err
	}
	return body.rows(func(_, _ []byte) error { return nil })
}
