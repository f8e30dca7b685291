package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"github.com/bothy-mesh/bothy/sync/link"
)

// local is any free port of this machine alone.
const local = "127.0.0.1:0"

// demo is the scheme while it is played.
type demo struct {
	out   io.Writer
	dir   string
	began time.Time

	hub    *server
	cabins []*server
	// accepted are paths of everything that a cabin or the hub said it had saved.
	accepted []string
	requests int
	// meters are the machines' hour meters as the next check will read them.
	meters map[string]float64
	// lasting is how long a check takes in the story, and patience how long
	// anything is waited for: a link that was down for long is tried again only
	// every few minutes.
	lasting, patience time.Duration
}

// server is a hub or a node as a process of its own.
type server struct {
	name string
	args []string
	cmd  *exec.Cmd
	log  *os.File
	// listens maps http, grpc and nats to addresses.
	listens map[string]string
	// cutter stands between a cabin and the hub.
	cutter *link.Cutter
	site   string
}

func (s *server) url() string { return "http://" + s.listens["http"] }

func (s *server) cut() { s.cutter.Cut() }

// tell is one line of the story.
func (d *demo) tell(format string, args ...any) {
	fmt.Fprintf(d.out, "%6.1fs  %s\n", time.Since(d.began).Seconds(), fmt.Sprintf(format, args...))
}

func (d *demo) heading(text string) { fmt.Fprintf(d.out, "\n%s\n", text) }

// start runs the program's own binary and waits until it says where it listens.
func (d *demo) start(ctx context.Context, args ...string) (*server, error) {
	s := &server{name: "head office", args: args}
	return s, d.launch(ctx, s)
}

func (d *demo) launch(ctx context.Context, s *server) error {
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find the own program: %w", err)
	}
	if s.log, err = os.CreateTemp(d.dir, "log-"); err != nil {
		return fmt.Errorf("make a log: %w", err)
	}
	s.cmd = exec.Command(self, s.args...)
	s.cmd.Dir, s.cmd.Stderr = d.dir, s.log
	// The children are ended by the demo, not by the Ctrl-C that ends it.
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	stdout, err := s.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := s.cmd.Start(); err != nil {
		return fmt.Errorf("start %s: %w", s.name, err)
	}
	return s.hearListening(ctx, stdout)
}

// hearListening reads the line in which a server says where it listens.
func (s *server) hearListening(ctx context.Context, stdout io.Reader) error {
	line := make(chan string, 1)
	go func() {
		text, _ := bufio.NewReader(stdout).ReadString('\n')
		line <- text
	}()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case text := <-line:
		rest, ok := strings.CutPrefix(strings.TrimSpace(text), "listening ")
		if !ok {
			said, _ := os.ReadFile(s.log.Name())
			return fmt.Errorf("%s does not listen: %s%s", s.name, text, said)
		}
		s.listens = map[string]string{}
		for word := range strings.FieldsSeq(rest) {
			what, where, _ := strings.Cut(word, "=")
			s.listens[what] = where
		}
		return nil
	}
}

// siteOf is where each cabin stands.
func siteOf(cabin string) string {
	return map[string]string{"raven": "ravens-quarry", "linn": "linn-bridge", "harrow": "harrow-cut"}[cabin]
}

func (d *demo) addCabin(ctx context.Context, name string) error {
	cutter, err := link.NewCutter(strings.TrimPrefix(d.hub.listens["nats"], "nats://"))
	if err != nil {
		return fmt.Errorf("lay a link for %s: %w", name, err)
	}
	s := &server{name: name, cutter: cutter, site: siteOf(name)}
	s.args = []string{
		"node", "--name", name, "--sites", s.site, "--dir", d.dir + "/" + name, "--http", local, "--grpc", local,
		"--hub", "nats://" + cutter.Addr(), "--ask-every", "4s", "--free-space", "0",
	}
	d.cabins = append(d.cabins, s)
	return d.launch(ctx, s)
}

// restart starts a killed cabin again, on the data that it left.
func (d *demo) restart(ctx context.Context, s *server) error { return d.launch(ctx, s) }

func (s *server) kill() error {
	err := s.cmd.Process.Kill()
	_ = s.cmd.Wait() // it was killed: that is no news
	return errors.Join(err, s.log.Close())
}

func (d *demo) cabin(name string) *server {
	for _, c := range d.cabins {
		if c.name == name {
			return c
		}
	}
	return nil
}

func (d *demo) cabinURLs() (out []string) {
	for _, c := range d.cabins {
		out = append(out, c.name+"="+c.url()+"/v1/board")
	}
	return out
}

// runOnce runs a command of the program to its end.
func (d *demo) runOnce(ctx context.Context, args ...string) error {
	self, err := os.Executable()
	if err != nil {
		return fmt.Errorf("find the own program: %w", err)
	}
	said, err := exec.CommandContext(ctx, self, args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("bothy %s: %w\n%s", args[0], err, said)
	}
	return nil
}

// end stops every process and waits for it.
func (d *demo) end() error {
	var errs []error
	for _, s := range append(d.cabins, d.hub) {
		if s == nil {
			continue
		}
		if s.cmd != nil && s.cmd.Process != nil && s.cmd.ProcessState == nil {
			_ = s.cmd.Process.Signal(syscall.SIGTERM) // it may have ended by itself
			if err := s.cmd.Wait(); err != nil {
				said, _ := os.ReadFile(s.log.Name())
				errs = append(errs, fmt.Errorf("%s ended with %w and said:\n%s", s.name, err, said))
			}
			errs = append(errs, s.log.Close())
		}
		if s.cutter != nil {
			errs = append(errs, s.cutter.Close())
		}
	}
	return errors.Join(errs...)
}

// await asks again until something is so.
func (d *demo) await(ctx context.Context, what string, so func() (bool, error)) error {
	ctx, cancel := context.WithTimeout(ctx, d.patience)
	defer cancel()
	for {
		ok, err := so()
		if err == nil && ok {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("waited in vain until %s: %w", what, errors.Join(err, ctx.Err()))
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func (s *server) get(ctx context.Context, path string, into any) error {
	return s.call(ctx, http.MethodGet, "", path, nil, into)
}

func (s *server) post(ctx context.Context, person, path string, body, into any) error {
	return s.call(ctx, http.MethodPost, person, path, body, into)
}

func (s *server) patch(ctx context.Context, person, path string, body, into any) error {
	return s.call(ctx, http.MethodPatch, person, path, body, into)
}

// call makes one call of the JSON API.
func (s *server) call(ctx context.Context, method, person, path string, body, into any) error {
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return err
		}
		in = bytes.NewReader(b)
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, s.url()+path, in)
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	if person != "" {
		req.Header.Set("Bothy-Person", person)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s %s at %s: %s: %s", method, path, s.name, resp.Status, answer)
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(answer, into)
}
