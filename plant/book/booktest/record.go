package booktest

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// key names a record.
type key struct {
	kind protoreflect.FullName
	id   string
}

func (k key) compare(o key) int { return cmp.Or(cmp.Compare(k.kind, o.kind), cmp.Compare(k.id, o.id)) }

func kindOf(m proto.Message) protoreflect.FullName { return m.ProtoReflect().Descriptor().FullName() }

func keyOf(m proto.Message, id string) key { return key{kindOf(m), id} }

// hybrid is a time of a replica: a clock of whole milliseconds, and a count of
// what was written within one.
type hybrid struct {
	wall  time.Time
	count int
}

func (h hybrid) compare(o hybrid) int {
	return cmp.Or(h.wall.Compare(o.wall), cmp.Compare(h.count, o.count))
}

// tick is the time of the next change, after that of the last.
func tick(last hybrid, now time.Time) hybrid {
	if now = now.UTC().Truncate(time.Millisecond); now.After(last.wall) {
		return hybrid{wall: now}
	}
	return hybrid{last.wall, last.count + 1}
}

// record is every version of every field of one record. It is never changed
// once it is in a store.
type record struct {
	message protoreflect.MessageType
	// seen is how many changes of each replica are here.
	seen                 map[string]int
	fields               map[protoreflect.FieldNumber][]version
	createdAt, changedAt hybrid
	createdBy            string
}

// version is one value of one field: a message in which nothing else is set,
// and not even that if the field was cleared.
type version struct {
	replica string
	n       int // the replica's changes of this record, from 1
	at      hybrid
	person  string
	value   proto.Message
}

func (r *record) clone() *record {
	c := *r
	c.seen, c.fields = maps.Clone(r.seen), maps.Clone(r.fields)
	return &c
}

// put writes values to a record by somebody who had seen these changes of it.
func (s *Store) put(k key, person string, values map[protoreflect.FieldNumber]proto.Message, seen map[string]int) {
	at := tick(s.last, s.now())
	s.last = at
	r := &record{seen: map[string]int{}, fields: map[protoreflect.FieldNumber][]version{}, createdAt: at, createdBy: person}
	if old := s.records[k]; old != nil {
		r = old.clone()
	}
	r.changedAt = at
	r.seen[s.replica]++
	for number, value := range values {
		r.message = value.ProtoReflect().Type()
		unseen := func(v version) bool { return v.n > seen[v.replica] }
		kept := slices.Collect(filter(r.fields[number], unseen))
		r.fields[number] = append(kept, version{s.replica, r.seen[s.replica], at, person, value})
	}
	s.records[k] = r
}

func filter(versions []version, keep func(version) bool) func(func(version) bool) {
	return func(yield func(version) bool) {
		for _, v := range versions {
			if keep(v) && !yield(v) {
				return
			}
		}
	}
}

// join is all that two states of one record have, without what either knows to
// be replaced.
func join(a, b *record) *record {
	out := a.clone()
	for replica, n := range b.seen {
		out.seen[replica] = max(out.seen[replica], n)
	}
	if b.createdAt.compare(a.createdAt) < 0 {
		out.createdAt, out.createdBy = b.createdAt, b.createdBy
	}
	if b.changedAt.compare(a.changedAt) > 0 {
		out.changedAt = b.changedAt
	}
	for number := range b.fields {
		out.fields[number] = nil
	}
	for number := range out.fields {
		out.fields[number] = slices.Concat(
			slices.Collect(filter(a.fields[number], func(v version) bool { return b.has(number, v) || v.n > b.seen[v.replica] })),
			slices.Collect(filter(b.fields[number], func(v version) bool { return !a.has(number, v) && v.n > a.seen[v.replica] })),
		)
	}
	return out
}

func (r *record) has(number protoreflect.FieldNumber, v version) bool {
	return slices.ContainsFunc(r.fields[number], func(o version) bool { return o.replica == v.replica && o.n == v.n })
}

