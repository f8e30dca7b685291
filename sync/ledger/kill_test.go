package ledger

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"testing"
)

const childDir = "LEDGER_TEST_CHILD_DIR"

// TestMain runs the test, or the writer that a test kills.
func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := writeForEver(dir); err != nil {
			fmt.Println(err)
		}
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// writeForEver appends frames that hold their number, and says each number after
// Append has returned.
func writeForEver(dir string) error {
	l, report, err := Open(dir, tiny)
	if err != nil {
		return err
	}
	if len(report.Findings) > 0 {
		return fmt.Errorf("open found: %v", report)
	}
	for n := l.Last() + 1; ; n++ {
		if _, err := l.Append(numbered(n)); err != nil {
			return err
		}
		fmt.Println(n)
	}
}

func numbered(n uint64) []byte { return fmt.Appendf(nil, "frame %d", n) }

// TestAKilledProcessLosesNothingAcknowledged kills writers on one directory, each
// after some frames, and takes the lock over from the dead.
func TestAKilledProcessLosesNothingAcknowledged(t *testing.T) {
	dir := t.TempDir()
	for round := range uint64(6) {
		writer := exec.Command(os.Args[0])
		writer.Env = append(os.Environ(), childDir+"="+dir)
		out, err := writer.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := writer.Start(); err != nil {
			t.Fatal(err)
		}
		var acked uint64
		said := bufio.NewScanner(out)
		for count := uint64(0); count < 1+round*17 && said.Scan(); count++ {
			if acked, err = strconv.ParseUint(said.Text(), 10, 64); err != nil {
				t.Fatalf("the writer said: %s", said.Text())
			}
		}
		writer.Process.Kill()
		for said.Scan() { // what it said before it died
			acked, _ = strconv.ParseUint(said.Text(), 10, 64)
		}
		writer.Wait()

		l := openClean(t, dir, tiny, realDisk())
		if n := l.Last(); n < acked || n > acked+1 {
			t.Fatalf("last is %d, acknowledged %d", n, acked)
		}
		m := make(model, l.Last())
		for i := range m {
			m[i] = numbered(uint64(i + 1))
		}
		checkWhole(t, l, m)
		mustClose(t, l)
	}
}
