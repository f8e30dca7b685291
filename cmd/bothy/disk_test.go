package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// smallDisk mounts a file system of some megabytes that only the test fills.
func smallDisk(t *testing.T, megabytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm", megabytes)); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("mount a small disk: %v", err)
		}
		t.Skipf("run as root to mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// fill writes a file until the disk has not one byte left.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, step := range []int{1 << 20, 4096, 1} {
		block := make([]byte, step)
		for err = nil; err == nil; {
			_, err = f.Write(block)
		}
	}
}

// TestAFullDiskRefusesClearly fills the disk under a writing node to the last
// byte: it refuses clearly and does not fall, it reads and sends on, it can be
// killed and started, and it accepts again when there is room.
func TestAFullDiskRefusesClearly(t *testing.T) {
	disk := smallDisk(t, 160)
	hub := startHub(t, hubWithRegister(t))
	args := []string{
		"node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", filepath.Join(disk, "node"),
		"--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--ask-every", "1s", "--free-space", "32MB", "--hub", hub.nats,
	}
	node := start(t, args...)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })
	saved := reportSome(t, node, "before", 10)

	filler := filepath.Join(disk, "filler")
	fill(t, filler)
	body := `{"machine": "d-14", "text": "no room for this", "class": "CONDITION"}`
	for i := range 20 {
		code, answer := node.ask(t, http.MethodPost, fmt.Sprintf("/v1/defects?requestId=full-%d", i), "ada-flint", body)
		if code != http.StatusTooManyRequests || !strings.Contains(answer, "must stay free") {
			t.Fatalf("on a full disk: %d %s", code, answer)
		}
	}
	if code, answer := node.get(t, "/v1/machines/d-14/verdict"); code != http.StatusOK {
		t.Errorf("reading on a full disk: %d %s", code, answer)
	}
	eventually(t, func() string { return lacksSaved(t, hub, saved) })

	node.kill(t)
	node = start(t, args...)
	if lacks := lacksSaved(t, node, saved); lacks != "" {
		t.Errorf("started on a full disk: %s", lacks)
	}
	if code, _ := node.ask(t, http.MethodPost, "/v1/defects?requestId=full-again", "ada-flint", body); code != http.StatusTooManyRequests {
		t.Errorf("started on a full disk, it answers a write with %d", code)
	}

	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	for text, id := range reportSome(t, node, "after", 5) {
		saved[text] = id
	}
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	node.stop(t)
}
