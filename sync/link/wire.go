package link

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"sync"
	"sync/atomic"

	"github.com/nats-io/nats.go"
)

// wire is one connection to the broker, from its set-up to its end. It is never
// connected a second time.
type wire struct {
	conn *nats.Conn
	// inbox is the subject before the number of a request. A part of it is
	// drawn for each connection, so that an answer to a request of an earlier
	// one is never taken for an answer to one of this.
	inbox string
	end   func()        // ends the connection without waiting for anything
	gone  chan struct{} // closed when the connection has ended
	asked atomic.Uint64

	mu      sync.Mutex
	waiting map[string]chan<- *nats.Msg // by the subject of the answer
	cause   error                       // why the connection was ended here

	tuning sync.Mutex // held while bells change, which a stuck line makes last
	bells  []*nats.Subscription
}

// ask sends one message and waits for the one answer. It is like a request of
// the NATS client, under a reply subject that is half as long.
func (w *wire) ask(ctx context.Context, m *nats.Msg) (*nats.Msg, error) {
	answer := make(chan *nats.Msg, 1)
	m.Reply = w.inbox + strconv.FormatUint(w.asked.Add(1), 36)
	w.expect(m.Reply, answer)
	defer w.expect(m.Reply, nil)
	if err := w.conn.PublishMsg(m); err != nil {
		return nil, fmt.Errorf("send: %w", err)
	}
	select {
	case got := <-answer:
		if len(got.Data) == 0 && got.Header.Get("Status") == "503" {
			return nil, errNobody
		}
		return got, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-w.gone:
		return nil, fmt.Errorf("the connection ended before the answer: %w", w.reason())
	}
}

var errNobody = errors.New("the broker is there, but nobody behind it takes this")

func (w *wire) expect(subject string, answer chan<- *nats.Msg) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if answer == nil {
		delete(w.waiting, subject)
	} else {
		w.waiting[subject] = answer
	}
}

// route hands an answer to who waits for it. One that nobody waits for any more
// is dropped, and so is a second one.
func (w *wire) route(m *nats.Msg) {
	w.mu.Lock()
	answer := w.waiting[m.Subject]
	w.mu.Unlock()
	select {
	case answer <- m:
	default:
	}
}

// listen starts to hear answers.
func (w *wire) listen(inbox string) error {
	w.inbox = inbox + strconv.FormatUint(uint64(rand.Uint32()), 36) + "."
	w.waiting = map[string]chan<- *nats.Msg{}
	_, err := w.conn.Subscribe(w.inbox+"*", w.route)
	return err
}

// hear replaces the bells that are heard. The broker takes this before any later
// request, so that no news falls between the two.
func (w *wire) hear(sites func() []string, ring func()) error {
	w.tuning.Lock()
	defer w.tuning.Unlock()
	for _, old := range w.bells {
		old.Unsubscribe() // fails only on a connection that has ended
	}
	w.bells = nil
	for _, s := range bells(sites()) {
		sub, err := w.conn.Subscribe(s, func(*nats.Msg) { ring() })
		if err != nil {
			return fmt.Errorf("listen to %s: %w", s, err)
		}
		w.bells = append(w.bells, sub)
	}
	return nil
}

// drop ends the connection for a reason of ours.
func (w *wire) drop(cause error) {
	w.mu.Lock()
	if w.cause == nil {
		w.cause = cause
	}
	w.mu.Unlock()
	w.end()
}

// reason is why the connection ended.
func (w *wire) reason() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cause != nil {
		return w.cause
	}
	if err := w.conn.LastError(); err != nil {
		return err
	}
	return errors.New("closed by the other side")
}
