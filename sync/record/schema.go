package record

import (
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Schema is what the engine knows of the kinds of records, read from the
// options on their messages.
type Schema struct {
	kinds   map[uint32]*Kind
	ordered []*Kind
}

// Kind is one kind of record.
type Kind struct {
	Number uint32
	// Collection is what many of them are called in paths, for example
	// "defects".
	Collection string
	Message    protoreflect.MessageDescriptor
	// WrittenOnce records have one change, for ever.
	WrittenOnce bool
	// Site and Home are the string fields that name the site of interest and the
	// site at which the thing itself stands; nil if the kind has none.
	Site, Home *FieldRule
	// Follows is the string field with the id of a record of FollowsKind whose
	// home this record follows; nil if there is none.
	Follows     *FieldRule
	FollowsKind uint32
	// Fields are those that are stored, in order of their number.
	Fields []*FieldRule
}

// FieldRule is how one stored field merges.
type FieldRule struct {
	Number     uint32
	Descriptor protoreflect.FieldDescriptor
	Rule       bothyv1.Rule
	Caution    bothyv1.Caution
	// ListedBy fields have an index.
	ListedBy bool
}

// SchemaOf reads the schema of every record in a file set. It fails if a record
// has a field without a rule, or with one that cannot apply to it.
func SchemaOf(files ...protoreflect.FileDescriptor) (*Schema, error) {
	s := &Schema{kinds: map[uint32]*Kind{}}
	for _, file := range files {
		messages := file.Messages()
		for i := range messages.Len() {
			if err := s.add(messages.Get(i)); err != nil {
				return nil, err
			}
		}
	}
	slices.SortFunc(s.ordered, func(a, b *Kind) int { return int(a.Number) - int(b.Number) })
	return s, s.checkFollows()
}

func (s *Schema) checkFollows() error {
	for _, k := range s.ordered {
		if k.Follows == nil {
			continue
		}
		if to := s.kinds[k.FollowsKind]; to == nil || to.Home == nil {
			return fmt.Errorf("%s follows kind %d, which has no home", k.Message.FullName(), k.FollowsKind)
		}
	}
	return nil
}

// Kind is the kind of that number, nil if this program does not know it.
func (s *Schema) Kind(number uint32) *Kind { return s.kinds[number] }

// Kinds in order of their number.
func (s *Schema) Kinds() []*Kind { return s.ordered }

// Collection is the kind that is so called in paths, nil if there is none.
func (s *Schema) Collection(name string) *Kind {
	for _, k := range s.ordered {
		if k.Collection == name {
			return k
		}
	}
	return nil
}

// Of is the kind of a message, nil if it is no record.
func (s *Schema) Of(m proto.Message) *Kind {
	name := m.ProtoReflect().Descriptor().FullName()
	for _, k := range s.ordered {
		if k.Message.FullName() == name {
			return k
		}
	}
	return nil
}

func (s *Schema) add(m protoreflect.MessageDescriptor) error {
	if !proto.HasExtension(m.Options(), bothyv1.E_Record) {
		return nil
	}
	opts := proto.GetExtension(m.Options(), bothyv1.E_Record).(*bothyv1.Record)
	k := &Kind{
		Number:      opts.GetKind(),
		Collection:  opts.GetCollection(),
		Message:     m,
		WrittenOnce: opts.GetWrittenOnce(),
		FollowsKind: opts.GetFollowsKind(),
	}
	switch {
	case k.Number == 0 || k.Number > MaxNumber || s.kinds[k.Number] != nil:
		return fmt.Errorf("%s: kind %d is missing, too great or used twice", m.FullName(), k.Number)
	case k.Collection == "" || s.Collection(k.Collection) != nil:
		return fmt.Errorf("%s: collection %q is missing or used twice", m.FullName(), k.Collection)
	}
	if id := m.Fields().ByName("id"); id == nil || mergeOf(id).GetRule() != bothyv1.Rule_KEY {
		return fmt.Errorf("%s has no field id that is the KEY", m.FullName())
	}
	for i := range m.Fields().Len() {
		if err := k.addField(m.Fields().Get(i)); err != nil {
			return err
		}
	}
	if err := errors.Join(
		k.choose(opts.GetSiteField(), &k.Site),
		k.choose(opts.GetHomeField(), &k.Home),
		k.choose(opts.GetFollowsField(), &k.Follows),
	); err != nil {
		return err
	}
	slices.SortFunc(k.Fields, func(a, b *FieldRule) int { return int(a.Number) - int(b.Number) })
	s.kinds[k.Number] = k
	s.ordered = append(s.ordered, k)
	return nil
}

// choose finds the stored string field that an option names.
func (k *Kind) choose(name string, place **FieldRule) error {
	if name == "" {
		return nil
	}
	f := k.FieldNamed(name)
	if f == nil || f.Descriptor.Kind() != protoreflect.StringKind || f.Descriptor.IsList() {
		return fmt.Errorf("%s: %q is not a stored string field", k.Message.FullName(), name)
	}
	*place = f
	return nil
}

func mergeOf(fd protoreflect.FieldDescriptor) *bothyv1.Merge {
	return proto.GetExtension(fd.Options(), bothyv1.E_Merge).(*bothyv1.Merge)
}

func (k *Kind) addField(fd protoreflect.FieldDescriptor) error {
	merge := mergeOf(fd)
	f := &FieldRule{
		Number:     uint32(fd.Number()),
		Descriptor: fd,
		Rule:       merge.GetRule(),
		Caution:    merge.GetCautious(),
		ListedBy:   merge.GetListedBy(),
	}
	switch f.Rule {
	case bothyv1.Rule_KEY:
		if fd.Name() != "id" || fd.Kind() != protoreflect.StringKind || fd.IsList() {
			return fmt.Errorf("%s: only the string field id can be the KEY", fd.FullName())
		}
		return nil
	case bothyv1.Rule_COMPUTED:
		return nil
	case bothyv1.Rule_LATEST, bothyv1.Rule_CAUTIOUS, bothyv1.Rule_GREATEST, bothyv1.Rule_UNION:
		k.Fields = append(k.Fields, f)
		return f.validate()
	}
	return fmt.Errorf("%s has no merge rule", fd.FullName())
}

func (f *FieldRule) validate() error {
	fd := f.Descriptor
	switch {
	case fd.IsMap():
		return fmt.Errorf("%s: a map has no order, so equal values would not be equal bytes", fd.FullName())
	case fd.ContainingOneof() != nil && !fd.HasOptionalKeyword():
		return fmt.Errorf("%s: fields of a oneof exclude each other, but fields of a record are written apart", fd.FullName())
	case f.ListedBy && (fd.Kind() != protoreflect.StringKind || fd.IsList()):
		return fmt.Errorf("%s: only a string can be listed by", fd.FullName())
	case (f.Rule == bothyv1.Rule_CAUTIOUS) != (f.Caution != bothyv1.Caution_CAUTION_UNSPECIFIED):
		return fmt.Errorf("%s: CAUTIOUS, and nothing else, names its order", fd.FullName())
	case f.Rule == bothyv1.Rule_UNION && (!fd.IsList() || fd.Kind() != protoreflect.StringKind && fd.Kind() != protoreflect.MessageKind):
		return fmt.Errorf("%s: UNION is for lists of messages or strings", fd.FullName())
	case (f.Rule == bothyv1.Rule_CAUTIOUS || f.Rule == bothyv1.Rule_GREATEST) && !ordered(fd):
		return fmt.Errorf("%s: %s needs a number, an enumeration, a bool or a time", fd.FullName(), f.Rule)
	}
	return nil
}

// FieldNamed is the stored field of that proto name, nil if there is none.
func (k *Kind) FieldNamed(name string) *FieldRule {
	for _, f := range k.Fields {
		if string(f.Descriptor.Name()) == name {
			return f
		}
	}
	return nil
}

// FieldNumbered is the stored field of that number, nil if there is none.
func (k *Kind) FieldNumbered(number uint32) *FieldRule {
	for _, f := range k.Fields {
		if f.Number == number {
			return f
		}
	}
	return nil
}

// Encode gives a message's value for a field as a version holds it; empty if
// the field is not set.
func (f *FieldRule) Encode(m proto.Message) ([]byte, error) {
	r := m.ProtoReflect()
	if !r.Has(f.Descriptor) {
		return nil, nil
	}
	only := r.New()
	only.Set(f.Descriptor, r.Get(f.Descriptor))
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(only.Interface())
	if err != nil {
		return nil, fmt.Errorf("field %s: %w", f.Descriptor.FullName(), err)
	}
	if len(b) > MaxValue {
		return nil, fmt.Errorf("field %s has %d bytes, at most %d are taken", f.Descriptor.FullName(), len(b), MaxValue)
	}
	return b, nil
}

// Decode reads a version's value into a fresh message that has only this field.
func (f *FieldRule) Decode(value []byte) (protoreflect.Message, error) {
	m := dynamicpb.NewMessage(f.Descriptor.ContainingMessage())
	if err := proto.Unmarshal(value, m); err != nil {
		return nil, fmt.Errorf("field %s: %w", f.Descriptor.FullName(), err)
	}
	return m, nil
}

// Validate says what makes a change impossible, as far as this program knows
// its kind. A value that cannot be read must not get into a record: it would
// hide all that the record says.
func (s *Schema) Validate(c Change) error {
	if err := c.Validate(); err != nil {
		return err
	}
	k := s.Kind(c.Key.Kind)
	if k == nil {
		return nil
	}
	if k.WrittenOnce && c.N != 1 {
		return fmt.Errorf("change %s: %s are written once: %w", c.Key, k.Collection, ErrMalformed)
	}
	for _, w := range c.Writes {
		if !k.stores(w.Number) {
			return fmt.Errorf("change %s: field %d of %s is not stored: %w", c.Key, w.Number, k.Collection, ErrMalformed)
		}
		if f := k.FieldNumbered(w.Number); f != nil {
			if _, err := f.Decode(w.Value); err != nil {
				return fmt.Errorf("change %s: %w: %w", c.Key, ErrMalformed, err)
			}
		}
	}
	return nil
}
