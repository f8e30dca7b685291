package link

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// StreamName is the stream that is the hub's ledger.
const StreamName = "BOTHY"

const (
	window     = 30 * time.Minute // within which a repeated id is known; ids are kept in memory
	retryPause = 500 * time.Millisecond
	askTimeout = 30 * time.Second // for the broker to answer, where the caller sets no limit
	askAgain   = 5 * time.Second  // for one try of several: a cluster without a leader never answers what it was asked
)

// ErrOtherLedger says that the ledger is not the one that was opened, or that it
// ends before the place that was asked for: it was restored, damaged or made
// anew. A place in it means nothing any more; read it from the start.
var ErrOtherLedger = errors.New("the hub's ledger is not the one it was")

// HubConfig says where the hub's ledger is. Give a Broker or URLs.
type HubConfig struct {
	// Broker in this process.
	Broker *Broker
	// URLs of a server or cluster that is there already, with its TLS and what
	// proves the hub to it.
	URLs []string
	TLS  *tls.Config
	Auth nats.Option
	// Replicas is how many copies of the ledger a cluster keeps, 1 or 3; 0
	// means 1, and leaves more copies where there are more.
	Replicas int
	// MaxBytes bounds the ledger; a piece beyond is refused. 0 means no bound
	// but the broker's, and leaves one that was set before.
	MaxBytes int64
	// Window within which a repeated id is stored once; 0 means 30 minutes.
	Window time.Duration
	// Log of each change of state; nil means slog.Default().
	Log *slog.Logger
}

// Hub is head office's end of the link.
type Hub struct {
	conn   *nats.Conn
	js     jetstream.JetStream
	log    *slog.Logger
	made   time.Time     // when the stream was made
	closed chan struct{} // when the connection is

	mu      sync.Mutex
	session context.Context // ends when the connection is lost; made anew with each
	lost    context.CancelCauseFunc
}

// OpenHub connects once, and makes the ledger's stream if there is none. It is a
// failure if the server cannot be reached now; later the connection is made
// again for as long as the hub is open. The stream of a broker in this process
// that cannot be read is set aside in the broker's directory; what was in it
// must come from the hub's own view and the nodes.
func OpenHub(ctx context.Context, cfg HubConfig) (*Hub, error) {
	h := &Hub{log: cmp.Or(cfg.Log, slog.Default()), closed: make(chan struct{})}
	h.begin()
	opts, err := h.options(&cfg)
	if err != nil {
		return nil, err
	}
	if h.conn, err = nats.Connect(strings.Join(cfg.URLs, ","), opts...); err != nil {
		return nil, fmt.Errorf("connect the hub to its broker: %w", err)
	}
	if h.js, err = jetstream.New(h.conn, jetstream.WithDefaultTimeout(askTimeout)); err == nil {
		err = h.open(ctx, &cfg)
	}
	if err != nil {
		h.Close()
		return nil, fmt.Errorf("open the hub's ledger, stream %s: %w", StreamName, err)
	}
	return h, nil
}

func (h *Hub) options(cfg *HubConfig) ([]nats.Option, error) {
	opts := []nats.Option{
		nats.Name("hub"),
		nats.Timeout(setUpTimeout * time.Second),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(time.Second),
		nats.IgnoreAuthErrorAbort(),
		nats.ReconnectBufSize(-1), // nothing is sent behind the caller's back
		nats.IgnoreDiscoveredServers(),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) { h.end(err) }),
		nats.ReconnectHandler(func(*nats.Conn) { h.begin() }),
		nats.ClosedHandler(func(*nats.Conn) { close(h.closed) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { h.log.Warn("the broker objects", "cause", err) }),
	}
	switch {
	case cfg.Broker != nil && len(cfg.URLs) > 0:
		return nil, errors.New("a hub has a broker of its own or the addresses of another, not both")
	case cfg.Broker != nil:
		return append(opts, cfg.Broker.inside()...), nil
	case len(cfg.URLs) == 0:
		return nil, errors.New("a hub needs a broker: its own, or the addresses of another")
	}
	if cfg.TLS != nil {
		opts = append(opts, nats.Secure(cfg.TLS))
	}
	if cfg.Auth != nil {
		opts = append(opts, cfg.Auth)
	}
	return opts, nil
}