// entry is the record as it reads.
func (r *record) entry(m proto.Message, id string) store.Entry {
	read := r.read(m)
	read.Set(read.Descriptor().Fields().ByName("id"), protoreflect.ValueOfString(id))
	e := store.Entry{Message: read.Interface(), Etag: etagOf(r.seen), CreatedAt: r.createdAt.wall, ChangedAt: r.changedAt.wall, CreatedBy: r.createdBy}
	for _, number := range r.conflicting() {
		e.Conflicting = append(e.Conflicting, string(read.Descriptor().Fields().ByNumber(number).Name()))
	}
	return e
}

func (r *record) read(m proto.Message) protoreflect.Message {
	out := m.ProtoReflect().New()
	for _, fd := range storedFields(m) {
		for _, v := range resolve(fd, r.fields[fd.Number()]) {
			proto.Merge(out.Interface(), v.value)
		}
	}
	return out
}

// resolve gives the version that a field reads as; for UNION all of them, whose
// merge is their lists put one behind the other.
func resolve(fd protoreflect.FieldDescriptor, versions []version) []version {
	if len(versions) < 2 {
		return versions
	}
	oldestFirst := slices.SortedFunc(slices.Values(versions), func(a, b version) int {
		return cmp.Or(a.at.compare(b.at), cmp.Compare(a.replica, b.replica), cmp.Compare(a.n, b.n))
	})
	newest := oldestFirst[len(oldestFirst)-1:]
	merge := mergeOf(fd)
	switch merge.GetRule() {
	case bothyv1.Rule_UNION:
		return united(fd, oldestFirst)
	case bothyv1.Rule_CAUTIOUS:
		return first(fd, oldestFirst, merge.GetCautious() == bothyv1.Caution_LEAST_FIRST)
	case bothyv1.Rule_GREATEST:
		return first(fd, oldestFirst, false)
	}
	return newest
}

// first is the version with the least or the greatest value; a cleared one only
// if all are.
func first(fd protoreflect.FieldDescriptor, oldestFirst []version, least bool) []version {
	best := oldestFirst[len(oldestFirst)-1]
	for _, v := range slices.Backward(oldestFirst) {
		if !v.value.ProtoReflect().Has(fd) {
			continue
		}
		order := compareValues(fd, v.value, best.value)
		if !best.value.ProtoReflect().Has(fd) || least && order < 0 || !least && order > 0 {
			best = v
		}
	}
	return []version{best}
}

func compareValues(fd protoreflect.FieldDescriptor, a, b proto.Message) int {
	x, y := a.ProtoReflect().Get(fd), b.ProtoReflect().Get(fd)
	switch fd.Kind() {
	case protoreflect.EnumKind:
		return cmp.Compare(x.Enum(), y.Enum())
	case protoreflect.DoubleKind:
		return cmp.Compare(x.Float(), y.Float())
	case protoreflect.MessageKind:
		return x.Message().Interface().(*timestamppb.Timestamp).AsTime().Compare(y.Message().Interface().(*timestamppb.Timestamp).AsTime())
	}
	return cmp.Compare(x.Int(), y.Int())
}

// united keeps each element of the lists once, where it stands first.
func united(fd protoreflect.FieldDescriptor, oldestFirst []version) []version {
	out := oldestFirst[0]
	out.value = out.value.ProtoReflect().New().Interface()
	list := out.value.ProtoReflect().Mutable(fd).List()
	seen := map[string]bool{}
	for _, v := range oldestFirst {
		elements := v.value.ProtoReflect().Get(fd).List()
		for i := range elements.Len() {
			print := elements.Get(i).String()
			if fd.Kind() == protoreflect.MessageKind {
				b, _ := proto.MarshalOptions{Deterministic: true}.Marshal(elements.Get(i).Message().Interface())
				print = string(b)
			}
			if !seen[print] {
				seen[print] = true
				list.Append(elements.Get(i))
			}
		}
	}
	return []version{out}
}

