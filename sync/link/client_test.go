package link

import (
	"context"
	"crypto/ed25519"
	"errors"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
)

func TestDialNeedsAnAddressAndAReplica(t *testing.T) {
	for _, test := range []struct {
		name string
		cfg  ClientConfig
		says string
	}{
		{"no address", ClientConfig{Replica: cabin1}, "no address"},
		{"no scheme", ClientConfig{Replica: cabin1, URLs: []string{"hub.example:4222"}}, "want nats://"},
		{"other scheme", ClientConfig{Replica: cabin1, URLs: []string{"http://hub.example"}}, "want nats://"},
		{"no replica", ClientConfig{URLs: []string{"nats://hub.example:4222"}}, "replica id"},
	} {
		if c, err := Dial(t.Context(), test.cfg); err == nil || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: client %v, error %v", test.name, c, err)
		}
	}
}

// freeAddr is an address where nobody listens.
func freeAddr(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func TestDialReturnsAtOnceWithoutAHub(t *testing.T) {
	addr := freeAddr(t)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + addr}})
	if err := c.Push(t.Context(), "1", []byte("x")); !errors.Is(err, ErrAway) {
		t.Errorf("push while away: %v, want %v", err, ErrAway)
	}
	if _, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1}); !errors.Is(err, ErrAway) {
		t.Errorf("pull while away: %v, want %v", err, ErrAway)
	}
	eventually(t, "the reason is known", func() bool { return strings.Contains(c.Err().Error(), "refused") })

	tcp, _ := net.ResolveTCPAddr("tcp", addr)
	openHub(t, HubConfig{Broker: startBroker(t, BrokerConfig{Port: tcp.Port})})
	connected(t, c)
	push(t, c, "1", "x")
}

func TestClientReachesTheServerThatIsThere(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{"nats://" + freeAddr(t), b.URL(), "nats://" + freeAddr(t)}})
	connected(t, c)
	push(t, c, "1", "x")
}

func newKey(t testing.TB) (ed25519.PublicKey, ed25519.PrivateKey) {
	t.Helper()
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	return public, private
}

func TestARefusedKeyIsTriedAgainUntilItIsAdmitted(t *testing.T) {
	public, private := newKey(t)
	var asked atomic.Int32
	var open atomic.Bool
	b := startBroker(t, BrokerConfig{Admit: func(key ed25519.PublicKey, replica clock.Replica) bool {
		asked.Add(1)
		return open.Load() && key.Equal(public) && replica == cabin1
	}})
	openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}, Auth: Key(private)})
	eventually(t, "the key was refused 5 times", func() bool { return asked.Load() >= 5 })
	if c.Connected() {
		t.Fatal("connected with a refused key")
	}
	open.Store(true)
	connected(t, c)
	push(t, c, "1", "x")
	// And when it is taken out later, in a link that stood.
	open.Store(false)
	if n, err := b.Expel(public); n != 1 || err != nil {
		t.Fatalf("expelled %d connections: %v", n, err)
	}
	before := asked.Load()
	eventually(t, "the expelled one was refused 5 times", func() bool { return asked.Load() >= before+5 })
	open.Store(true)
	connected(t, c)
	eventually(t, "it pushes again", func() bool { return c.Push(t.Context(), "2", []byte("x")) == nil })
}

// bad puts a bad line between a client and a broker.
func bad(t testing.TB, b *Broker) *Cutter {
	t.Helper()
	line, err := NewCutter(b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { line.Close() })
	return line
}

// With limits of an hour, only the end of the connection can end these.
func TestACutFailsWhatIsUnderWayAtOnce(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}, Timeout: time.Hour})
	connected(t, c)
	line.Freeze()
	errs := make(chan error, 2)
	go func() { errs <- c.Push(context.Background(), "1", []byte("x")) }()
	go func() {
		_, err := c.Pull(context.Background(), exchange.Request{Replica: cabin1})
		errs <- err
	}()
	eventually(t, "both are under way", func() bool {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.wire.mu.Lock()
		defer c.wire.mu.Unlock()
		return len(c.wire.waiting) == 2
	})
	line.Cut()
	for range 2 {
		if err := <-errs; err == nil || errors.Is(err, ErrAway) {
			t.Errorf("under way when the line was cut: %v", err)
		}
	}
	eventually(t, "the client knows", func() bool { return !c.Connected() })
	line.Restore()
	connected(t, c)
	push(t, c, "1", "x")
	if n := last(t, h); n != 1 {
		t.Errorf("the ledger has %d messages, want 1", n)
	}
}

