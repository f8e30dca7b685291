package ledger

import (
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
)

// TestAFullDiskIsForgiven fails every call of a life in turn once, for want of
// space. A call that allocates may be repeated until it succeeds.
func TestAFullDiskIsForgiven(t *testing.T) {
	for n := 1; ; n++ {
		calls, hit := 0, ""
		a := life{dir: filepath.Join(t.TempDir(), "led")}
		a.disk = gated(quickDisk(), func(call, name string) error {
			if calls++; calls == n {
				hit = call + " " + filepath.Base(name)
				return syscall.ENOSPC
			}
			return nil
		})
		full := 0
		err := a.run(func(err error) bool {
			if full++; errors.Is(err, ErrFull) {
				return true
			}
			return false
		})
		if hit == "" {
			return
		}
		switch {
		case err == nil && full == 0:
			t.Fatalf("%s (call %d) failed and nobody was told", hit, n)
		case errors.Is(err, syscall.ENOSPC) && (!errors.Is(err, ErrFull)):
			// A sync or the head: what is on disk is not known, full or not.
		case err != nil:
			t.Fatalf("%s (call %d): %v", hit, n, err)
		}
		a.examine(prefix{t, fmt.Sprintf("%s (call %d)", hit, n)}, a.dir)
	}
}

func TestAWriteWithoutRoomIsTakenBack(t *testing.T) {
	for name, no := range map[string]error{"disk": syscall.ENOSPC, "quota": syscall.EDQUOT} {
		full := false
		dir, m := t.TempDir(), lines(6)
		l := openClean(t, dir, Options{}, gated(quickDisk(), func(call, _ string) error {
			if full && call == "write" {
				return no
			}
			return nil
		}))
		fill(t, l, m[:5])
		before := files(t, dir)
		full = true
		for range 2 {
			if _, err := l.Append(m[5]); !errors.Is(err, ErrFull) || errors.Is(err, ErrBroken) {
				t.Fatalf("%s: %v", name, err)
			}
		}
		if !maps.EqualFunc(before, files(t, dir), slices.Equal) {
			t.Errorf("%s: files changed", name)
		}
		checkWhole(t, l, m[:5])
		full = false
		mustAppend(t, l, m[5])
		mustClose(t, l)
		l = openClean(t, dir, Options{}, quickDisk())
		checkWhole(t, l, m)
		mustClose(t, l)
	}
}

func TestRoomThatCannotBeTakenBackLatches(t *testing.T) {
	for _, bad := range []string{"truncate", "sync"} {
		full := false
		l := openClean(t, t.TempDir(), Options{}, gated(quickDisk(), func(call, _ string) error {
			switch {
			case full && call == "write":
				return syscall.ENOSPC
			case full && call == bad:
				return syscall.EIO
			}
			return nil
		}))
		full = true
		if _, err := l.Append([]byte("x")); !errors.Is(err, ErrBroken) {
			t.Errorf("%s: %v", bad, err)
		}
		full = false
		if _, err := l.Append([]byte("x")); !errors.Is(err, ErrBroken) {
			t.Errorf("%s, then: %v", bad, err)
		}
		l.Close()
	}
}
