// Package booktest keeps records in memory, for tests of a book and of what
// stands on it.
//
// A [Store] is simple and honest. Each field of a record holds every version
// that no later write replaced; an etag is what its reader had seen of the
// record, and a write with a stale one stays beside what it had not seen. While
// versions differ, the field reads by the rule that its message declares.
// [Store.Merge] takes in all that another store has, as two cabins would that
// meet. Nothing is written to a disk, so "durable" lasts as long as the store.
package booktest

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// Store is a [store.Store] in memory. It is safe for many goroutines; a
// function that it runs must not call it again.
type Store struct {
	replica string
	now     func() time.Time

	mu         sync.RWMutex // guards what follows
	last       hybrid       // of the latest change; every change has a later one
	made       int          // records that were given an id
	records    map[key]*record
	remembered map[string]store.Memory
	written    []Write
}

// Write is one write to one record.
type Write struct {
	// Kind is the name of the record's message, such as "Defect".
	Kind, ID string
	// Person who wrote it; empty for the program itself.
	Person string
	Lane   store.Lane
}

var _ store.Store = (*Store)(nil)

// New is an empty store that writes as the replica (lower-case letters and
// digits) and has its time from now.
func New(replica string, now func() time.Time) *Store {
	return &Store{replica: replica, now: now, records: map[key]*record{}, remembered: map[string]store.Memory{}}
}

// Read runs f on the state as it is now.
func (s *Store) Read(ctx context.Context, f func(store.Reader) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	return f(reader{s})
}

// Write runs f alone and then, if it returns nil, does what f asked for.
func (s *Store) Write(ctx context.Context, person string, f func(store.Writer) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	w := &writer{reader: reader{s}, person: person}
	if err := f(w); err != nil {
		return err
	}
	for _, do := range w.staged {
		do()
	}
	return nil
}

// Merge takes in everything that the other store has. What it remembers of
// requests stays there, as it does between replicas.
func (s *Store) Merge(other *Store) {
	other.mu.RLock()
	theirs := map[key]*record{}
	for k, r := range other.records {
		theirs[k] = r.clone()
	}
	other.mu.RUnlock()
	s.mu.Lock()
	defer s.mu.Unlock()
	for k, r := range theirs {
		if mine := s.records[k]; mine != nil {
			r = join(mine, r)
		}
		s.records[k] = r
		if r.changedAt.compare(s.last) > 0 {
			s.last = r.changedAt
		}
	}
}

// Changes is how many changes the store holds, of all records.
func (s *Store) Changes() int {
	s.mu.RLock()
	defer s.mu.RUnlock()
	n := 0
	for _, r := range s.records {
		for _, seen := range r.seen {
			n += seen
		}
	}
	return n
}

// Written is every write that was made here, oldest first.
func (s *Store) Written() []Write {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.Clone(s.written)
}

// reader reads a store whose lock is held.
type reader struct{ s *Store }

func (r reader) Get(m proto.Message, id string) (store.Entry, bool, error) {
	rec := r.s.records[keyOf(m, id)]
	if rec == nil {
		return store.Entry{}, false, nil
	}
	return rec.entry(m, id), true, nil
}

func (r reader) List(m proto.Message, afterID string) iter.Seq2[store.Entry, error] {
	var ids []string
	for k := range r.s.records {
		if k.kind == kindOf(m) && k.id > afterID {
			ids = append(ids, k.id)
		}
	}
	slices.Sort(ids)
	return r.entries(m, ids)
}

func (r reader) entries(m proto.Message, ids []string) iter.Seq2[store.Entry, error] {
	return func(yield func(store.Entry, error) bool) {
		for _, id := range ids {
			if !yield(r.s.records[keyOf(m, id)].entry(m, id), nil) {
				return
			}
		}
	}
}