// begin and end mark a connection.
func (h *Hub) begin() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.session, h.lost = context.WithCancelCause(context.Background())
}

func (h *Hub) end(cause error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.lost(fmt.Errorf("the link to the broker was lost: %w", cmp.Or(cause, errClosed)))
}

// during does something with the broker that ends, with the reason, when the
// connection does: the NATS client waits on for answers that cannot come any more.
func (h *Hub) during(ctx context.Context, do func(context.Context) error) error {
	h.mu.Lock()
	session := h.session
	h.mu.Unlock()
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stop := context.AfterFunc(session, func() { cancel(context.Cause(session)) })
	defer stop()
	err := do(ctx)
	if err != nil && ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return err
}

// Close ends the connection and waits for its end.
func (h *Hub) Close() error {
	h.conn.Close()
	<-h.closed
	return nil
}

// Identity names the ledger: the stream and when it was made. A ledger with
// another identity is another ledger.
func (h *Hub) Identity() string { return identity(h.made) }

func identity(made time.Time) string {
	return StreamName + "@" + made.UTC().Format(time.RFC3339Nano)
}

// Publish brings a piece of the hub's own into the ledger, like [Client.Push].
func (h *Hub) Publish(ctx context.Context, replica clock.Replica, id string, piece []byte) error {
	opts := []jetstream.PublishOpt{jetstream.WithExpectStream(StreamName)}
	if id != "" {
		opts = append(opts, jetstream.WithMsgID(repetition(replica, id, piece)))
	}
	err := h.during(ctx, func(ctx context.Context) error {
		_, err := h.js.Publish(ctx, upSubject(replica), piece, opts...)
		return err
	})
	var refused *jetstream.APIError
	if errors.As(err, &refused) {
		err = &HubError{fmt.Sprintf("%s (%d)", refused.Description, refused.ErrorCode)}
	}
	if err != nil {
		return fmt.Errorf("publish piece %q: %w", id, err)
	}
	return nil
}

// LastSeq is the sequence number of the ledger's last message, 0 if it never had
// one.
func (h *Hub) LastSeq(ctx context.Context) (seq uint64, err error) {
	err = h.during(ctx, func(ctx context.Context) error {
		state, err := h.state(ctx)
		seq = state.LastSeq
		return err
	})
	return seq, err
}

// state asks for the stream as it is now, and makes sure that it is still the
// one that was opened.
func (h *Hub) state(ctx context.Context) (jetstream.StreamState, error) {
	stream, err := h.js.Stream(ctx, StreamName)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return jetstream.StreamState{}, fmt.Errorf("%w: its stream is gone", ErrOtherLedger)
	}
	if err != nil {
		return jetstream.StreamState{}, fmt.Errorf("ask for the state of the ledger: %w", err)
	}
	if made := stream.CachedInfo().Created; !made.Equal(h.made) {
		return jetstream.StreamState{}, fmt.Errorf("%w: it is %s now, and was %s", ErrOtherLedger, identity(made), h.Identity())
	}
	return stream.CachedInfo().State, nil
}

// Holds says whether the ledger has, at a sequence number, the message that was
// stored at the given time. After damage a ledger can use a number twice; this
// tells. Ask before reading on from a place that was kept.
func (h *Hub) Holds(ctx context.Context, seq uint64, stored time.Time) (held bool, err error) {
	err = h.during(ctx, func(ctx context.Context) error {
		stream, err := h.js.Stream(ctx, StreamName)
		if err != nil {
			return err
		}
		m, err := stream.GetMsg(ctx, seq)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil
		}
		held = err == nil && m.Time.Equal(stored)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("look up message %d of the ledger: %w", seq, err)
	}
	return held, nil
}

// sleep waits, and says whether the context still lasts.
func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}
