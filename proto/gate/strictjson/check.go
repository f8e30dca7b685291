package strictjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/proto/fault"
)

const (
	// DepthMax is how deep objects and lists may nest. Our deepest request has
	// four levels.
	DepthMax = 32
	// shownMax is how much of a name or a value is said again in a violation, in
	// bytes.
	shownMax = 60
	// violationsMax is how many violations are looked for. Ten times what leaves
	// the server; a text that is all wrong is not worth the time.
	violationsMax = 10 * fault.ViolationsMax
)

// Target says what a text is to be read as.
type Target struct {
	Message protoreflect.MessageDescriptor
	// At is the path of the message in the request, in JSON names; empty if it is
	// the request itself.
	At string
	// Fixed are texts that something else in the request gives already, by the
	// path of their field. The JSON may say the same or leave them out.
	Fixed map[string]string
}

// Check reads text as a message and returns nil or a fault that says all that
// is wrong with it.
func Check(text []byte, target Target) error {
	if err := readable(text); err != nil {
		return err
	}
	w := &walk{text: text, fixed: target.Fixed}
	if target.At != "" {
		w.path = append(w.path, step{name: target.At})
	}
	if c := w.peek(); c != '{' {
		return fault.Unreadable("the body is %s; it must be a JSON object", kindOf(c))
	}
	w.message(target.Message)
	if len(w.violations) > 0 {
		return fault.Invalid(w.violations...)
	}
	return nil
}

// CheckWord looks at one word, such as a parameter of a query, as the value of a
// field that is no message of ours. It returns what is wrong with it, or nothing.
func CheckWord(word string, field protoreflect.FieldDescriptor) string {
	if !utf8.ValidString(word) {
		return "is not valid UTF-8"
	}
	text := []byte(word)
	if bare := isNumber(field.Kind()) || field.Kind() == protoreflect.BoolKind; !bare || !json.Valid(text) {
		text, _ = json.Marshal(word)
	}
	w := &walk{text: text}
	w.single(field)
	if len(w.violations) == 0 {
		return ""
	}
	return w.violations[0].Problem
}

// CheckText says what is wrong with a text whatever its field is, or nothing.
func CheckText(text string) string {
	if !utf8.ValidString(text) {
		return "is not valid UTF-8"
	}
	return controls(text)
}

// readable refuses what is not one JSON value, or nested too deep to walk.
func readable(text []byte) error {
	switch {
	case len(bytes.TrimSpace(text)) == 0:
		return fault.Unreadable("the body is empty; it must be a JSON object")
	case bytes.HasPrefix(text, []byte("\uFEFF")):
		return fault.Unreadable("the body begins with a byte order mark; it must begin with a JSON object")
	case !utf8.Valid(text):
		return fault.Unreadable("the body is not valid UTF-8")
	case !json.Valid(text):
		return syntax(text)
	case depth(text) > DepthMax:
		return fault.Unreadable("the body is nested %d deep; at most %d is allowed", depth(text), DepthMax)
	}
	return nil
}

// syntax says where text stops being JSON.
func syntax(text []byte) error {
	var one json.RawMessage
	var bad *json.SyntaxError
	if err := json.Unmarshal(text, &one); errors.As(err, &bad) {
		return fault.Unreadable("the body is not one JSON value: %s, at byte %d", bad.Error(), bad.Offset)
	}
	return fault.Unreadable("the body is not one JSON value")
}

// depth is how deep valid JSON nests.
func depth(text []byte) int {
	w := &walk{text: text}
	deepest, now := 0, 0
	for w.pos < len(text) {
		switch text[w.pos] {
		case '{', '[':
			now++
			deepest = max(deepest, now)
			w.pos++
		case '}', ']':
			now--
			w.pos++
		case '"':
			w.quoted()
		default:
			w.pos++
		}
	}
	return deepest
}

// names are the JSON names of the fields of a message, for a violation.
func names(message protoreflect.MessageDescriptor) string {
	fields := message.Fields()
	all := make([]string, fields.Len())
	for i := range all {
		all[i] = fields.Get(i).JSONName()
	}
	slices.Sort(all)
	return strings.Join(all, ", ")
}
