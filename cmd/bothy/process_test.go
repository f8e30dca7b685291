package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The tests run real processes: the test binary itself, which is the program
// when asBothy is set, or when it is called to examine a view. So the processes
// are of the very build that is tested, race detector and all.
const asBothy = "TEST_RUN_AS_BOTHY"

func TestMain(m *testing.M) {
	if os.Getenv(asBothy) != "" || len(os.Args) > 1 && os.Args[1] == "examine-view" {
		main()
	}
	os.Exit(m.Run())
}

// deadline bounds each wait of a test; it is passed only when something hangs.
const deadline = 90 * time.Second

// process is a node or hub that runs.
type process struct {
	// Where it listens, as it said; nats is empty for a node.
	http, grpc, nats string
	// dir is its working directory, nothing to do with its data.
	dir string

	cmd    *exec.Cmd
	stdout []string // what it said after the listening line; read after exited
	stderr lockedBuffer
	exited chan struct{}
	err    error // of its end; read after exited
}

// launch runs "bothy args...". It is killed at the end of the test if it still
// runs. The channel gets the first line that it says.
func launch(t *testing.T, args ...string) (*process, <-chan string) {
	t.Helper()
	p := &process{dir: t.TempDir(), exited: make(chan struct{})}
	p.cmd = bothy(p.dir, args...)
	p.cmd.Stderr = &p.stderr
	stdout, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.kill(t)
		if t.Failed() {
			t.Logf("bothy %s said\n%s", strings.Join(args, " "), p.stderr.String())
		}
	})
	listening := make(chan string, 1)
	go p.watch(stdout, listening)
	return p, listening
}

// start runs "bothy args..." and waits until it says where it listens.
func start(t *testing.T, args ...string) *process {
	t.Helper()
	p, listening := launch(t, args...)
	select {
	case line := <-listening:
		p.open(t, line)
	case <-p.exited:
		t.Fatalf("bothy %s ended early: %v", args[0], p.err)
	case <-time.After(deadline):
		t.Fatalf("bothy %s does not listen", args[0])
	}
	return p
}

// bothy is the program as a command, with nothing of the test's own settings.
func bothy(dir string, args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Dir = dir
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "BOTHY_") })
	cmd.Env = append(cmd.Env, asBothy+"=1")
	return cmd
}

// watch reads what the process says, and waits for its end.
func (p *process) watch(stdout io.Reader, listening chan<- string) {
	lines := bufio.NewScanner(stdout)
	if lines.Scan() {
		listening <- lines.Text()
	}
	for lines.Scan() {
		p.stdout = append(p.stdout, lines.Text())
	}
	p.err = p.cmd.Wait()
	close(p.exited)
}

// open reads the listening line.
func (p *process) open(t *testing.T, line string) {
	t.Helper()
	rest, ok := strings.CutPrefix(line, "listening ")
	if !ok {
		t.Fatalf("the first line is %q", line)
	}
	for pair := range strings.FieldsSeq(rest) {
		name, at, _ := strings.Cut(pair, "=")
		switch name {
		case "http":
			p.http = "http://" + at
		case "grpc":
			p.grpc = at
		case "nats":
			p.nats = at
		default:
			t.Errorf("the listening line has %q", pair)
		}
	}
}

// signal sends a signal and waits for the end of the process. It gives its exit
// code, -1 if a signal ended it.
func (p *process) signal(t *testing.T, s os.Signal) int {
	t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Error(err)
	}
	select {
	case <-p.exited:
	case <-time.After(deadline):
		t.Errorf("it does not end by %v", s)
		p.cmd.Process.Kill()
		<-p.exited
	}
	return p.cmd.ProcessState.ExitCode()
}

// kill ends the process as a power cut would, as far as a process can tell.
func (p *process) kill(t *testing.T) { p.signal(t, syscall.SIGKILL) }

// stop ends the process in order.
func (p *process) stop(t *testing.T) {
	t.Helper()
	if code := p.signal(t, syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d after SIGTERM: %v", code, p.err)
	}
}

// startHub starts a hub on ports of its own.
func startHub(t *testing.T, dir string, more ...string) *process {
	t.Helper()
	return start(t, slices.Concat([]string{"hub", "--dir", dir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--nats", "127.0.0.1:0", "--free-space", "0"}, more)...)
}

// startNode starts a node of one site, on ports of its own. hub is nil for none.
func startNode(t *testing.T, dir string, hub *process, more ...string) *process {
	t.Helper()
	args := []string{"node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", dir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--ask-every", "1s", "--free-space", "0"}
	if hub != nil {
		args = append(args, "--hub", hub.nats)
	}
	return start(t, append(args, more...)...)
}

// tool runs a command of the program to its end.
func tool(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	cmd := bothy(t.TempDir(), args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil && !errors.As(err, new(*exec.ExitError)) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), out.String(), errs.String()
}

// get asks a process and gives the status and the body of its answer.
func (p *process) get(t *testing.T, path string) (int, string) {
	t.Helper()
	return p.ask(t, http.MethodGet, path, "", "")
}

// ask sends a request, in the name of a person if one is given.
func (p *process) ask(t *testing.T, method, path, person, body string) (int, string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, p.http+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if person != "" {
		request.Header.Set("Bothy-Person", person)
	}
	if body != "" {
		request.Header.Set("Content-Type", "application/json")
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	content, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(content)
}

// eventually waits until a condition holds; it gives what it lacks, or "".
func eventually(t *testing.T, lacks func() string) {
	t.Helper()
	until := time.Now().Add(deadline)
	for {
		missing := lacks()
		if missing == "" {
			return
		}
		if time.Now().After(until) {
			t.Fatal(missing)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// lockedBuffer takes what a process writes while a test may read it.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// filesIn lists what stands in a directory.
func filesIn(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, fmt.Sprint(e))
	}
	return names
}
