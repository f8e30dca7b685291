package replica

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// maxRequestID bounds a request id, in bytes.
const maxRequestID = 64

// Write runs f alone, on the newest state, and makes all that it wrote durable
// in one step. It fails with f's error, with fault.Full, or with ErrBroken: then
// whether it was saved is not known, and the same request may be sent again.
func (r *Replica) Write(ctx context.Context, person string, f func(store.Writer) error) error {
	if len(person) > record.MaxAuthor {
		return fmt.Errorf("person id of %d bytes, at most %d are taken", len(person), record.MaxAuthor)
	}
	return r.do(ctx, func(tx *view.Tx, b *batch) error {
		d := &draft{reader: reader{r, tx}, person: person}
		if err := f(d); err != nil {
			return err
		}
		if len(d.changes) == 0 && d.request == nil {
			return nil
		}
		if err := r.space.check(); err != nil {
			return err
		}
		if size := len(transactionFrame(d.request, d.changes)); size > ledger.MaxPayload {
			return fault.TooLarge("this would write %d bytes in one step, at most %d are taken", size, ledger.MaxPayload)
		}
		b.err = r.stage(tx, b, d)
		return b.err
	})
}

// stage takes a finished draft: its changes are made in this replica's name.
func (r *Replica) stage(tx *view.Tx, b *batch, d *draft) error {
	for _, c := range d.changes {
		outcome, err := tx.Apply(c, view.Own)
		if err != nil {
			return err
		}
		if outcome != view.Applied {
			return fmt.Errorf("own change %d is here already", c.Seq)
		}
		r.seq, r.clock = c.Seq, c.At
	}
	if d.request != nil {
		if err := remember(tx, *d.request, r.own.Last()+uint64(len(b.own))+1, r.opts.Now()); err != nil {
			return err
		}
	}
	b.own = append(b.own, transactionFrame(d.request, d.changes))
	return nil
}

// draft collects what one transaction writes.
type draft struct {
	reader
	person  string
	changes []record.Change
	request *request
}

// Create implements store.Writer.
func (d *draft) Create(m proto.Message, lane store.Lane) (string, error) {
	kind, err := d.kind(m)
	if err != nil {
		return "", err
	}
	id := idOf(m)
	if id == "" {
		id = record.OwnID(d.replica.ID(), d.nextSeq()) + "-" + d.replica.session
		setID(m, id)
	}
	values, err := setValues(kind, m)
	if err != nil {
		return "", err
	}
	return id, d.add(kind, id, values, "", lane)
}

// Change implements store.Writer.
func (d *draft) Change(m proto.Message, fields []string, etag string, lane store.Lane) error {
	kind, err := d.kind(m)
	if err != nil {
		return err
	}
	if kind.WrittenOnce {
		return fmt.Errorf("%s are written once and never changed", kind.Collection)
	}
	var values []record.Value
	for _, name := range fields {
		f := kind.FieldNamed(name)
		if f == nil {
			return fmt.Errorf("%s have no stored field %q", kind.Collection, name)
		}
		b, err := f.Encode(m)
		if err != nil {
			return err
		}
		values = append(values, record.Value{Number: f.Number, Bytes: b})
	}
	return d.add(kind, idOf(m), values, etag, lane)
}

// Remember implements store.Writer.
func (d *draft) Remember(requestID string, m store.Memory) error {
	if requestID == "" || len(requestID) > maxRequestID {
		return fmt.Errorf("request id of %d bytes, want 1 to %d", len(requestID), maxRequestID)
	}
	d.request = &request{requestID, m}
	return nil
}

func (d *draft) nextSeq() uint64 { return d.replica.seq + uint64(len(d.changes)) + 1 }

// add makes the change: what it replaces follows from what its writer had seen.
func (d *draft) add(kind *record.Kind, id string, values []record.Value, etag string, lane store.Lane) error {
	key := record.Key{Kind: kind.Number, ID: id}
	for _, c := range d.changes {
		if c.Key == key {
			return fmt.Errorf("record %s is written twice in one transaction", key)
		}
	}
	now, exists, err := d.tx.Record(key)
	if err != nil {
		return err
	}
	if exists && kind.WrittenOnce {
		return fault.Exists(kind.Collection, id)
	}
	seen := now.Seen
	if etag != "" {
		if seen, err = parseEtag(etag); err != nil {
			return err
		}
	}
	self := d.replica.ID()
	c := record.Change{
		Replica: self,
		Seq:     d.nextSeq(),
		N:       now.Seen.Last(self) + 1,
		Key:     key,
		Lane:    record.Lane(lane),
		Origin:  d.origin(),
		Writes:  now.Edit(seen, values),
	}
	if err := c.Validate(); err != nil {
		return err
	}
	d.changes = append(d.changes, c)
	return nil
}

// origin is the same for all changes of a transaction.
func (d *draft) origin() record.Origin {
	if len(d.changes) > 0 {
		return d.changes[0].Origin
	}
	return record.Origin{
		At:     d.replica.clock.Next(d.replica.opts.Now().UnixMilli()),
		Ahead:  d.replica.ahead,
		Author: d.person,
	}
}

// setValues are all stored fields that m has set.
func setValues(kind *record.Kind, m proto.Message) (values []record.Value, err error) {
	for _, f := range kind.Fields {
		b, err := f.Encode(m)
		if err != nil {
			return nil, err
		}
		if len(b) > 0 {
			values = append(values, record.Value{Number: f.Number, Bytes: b})
		}
	}
	return values, nil
}

func idField(m proto.Message) protoreflect.FieldDescriptor {
	return m.ProtoReflect().Descriptor().Fields().ByName("id")
}

func idOf(m proto.Message) string { return m.ProtoReflect().Get(idField(m)).String() }

func setID(m proto.Message, id string) {
	m.ProtoReflect().Set(idField(m), protoreflect.ValueOfString(id))
}
