package link

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/bothy-mesh/bothy/sync/exchange"
)

// HubError is what the hub or its ledger says instead of doing as asked. The link
// is in order; to ask again at once is of no use.
type HubError struct{ Text string }

// Error gives the text as the hub put it.
func (e *HubError) Error() string { return "the hub answers: " + e.Text }

// Push brings a piece into the hub's ledger and returns when it is synced there.
// An error means that the piece is not known to be stored: push it again, under
// the same id. It is ErrAway without a connection, and a [HubError] where the
// ledger refuses the piece (it is full, for one). A piece may have
// [exchange.MaxPiece] bytes. The id, of any length, tells a repetition from a piece
// of the same bytes; an empty one makes no repetition known to the ledger, and
// saves 40 bytes.
func (c *Client) Push(ctx context.Context, id string, piece []byte) error {
	if len(piece) > exchange.MaxPiece {
		return fmt.Errorf("push piece %q: it has %d bytes, and %d are allowed", id, len(piece), exchange.MaxPiece)
	}
	m := &nats.Msg{Subject: upSubject(c.cfg.Replica), Data: piece}
	if id != "" {
		m.Header = nats.Header{jetstream.MsgIDHeader: {repetition(c.cfg.Replica, id, piece)}}
	}
	answer, err := c.ask(ctx, m)
	if err == nil {
		err = acknowledged(answer.Data)
	}
	if err != nil {
		return fmt.Errorf("push piece %q: %w", id, err)
	}
	return nil
}

// acknowledged reads the ledger's answer. Only the ledger's own word that it has
// the piece will do.
func acknowledged(answer []byte) error {
	var ack struct {
		Stream string              `json:"stream"`
		Seq    uint64              `json:"seq"`
		Error  *jetstream.APIError `json:"error"`
	}
	if err := json.Unmarshal(answer, &ack); err != nil {
		return fmt.Errorf("read the ledger's answer: %w", err)
	}
	if ack.Error != nil {
		return &HubError{fmt.Sprintf("%s (%d)", ack.Error.Description, ack.Error.ErrorCode)}
	}
	if ack.Stream != StreamName || ack.Seq == 0 {
		return fmt.Errorf("the piece went to stream %q at %d, which is not the hub's ledger", ack.Stream, ack.Seq)
	}
	return nil
}

// Pull asks the hub. The error is ErrAway without a connection, and a [HubError]
// where the hub says why it does not answer.
func (c *Client) Pull(ctx context.Context, q exchange.Request) (exchange.Answer, error) {
	m, err := c.ask(ctx, &nats.Msg{Subject: pullSubject, Data: q.Append(nil)})
	if err != nil {
		return exchange.Answer{}, fmt.Errorf("pull: %w", err)
	}
	if m.Header.Get(refusedHeader) != "" {
		return exchange.Answer{}, fmt.Errorf("pull: %w", &HubError{string(m.Data)})
	}
	a, err := exchange.DecodeAnswer(m.Data)
	if err != nil {
		return exchange.Answer{}, fmt.Errorf("pull: %w", err)
	}
	return a, nil
}

// ask waits for an answer for as long as the caller's context and the client's
// own limit allow. Where the limit passes without one byte from the hub, the
// connection is ended, so that a fresh one is made.
func (c *Client) ask(ctx context.Context, m *nats.Msg) (*nats.Msg, error) {
	c.mu.Lock()
	w := c.wire
	c.mu.Unlock()
	if w == nil {
		return nil, ErrAway
	}
	heard := c.heard.Load()
	limited, cancel := context.WithTimeoutCause(ctx, 2*c.cfg.Timeout, errSilent)
	defer cancel()
	answer, err := w.ask(limited, m)
	if errors.Is(err, errSilent) && c.heard.Load() == heard {
		w.drop(errSilent)
	}
	return answer, err
}

// Bells signals that the hub may have news: it was rung, or there is a new
// connection. Signals that were not taken are one signal.
func (c *Client) Bells() <-chan struct{} { return c.bells }

func (c *Client) ring() {
	select {
	case c.bells <- struct{}{}:
	default:
	}
}

// Listen changes the sites whose bells are heard; nil means all. It rings, for
// the news that was rung while nobody listened.
func (c *Client) Listen(sites []string) {
	c.mu.Lock()
	c.sites = sites
	w := c.wire
	c.mu.Unlock()
	if w != nil {
		c.tune(w)
	}
}

// tune makes a connection hear the bells of the sites, and rings.
func (c *Client) tune(w *wire) {
	if err := w.hear(c.listening, c.ring); err != nil {
		w.drop(err)
		return
	}
	c.ring()
}

func (c *Client) listening() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.sites
}

// Hurry ends a pause between two attempts to connect: something urgent waits, or
// the link is known to be back.
func (c *Client) Hurry() {
	if c.Connected() {
		return
	}
	select {
	case c.hurry <- struct{}{}:
	default:
	}
}

// Connected says whether there is a connection now, as far as can be known.
func (c *Client) Connected() bool { return c.Err() == nil }

// Err is why there is no connection now, nil if there is one.
func (c *Client) Err() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.cause
}

// Sent is how many bytes went to the hub since Dial, as TCP payload.
func (c *Client) Sent() int64 { return c.sent.Load() }

// Received is how many bytes came from the hub since Dial, as TCP payload.
func (c *Client) Received() int64 { return c.heard.Load() }
