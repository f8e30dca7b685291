package view

import (
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
