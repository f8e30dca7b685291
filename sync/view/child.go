package view

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"syscall"
)

// What the exit of an examining process says.
const (
	exitWhole   = 0
	exitDamaged = 1
	exitCannot  = 3 // it could not examine, which says nothing of the view
)

// ExitCode is what a process that has run Examine must exit with after it has
// written the error to its standard error, for ExamineInChild to understand.
// Any other code means damage: Go itself exits with 2 after a panic.
func ExitCode(err error) int {
	switch {
	case err == nil:
		return exitWhole
	case errors.Is(err, ErrDamaged):
		return exitDamaged
	}
	return exitCannot
}

// ExamineInChild runs a command that examines a view with Examine and exits with
// ExitCode, and gives what it found. A child that dies of what it met, by panic
// or by a signal such as SIGBUS, has found damage. A child that was killed from
// outside or could not look (wrong key, newer format, view in use) has not, and
// its error does not wrap ErrDamaged. When ctx ends, the child is killed.
func ExamineInChild(ctx context.Context, argv []string) error {
	if len(argv) == 0 {
		return errors.New("examine a view: no command was given")
	}
	cmd := exec.CommandContext(ctx, argv[0], argv[1:]...)
	stderr, err := cmd.StderrPipe()
	if err != nil {
		return fmt.Errorf("examine a view: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("examine a view: %w", err)
	}
	words := lastWords(stderr)
	err = cmd.Wait()
	if ctx.Err() != nil {
		return fmt.Errorf("examine a view: %w", ctx.Err())
	}
	return verdict(err, words)
}

func verdict(err error, words string) error {
	var exit *exec.ExitError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &exit):
		return fmt.Errorf("examine a view: %w", err)
	case exit.ExitCode() == exitCannot, killedFromOutside(exit):
		return fmt.Errorf("examine a view: %w: %s", err, words)
	}
	return fmt.Errorf("examine a view: %w: %w: %s", ErrDamaged, err, words)
}

// killedFromOutside tells a signal that a person, a supervisor or the memory
// keeper sends from one that comes of what the process itself did.
func killedFromOutside(exit *exec.ExitError) bool {
	status, ok := exit.Sys().(syscall.WaitStatus)
	if !ok || !status.Signaled() {
		return false
	}
	switch status.Signal() {
	case syscall.SIGKILL, syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP, syscall.SIGQUIT:
		return true
	}
	return false
}

// maxWords bounds what of a child's line is kept, in bytes.
const maxWords = 1 << 10

// lastWords reads a child's standard error to its end and gives the line that
// says why it ended: that of the panic, of the runtime's fatal error, or else
// the last.
func lastWords(r io.Reader) (words string) {
	lines := bufio.NewReaderSize(r, maxWords)
	for {
		line, tooLong, err := lines.ReadLine()
		said := strings.TrimSpace(string(line))
		if strings.HasPrefix(said, "panic:") || strings.HasPrefix(said, "fatal error:") || strings.HasPrefix(said, "unexpected fault") {
			io.Copy(io.Discard, r) // the rest is where it happened
			return said
		}
		if said != "" {
			words = said
		}
		for tooLong && err == nil {
			_, tooLong, err = lines.ReadLine()
		}
		if err != nil {
			return words
		}
	}
}
