package replica

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// Delivery is what came over a link in one step.
type Delivery struct {
	Changes []record.Change
	From    view.Source
	// Position in the hub's stream behind this delivery, and when its last message
	// was stored; 0 on a node.
	Position uint64
	StoredAt time.Time
}

// Received says what became of a delivery.
type Received struct {
	Applied, Known, Refused int
	// Changes that were applied.
	Changes []record.Change
}

// Receive checks changes, joins them into the records and makes that durable in
// one step. What is here already changes nothing. What cannot be taken is set
// aside with its reason and does not hold up the rest.
func (r *Replica) Receive(ctx context.Context, d Delivery) (Received, error) {
	var out Received
	err := r.do(ctx, func(tx *view.Tx, b *batch) error {
		if err := r.space.check(); err != nil {
			return err
		}
		out = Received{}
		b.err = r.receive(tx, b, d, &out)
		return b.err
	})
	return out, err
}

func (r *Replica) receive(tx *view.Tx, b *batch, d Delivery, out *Received) error {
	for _, c := range d.Changes {
		if err := r.take(tx, c, d.From, out); err != nil {
			return err
		}
	}
	if r.opts.KeepReceived && len(out.Changes) > 0 {
		b.received = append(b.received, receivedFrames(byte(d.From), out.Changes)...)
	}
	if d.From == view.Peer && len(out.Changes) > 0 {
		r.carried.Add(1)
	}
	if err := r.actOnForks(tx, b); err != nil {
		return err
	}
	if d.Position > 0 {
		return setPosition(tx, d.Position, d.StoredAt)
	}
	return nil
}

// take applies one change or sets it aside.
func (r *Replica) take(tx *view.Tx, c record.Change, from view.Source, out *Received) error {
	if reason := r.objection(c); reason != "" {
		out.Refused++
		return r.refuse(tx, c, reason)
	}
	outcome, err := r.join(tx, c, from)
	if errors.Is(err, view.ErrOverfull) {
		out.Refused++
		return r.refuse(tx, c, err.Error())
	}
	if err != nil {
		return fmt.Errorf("apply change %d of %s: %w", c.Seq, c.Replica, err)
	}
	if outcome == view.Known {
		out.Known++
		return nil
	}
	out.Applied++
	out.Changes = append(out.Changes, c)
	if heard, trusted := r.clock.Hear(c.At, r.opts.Now().UnixMilli()); trusted {
		r.clock = heard
	}
	return nil
}

// objection says why a change cannot be taken; empty if it can.
func (r *Replica) objection(c record.Change) string {
	if err := c.Validate(); err != nil {
		return err.Error()
	}
	if kind := r.schema.Kind(c.Key.Kind); kind != nil && kind.WrittenOnce && c.N > 1 {
		return fmt.Sprintf("%s are written once; this is change %d of %s", kind.Collection, c.N, c.Key.ID)
	}
	return ""
}

// A refusal is kept as: the length of the reason (2 bytes), the reason, and the
// change itself, so that nothing that somebody wrote is gone.
func (r *Replica) refuse(tx *view.Tx, c record.Change, reason string) error {
	reason = strings.ToValidUTF8(reason[:min(len(reason), 512)], "")
	b := append([]byte{byte(len(reason) >> 8), byte(len(reason))}, reason...)
	r.log.Warn("change refused", "replica", c.Replica, "sequence", c.Seq, "record", c.Key, "reason", reason)
	return tx.SetLocal(changeName(localRefused, c.ID()), c.Append(b))
}

// Refused is one change that this replica would not take.
type Refused struct {
	Change record.Change
	Reason string
}

// refusedOf lists what was refused of a replica, in order of number; of all
// replicas if it is 0.
func (r *Replica) refusedOf(tx *view.Tx, of clock.Replica) (out []Refused, err error) {
	prefix := localRefused
	if of != 0 {
		prefix += of.String() + "/"
	}
	for l, err := range tx.LocalPrefix(prefix) {
		if err != nil {
			return nil, err
		}
		f, err := openRefused(l.Bytes)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", l.Name, err)
		}
		out = append(out, f)
	}
	return out, nil
}

// dealtWith adds the changes of a replica that are set aside to those that are
// joined: its writer need not send them again.
func (r *Replica) dealtWith(tx *view.Tx, have clock.Context, of clock.Replica) (uint64, []Refused, error) {
	refused, err := r.refusedOf(tx, of)
	for _, f := range refused {
		have = have.With(clock.Dot{Replica: of, N: f.Change.Seq})
	}
	return have.Base(of), refused, err
}

var errRefused = errors.New("kept refusal is malformed")

func openRefused(b []byte) (f Refused, err error) {
	if len(b) < 2 {
		return f, errRefused
	}
	n := int(b[0])<<8 | int(b[1])
	if len(b) < 2+n {
		return f, errRefused
	}
	f.Reason = string(b[2 : 2+n])
	f.Change, _, err = record.DecodeChange(b[2+n:])
	return f, err
}

// Unpack gives the changes of a piece.
func (r *Replica) Unpack(piece []byte) ([]record.Change, error) { return r.packer.Open(piece) }
