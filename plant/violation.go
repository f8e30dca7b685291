package plant

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Violation is one thing that is wrong with what somebody sent.
type Violation struct {
	// Field is the path of the field in JSON names, such as
	// "check.answers[3].heldSeconds".
	Field string
	// Problem says what was wrong and what is allowed, in lower case.
	Problem string
}

func (v Violation) String() string { return v.Field + ": " + v.Problem }

// Violations is all that is wrong with one message, in the order of its
// fields. As an error it is only returned when there is at least one.
type Violations []Violation

func (v Violations) Error() string {
	lines := make([]string, len(v))
	for i, one := range v {
		lines[i] = one.String()
	}
	return strings.Join(lines, "; ")
}

// err is v as an error, nil if nothing is wrong.
func (v Violations) err() error {
	if len(v) == 0 {
		return nil
	}
	return v
}

// add takes the path in the names of the proto files.
func (v *Violations) add(field, problem string, args ...any) {
	*v = append(*v, Violation{Field: jsonPath(field), Problem: fmt.Sprintf(problem, args...)})
}

// text looks at a text of at most limit characters.
func (v *Violations) text(field, text string, limit int) {
	switch {
	case !utf8.ValidString(text):
		v.add(field, "is not valid UTF-8")
	case utf8.RuneCountInString(text) > limit:
		v.add(field, "has %d characters; at most %d are allowed", utf8.RuneCountInString(text), limit)
	case strings.ContainsFunc(text, isControl):
		v.add(field, "has a control character; only line feeds are allowed")
	}
}

// needText is text for one that must not be blank; why says what it is for.
func (v *Violations) needText(field, text string, limit int, why string) {
	if strings.TrimSpace(text) == "" {
		v.add(field, "is missing; %s", why)
		return
	}
	v.text(field, text, limit)
}

// isControl holds for what can hide or fake text: control characters other
// than the line feed, and marks that turn the direction of writing.
func isControl(r rune) bool {
	return r != '\n' && (unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r))
}

// Denied says that a person may not do what they asked for, whatever they send.
type Denied struct {
	// Field is the path of the field in JSON names.
	Field string
	// Problem says who may do it and who asked, in lower case.
	Problem string
}

func (d *Denied) Error() string { return d.Field + ": " + d.Problem }

// deny is the refusal of something that only some roles may do.
func deny(field string, person *bothyv1.Person, what string, roles ...bothyv1.Role) *Denied {
	who := make([]string, len(roles))
	for i, r := range roles {
		who[i] = r.String()
	}
	return &Denied{Field: jsonPath(field), Problem: fmt.Sprintf("only a person with the role %s may %s; %q has the role %s",
		strings.Join(who, " or "), what, person.GetId(), person.GetRole())}
}

// jsonPath turns the snake case of a proto path into JSON names.
func jsonPath(path string) string {
	var b strings.Builder
	up := false
	for _, r := range path {
		if r == '_' {
			up = true
			continue
		}
		if up {
			r = unicode.ToUpper(r)
		}
		up = false
		b.WriteRune(r)
	}
	return b.String()
}
