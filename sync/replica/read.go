package replica

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"iter"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// Read runs f on one consistent state.
func (r *Replica) Read(ctx context.Context, f func(store.Reader) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return r.read(func(tx *view.Tx) error { return f(reader{r, tx}) })
}

// reader reads records as messages.
type reader struct {
	replica *Replica
	tx      *view.Tx
}

func (d reader) kind(m proto.Message) (*record.Kind, error) {
	if k := d.replica.schema.Of(m); k != nil {
		return k, nil
	}
	return nil, fmt.Errorf("%s is no record", m.ProtoReflect().Descriptor().FullName())
}

// Get implements store.Reader.
func (d reader) Get(m proto.Message, id string) (store.Entry, bool, error) {
	kind, err := d.kind(m)
	if err != nil {
		return store.Entry{}, false, err
	}
	rec, ok, err := d.tx.Record(record.Key{Kind: kind.Number, ID: id})
	if err != nil || !ok {
		return store.Entry{}, false, err
	}
	e, err := d.entry(kind, m, rec)
	return e, err == nil, err
}

// List implements store.Reader.
func (d reader) List(m proto.Message, afterID string) iter.Seq2[store.Entry, error] {
	kind, err := d.kind(m)
	if err != nil {
		return failed(err)
	}
	return d.entries(kind, m, d.tx.List(kind.Number, afterID))
}

// ListBy implements store.Reader.
func (d reader) ListBy(m proto.Message, field, value string, newestFirst bool) iter.Seq2[store.Entry, error] {
	kind, err := d.kind(m)
	if err != nil {
		return failed(err)
	}
	f := kind.FieldNamed(field)
	if f == nil || !f.ListedBy {
		return failed(fmt.Errorf("%s cannot be listed by %q", kind.Collection, field))
	}
	return d.entries(kind, m, d.tx.ListBy(kind.Number, f.Number, value, newestFirst))
}

func failed(err error) iter.Seq2[store.Entry, error] {
	return func(yield func(store.Entry, error) bool) { yield(store.Entry{}, err) }
}

