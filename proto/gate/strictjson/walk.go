package strictjson

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/proto/fault"
)

// walk goes once through a text that is known to be valid JSON. Each method that
// reads starts on the value it reads, white space aside, and ends behind it.
type walk struct {
	text       []byte
	pos        int
	path       []step
	fixed      map[string]string
	violations []fault.Violation
}

// step is one part of a path: a name, or else a place in a list.
type step struct {
	name  string
	index int
}

// at is the path of the value that is read now.
func (w *walk) at() string {
	var b strings.Builder
	for i, s := range w.path {
		switch {
		case s.name == "":
			b.WriteString("[" + strconv.Itoa(s.index) + "]")
		case i > 0:
			b.WriteString("." + s.name)
		default:
			b.WriteString(s.name)
		}
	}
	return b.String()
}

// wrong notes a violation of the value that is read now.
func (w *walk) wrong(format string, args ...any) {
	if len(w.violations) < violationsMax {
		w.violations = append(w.violations, fault.Violation{Field: w.at(), Problem: fmt.Sprintf(format, args...)})
	}
}

// in reads something one step further down the path.
func (w *walk) in(s step, read func()) {
	w.path = append(w.path, s)
	read()
	w.path = w.path[:len(w.path)-1]
}

// peek is the first byte of the next value or mark.
func (w *walk) peek() byte {
	for strings.IndexByte(" \t\r\n", w.text[w.pos]) >= 0 {
		w.pos++
	}
	return w.text[w.pos]
}

// each reads what stands between brackets: one calls for every member, on its
// first byte.
func (w *walk) each(one func()) {
	w.peek()
	w.pos++ // the opening bracket
	for {
		switch w.peek() {
		case '}', ']':
			w.pos++
			return
		case ',':
			w.pos++
			w.peek()
		}
		one()
	}
}

// name reads the name of a member with its colon.
func (w *walk) name() string {
	text, problem := decode(w.quoted())
	if problem != "" {
		w.in(nameStep(text), func() { w.wrong("%s", problem) })
	}
	w.peek()
	w.pos++ // the colon
	w.peek()
	return text
}

// quoted reads a string, and returns it with its quotes.
func (w *walk) quoted() []byte {
	start := w.pos
	w.pos++
	for w.text[w.pos] != '"' {
		if w.text[w.pos] == '\\' {
			w.pos++
		}
		w.pos++
	}
	w.pos++
	return w.text[start:w.pos]
}

// skip reads any value, and returns it as it stands.
func (w *walk) skip() []byte {
	c := w.peek()
	start := w.pos
	switch c {
	case '{':
		w.each(func() { w.name(); w.skip() })
	case '[':
		w.each(func() { w.skip() })
	case '"':
		if _, problem := decode(w.quoted()); problem != "" {
			w.wrong("%s", problem)
		}
	default:
		for w.pos < len(w.text) && strings.IndexByte(" \t\r\n,]}", w.text[w.pos]) < 0 {
			w.pos++
		}
	}
	return w.text[start:w.pos]
}

// message reads an object as a message.
func (w *walk) message(message protoreflect.MessageDescriptor) {
	if c := w.peek(); c != '{' {
		w.wrong("is %s; allowed is an object", kindOf(c))
		w.skip()
		return
	}
	var seen []protoreflect.FieldNumber
	w.each(func() {
		name := w.name()
		field := message.Fields().ByJSONName(name)
		if field == nil {
			field = message.Fields().ByTextName(name)
		}
		if field == nil {
			w.in(nameStep(name), func() { w.unknown(message) })
			return
		}
		w.in(step{name: field.JSONName()}, func() {
			if slices.Contains(seen, field.Number()) {
				w.wrong("is given twice; once is allowed")
			}
			seen = append(seen, field.Number())
			w.field(field)
		})
	})
}

// unknown reads a value that no field of the message has.
func (w *walk) unknown(message protoreflect.MessageDescriptor) {
	if len(w.violations) < violationsMax {
		w.wrong("is not a field of %s; allowed are %s", message.Name(), names(message))
	}
	w.skip()
}

// field reads the value of a field, which may be null.
func (w *walk) field(field protoreflect.FieldDescriptor) {
	switch c := w.peek(); {
	case c == 'n' && !takesNull(field):
		w.skip()
	case field.IsMap():
		w.dictionary(field, c)
	case field.IsList():
		w.list(field, c)
	default:
		w.single(field)
	}
}

func (w *walk) list(field protoreflect.FieldDescriptor, first byte) {
	if first != '[' {
		w.wrong("is %s; allowed is a list", kindOf(first))
		w.skip()
		return
	}
	index := 0
	w.each(func() {
		w.in(step{index: index}, func() { w.single(field) })
		index++
	})
}

func (w *walk) dictionary(field protoreflect.FieldDescriptor, first byte) {
	if first != '{' {
		w.wrong("is %s; allowed is an object", kindOf(first))
		w.skip()
		return
	}
	seen := make(map[string]bool)
	w.each(func() {
		name := w.name()
		w.in(nameStep(name), func() {
			if problem := CheckWord(name, field.MapKey()); problem != "" {
				w.wrong("%s", problem)
			}
			if seen[name] {
				w.wrong("is given twice; once is allowed")
			}
			seen[name] = true
			w.single(field.MapValue())
		})
	})
}

// nameStep is the step to a member that has no field: its name as a path can show
// it.
func nameStep(name string) step {
	odd := func(r rune) bool { return r < ' ' || strings.ContainsRune(`".[`, r) }
	if name == "" || len(name) > shownMax || strings.ContainsFunc(name, odd) {
		return step{name: show(name)}
	}
	return step{name: name}
}

// show is a text in quotes, cut if it is long.
func show(text string) string {
	quoted, _ := json.Marshal(strings.ToValidUTF8(text[:min(len(text), shownMax)], ""))
	return string(quoted)
}

// showRaw is JSON as it was sent, cut if it is long.
func showRaw(value []byte) string {
	return strings.ToValidUTF8(string(value[:min(len(value), shownMax)]), "")
}
