package link

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// brokerEnv makes the test program be a broker, so that a test can kill one.
const brokerEnv = "BOTHY_LINK_TEST_BROKER"

func TestMain(m *testing.M) {
	if cfg := os.Getenv(brokerEnv); cfg != "" {
		if err := beBroker(cfg); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

// beBroker serves until the parent closes standard input.
func beBroker(cfg string) error {
	var c childConfig
	if err := json.Unmarshal([]byte(cfg), &c); err != nil {
		return err
	}
	broker := BrokerConfig{Dir: c.Dir, Port: c.Port, Name: c.Name, Log: quiet}
	if c.Routes != nil {
		broker.Cluster = &Cluster{Name: "office", Port: c.ClusterPort, Routes: c.Routes}
	}
	b, err := StartBroker(broker)
	if err != nil {
		return err
	}
	fmt.Println(b.Addr())
	io.Copy(io.Discard, os.Stdin)
	return b.Close()
}

var quiet = slog.New(slog.DiscardHandler)

const (
	cabin1 clock.Replica = 0x1111_2222_3333_4444
	cabin2 clock.Replica = 0x5555_6666_7777_8888
)

// patience is how long a test waits for what must come.
const patience = 20 * time.Second

func startBroker(t testing.TB, cfg BrokerConfig) *Broker {
	t.Helper()
	if cfg.Dir == "" {
		cfg.Dir = t.TempDir()
	}
	cfg.Log = quiet
	b, err := StartBroker(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })
	return b
}

func openHub(t testing.TB, cfg HubConfig) *Hub {
	t.Helper()
	cfg.Log = quiet
	h, err := OpenHub(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	return h
}

// dial gives a client that comes back fast.
func dial(t testing.TB, cfg ClientConfig) *Client {
	t.Helper()
	if cfg.Replica == 0 {
		cfg.Replica = cabin1
	}
	cfg.Log = quiet
	cfg.RetryLeast, cfg.RetryMost = 5*time.Millisecond, 50*time.Millisecond
	c, err := Dial(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// eventually waits until something holds.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	within(t, patience, what, holds)
}

func within(t testing.TB, limit time.Duration, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(limit); !holds(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not after %s", what, limit)
		}
	}
}

func connected(t testing.TB, c *Client) {
	t.Helper()
	eventually(t, "the client is connected", c.Connected)
}

func push(t testing.TB, c *Client, id, piece string) {
	t.Helper()
	if err := c.Push(t.Context(), id, []byte(piece)); err != nil {
		t.Fatal(err)
	}
}

// read gives the ledger's messages after a number, until as many have come.
func read(t testing.TB, h *Hub, after uint64, count int) []Message {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	var got []Message
	err := h.Messages(ctx, after, func(batch []Message) error {
		if got = append(got, batch...); len(got) >= count {
			cancel()
		}
		return nil
	})
	if len(got) < count {
		t.Fatalf("read %d messages after %d: got %d: %v", count, after, len(got), err)
	}
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("read %d messages after %d: error %v, want the context's", count, after, err)
	}
	return got
}

func pieces(messages []Message) string {
	var out []string
	for _, m := range messages {
		out = append(out, string(m.Piece))
	}
	return strings.Join(out, " ")
}

func last(t testing.TB, h *Hub) uint64 {
	t.Helper()
	seq, err := h.LastSeq(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return seq
}

// childBroker is a broker in a process of its own, which can be killed as a power
// cut would, as far as a process can tell.
type childBroker struct {
	Addr string
	kill func()
}

// childConfig is the part of a BrokerConfig that a process can be given.
type childConfig struct {
	Dir, Name         string
	Port, ClusterPort int
	Routes            []string // of the cluster that it is one of; nil for none
}

func startChild(t testing.TB, cfg childConfig) *childBroker {
	t.Helper()
	j, err := json.Marshal(cfg)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), brokerEnv+"="+string(j))
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	child := &childBroker{kill: sync.OnceFunc(func() {
		cmd.Process.Kill()
		cmd.Wait()
		in.Close()
	})}
	t.Cleanup(child.kill)
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("the broker's process did not start: %v", err)
	}
	child.Addr = strings.TrimSpace(line)
	return child
}