func (d reader) entries(kind *record.Kind, m proto.Message, records iter.Seq2[record.Record, error]) iter.Seq2[store.Entry, error] {
	return func(yield func(store.Entry, error) bool) {
		for rec, err := range records {
			var e store.Entry
			if err == nil {
				e, err = d.entry(kind, m, rec)
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// entry is a record as it reads now.
func (d reader) entry(kind *record.Kind, m proto.Message, rec record.Record) (store.Entry, error) {
	e := store.Entry{Message: m.ProtoReflect().New().Interface(), Etag: etagOf(rec.Seen)}
	if err := kind.Read(rec, e.Message); err != nil {
		return store.Entry{}, err
	}
	for _, c := range kind.Conflicts(rec) {
		e.Conflicting = append(e.Conflicting, string(c.Field.Descriptor.Name()))
	}
	first, last, err := d.origins(kind, rec)
	e.CreatedAt, e.CreatedBy, e.ChangedAt = first.At.Time(), first.Author, last.At.Time()
	return e, err
}

// origins are those of a record's first and latest change. The latest one always
// has a live version; a record that is written once has only that.
func (d reader) origins(kind *record.Kind, rec record.Record) (first, last record.Origin, err error) {
	for _, f := range rec.Fields {
		for _, v := range f.Versions {
			if v.At >= last.At {
				last = v.Origin
			}
		}
	}
	if kind.WrittenOnce {
		return last, last, nil
	}
	for c, err := range d.tx.ChangesOf(rec.Key) {
		return c.Origin, last, err
	}
	return last, last, nil
}

// Remembered implements store.Reader.
func (d reader) Remembered(requestID string) (store.Memory, bool, error) {
	return remembered(d.tx, requestID)
}

// Conflicts implements store.Reader.
func (d reader) Conflicts() iter.Seq2[*bothyv1.Conflict, error] {
	return func(yield func(*bothyv1.Conflict, error) bool) {
		for _, kind := range d.replica.schema.Kinds() {
			if kind.WrittenOnce {
				continue
			}
			for rec, err := range d.tx.List(kind.Number, "") {
				if err != nil {
					yield(nil, err)
					return
				}
				for _, c := range kind.Conflicts(rec) {
					if !yield(conflictMessage(kind, rec.Key.ID, c), nil) {
						return
					}
				}
			}
		}
	}
}

func conflictMessage(kind *record.Kind, id string, c record.Conflict) *bothyv1.Conflict {
	out := &bothyv1.Conflict{
		Kind:    kind.Collection,
		Id:      id,
		Field:   c.Field.Descriptor.JSONName(),
		ReadsAs: jsonOf(c.Field, c.ReadsAs),
		Rule:    c.Field.Rule.String(),
	}
	for _, v := range c.Versions {
		out.Versions = append(out.Versions, &bothyv1.FieldVersion{
			Value:        jsonOf(c.Field, v.Value),
			Person:       v.Author,
			WrittenAt:    timestamppb.New(v.At.Time()),
			Replica:      v.Dot.Replica.String(),
			ClockAheadMs: aheadMillis(v.Ahead),
		})
	}
	return out
}

func aheadMillis(a clock.Ahead) *int64 {
	if !a.Known() {
		return nil
	}
	return proto.Int64(int64(a))
}

// jsonOf is one field's value as it stands in a JSON document; empty if it is
// cleared or unreadable.
func jsonOf(f *record.FieldRule, value []byte) string {
	if len(value) == 0 {
		return ""
	}
	m, err := f.Decode(value)
	if err != nil {
		return ""
	}
	b, err := protojson.Marshal(m.Interface())
	if err != nil {
		return ""
	}
	return string(memberOf(b))
}

// memberOf cuts the one member's value out of an object.
func memberOf(object []byte) []byte {
	colon := bytes.IndexByte(object, ':')
	if colon < 0 {
		return nil
	}
	return bytes.TrimSpace(object[colon+1 : len(object)-1])
}

// An etag is the record's context, so that it says exactly what its reader saw.
func etagOf(seen clock.Context) string {
	return base64.RawURLEncoding.EncodeToString(seen.Append(nil))
}

func parseEtag(etag string) (clock.Context, error) {
	b, err := base64.RawURLEncoding.DecodeString(etag)
	if err == nil {
		seen, rest, err := clock.DecodeContext(b)
		if err == nil && len(rest) == 0 {
			return seen, nil
		}
	}
	return clock.Context{}, fault.Invalid(fault.Violation{Field: "etag", Problem: "is not one that this service gave out; read the record again"})
}

// History gives the changes of a record, oldest first, with what each replaced.
func (r *Replica) History(ctx context.Context, collection, id string) ([]*bothyv1.HistoryEntry, error) {
	kind := r.schema.Collection(collection)
	if kind == nil {
		return nil, fault.Invalid(fault.Violation{Field: "kind", Problem: fmt.Sprintf("%q is no kind of record", collection)})
	}
	var out []*bothyv1.HistoryEntry
	err := r.read(func(tx *view.Tx) error {
		// All first: by a wrong clock, what was replaced may stand behind.
		written := map[clock.Dot]record.Change{}
		var changes []record.Change
		for c, err := range tx.ChangesOf(record.Key{Kind: kind.Number, ID: id}) {
			if err != nil {
				return err
			}
			written[c.Dot()] = c
			changes = append(changes, c)
		}
		for _, c := range changes {
			out = append(out, historyEntry(kind, c, written))
		}
		return ctx.Err()
	})
	if err == nil && len(out) == 0 {
		return nil, fault.Missing(collection, id)
	}
	return out, err
}

func historyEntry(kind *record.Kind, c record.Change, written map[clock.Dot]record.Change) *bothyv1.HistoryEntry {
	e := &bothyv1.HistoryEntry{
		Replica:      c.Replica.String(),
		Sequence:     c.Seq,
		Person:       c.Author,
		WrittenAt:    timestamppb.New(c.At.Time()),
		ClockAheadMs: aheadMillis(c.Ahead),
	}
	for _, w := range c.Writes {
		f := kind.FieldNumbered(w.Number)
		if f == nil {
			continue
		}
		change := &bothyv1.FieldChange{Field: f.Descriptor.JSONName(), Value: jsonOf(f, w.Value)}
		for _, d := range w.Replaces {
			for _, old := range written[d].Writes {
				if old.Number == w.Number {
					change.Replaced = append(change.Replaced, jsonOf(f, old.Value))
				}
			}
		}
		e.Fields = append(e.Fields, change)
	}
	return e
}

// timeOf reads milliseconds since 1970; zero is no time.
func timeOf(millis int64) time.Time {
	if millis == 0 {
		return time.Time{}
	}
	return time.UnixMilli(millis).UTC()
}

// Collection is what records of the key's kind are called; empty if this program
// does not know the kind.
func (r *Replica) Collection(k record.Key) string {
	if kind := r.schema.Kind(k.Kind); kind != nil {
		return kind.Collection
	}
	return ""
}
