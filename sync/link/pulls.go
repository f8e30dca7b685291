package link

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"strings"
	"sync"

	"github.com/nats-io/nats.go"

	"github.com/bothy-mesh/bothy/sync/exchange"
)

const (
	pullWorkers   = 8       // answers that are made at a time; each reads the hub's view
	pullsWaiting  = 1 << 10 // requests that wait for a worker; beyond that a node asks in vain, and asks again
	pullBytes     = 64 << 20
	refusedHeader = "Bothy-Refused" // marks an answer that is an error's text
	maxRefusal    = 1 << 10         // bytes of that text; it travels
	hubGroup      = "hub"           // of several hubs, one answers
)

// ServePulls answers the nodes' requests until the context ends. An error of
// answer, and a panic in it, goes back to the node as a [HubError]; a panic is
// logged with its stack.
func (h *Hub) ServePulls(ctx context.Context, answer func(context.Context, exchange.Request) (exchange.Answer, error)) error {
	requests, err := h.conn.QueueSubscribeSync(pullSubject, hubGroup)
	if err != nil {
		return fmt.Errorf("serve pulls: %w", err)
	}
	defer requests.Unsubscribe() // fails only when the connection has ended
	if err := requests.SetPendingLimits(pullsWaiting, pullBytes); err != nil {
		return fmt.Errorf("serve pulls: %w", err)
	}
	causes := make([]error, pullWorkers)
	var workers sync.WaitGroup
	for i := range causes {
		workers.Go(func() { causes[i] = h.servePulls(ctx, requests, answer) })
	}
	workers.Wait()
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return fmt.Errorf("serve pulls: %w", causes[0])
}

// servePulls is one worker.
func (h *Hub) servePulls(ctx context.Context, requests *nats.Subscription, answer func(context.Context, exchange.Request) (exchange.Answer, error)) error {
	for {
		m, err := requests.NextMsgWithContext(ctx)
		switch {
		case errors.Is(err, nats.ErrSlowConsumer):
			h.log.Warn("requests of nodes were dropped: there are more than the hub can answer", "waiting", pullsWaiting)
			continue
		case err != nil:
			return err
		}
		reply, err := h.reply(ctx, m.Data, answer)
		if err == nil {
			err = m.Respond(reply)
		}
		if err != nil {
			h.refuse(m, err)
		}
	}
}

// reply makes the answer to one request.
func (h *Hub) reply(ctx context.Context, request []byte, answer func(context.Context, exchange.Request) (exchange.Answer, error)) (reply []byte, err error) {
	defer func() {
		if p := recover(); p != nil {
			h.log.Error("answering a node's request failed badly", "panic", p, "stack", string(debug.Stack()))
			err = errors.New("the hub failed; its log has the cause")
		}
	}()
	q, err := exchange.DecodeRequest(request)
	if err != nil {
		return nil, err
	}
	a, err := answer(ctx, q)
	if err != nil {
		return nil, err
	}
	return a.Append(nil), nil
}

func (h *Hub) refuse(m *nats.Msg, cause error) {
	text := strings.ToValidUTF8(cause.Error()[:min(len(cause.Error()), maxRefusal)], "")
	refusal := &nats.Msg{Data: []byte(text), Header: nats.Header{refusedHeader: {"1"}}}
	if err := m.RespondMsg(refusal); err != nil {
		h.log.Warn("a node's request got no answer", "cause", cause, "and", err)
	}
}

// Ring tells the nodes that listen for these sites that there is news; nil tells
// all of them. Who is away is not told.
func (h *Hub) Ring(sites []string) error {
	if sites == nil {
		return h.ring(bellForAll)
	}
	var errs []error
	for _, s := range sites {
		errs = append(errs, h.ring(bellSubject(s)))
	}
	return errors.Join(errs...)
}

func (h *Hub) ring(subject string) error {
	if err := h.conn.Publish(subject, nil); err != nil {
		return fmt.Errorf("ring %s: %w", subject, err)
	}
	return nil
}