// A link that lost its way shows no sign. Once the client has noticed, it dials
// anew instead of waiting for the old connection.
func TestASilentLinkIsDialledAnew(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}, Timeout: 100 * time.Millisecond})
	connected(t, c)
	line.Freeze()
	if err := c.Push(t.Context(), "1", []byte("x")); !errors.Is(err, errSilent) {
		t.Fatalf("push on a silent link: %v", err)
	}
	eventually(t, "the connection is given up", func() bool { return !c.Connected() })
	line.Restore()
	connected(t, c)
	push(t, c, "1", "x")
}

// A hub that thinks for long is no broken link.
func TestALinkThatSpeaksIsKept(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}, Timeout: 50 * time.Millisecond})
	connected(t, c)
	servePulls(t, h, func(ctx context.Context, q exchange.Request) (exchange.Answer, error) {
		for ctx.Err() == nil && h.Ring(nil) == nil {
			time.Sleep(5 * time.Millisecond)
		}
		return exchange.Answer{}, ctx.Err()
	})
	c.mu.Lock()
	before := c.wire
	c.mu.Unlock()
	eventually(t, "a pull reaches the hub, and is not answered in time", func() bool {
		_, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1})
		return errors.Is(err, errSilent)
	})
	before.mu.Lock()
	defer before.mu.Unlock()
	if before.cause != nil {
		t.Errorf("the connection was given up: %v", before.cause)
	}
}

func TestPushAndPullEndWithTheCallersContext(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}})
	connected(t, c)
	line.Freeze()
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := c.Pull(short, exchange.Request{Replica: cabin1}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("pull: %v", err)
	}
	over, end := context.WithCancel(t.Context())
	end()
	if err := c.Push(over, "1", []byte("x")); !errors.Is(err, context.Canceled) {
		t.Errorf("push: %v", err)
	}
	if !c.Connected() {
		t.Error("the caller's own limit ended the connection")
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if n := len(c.wire.waiting); n != 0 {
		t.Errorf("%d requests are still waited for", n)
	}
}

// 9,600 bit/s and 600 ms there and back, as on a satellite's thin channel.
func TestEverythingWorksOnAThinLink(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	servePulls(t, h, func(_ context.Context, q exchange.Request) (exchange.Answer, error) {
		return exchange.Answer{Replica: cabin2, Piece: make([]byte, 1000)}, nil
	})
	line := bad(t, b)
	line.Set(Line{Rate: 1200, Delay: 300 * time.Millisecond})
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}})
	connected(t, c)
	push(t, c, "1", strings.Repeat("x", 1000))
	if a, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1}); err != nil || len(a.Piece) != 1000 {
		t.Errorf("pull: %d bytes, %v", len(a.Piece), err)
	}
	eventually(t, "the client counts what went over the line", func() bool {
		up, down := line.Bytes()
		return up > 1000 && down > 1000 && c.Sent() == up && c.Received() == down
	})
}

// Close must not wait for a connection that takes nothing.
func TestCloseEndsASilentLink(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}, Timeout: time.Hour})
	connected(t, c)
	line.Freeze()
	errs := make(chan error)
	for range 16 { // more than the buffers on the way hold
		go func() { errs <- c.Push(context.Background(), "1", make([]byte, exchange.MaxPiece)) }()
	}
	eventually(t, "the line is full", func() bool {
		before := c.Sent()
		time.Sleep(20 * time.Millisecond)
		return before > exchange.MaxPiece && c.Sent() == before
	})
	c.Close()
	for range 16 {
		if err := <-errs; err == nil {
			t.Error("a piece was acknowledged on a frozen line")
		}
	}
}

