package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// trio is a cluster of three brokers, each in a process of its own.
type trio struct {
	configs [3]childConfig
	running [3]*childBroker
	urls    []string
}

func startTrio(t testing.TB) *trio {
	t.Helper()
	var c trio
	var routes []string
	for i := range c.configs {
		at, among := freeAddr(t), freeAddr(t)
		routes = append(routes, "nats://"+among)
		c.urls = append(c.urls, "nats://"+at)
		c.configs[i] = childConfig{
			Dir: t.TempDir(), Name: fmt.Sprintf("hub-%d", i),
			Port: portOf(at), ClusterPort: portOf(among),
		}
	}
	for i := range c.configs {
		c.configs[i].Routes = routes
	}
	var all sync.WaitGroup
	for i := range c.configs {
		all.Go(func() { c.start(t, i) })
	}
	all.Wait()
	return &c
}

func (c *trio) start(t testing.TB, i int) { c.running[i] = startChild(t, c.configs[i]) }

func portOf(addr string) int {
	_, port, _ := net.SplitHostPort(addr)
	n, _ := strconv.Atoi(port)
	return n
}

// leader is which of the brokers leads the ledger's stream, -1 if none does.
func (c *trio) leader(info *jetstream.StreamInfo) int {
	for i := range c.configs {
		if info.Cluster != nil && info.Cluster.Leader == c.configs[i].Name {
			return i
		}
	}
	return -1
}

// whole says that all three copies are in step.
func whole(info *jetstream.StreamInfo) bool {
	if info.Cluster == nil || info.Cluster.Leader == "" || len(info.Cluster.Replicas) != 2 {
		return false
	}
	for _, r := range info.Cluster.Replicas {
		if !r.Current || r.Offline {
			return false
		}
	}
	return true
}

func info(t testing.TB, h *Hub) *jetstream.StreamInfo {
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	s, err := h.js.Stream(ctx, StreamName)
	if err != nil {
		return &jetstream.StreamInfo{}
	}
	return s.CachedInfo()
}

// pusher pushes pieces one after the other, each until it is acknowledged.
type pusher struct {
	replica      clock.Replica
	acknowledged atomic.Int64
}

func (p *pusher) run(ctx context.Context, c *Client) {
	for n := int64(1); ctx.Err() == nil; n++ {
		piece := fmt.Sprintf("%s %d", p.replica, n)
		for c.Push(ctx, strconv.FormatInt(n, 36), []byte(piece)) != nil {
			if !sleep(ctx, 20*time.Millisecond) {
				return
			}
		}
		p.acknowledged.Store(n)
	}
}

// Three brokers, three copies, brokers killed while nodes push and a hub reads:
// whatever was acknowledged is in the ledger, and the hub reads on without a gap.
func TestAClusterLosesNothingWhenBrokersAreKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 25 s")
	}
	trio := startTrio(t)
	h := openHub(t, HubConfig{URLs: trio.urls, Replicas: 3})
	within(t, time.Minute, "three copies", func() bool { return whole(info(t, h)) })
	for _, broker := range trio.running {
		// A client that is told of others leaves the tunnel through which it came.
		if said := greeting(t, broker.Addr); strings.Contains(said, "connect_urls") {
			t.Errorf("a broker tells of the others: %s", said)
		}
	}

	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	pushers := [3]pusher{{replica: 1}, {replica: 2}, {replica: 3}}
	var all sync.WaitGroup
	for i := range pushers {
		c := dial(t, ClientConfig{URLs: trio.urls, Replica: pushers[i].replica, Timeout: time.Second})
		all.Go(func() { pushers[i].run(ctx, c) })
	}
	progress := func(what string) {
		t.Helper()
		for i := range pushers {
			from := pushers[i].acknowledged.Load()
			within(t, time.Minute, what, func() bool { return pushers[i].acknowledged.Load() >= from+40 })
		}
	}
	reading, stopReading := context.WithCancel(t.Context())
	defer stopReading()
	seen := map[string]bool{}
	var at atomic.Uint64
	read := make(chan error)
	go func() {
		read <- h.Messages(reading, 0, func(batch []Message) error {
			for _, m := range batch {
				if m.Missing > 0 || m.Seq != at.Load()+1 {
					return fmt.Errorf("message %d after %d, %d missing", m.Seq, at.Load(), m.Missing)
				}
				seen[string(m.Piece)] = true
				at.Store(m.Seq)
			}
			return nil
		})
	}()

	progress("all push")
	first := trio.leader(info(t, h))
	trio.running[first].kill()
	progress("all push after the leader was killed")
	trio.start(t, first)
	within(t, time.Minute, "three copies again", func() bool { return whole(info(t, h)) })
	second := (first + 1) % 3
	trio.running[second].kill()
	progress("all push after another was killed")
	stop()
	all.Wait()

	final := uint64(0)
	within(t, time.Minute, "the ledger's end is known", func() bool {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		n, err := h.LastSeq(ctx)
		final = n
		return err == nil
	})
	within(t, time.Minute, "the hub has read all", func() bool { return at.Load() >= final })
	stopReading()
	if err := <-read; !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	total := int64(0)
	for i := range pushers {
		for n := range pushers[i].acknowledged.Load() {
			if piece := fmt.Sprintf("%s %d", pushers[i].replica, n+1); !seen[piece] {
				t.Errorf("piece %q was acknowledged and is not in the ledger", piece)
			}
			total++
		}
	}
	t.Logf("%d pieces acknowledged, %d messages in the ledger", total, final)
}
