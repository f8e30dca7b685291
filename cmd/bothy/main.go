// Command bothy is the one binary: the node in a site cabin, the hub at head
// office, and the small tools that go with them.
//
// # The scheme
//
// Each subcommand is a row of one table (commands.go): its name, its settings
// and what it does. A setting has one name everywhere: free_space in a file is
// BOTHY_FREE_SPACE in the environment and --free-space on the command line. The
// hub and the node read all three (defaults, then file, then environment, then
// flags); the tools take flags only. config.go reads them, settings.go knows
// the kinds of values.
//
// Whatever is wrong with a call is told at once, a sentence each, and then
// nothing has been done: exit code 2. Exit code 1 says that what was asked for
// failed, 0 that it was done.
//
// The program as a value is [run]; main only ties it to the process.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	_ "time/tzdata" // sites have zones, and a board may have no zone files
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// After the first signal the system's own rule holds again: a second one ends
	// the process at once.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Getenv, os.Stdout, os.Stderr))
}

// The exit codes.
const (
	done   = 0
	failed = 1 // what was asked for could not be done
	misled = 2 // the call itself was wrong
)

// run is the program. It gives the exit code.
func run(ctx context.Context, args []string, env func(string) string, stdout, stderr io.Writer) int {
	if err := wideEnough(strconv.IntSize); err != nil {
		return refuse(stderr, "bothy", err)
	}
	if len(args) == 0 {
		fmt.Fprint(stderr, overview())
		return misled
	}
	cmd, ok := find(args[0])
	if !ok {
		return refuse(stderr, "bothy", misuse{fmt.Sprintf("%q is not a command; bothy help lists them.", args[0])})
	}
	given := cmd.read(args[1:], env)
	if given.help {
		fmt.Fprint(stdout, manual(cmd))
		return done
	}
	if len(given.bad) > 0 {
		return refuse(stderr, "bothy "+cmd.name, given.bad)
	}
	err := cmd.run(ctx, call{args: given.args, where: given.where, env: env, stdout: stdout, stderr: stderr})
	if err != nil {
		return refuse(stderr, "bothy "+cmd.name, err)
	}
	return done
}

// call is one call of a subcommand whose settings are set.
type call struct {
	// args stand behind the flags, as many as the command takes.
	args []string
	// where each setting was given; one that was not has its default.
	where          origins
	env            func(string) string
	stdout, stderr io.Writer
}

// misuse is everything that is wrong with a call, a full sentence each.
type misuse []string

func (m misuse) Error() string { return strings.Join(m, "\n") }

func (m *misuse) add(format string, args ...any) { *m = append(*m, fmt.Sprintf(format, args...)) }

// refuse tells what is wrong, line by line, and the next step where there is one.
func refuse(w io.Writer, who string, err error) int {
	lines := strings.Split(err.Error(), "\n")
	if step := nextStep(err); step != "" {
		lines = append(lines, step)
	}
	for _, line := range lines {
		fmt.Fprintf(w, "%s: %s\n", who, line)
	}
	var own coded
	switch {
	case errors.As(err, new(misuse)):
		return misled
	case errors.As(err, &own):
		return own.code
	}
	return failed
}

// coded is an error that asks for an exit code of its own.
type coded struct {
	error
	code int
}

func (c coded) Unwrap() error { return c.error }

// wideEnough refuses machines on which the store destroys its own tables
// without an error.
func wideEnough(bits int) error {
	if bits < 64 {
		return fmt.Errorf("this is a %d-bit build, on which the store loses records; use a 64-bit build on a 64-bit system", bits)
	}
	return nil
}
