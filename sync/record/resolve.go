package record

import (
	"cmp"
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// timestampName is the one message that CAUTIOUS and GREATEST can order.
const timestampName = "google.protobuf.Timestamp"

func ordered(fd protoreflect.FieldDescriptor) bool {
	if fd.IsList() {
		return false
	}
	switch fd.Kind() {
	case protoreflect.StringKind, protoreflect.BytesKind, protoreflect.GroupKind:
		return false
	case protoreflect.MessageKind:
		return fd.Message().FullName() == timestampName
	}
	return true
}

// Read fills m with what the record's fields read as. Fields that this program
// does not know are carried along as unknown fields. The message's id is set;
// computed fields are not.
func (k *Kind) Read(r Record, m proto.Message) error {
	var b []byte
	for _, f := range r.Fields {
		if k.stores(f.Number) {
			b = append(b, k.Resolve(f)...)
		}
	}
	proto.Reset(m)
	if err := proto.Unmarshal(b, m); err != nil {
		return fmt.Errorf("record %s: %w", r.Key, err)
	}
	id := m.ProtoReflect().Descriptor().Fields().ByName("id")
	m.ProtoReflect().Set(id, protoreflect.ValueOfString(r.Key.ID))
	return nil
}

// stores says whether a record has the field as far as this program knows: one
// of its stored fields, or one that a newer program has.
func (k *Kind) stores(number uint32) bool {
	return k.FieldNumbered(number) != nil || k.Message.Fields().ByNumber(protoreflect.FieldNumber(number)) == nil
}

// Resolve is what a field reads as while it may have several versions: the
// same on every replica that has the same versions. A field without a known
// rule reads as LATEST.
func (k *Kind) Resolve(f Field) []byte {
	switch len(f.Versions) {
	case 0:
		return nil
	case 1:
		return f.Versions[0].Value
	}
	versions := NewestFirst(f.Versions)
	rule := k.FieldNumbered(f.Number)
	if rule == nil {
		return versions[0].Value
	}
	switch rule.Rule {
	case bothyv1.Rule_UNION:
		return union(versions)
	case bothyv1.Rule_CAUTIOUS:
		return rule.first(versions, rule.Caution == bothyv1.Caution_LEAST_FIRST).Value
	case bothyv1.Rule_GREATEST:
		return rule.first(versions, false).Value
	}
	return versions[0].Value
}

// NewestFirst gives the versions in the order in which LATEST prefers them.
func NewestFirst(versions []Version) []Version {
	out := slices.Clone(versions)
	slices.SortStableFunc(out, func(a, b Version) int {
		switch {
		case a.later(b):
			return -1
		case b.later(a):
			return 1
		}
		return 0
	})
	return out
}

// first is the version whose value is the least or the greatest; of equal ones
// the first in the list. A cleared or unreadable value is least preferred: to
// say nothing is never the more cautious word.
func (f *FieldRule) first(versions []Version, least bool) Version {
	best, bestValue, found := versions[0], protoreflect.Value{}, false
	for _, v := range versions {
		value, ok := f.scalar(v.Value)
		if !ok {
			continue
		}
		order := 0
		if found {
			order = f.compare(value, bestValue)
		}
		if !found || least && order < 0 || !least && order > 0 {
			best, bestValue, found = v, value, true
		}
	}
	return best
}

// scalar reads a version's value; ok is false if it is cleared or unreadable.
func (f *FieldRule) scalar(value []byte) (protoreflect.Value, bool) {
	if len(value) == 0 {
		return protoreflect.Value{}, false
	}
	m, err := f.Decode(value)
	if err != nil || !m.Has(f.Descriptor) {
		return protoreflect.Value{}, false
	}
	return m.Get(f.Descriptor), true
}

func (f *FieldRule) compare(a, b protoreflect.Value) int {
	switch f.Descriptor.Kind() {
	case protoreflect.BoolKind:
		return cmp.Compare(number(a.Bool()), number(b.Bool()))
	case protoreflect.EnumKind:
		return cmp.Compare(a.Enum(), b.Enum())
	case protoreflect.FloatKind, protoreflect.DoubleKind:
		return cmp.Compare(a.Float(), b.Float())
	case protoreflect.MessageKind:
		return compareTimes(a.Message(), b.Message())
	case protoreflect.Uint32Kind, protoreflect.Uint64Kind, protoreflect.Fixed32Kind, protoreflect.Fixed64Kind:
		return cmp.Compare(a.Uint(), b.Uint())
	}
	return cmp.Compare(a.Int(), b.Int())
}

func number(b bool) int {
	if b {
		return 1
	}
	return 0
}

func compareTimes(a, b protoreflect.Message) int {
	fields := a.Descriptor().Fields()
	seconds, nanos := fields.ByName("seconds"), fields.ByName("nanos")
	return cmp.Or(
		cmp.Compare(a.Get(seconds).Int(), b.Get(seconds).Int()),
		cmp.Compare(a.Get(nanos).Int(), b.Get(nanos).Int()),
	)
}

// union puts the elements of all versions one behind the other, those of the
// oldest version first, each element once.
func union(newestFirst []Version) []byte {
	var out []byte
	seen := map[string]bool{}
	for i := len(newestFirst) - 1; i >= 0; i-- {
		for b := newestFirst[i].Value; len(b) > 0; {
			_, _, n := protowire.ConsumeField(b) // whole fields only: see ofField
			if element := string(b[:n]); !seen[element] {
				seen[element] = true
				out = append(out, element...)
			}
			b = b[n:]
		}
	}
	return out
}

// Conflict is a field that people wrote without having seen each other's word.
type Conflict struct {
	Field *FieldRule
	// ReadsAs is the value that the rule chose.
	ReadsAs []byte
	// Versions newest first.
	Versions []Version
}

// Conflicts lists the fields that hold different values at once and whose rule
// has to choose between them. Lists that unite and meters that only grow need
// no one to settle them.
func (k *Kind) Conflicts(r Record) []Conflict {
	var out []Conflict
	for _, f := range r.Fields {
		rule := k.FieldNumbered(f.Number)
		if rule == nil || rule.Rule != bothyv1.Rule_LATEST && rule.Rule != bothyv1.Rule_CAUTIOUS || !differ(f.Versions) {
			continue
		}
		out = append(out, Conflict{Field: rule, ReadsAs: k.Resolve(f), Versions: NewestFirst(f.Versions)})
	}
	return out
}

func differ(versions []Version) bool {
	for _, v := range versions {
		if string(v.Value) != string(versions[0].Value) {
			return true
		}
	}
	return false
}
