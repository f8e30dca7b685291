package node

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"time"
)

// The uplink's times.
const (
	// replyWithin is how long one piece or one answer may take. A piece is sized
	// for two seconds of the link; the rest is for a link that has grown worse.
	replyWithin = 60 * time.Second
	// receiptAfter is when the hub is asked for its receipt if it does not ring.
	receiptAfter = 30 * time.Second
	// firstPause and longestPause bound the wait after a failure; each failure
	// doubles it, and chance spreads it so that cabins do not come back at once.
	firstPause   = 2 * time.Second
	longestPause = 5 * time.Minute
)

// uplink exchanges changes with the hub whenever there is a link, until the
// context ends. Between two pieces it looks again for what is most urgent, and
// pulls when the hub has rung.
func (n *Node) uplink(ctx context.Context) error {
	pause := firstPause
	next := time.NewTimer(0)
	defer next.Stop()
	for {
		asked := true
		select {
		case <-ctx.Done():
			return nil
		case <-n.client.Bells():
		case <-n.replica.News():
			asked = false
		case <-next.C:
		}
		wait, err := n.exchange(ctx, asked)
		if err != nil {
			if ctx.Err() != nil {
				return nil
			}
			n.log.Info("exchange with the hub stopped", "error", err, "again_in", pause)
			n.replica.Cut()
			wait, pause = jitter(pause), min(2*pause, longestPause)
		} else {
			pause = firstPause
		}
		next.Reset(wait)
	}
}

// jitter draws a wait between half of a pause and the whole.
func jitter(pause time.Duration) time.Duration {
	return pause/2 + rand.N(pause/2)
}

// exchange sends and asks until nothing waits, and says when to ask again.
func (n *Node) exchange(ctx context.Context, ask bool) (wait time.Duration, err error) {
	if !n.client.Connected() {
		return n.cfg.AskEvery, n.hurry()
	}
	pushed := false
	for {
		sent, err := n.push(ctx)
		if err != nil {
			return 0, err
		}
		pushed = pushed || sent
		if ask || rung(n.client.Bells()) {
			if ask, err = n.ask(ctx); err != nil {
				return 0, err
			}
		} else if !sent {
			break
		}
	}
	if pushed {
		return receiptAfter, nil
	}
	return n.cfg.AskEvery, nil
}

// hurry has the client try at once, whatever pause it is in, if a hazard or a
// hold waits.
func (n *Node) hurry() error {
	status, err := n.replica.Status()
	if err == nil && status.Lanes[0].Changes > 0 {
		n.client.Hurry()
	}
	return err
}

func rung(bells <-chan struct{}) bool {
	select {
	case <-bells:
		return true
	default:
		return false
	}
}

// push sends the most urgent piece, if one waits.
func (n *Node) push(ctx context.Context) (sent bool, err error) {
	piece, err := n.replica.NextPiece()
	if err != nil || piece == nil {
		return false, err
	}
	ctx, cancel := context.WithTimeout(ctx, replyWithin)
	defer cancel()
	started := time.Now()
	if err := n.client.Push(ctx, pieceID(piece), piece); err != nil {
		return false, err
	}
	return true, n.replica.Acknowledged(ctx, len(piece), time.Since(started))
}

// pieceID lets the broker drop a piece that is sent again at once; what it does
// not drop is harmless.
func pieceID(piece []byte) string {
	sum := sha256.Sum256(piece)
	return hex.EncodeToString(sum[:6])
}

// ask pulls once, and says whether there is more.
func (n *Node) ask(ctx context.Context) (more bool, err error) {
	q, err := n.replica.Question(n.cfg.Name)
	if err != nil {
		return false, err
	}
	ctx, cancel := context.WithTimeout(ctx, replyWithin)
	defer cancel()
	started := time.Now()
	a, err := n.client.Pull(ctx, q)
	if err != nil {
		return false, err
	}
	more, err = n.replica.Answered(ctx, q, a, time.Since(started))
	if err == nil {
		n.lastContact.Store(n.cfg.Now().UnixMilli())
	}
	return more, errors.Join(err)
}