// A write that makes no progress ends the connection, though nobody asks.
func TestAWriteThatMakesNoProgressEndsTheConnection(t *testing.T) {
	near, far := net.Pipe()
	defer far.Close()
	var sent, heard atomic.Int64
	m := &metered{Conn: near, timeout: 10 * time.Millisecond, sent: &sent, heard: &heard}
	go far.Read(make([]byte, slice))
	if _, err := m.Write(make([]byte, 3*slice)); err == nil {
		t.Fatal("the write ended well")
	}
	if _, err := near.Read(make([]byte, 1)); !errors.Is(err, net.ErrClosed) && err.Error() != "io: read/write on closed pipe" {
		t.Errorf("read afterwards: %v", err)
	}
	if sent.Load() != slice {
		t.Errorf("counted %d bytes, want %d", sent.Load(), slice)
	}
}

func TestCloseLeavesNothingBehind(t *testing.T) {
	before := goleak.IgnoreCurrent()
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}})
	away := dial(t, ClientConfig{URLs: []string{"nats://" + freeAddr(t)}})
	connected(t, c)
	push(t, c, "1", "x")
	read(t, h, 0, 1)
	for range 3 {
		line.Cut()
		eventually(t, "cut", func() bool { return !c.Connected() })
		line.Restore()
		connected(t, c)
	}
	c.mu.Lock()
	w := c.wire
	c.mu.Unlock()
	c.Close()
	select {
	case <-w.gone:
	default:
		t.Error("Close did not wait for the end of the connection")
	}
	away.Close()
	line.Close()
	h.Close()
	b.Close()
	goleak.VerifyNone(t, before)
	if err := c.Push(t.Context(), "2", nil); !errors.Is(err, ErrAway) {
		t.Errorf("push after close: %v", err)
	}
}

func TestTheClientEndsWithItsContext(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	ctx, cancel := context.WithCancel(t.Context())
	c, err := Dial(ctx, ClientConfig{URLs: []string{b.URL()}, Replica: cabin1, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	connected(t, c)
	cancel()
	eventually(t, "the client has ended", func() bool { return errors.Is(c.Err(), errClosed) })
	c.Close()
}

func TestHurryEndsAPause(t *testing.T) {
	addr := freeAddr(t)
	c, err := Dial(t.Context(), ClientConfig{URLs: []string{"nats://" + addr}, Replica: cabin1, RetryLeast: 1000 * time.Hour, Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	eventually(t, "the first attempt has failed", func() bool { return strings.Contains(c.Err().Error(), "refused") })
	tcp, _ := net.ResolveTCPAddr("tcp", addr)
	startBroker(t, BrokerConfig{Port: tcp.Port})
	c.Hurry()
	connected(t, c)
}

func TestPausesDoubleWithFullJitter(t *testing.T) {
	p := pause{least: 2 * time.Second, most: 5 * time.Minute}
	for i, want := range []time.Duration{2, 4, 8, 16, 32, 64, 128, 256, 300, 300} {
		if got := p.next(0, 1); got != want*time.Second {
			t.Errorf("pause %d is up to %s, want %s", i, got, want*time.Second)
		}
	}
	if got := p.next(5*time.Minute, 1); got != 5*time.Minute {
		t.Errorf("after a connection as short as the pause: %s, want 5m", got)
	}
	if got := p.next(5*time.Minute+1, 1); got != 2*time.Second {
		t.Errorf("after a connection longer than the pause: %s, want 2s", got)
	}
	if got := p.next(0, 0.25); got != time.Second {
		t.Errorf("a quarter of the jitter: %s, want 1s of 4s", got)
	}
}

// Whatever the link does, a pause is within its bounds, and the ceiling is never
// more than twice what the connection before lasted, or the least.
func TestPausesAreBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := pause{least: 2 * time.Second, most: 5 * time.Minute}
		for range rapid.IntRange(1, 40).Draw(t, "connections") {
			before := p.ceiling
			lasted := time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "lasted"))
			got := p.next(lasted, rapid.Float64Range(0, 1).Draw(t, "random"))
			if got < 0 || got > p.ceiling || p.ceiling < p.least || p.ceiling > p.most {
				t.Fatalf("pause %s of %s", got, p.ceiling)
			}
			if lasted > before && p.ceiling != p.least {
				t.Fatalf("ceiling %s after %s, which was more than %s", p.ceiling, lasted, before)
			}
		}
	})
}
