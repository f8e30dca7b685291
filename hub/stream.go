package hub

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/link"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

// consume joins what the stream holds into the view, from where the view left
// off, and rings for the cabins.
func (h *Hub) consume(ctx context.Context) error {
	position, lost, err := h.replica.Position(ctx, h.stream.Identity(), func(seq uint64, at time.Time) (bool, error) {
		return h.stream.Holds(ctx, seq, at)
	})
	if err != nil {
		return err
	}
	if lost {
		sentence := "The hub's stream is not the one that its view was built from, or has lost its end. Everything that the view holds is written to the stream again."
		if err := h.replica.Alarm(ctx, sentence); err != nil {
			return err
		}
	}
	return h.stream.Messages(ctx, position, func(batch []link.Message) error { return h.join(ctx, batch) })
}

// join takes one batch of the stream in one step. A piece that cannot be opened
// is passed over with an alarm: whoever sent it still has it.
func (h *Hub) join(ctx context.Context, batch []link.Message) error {
	d := replica.Delivery{From: view.Hub}
	for _, m := range batch {
		changes, err := h.replica.Unpack(m.Piece)
		if err != nil {
			if err := h.replica.Alarm(ctx, fmt.Sprintf("Message %d of the stream (from %s) cannot be read: %v.", m.Seq, m.Replica, err)); err != nil {
				return err
			}
		}
		d.Changes = append(d.Changes, changes...)
		d.Position, d.StoredAt = m.Seq, m.Time
	}
	got, err := h.replica.Receive(ctx, d)
	if err != nil {
		return fmt.Errorf("join messages up to %d: %w", d.Position, err)
	}
	h.log.Debug("joined", "messages", len(batch), "applied", got.Applied, "known", got.Known, "refused", got.Refused)
	return h.stream.Ring(nil)
}

// publish writes the hub's own changes to the stream.
func (h *Hub) publish(ctx context.Context) error {
	retry := time.NewTicker(retryAfter)
	defer retry.Stop()
	for {
		if err := h.publishAll(ctx); err != nil && ctx.Err() == nil {
			h.log.Warn("own changes could not be written to the stream", "error", err)
			h.replica.Cut()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-h.replica.News():
		case <-retry.C:
		}
	}
}

const (
	retryAfter   = 5 * time.Second
	publishTimes = 30 * time.Second
)

func (h *Hub) publishAll(ctx context.Context) error {
	for {
		piece, err := h.replica.NextPiece()
		if err != nil || piece == nil {
			return err
		}
		sum := sha256.Sum256(piece)
		if err := h.publishOne(ctx, hex.EncodeToString(sum[:6]), piece); err != nil {
			return err
		}
	}
}

func (h *Hub) publishOne(ctx context.Context, id string, piece []byte) error {
	ctx, cancel := context.WithTimeout(ctx, publishTimes)
	defer cancel()
	started := time.Now()
	if err := h.stream.Publish(ctx, h.replica.ID(), id, piece); err != nil {
		return err
	}
	return h.replica.Acknowledged(ctx, len(piece), time.Since(started))
}

// servePulls answers the cabins.
func (h *Hub) servePulls(ctx context.Context) error {
	return h.stream.ServePulls(ctx, func(ctx context.Context, q exchange.Request) (exchange.Answer, error) {
		last, err := h.stream.LastSeq(ctx)
		if err != nil {
			return exchange.Answer{}, fmt.Errorf("ask for the end of the stream: %w", err)
		}
		return h.replica.Answer(ctx, q, func(position uint64) bool { return position >= last })
	})
}
