// Package fault is the one kind of error that leaves bothy.
//
// Whatever refuses a request says why with an [Error] of one of a few kinds. A
// kind has one gRPC code, and so one HTTP status; the error adds a sentence for
// a person, field violations where fields are wrong, and a reason and metadata
// for a program (google.rpc.BadRequest and google.rpc.ErrorInfo of AIP-193):
//
//	return fault.Missing("machine", id)
//	return fault.Invalid(fault.Violation{Field: "reason", Problem: "is missing; say why"})
//	return fault.Away("the hub does not answer").From(err)
//
// A fault may be wrapped on its way up; [Of] finds it. Every other error is
// internal: its text is for the log of this server and never leaves it. The same
// holds for a fault's Cause.
package fault

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Error is a refusal that a caller may see.
type Error struct {
	Kind Kind
	// Reason is in UPPER_SNAKE: the kind's own word, or a narrower one that does
	// not change any more.
	Reason string
	// Text is one sentence in lower case: what was wrong, with which input, and
	// what is allowed.
	Text string
	// Violations are the fields that are wrong, only of a KindInvalid.
	Violations []Violation
	// Metadata is for programs. Keys are in lowerCamelCase.
	Metadata map[string]string
	// Cause is logged here and never sent; nil if there is none.
	Cause error
}

// Violation is one thing that is wrong with one field.
type Violation struct {
	// Field is the path of the field from the request, in JSON names, such as
	// "check.answers[3].heldSeconds".
	Field string
	// Problem says what was wrong and what is allowed, in lower case.
	Problem string
}

func (v Violation) String() string { return v.Field + ": " + v.Problem }

// Error is the text with its cause, for a log.
func (e *Error) Error() string {
	if e.Cause == nil {
		return e.Text
	}
	return e.Text + ": " + e.Cause.Error()
}

// Unwrap is the cause.
func (e *Error) Unwrap() error { return e.Cause }

// With is e with one more entry of metadata.
func (e *Error) With(key, value string) *Error {
	more := *e
	more.Metadata = maps.Clone(e.Metadata)
	if more.Metadata == nil {
		more.Metadata = make(map[string]string)
	}
	more.Metadata[key] = value
	return &more
}

// WithReason is e with a narrower reason than its kind's.
func (e *Error) WithReason(reason string) *Error {
	narrow := *e
	narrow.Reason = reason
	return &narrow
}

// From is e with its cause.
func (e *Error) From(cause error) *Error {
	caused := *e
	caused.Cause = cause
	return &caused
}

// Of is the fault that err is or wraps, and nil for nil. The end of a context
// is late or dropped, and what gRPC itself says of a method that nobody serves
// stays that; any other error is internal, and the fault's cause.
func Of(err error) *Error {
	var known *Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &known):
		return known
	case errors.Is(err, context.DeadlineExceeded):
		return Late("the time for this call ran out; it may have been done all the same").From(err)
	case errors.Is(err, context.Canceled):
		return newError(KindDropped, "the caller went away").From(err)
	case status.Code(err) == codes.Unimplemented:
		return Unserved("this server does not serve that call").From(err)
	}
	return newError(KindInternal, "something went wrong on this server; its log says what").From(err)
}

func newError(kind Kind, format string, args ...any) *Error {
	return &Error{Kind: kind, Reason: kind.String(), Text: fmt.Sprintf(format, args...)}
}

// Invalid refuses a request for its fields. There is at least one violation.
func Invalid(violations ...Violation) *Error {
	// The text is for people who see nothing else; a few fields are enough.
	const named = 3
	lines := make([]string, 0, named+1)
	for _, v := range violations[:min(named, len(violations))] {
		lines = append(lines, v.String())
	}
	if more := len(violations) - named; more > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", more))
	}
	e := newError(KindInvalid, "%s", strings.Join(lines, "; "))
	e.Violations = violations
	return e
}

// Unreadable refuses a request that cannot be read as far as its fields.
func Unreadable(format string, args ...any) *Error {
	return newError(KindInvalid, format, args...).WithReason("UNREADABLE")
}

// Missing says that there is none of that kind of thing with that id here.
func Missing(what, id string) *Error {
	return newError(KindMissing, "there is no %s %q here", what, clip(id, idMax)).about(what, id)
}

// Exists says that there is one of that kind of thing with that id already.
func Exists(what, id string) *Error {
	return newError(KindExists, "there is a %s %q already", what, clip(id, idMax)).about(what, id)
}

func (e *Error) about(what, id string) *Error {
	e.Metadata = map[string]string{"resource": what, "id": id}
	return e
}

// Forbidden says who may do it and who asked.
func Forbidden(format string, args ...any) *Error { return newError(KindForbidden, format, args...) }

// Unnamed says that the call needs a person.
func Unnamed() *Error {
	return newError(KindUnnamed, "no person is named; name who acts by id in the header Bothy-Person (gRPC: metadata bothy-person)")
}

// Clash says that the request id was used before, for something else.
func Clash(requestID string) *Error {
	return newError(KindClash, "request id %q was used for another request; a new request needs a new id", clip(requestID, idMax)).
		With("requestId", requestID)
}

// Precondition says in which state things are and in which they would have to be.
func Precondition(format string, args ...any) *Error {
	return newError(KindPrecondition, format, args...)
}

// Full says what there is no room for.
func Full(format string, args ...any) *Error { return newError(KindFull, format, args...) }

// Away says what does not answer.
func Away(format string, args ...any) *Error { return newError(KindAway, format, args...) }

// TooLarge says what is larger than is taken, and how much is.
func TooLarge(format string, args ...any) *Error { return newError(KindTooLarge, format, args...) }

// Late says what took too long.
func Late(format string, args ...any) *Error { return newError(KindLate, format, args...) }

// Unserved says what is not served, and what is instead.
func Unserved(format string, args ...any) *Error { return newError(KindUnserved, format, args...) }