// conflicting is the numbers, in order, of the fields that hold differing
// versions and whose rule has to choose between them.
func (r *record) conflicting() []protoreflect.FieldNumber {
	var out []protoreflect.FieldNumber
	for number, versions := range r.fields {
		if len(versions) < 2 {
			continue
		}
		rule := mergeOf(r.message.Descriptor().Fields().ByNumber(number)).GetRule()
		chooses := rule == bothyv1.Rule_LATEST || rule == bothyv1.Rule_CAUTIOUS
		differ := slices.ContainsFunc(versions, func(v version) bool { return !proto.Equal(v.value, versions[0].value) })
		if chooses && differ {
			out = append(out, number)
		}
	}
	slices.Sort(out)
	return out
}

func (r *record) conflict(k key, number protoreflect.FieldNumber) (*bothyv1.Conflict, error) {
	fd := r.message.Descriptor().Fields().ByNumber(number)
	versions := slices.SortedFunc(slices.Values(r.fields[number]), func(a, b version) int { return b.at.compare(a.at) })
	options := proto.GetExtension(r.message.Descriptor().Options(), bothyv1.E_Record).(*bothyv1.Record)
	c := &bothyv1.Conflict{Kind: options.GetCollection(), Id: k.id, Field: fd.JSONName(), Rule: mergeOf(fd).GetRule().String()}
	var err error
	if c.ReadsAs, err = fieldJSON(resolve(fd, versions)[0].value); err != nil {
		return nil, err
	}
	for _, v := range versions {
		value, err := fieldJSON(v.value)
		if err != nil {
			return nil, err
		}
		c.Versions = append(c.Versions, &bothyv1.FieldVersion{Value: value, Person: v.person, WrittenAt: timestamppb.New(v.at.wall), Replica: v.replica})
	}
	return c, nil
}

// fieldJSON is the one field that a message has, as JSON.
func fieldJSON(m proto.Message) (string, error) {
	b, err := protojson.Marshal(m)
	if err != nil {
		return "", err
	}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(b, &fields); err != nil {
		return "", err
	}
	for _, raw := range fields {
		return string(raw), nil
	}
	return "", nil
}

// only is a copy of m in which no field but fd is set.
func only(m proto.Message, fd protoreflect.FieldDescriptor) proto.Message {
	out := m.ProtoReflect().New()
	if m.ProtoReflect().Has(fd) {
		out.Set(fd, proto.Clone(m).ProtoReflect().Get(fd))
	}
	return out.Interface()
}

func mergeOf(fd protoreflect.FieldDescriptor) *bothyv1.Merge {
	return proto.GetExtension(fd.Options(), bothyv1.E_Merge).(*bothyv1.Merge)
}

// storedFields is every field but the key and the computed ones, by number.
func storedFields(m proto.Message) []protoreflect.FieldDescriptor {
	var out []protoreflect.FieldDescriptor
	fields := m.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		rule := mergeOf(fields.Get(i)).GetRule()
		if rule != bothyv1.Rule_KEY && rule != bothyv1.Rule_COMPUTED {
			out = append(out, fields.Get(i))
		}
	}
	slices.SortFunc(out, func(a, b protoreflect.FieldDescriptor) int { return cmp.Compare(a.Number(), b.Number()) })
	return out
}

// etagOf is what was seen, as "a:3,b:1".
func etagOf(seen map[string]int) string {
	var parts []string
	for _, replica := range slices.Sorted(maps.Keys(seen)) {
		parts = append(parts, fmt.Sprintf("%s:%d", replica, seen[replica]))
	}
	return strings.Join(parts, ",")
}

func parseEtag(etag string) (map[string]int, error) {
	seen := map[string]int{}
	for part := range strings.SplitSeq(etag, ",") {
		replica, count, ok := strings.Cut(part, ":")
		n, err := strconv.Atoi(count)
		if !ok || err != nil || n < 1 {
			return nil, fmt.Errorf("etag %q was not given by a store", etag)
		}
		seen[replica] = n
	}
	return seen, nil
}
