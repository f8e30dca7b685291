package replica

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/view"
)

// A hub's place in its stream. The stream is known by an identity, because a
// stream that was made anew counts from 1 again.

const localStream = "stream"

// Position is behind the last message of the stream that the view holds, 0 if
// the view holds none of it. holds says whether the stream still has a message,
// told by its number and the time at which it was stored. A stream of another
// identity, or without that message, has lost what was in it: then lost is true,
// the position is 0 again, and everything that the view holds is offered to the
// stream.
func (r *Replica) Position(ctx context.Context, identity string, holds func(seq uint64, at time.Time) (bool, error)) (position uint64, lost bool, err error) {
	r.link.Lock()
	defer r.link.Unlock()
	err = r.do(ctx, func(tx *view.Tx, b *batch) error {
		known, ok, err := tx.Local(localStream)
		if err != nil {
			return err
		}
		var at time.Time
		if position, at, err = getPosition(tx); err != nil {
			return err
		}
		lost = ok && string(known) != identity
		if !lost && position > 0 {
			held, err := holds(position, at)
			if err != nil {
				return err
			}
			lost = !held
		}
		if lost {
			position = 0
			if b.err = r.offerAll(tx); b.err != nil {
				return b.err
			}
		}
		b.err = tx.SetLocal(localStream, []byte(identity))
		return b.err
	})
	return position, lost, err
}

// offerAll begins the stream anew. That everything is to be offered is kept in
// the same step, so that a stop in between does not forget it.
func (r *Replica) offerAll(tx *view.Tx) error {
	r.push.Offer(clock.Context{})
	if err := r.savePush(tx); err != nil {
		return err
	}
	if err := r.savePull(tx); err != nil {
		return err
	}
	return tx.SetLocal(localPosition, nil)
}

// The position is kept as: number, time in nanoseconds since 1970.
func setPosition(tx *view.Tx, seq uint64, at time.Time) error {
	b := binary.BigEndian.AppendUint64(nil, seq)
	return tx.SetLocal(localPosition, binary.BigEndian.AppendUint64(b, uint64(at.UnixNano())))
}

func getPosition(tx *view.Tx) (seq uint64, at time.Time, err error) {
	b, ok, err := tx.Local(localPosition)
	if err != nil || !ok {
		return 0, at, err
	}
	if len(b) != 16 {
		return 0, at, fmt.Errorf("%s holds %d bytes, want 16", localPosition, len(b))
	}
	return binary.BigEndian.Uint64(b), time.Unix(0, int64(binary.BigEndian.Uint64(b[8:]))).UTC(), nil
}
