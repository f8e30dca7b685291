package strictjson

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf16"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/wrapperspb"
)

// single reads one value of a field, or one element of it.
func (w *walk) single(field protoreflect.FieldDescriptor) {
	switch field.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		if isWellKnown(field.Message()) {
			w.leaf(dynamicpb.NewMessage(field.Message()), field)
			return
		}
		w.message(field.Message())
	case protoreflect.StringKind:
		w.str()
	case protoreflect.EnumKind:
		w.enum(field.Enum())
	default:
		w.leaf(wrapper(field.Kind()), field)
	}
}

func (w *walk) str() {
	if c := w.peek(); c != '"' {
		w.wrong("is %s; allowed is a string", kindOf(c))
		w.skip()
		return
	}
	text, problem := decode(w.quoted())
	if problem != "" {
		w.wrong("%s", problem)
	}
	if len(w.fixed) > 0 {
		if given, ok := w.fixed[w.at()]; ok && given != text {
			w.wrong("is %s, but the path of the request says %s; leave it out", show(text), show(given))
		}
	}
}

func (w *walk) enum(enum protoreflect.EnumDescriptor) {
	c := w.peek()
	if c != '"' {
		w.wrong("is %s; allowed are the names %s", kindOf(c), values(enum))
		w.skip()
		return
	}
	quoted := w.quoted()
	name, _ := decode(quoted)
	if enum.Values().ByName(protoreflect.Name(name)) == nil {
		w.wrong("is %s; allowed are %s", showRaw(quoted), values(enum))
	}
}

// values are the names of an enumeration, without the one that says nothing.
func values(enum protoreflect.EnumDescriptor) string {
	var names []string
	for i := range enum.Values().Len() {
		if v := enum.Values().Get(i); v.Number() != 0 || enum.Values().Len() == 1 {
			names = append(names, string(v.Name()))
		}
	}
	return strings.Join(names, ", ")
}

// leaf reads a value as protojson does, into a message of its own.
func (w *walk) leaf(into proto.Message, field protoreflect.FieldDescriptor) {
	value := w.skip()
	if err := protojson.Unmarshal(value, into); err != nil || !isFinite(into) {
		w.wrong("is %s; allowed is %s", showRaw(value), allowed(field))
	}
}

// isFinite holds unless m wraps a number that is none.
func isFinite(m proto.Message) bool {
	fields := m.ProtoReflect().Descriptor().Fields()
	if fields.Len() != 1 {
		return true
	}
	switch only := fields.Get(0); only.Kind() {
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		number := m.ProtoReflect().Get(only).Float()
		return !math.IsInf(number, 0) && !math.IsNaN(number)
	}
	return true
}

// wrapper is a message with the JSON of a scalar kind.
func wrapper(kind protoreflect.Kind) proto.Message {
	switch kind {
	case protoreflect.BoolKind:
		return new(wrapperspb.BoolValue)
	case protoreflect.BytesKind:
		return new(wrapperspb.BytesValue)
	case protoreflect.FloatKind:
		return new(wrapperspb.FloatValue)
	case protoreflect.DoubleKind:
		return new(wrapperspb.DoubleValue)
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return new(wrapperspb.UInt32Value)
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return new(wrapperspb.UInt64Value)
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return new(wrapperspb.Int64Value)
	default:
		return new(wrapperspb.Int32Value)
	}
}

// allowed says what the value of a field may be.
func allowed(field protoreflect.FieldDescriptor) string {
	switch field.Kind() {
	case protoreflect.BoolKind:
		return "true or false"
	case protoreflect.BytesKind:
		return "a string in base64"
	case protoreflect.FloatKind, protoreflect.DoubleKind:
		return "a finite number"
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return "a whole number from 0 to 4294967295"
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return "a whole number from 0 to 18446744073709551615"
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return "a whole number of 64 bits"
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return "a whole number of 32 bits"
	}
	switch field.Message().FullName() {
	case "google.protobuf.Timestamp":
		return `a time as in RFC 3339, such as "2031-04-05T06:07:08Z"`
	case "google.protobuf.FieldMask":
		return `a string of field names with commas, such as "class,dueAt"`
	}
	return "the JSON form of " + string(field.Message().FullName())
}

// isNumber holds for kinds that JSON writes without quotes.
func isNumber(kind protoreflect.Kind) bool {
	switch kind {
	case protoreflect.BoolKind, protoreflect.BytesKind, protoreflect.StringKind, protoreflect.EnumKind,
		protoreflect.MessageKind, protoreflect.GroupKind:
		return false
	}
	return true
}

// isWellKnown holds for the messages with a JSON form of their own.
func isWellKnown(message protoreflect.MessageDescriptor) bool {
	return message.ParentFile().Package() == "google.protobuf"
}

// takesNull holds for the field whose value may be null itself.
func takesNull(field protoreflect.FieldDescriptor) bool {
	return field.Message() != nil && field.Message().FullName() == "google.protobuf.Value"
}

// kindOf names a value by its first byte.
func kindOf(first byte) string {
	switch first {
	case '{':
		return "an object"
	case '[':
		return "a list"
	case '"':
		return "a string"
	case 't', 'f':
		return "a boolean"
	case 'n':
		return "null"
	}
	return "a number"
}

// decode is what a string in quotes says, and what is wrong with that.
func decode(quoted []byte) (text, problem string) {
	if bytes.IndexByte(quoted, '\\') < 0 {
		text = string(quoted[1 : len(quoted)-1])
		return text, controls(text)
	}
	// The string is valid JSON, so this cannot fail; but it makes U+FFFD of half
	// a surrogate pair.
	_ = json.Unmarshal(quoted, &text)
	if halfPair(quoted) {
		return text, "has half of a UTF-16 surrogate pair"
	}
	return text, controls(text)
}

// controls says which control character a text has, or nothing.
func controls(text string) string {
	for _, r := range text {
		if r != '\n' && r != '\t' && unicode.IsControl(r) {
			return "has the control character " + strconv.QuoteRuneToASCII(r) + "; allowed are line feed and tab"
		}
	}
	return ""
}

// halfPair looks for an escape that begins or ends a surrogate pair without the
// other half.
func halfPair(quoted []byte) bool {
	for i := 0; i < len(quoted); i++ {
		if quoted[i] != '\\' {
			continue
		}
		i++
		if quoted[i] != 'u' {
			continue
		}
		first := unit(quoted[i+1:])
		i += 4
		if !utf16.IsSurrogate(first) {
			continue
		}
		rest := quoted[i+1:]
		if !bytes.HasPrefix(rest, []byte(`\u`)) || utf16.DecodeRune(first, unit(rest[2:])) == unicode.ReplacementChar {
			return true
		}
		i += 6
	}
	return false
}

// unit is the value of four hexadecimal digits.
func unit(digits []byte) rune {
	n, _ := strconv.ParseUint(string(digits[:4]), 16, 16)
	return rune(n)
}
