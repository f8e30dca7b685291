package link

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Limits on a batch of messages.
const (
	BatchMessages = 64      // one synced write of the hub's view
	BatchBytes    = 4 << 20 // bounds what one batch holds in memory
)

const (
	fetchWait  = 30 * time.Second // for which one request for messages stands
	heartbeat  = 2 * time.Second  // by which a reader knows that it still exists; two may fail
	readerIdle = 5 * time.Minute  // after which the broker forgets a reader; it is made anew
)

// Message is one message of the hub's ledger.
type Message struct {
	// Seq is its sequence number, and Time when it was stored.
	Seq  uint64
	Time time.Time
	// Replica that pushed it; 0 if the subject names none.
	Replica clock.Replica
	// Piece belongs to the receiver.
	Piece []byte
	// Missing is how many sequence numbers right before this one the ledger no
	// longer has: deleted, or lost by damage.
	Missing uint64
}

// Messages hands out the ledger's messages after a sequence number in their order,
// in batches of what is at hand, and then each new one, until the context ends
// or handle fails. It returns that error, or [ErrOtherLedger] where the ledger
// does not reach up to the number or was replaced. A batch is handed out once
// the one before was handled; to go on after a restart, ask for what comes after
// the last one that was.
//
// What is lost at the very end of the ledger shows only when the next message
// comes.
func (h *Hub) Messages(ctx context.Context, after uint64, handle func([]Message) error) error {
	r := reader{hub: h, after: after, handle: handle}
	for {
		err := h.during(ctx, r.follow)
		switch {
		case r.failed != nil:
			return fmt.Errorf("handle messages after %d: %w", r.after, r.failed)
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, ErrOtherLedger) || h.conn.IsClosed():
			return fmt.Errorf("read the ledger after %d: %w", r.after, err)
		}
		h.log.Warn("reading the ledger is interrupted", "after", r.after, "cause", err)
		if !sleep(ctx, retryPause) {
			return ctx.Err()
		}
	}
}

// reader reads the ledger by way of consumers that the broker may forget at any
// time.
type reader struct {
	hub    *Hub
	handle func([]Message) error
	after  uint64 // sequence number of the last message that was handled
	taken  uint64 // messages that the present consumer has delivered
	failed error  // of handle
}

// follow makes a consumer and reads until it fails.
func (r *reader) follow(ctx context.Context) error {
	consumer, err := r.consumer(ctx)
	if err != nil {
		return err
	}
	defer r.forget(ctx, consumer)
	r.taken = 0
	for err == nil {
		err = r.fetch(ctx, consumer)
	}
	return err
}

func (r *reader) consumer(ctx context.Context) (jetstream.Consumer, error) {
	ctx, cancel := context.WithTimeout(ctx, askAgain)
	defer cancel()
	state, err := r.hub.state(ctx)
	if err != nil {
		return nil, err
	}
	if state.LastSeq < r.after {
		return nil, fmt.Errorf("%w: it ends at %d, and was read up to %d", ErrOtherLedger, state.LastSeq, r.after)
	}
	c, err := r.hub.js.CreateConsumer(ctx, StreamName, jetstream.ConsumerConfig{
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       r.after + 1,
		AckPolicy:         jetstream.AckNonePolicy,
		InactiveThreshold: readerIdle,
		MemoryStorage:     true,
		Replicas:          1,
	})
	if err != nil {
		return nil, fmt.Errorf("make a reader: %w", err)
	}
	return c, nil
}

// forget spares the broker a reader that nobody uses. It may fail: the broker
// forgets it by itself.
func (r *reader) forget(ctx context.Context, c jetstream.Consumer) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	r.hub.js.DeleteConsumer(ctx, StreamName, c.CachedInfo().Name)
}

// fetch asks for a number of messages and handles them as they come.
func (r *reader) fetch(ctx context.Context, c jetstream.Consumer) error {
	round, cancel := context.WithTimeout(ctx, fetchWait)
	fetched, err := c.Fetch(BatchMessages, jetstream.FetchMaxBytes(BatchBytes),
		jetstream.FetchContext(round), jetstream.FetchHeartbeat(heartbeat))
	if err != nil {
		cancel()
		return fmt.Errorf("ask for messages: %w", err)
	}
	coming := fetched.Messages()
	defer func() {
		cancel()
		for range coming { // closed when the request has ended
		}
	}()
	for first := range coming {
		batch, err := r.batch(first, coming)
		if err != nil {
			return err
		}
		if r.failed = r.handle(batch); r.failed != nil {
			return r.failed
		}
		r.after = batch[len(batch)-1].Seq
	}
	if err := fetched.Error(); err != nil && !(round.Err() != nil && ctx.Err() == nil) {
		return fmt.Errorf("wait for messages: %w", err)
	}
	return ctx.Err()
}

// batch takes the messages that are at hand.
func (r *reader) batch(next jetstream.Msg, coming <-chan jetstream.Msg) ([]Message, error) {
	var batch []Message
	last := r.after
	for {
		m, err := r.take(next, last)
		if err != nil {
			return nil, err
		}
		batch = append(batch, m)
		last = m.Seq
		select {
		case more, ok := <-coming:
			if !ok {
				return batch, nil
			}
			next = more
		default:
			return batch, nil
		}
	}
}

// take makes sure that nothing was lost on the way here: the consumer numbers
// what it delivers. What is missing in the stream's own numbers is missing in
// the stream.
func (r *reader) take(m jetstream.Msg, last uint64) (Message, error) {
	meta, err := m.Metadata()
	if err != nil {
		return Message{}, fmt.Errorf("read a message of the ledger: %w", err)
	}
	if r.taken++; meta.Sequence.Consumer != r.taken || meta.Sequence.Stream <= last {
		return Message{}, fmt.Errorf("the broker delivered message %d as number %d after %d messages: some were lost on the way",
			meta.Sequence.Stream, meta.Sequence.Consumer, r.taken-1)
	}
	return Message{
		Seq:     meta.Sequence.Stream,
		Time:    meta.Timestamp.UTC(),
		Replica: upReplica(m.Subject()),
		Piece:   m.Data(),
		Missing: meta.Sequence.Stream - last - 1,
	}, nil
}
