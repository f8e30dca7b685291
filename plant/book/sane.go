package book

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// sane looks at what is wrong with a request whatever it asks for: texts and
// lists without end, control characters, fields that this program does not know,
// figures and times that are none. Nothing of a request is dropped in silence.
func sane(request proto.Message) plant.Violations {
	var v violations
	v.message("", request.ProtoReflect())
	return plant.Violations(v)
}

// violations is plant.Violations with a pen.
type violations plant.Violations

func (v *violations) add(field, problem string, args ...any) {
	*v = append(*v, plant.Violation{Field: field, Problem: fmt.Sprintf(problem, args...)})
}

func (v *violations) message(path string, m protoreflect.Message) {
	if len(m.GetUnknown()) > 0 {
		v.add(strings.TrimSuffix(path, "."), "has fields that this version of the program does not know; leave them out")
	}
	switch m := m.Interface().(type) {
	case *timestamppb.Timestamp:
		if m.CheckValid() != nil {
			v.add(strings.TrimSuffix(path, "."), "is not a time; allowed are the years 1 to 9999")
		}
		return
	case *fieldmaskpb.FieldMask:
		if len(m.GetPaths()) > plant.ListMax {
			v.add(strings.TrimSuffix(path, "."), "names %d fields; at most %d are allowed", len(m.GetPaths()), plant.ListMax)
			return
		}
		for _, p := range m.GetPaths() {
			v.text(strings.TrimSuffix(path, "."), p)
		}
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		if fd := fields.Get(i); m.Has(fd) {
			v.field(path+fd.JSONName(), fd, m.Get(fd))
		}
	}
}

func (v *violations) field(path string, fd protoreflect.FieldDescriptor, value protoreflect.Value) {
	if !fd.IsList() {
		v.value(path, fd, value)
		return
	}
	if n := value.List().Len(); n > plant.ListMax {
		v.add(path, "has %d entries; at most %d are allowed", n, plant.ListMax)
		return
	}
	for i := range value.List().Len() {
		v.value(fmt.Sprintf("%s[%d]", path, i), fd, value.List().Get(i))
	}
}

func (v *violations) value(path string, fd protoreflect.FieldDescriptor, value protoreflect.Value) {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		v.message(path+".", value.Message())
	case protoreflect.StringKind:
		v.text(path, value.String())
	case protoreflect.DoubleKind:
		if math.IsNaN(value.Float()) || math.IsInf(value.Float(), 0) {
			v.add(path, "is not a number")
		}
	}
}

func (v *violations) text(path, text string) {
	switch {
	case !utf8.ValidString(text):
		v.add(path, "is not valid UTF-8")
	case utf8.RuneCountInString(text) > plant.NoteMax:
		v.add(path, "has %d characters; at most %d are allowed", utf8.RuneCountInString(text), plant.NoteMax)
	case strings.ContainsFunc(text, hides):
		v.add(path, "has a control character; only line feeds are allowed")
	}
}

// hides holds for what can hide or fake text: control characters other than the
// line feed, and marks that turn the direction of writing.
func hides(r rune) bool {
	return r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r))
}

// words is what an enumeration can say.
func words(e protoreflect.EnumDescriptor) []string {
	var out []string
	for i := range e.Values().Len() {
		if word := e.Values().Get(i); word.Number() != 0 {
			out = append(out, string(word.Name()))
		}
	}
	return out
}

// ruleOf is the merge rule of a record's field.
func ruleOf(fd protoreflect.FieldDescriptor) bothyv1.Rule {
	return proto.GetExtension(fd.Options(), bothyv1.E_Merge).(*bothyv1.Merge).GetRule()
}

// computed refuses what only the server fills in, in a record that is to be
// made; path is the record's own.
func computed(path string, m proto.Message) plant.Violations {
	var v violations
	r := m.ProtoReflect()
	for i := range r.Descriptor().Fields().Len() {
		fd := r.Descriptor().Fields().Get(i)
		if rule := ruleOf(fd); r.Has(fd) && (rule == bothyv1.Rule_COMPUTED || rule == bothyv1.Rule_KEY) {
			v.add(path+"."+fd.JSONName(), "is filled in by the server; leave it out")
		}
	}
	return plant.Violations(v)
}

// masked is the proto names of the fields that an update writes. A path into a
// field means the whole field, since records merge field by field; the etag may
// stand in a mask that was made from a body. An empty mask means all fields
// that the record has set (AIP-134).
func masked(path string, m proto.Message, mask *fieldmaskpb.FieldMask) ([]string, plant.Violations) {
	r := m.ProtoReflect()
	paths := mask.GetPaths()
	if len(paths) == 0 {
		for i := range r.Descriptor().Fields().Len() {
			if fd := r.Descriptor().Fields().Get(i); r.Has(fd) && ruleOf(fd) != bothyv1.Rule_KEY {
				paths = append(paths, string(fd.Name()))
			}
		}
	}
	var v violations
	var names []string
	for _, p := range paths {
		name, _, _ := strings.Cut(p, ".")
		fd := r.Descriptor().Fields().ByTextName(name)
		switch {
		case fd == nil:
			v.add("updateMask", "%q is not a field; allowed are %s", p, strings.Join(writable(r.Descriptor()), ", "))
		case name == "etag":
		case ruleOf(fd) == bothyv1.Rule_KEY || ruleOf(fd) == bothyv1.Rule_COMPUTED:
			v.add("updateMask", "%q is not written by callers; allowed are %s", p, strings.Join(writable(r.Descriptor()), ", "))
		case fd.Kind() == protoreflect.EnumKind && !r.Has(fd):
			v.add(path+"."+fd.JSONName(), "is missing or not known; allowed are %s", strings.Join(words(fd.Enum()), ", "))
		case !slices.Contains(names, name):
			names = append(names, name)
		}
	}
	if len(v) == 0 && len(names) == 0 {
		v.add("updateMask", "names no field to write; allowed are %s", strings.Join(writable(r.Descriptor()), ", "))
	}
	return names, plant.Violations(v)
}

// writable is the fields of a record that are stored.
func writable(d protoreflect.MessageDescriptor) []string {
	var names []string
	for i := range d.Fields().Len() {
		if rule := ruleOf(d.Fields().Get(i)); rule != bothyv1.Rule_KEY && rule != bothyv1.Rule_COMPUTED {
			names = append(names, string(d.Fields().Get(i).Name()))
		}
	}
	return names
}
