package view_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// childMark in the environment makes the test binary do what its arguments say.
const childMark = "BOTHY_VIEW_TEST_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childMark) != "" {
		os.Exit(child(os.Args[1], os.Args[2]))
	}
	os.Exit(m.Run())
}

func child(task, dir string) int {
	switch task {
	case "examine":
		err := view.Examine(dir, realSchema(), view.Options{})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
		return view.ExitCode(err)
	case "write":
		return writeForEver(dir)
	case "panic":
		go panic("no table\nat all")
		select {}
	case "signal":
		n, _ := strconv.Atoi(dir)
		syscall.Kill(os.Getpid(), syscall.Signal(n))
		select {}
	case "exit":
		fmt.Fprint(os.Stderr, "first line\n\nlast line\n\n")
		n, _ := strconv.Atoi(dir)
		return n
	case "hang":
		time.Sleep(time.Hour)
	}
	return 99
}

// endlessChecks are the next changes of a replica that always writes the same.
func endlessChecks(r *replica, n int) []record.Change {
	out := make([]record.Change, n)
	for i := range out {
		out[i] = r.check(fmt.Sprintf("d-%d", r.seq%7), "ravens-quarry")
	}
	return out
}

// writeForEver commits ten checks at a time and says how many there are.
func writeForEver(dir string) int {
	v, err := view.Open(dir, realSchema(), view.Options{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	for r := newReplica(1); ; {
		changes := endlessChecks(r, 10)
		err := v.Update(func(tx *view.Tx) error {
			for _, c := range changes {
				if _, err := tx.Apply(c, view.Own); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		fmt.Println(r.seq)
	}
}

// command runs this test binary as a child.
func command(t testing.TB, args ...string) []string {
	t.Helper()
	t.Setenv(childMark, "1")
	return append([]string{os.Args[0]}, args...)
}

// killed lets a child write until it has committed at least so many changes, kills
// it where it stands, and gives the number it had told.
func killed(t *testing.T, dir string, atLeast uint64) (told uint64) {
	t.Helper()
	argv := command(t, "write", dir)
	cmd := exec.Command(argv[0], argv[1:]...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Process.Kill()
	for lines := bufio.NewScanner(out); told < atLeast && lines.Scan(); {
		if told, err = strconv.ParseUint(lines.Text(), 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	if told < atLeast {
		t.Fatalf("the child stopped by itself after %d", told)
	}
	return told
}

// prefixes are the prints of the view of writeForEver after each transaction.
type prefixes struct {
	v      *view.View
	r      *replica
	prints map[uint64]print
}

type print struct{ hash, digest [32]byte }

func newPrefixes(t *testing.T) *prefixes {
	p := &prefixes{v: fresh(t), r: newReplica(1), prints: map[uint64]print{}}
	p.note(t)
	return p
}

func (p *prefixes) note(t *testing.T) { p.prints[p.r.seq] = printOf(t, p.v) }

func printOf(t *testing.T, v *view.View) print {
	t.Helper()
	return read(t, v, func(tx *view.Tx) (p print, err error) {
		_, p.hash, err = tx.Chain(1)
		if err == nil {
			p.digest, err = tx.Digest(nil)
		}
		return p, err
	})
}

// expect fails unless the view holds the first so many changes of writeForEver in
// whole transactions, and gives their number. What they are joined to has been
// examined.
func (p *prefixes) expect(t *testing.T, v *view.View) uint64 {
	t.Helper()
	n := read(t, v, (*view.Tx).CountChanges)
	for p.r.seq < n {
		apply(t, p.v, endlessChecks(p.r, 10)...)
		p.note(t)
	}
	if want, ok := p.prints[n]; !ok || printOf(t, v) != want {
		t.Errorf("%d changes are not the first that were written", n)
	}
	return n
}

// kill -9 while it writes: the view opens, is whole, and holds all that was told
// (the page cache outlives the process) in whole transactions.
func TestKilledViewIsAPrefix(t *testing.T) {
	dir := t.TempDir()
	told := killed(t, dir, 1000)
	if err := view.ExamineInChild(t.Context(), command(t, "examine", dir)); err != nil {
		t.Fatal(err)
	}
	v := open(t, dir, view.Options{})
	defer closed(t, v)
	if n := newPrefixes(t).expect(t, v); n < told {
		t.Errorf("%d changes are there, %d were told", n, told)
	}
}

func TestChildsEndIsUnderstood(t *testing.T) {
	for _, c := range []struct {
		name    string
		args    []string
		damaged bool
		says    string
	}{
		{"panic", []string{"panic", ""}, true, "panic: no table"},
		{"exit 1", []string{"exit", "1"}, true, "last line"},
		{"exit 2, as after a panic", []string{"exit", "2"}, true, "last line"},
		{"exit 3, could not look", []string{"exit", "3"}, false, "last line"},
		{"unknown exit", []string{"exit", "77"}, true, "last line"},
		{"SIGBUS", []string{"signal", "7"}, true, ""},
		{"SIGKILL", []string{"signal", "9"}, false, "killed"},
		{"SIGTERM", []string{"signal", "15"}, false, "terminated"},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := view.ExamineInChild(t.Context(), command(t, c.args...))
			if err == nil || errors.Is(err, view.ErrDamaged) != c.damaged || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v", err)
			}
		})
	}
	t.Run("exit 0", func(t *testing.T) {
		if err := view.ExamineInChild(t.Context(), command(t, "exit", "0")); err != nil {
			t.Error(err)
		}
	})
	t.Run("no such program", func(t *testing.T) {
		if err := view.ExamineInChild(t.Context(), []string{"/no/such/program"}); err == nil || errors.Is(err, view.ErrDamaged) {
			t.Errorf("got %v", err)
		}
		if err := view.ExamineInChild(t.Context(), nil); err == nil {
			t.Error("no command, no error")
		}
	})
	t.Run("no patience", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		argv := command(t, "hang", "")
		cancel()
		if err := view.ExamineInChild(ctx, argv); !errors.Is(err, context.Canceled) || errors.Is(err, view.ErrDamaged) {
			t.Errorf("got %v", err)
		}
	})
}
