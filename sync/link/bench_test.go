package link

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"fmt"
	"sync"
	"testing"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
)

// bill is what a client's link has cost so far.
type bill struct{ up, down int64 }

func costs(c *Client) bill { return bill{c.Sent(), c.Received()} }

func (b bill) since(c *Client) string {
	return fmt.Sprintf("%5d up %5d down", c.Sent()-b.up, c.Received()-b.down)
}

// BenchmarkBytes reports bytes on the wire as TCP payload. Run it with -v and
// -benchtime 1x.
func BenchmarkBytes(b *testing.B) {
	for b.Loop() {
		ours := newAuthority(b)
		x25519 := ours.client(b)
		x25519.CurvePreferences = []tls.CurveID{tls.X25519}
		_, key := newKey(b)
		all := func(ed25519.PublicKey, clock.Replica) bool { return true }
		measure(b, "plain", BrokerConfig{}, ClientConfig{})
		measure(b, "with a key", BrokerConfig{Admit: all}, ClientConfig{Auth: Key(key)})
		measure(b, "TLS", BrokerConfig{TLS: ours.server(b)}, ClientConfig{TLS: ours.client(b)})
		measure(b, "TLS, X25519 only", BrokerConfig{TLS: ours.server(b)}, ClientConfig{TLS: x25519})
	}
}

func measure(b *testing.B, name string, bc BrokerConfig, cc ClientConfig) {
	broker := startBroker(b, bc)
	h := openHub(b, HubConfig{Broker: broker})
	piece := make([]byte, 100)
	servePulls(b, h, func(_ context.Context, q exchange.Request) (exchange.Answer, error) {
		return exchange.Answer{Replica: cabin2, Millis: q.Millis, Receipt: 1000, Cursor: q.Cursor}, nil
	})
	cc.URLs, cc.Name, cc.Sites = []string{broker.URL()}, "cabin 1", []string{"ravens-quarry"}
	c := dial(b, cc)
	connected(b, c)
	tell := func(what string, was bill) { b.Logf("%-18s %-26s %s", name, what, was.since(c)) }

	// The first push also carries what the connection says of its subscriptions.
	push(b, c, "1", string(piece))
	tell("connect and push of 100", bill{})

	was := costs(c)
	push(b, c, "2", string(piece))
	tell("push of 100", was)

	was = costs(c)
	push(b, c, "", string(piece))
	tell("push of 100 without id", was)

	q := exchange.Request{Replica: cabin1, Cabin: "cabin 1", Sites: []string{"ravens-quarry"}, Written: 1000, Millis: 1.8e12, Size: 4096}
	q.Cursor.View = 1
	for i := range q.Cursor.Lanes[:3] {
		q.Cursor.Lanes[i] = exchange.Place{Pos: 1000, Mark: 1}
	}
	was = costs(c)
	a, err := c.Pull(b.Context(), q)
	if err != nil {
		b.Fatal(err)
	}
	tell(fmt.Sprintf("pull of %d and %d", len(q.Append(nil)), len(a.Append(nil))), was)

	was = costs(c)
	<-c.Bells()
	if err := h.Ring([]string{"ravens-quarry"}); err != nil {
		b.Fatal(err)
	}
	<-c.Bells()
	tell("bell", was)

	was = costs(c)
	for i := range 200 {
		push(b, c, fmt.Sprint("s", i), string(piece))
	}
	tell("200 pushes of 100", was)

	was = costs(c)
	push(b, c, "all", string(bytes.Repeat(piece, 200)))
	tell("one push of 20000", was)
}

func benchmarkPushes(b *testing.B, pushers int) {
	broker := startBroker(b, BrokerConfig{})
	openHub(b, HubConfig{Broker: broker})
	c := dial(b, ClientConfig{URLs: []string{broker.URL()}})
	connected(b, c)
	piece := make([]byte, 300)
	b.ResetTimer()
	var all sync.WaitGroup
	for p := range pushers {
		all.Go(func() {
			for i := p; i < b.N; i += pushers {
				if err := c.Push(context.Background(), fmt.Sprint(i), piece); err != nil {
					b.Error(err)
				}
			}
		})
	}
	all.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pushes/s")
}

func BenchmarkPush(b *testing.B)     { benchmarkPushes(b, 1) }
func BenchmarkPushBy16(b *testing.B) { benchmarkPushes(b, 16) }

// BenchmarkMessages is how fast a hub reads its ledger.
func BenchmarkMessages(b *testing.B) {
	h := openHub(b, HubConfig{Broker: startBroker(b, BrokerConfig{})})
	for i := range 2000 {
		if err := h.Publish(b.Context(), cabin1, fmt.Sprint(i), make([]byte, 300)); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		ctx, cancel := context.WithCancel(b.Context())
		h.Messages(ctx, 0, func(batch []Message) error {
			if batch[len(batch)-1].Seq == 2000 {
				cancel()
			}
			return nil
		})
	}
	b.ReportMetric(float64(2000*b.N)/b.Elapsed().Seconds(), "messages/s")
}