func (r reader) ListBy(m proto.Message, field, value string, newestFirst bool) iter.Seq2[store.Entry, error] {
	fd := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(field))
	if fd == nil || !mergeOf(fd).GetListedBy() {
		return func(yield func(store.Entry, error) bool) {
			yield(store.Entry{}, fmt.Errorf("%s: %q is not a field to list by", kindOf(m), field))
		}
	}
	var ids []string
	for k, rec := range r.s.records {
		if k.kind == kindOf(m) && rec.read(m).Get(fd).String() == value {
			ids = append(ids, k.id)
		}
	}
	slices.SortFunc(ids, func(a, b string) int {
		older := r.s.records[keyOf(m, a)].createdAt.compare(r.s.records[keyOf(m, b)].createdAt)
		return cmp.Or(older, cmp.Compare(a, b))
	})
	if newestFirst {
		slices.Reverse(ids)
	}
	return r.entries(m, ids)
}

func (r reader) Conflicts() iter.Seq2[*bothyv1.Conflict, error] {
	return func(yield func(*bothyv1.Conflict, error) bool) {
		keys := slices.SortedFunc(maps.Keys(r.s.records), key.compare)
		for _, k := range keys {
			for _, number := range r.s.records[k].conflicting() {
				c, err := r.s.records[k].conflict(k, number)
				if !yield(c, err) || err != nil {
					return
				}
			}
		}
	}
}

func (r reader) Remembered(requestID string) (store.Memory, bool, error) {
	m, ok := r.s.remembered[requestID]
	m.IDs = slices.Clone(m.IDs)
	return m, ok, nil
}

// writer stages what one transaction writes.
type writer struct {
	reader
	person string
	staged []func()
}

func (w *writer) Create(m proto.Message, lane store.Lane) (string, error) {
	id := m.ProtoReflect().Descriptor().Fields().ByName("id")
	if id == nil {
		return "", fmt.Errorf("%s is no record", kindOf(m))
	}
	if m.ProtoReflect().Get(id).String() == "" {
		w.s.made++
		m.ProtoReflect().Set(id, protoreflect.ValueOfString(fmt.Sprintf("%s-%d", w.s.replica, w.s.made)))
	}
	k := keyOf(m, m.ProtoReflect().Get(id).String())
	var fields []protoreflect.FieldDescriptor
	for _, fd := range storedFields(m) {
		if m.ProtoReflect().Has(fd) {
			fields = append(fields, fd)
		}
	}
	w.stage(k, m, fields, nil, lane)
	return k.id, nil
}

func (w *writer) Change(m proto.Message, fields []string, etag string, lane store.Lane) error {
	k := keyOf(m, m.ProtoReflect().Get(m.ProtoReflect().Descriptor().Fields().ByName("id")).String())
	rec := w.s.records[k]
	if rec == nil || len(fields) == 0 {
		return fmt.Errorf("change %s %q: there is no such record, or no field is named", k.kind, k.id)
	}
	seen := maps.Clone(rec.seen)
	if etag != "" {
		var err error
		if seen, err = parseEtag(etag); err != nil {
			return fmt.Errorf("change %s %q: %w", k.kind, k.id, err)
		}
	}
	var descriptors []protoreflect.FieldDescriptor
	for _, name := range fields {
		fd := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(name))
		if fd == nil || !slices.Contains(storedFields(m), fd) {
			return fmt.Errorf("change %s %q: %q is not a stored field", k.kind, k.id, name)
		}
		descriptors = append(descriptors, fd)
	}
	w.stage(k, m, descriptors, seen, lane)
	return nil
}

// stage keeps a write of these fields of m for the end of the transaction.
func (w *writer) stage(k key, m proto.Message, fields []protoreflect.FieldDescriptor, seen map[string]int, lane store.Lane) {
	values := map[protoreflect.FieldNumber]proto.Message{}
	for _, fd := range fields {
		values[fd.Number()] = only(m, fd)
	}
	w.staged = append(w.staged, func() {
		w.s.put(k, w.person, values, seen)
		w.s.written = append(w.s.written, Write{string(k.kind.Name()), k.id, w.person, lane})
	})
}

func (w *writer) Remember(requestID string, m store.Memory) error {
	if requestID == "" {
		return errors.New("remember: a request without an id")
	}
	m.IDs = slices.Clone(m.IDs)
	w.staged = append(w.staged, func() { w.s.remembered[requestID] = m })
	return nil
}
