package link

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// ErrAway says that there is no connection to the hub at this moment.
var ErrAway = errors.New("no link to the hub")

var (
	errClosed = errors.New("the link was closed")
	errSilent = errors.New("nothing was heard from the hub in time")
)

// A node's connection is looked at every pingEvery, which is below the time after
// which carriers commonly forget an idle connection (common practice, no
// source), and given up after two pings without an answer.
const pingEvery = 4 * time.Minute

// ClientConfig says how a node reaches its hub. Only URLs and Replica have no
// useful zero value.
type ClientConfig struct {
	// URLs of the hub's broker, such as tls://hub.example:4222; more than one
	// for a cluster.
	URLs []string
	// Replica is the node's own id.
	Replica clock.Replica
	// Name of the node, for whoever looks at the broker's connections.
	Name string
	// Sites whose bells are heard; nil means all.
	Sites []string
	// TLS, nil for none. A broker that asks for TLS gets it in any case.
	TLS *tls.Config
	// Auth proves who connects, at each connection: [Key], or an option of the
	// NATS client such as UserCredentials. Nil proves nothing.
	Auth nats.Option
	// Timeout of setting up a connection, and of a write that makes no
	// progress; an answer may take twice as long. 0 means 30 s: the set-up
	// takes 4 round trips, and a satellite's take 0.6 s and more.
	Timeout time.Duration
	// RetryLeast and RetryMost bound the pause before a connection is tried
	// again; 0 means 2 s and 5 min.
	RetryLeast, RetryMost time.Duration
	// Log of each change of the link's state; nil means slog.Default().
	Log *slog.Logger
}

func (cfg *ClientConfig) check() error {
	if len(cfg.URLs) == 0 {
		return errors.New("no address of a hub is given; want one or more like tls://hub.example:4222")
	}
	for _, address := range cfg.URLs {
		u, err := url.Parse(address)
		if err != nil || u.Host == "" || u.Scheme != "nats" && u.Scheme != "tls" {
			return fmt.Errorf("address of the hub %q: want nats://host:port or tls://host:port", address)
		}
	}
	if cfg.Replica == 0 {
		return errors.New("a node without a replica id cannot link to a hub")
	}
	cfg.Timeout = cmp.Or(cfg.Timeout, 30*time.Second)
	cfg.RetryLeast = cmp.Or(cfg.RetryLeast, 2*time.Second)
	cfg.RetryMost = max(cfg.RetryLeast, cmp.Or(cfg.RetryMost, 5*time.Minute))
	cfg.Log = cmp.Or(cfg.Log, slog.Default())
	return nil
}

// Client is a node's end of the link. It connects, and connects again, until it
// is closed.
type Client struct {
	cfg         ClientConfig
	stop        context.CancelFunc
	done        chan struct{} // closed when run has returned
	bells       chan struct{}
	hurry       chan struct{}
	sent, heard atomic.Int64

	mu    sync.Mutex
	sites []string
	wire  *wire // nil while there is no connection
	cause error // why there is none
}

// Dial starts a client and returns at once, whether the hub can be reached or
// not. An error means that the configuration cannot be used. The client ends
// with the context, or by Close.
func Dial(ctx context.Context, cfg ClientConfig) (*Client, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(ctx)
	c := &Client{
		cfg:   cfg,
		stop:  stop,
		done:  make(chan struct{}),
		bells: make(chan struct{}, 1),
		hurry: make(chan struct{}, 1),
		sites: cfg.Sites,
		cause: errors.New("not connected yet"),
	}
	go c.run(ctx)
	return c, nil
}

// Close ends the connection and waits for what serves it. What is under way
// fails.
func (c *Client) Close() error {
	c.stop()
	<-c.done
	return nil
}

// run keeps a connection for as long as the context lasts.
func (c *Client) run(ctx context.Context) {
	defer close(c.done)
	wait := pause{least: c.cfg.RetryLeast, most: c.cfg.RetryMost}
	for told := false; ; {
		lasted, cause := c.session(ctx)
		if ctx.Err() != nil {
			c.set(nil, errClosed)
			return
		}
		level := slog.LevelWarn
		if told && lasted == 0 {
			level = slog.LevelDebug // still away: said once
		}
		told = true
		c.cfg.Log.Log(ctx, level, "no link to the hub", "cause", cause)
		timer := time.NewTimer(wait.next(lasted, rand.Float64()))
		select {
		case <-timer.C:
		case <-c.hurry:
		case <-ctx.Done():
		}
		timer.Stop()
	}
}

// session sets up one connection and waits for its end. It gives how long the
// connection lasted, 0 if there was none, and why there is none now.
func (c *Client) session(ctx context.Context) (lasted time.Duration, cause error) {
	ctx, end := context.WithCancel(ctx)
	defer end()
	w, err := c.connect(ctx, end)
	if err != nil {
		c.set(nil, err)
		return 0, err
	}
	began := time.Now()
	c.cfg.Log.Info("link to the hub", "address", w.conn.ConnectedUrlRedacted())
	c.set(w, nil)
	c.tune(w)
	select {
	case <-w.gone:
	case <-ctx.Done():
		w.conn.Close()
		<-w.gone
	}
	c.set(nil, w.reason())
	return max(1, time.Since(began)), w.reason()
}

// connect makes one attempt at each address. The context must last as long as
// the connection shall, and end with the given function.
func (c *Client) connect(ctx context.Context, end func()) (*wire, error) {
	w := &wire{end: end, gone: make(chan struct{})}
	d := &dialer{ctx: ctx, timeout: c.cfg.Timeout, sent: &c.sent, heard: &c.heard}
	conn, err := nats.Connect(strings.Join(c.cfg.URLs, ","), c.options(w, d)...)
	if errors.Is(err, nats.ErrNoServers) && d.failed != nil {
		err = d.failed
	}
	if err != nil {
		return nil, fmt.Errorf("connect to the hub: %w", err)
	}
	w.conn = conn
	if err := w.listen(inboxOf(c.cfg.Replica)); err != nil {
		conn.Close()
		<-w.gone
		return nil, fmt.Errorf("listen for the hub's answers: %w", err)
	}
	return w, nil
}

func (c *Client) options(w *wire, d *dialer) []nats.Option {
	opts := []nats.Option{
		nats.Name(strings.TrimSpace(c.cfg.Replica.String() + " " + c.cfg.Name)),
		nats.NoReconnect(),
		nats.SetCustomDialer(d),
		nats.Timeout(c.cfg.Timeout),
		nats.PingInterval(pingEvery),
		nats.MaxPingsOutstanding(2),
		nats.IgnoreDiscoveredServers(),
		nats.SkipHostLookup(), // left to the dialer, which Close can interrupt
		nats.ClosedHandler(func(*nats.Conn) { close(w.gone) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			c.cfg.Log.Warn("the hub's broker objects", "cause", err)
		}),
	}
	if c.cfg.TLS != nil {
		opts = append(opts, nats.Secure(c.cfg.TLS))
	}
	if c.cfg.Auth != nil {
		opts = append(opts, c.cfg.Auth)
	}
	return opts
}

func (c *Client) set(w *wire, cause error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.wire, c.cause = w, cause
}
