package fault

import "google.golang.org/grpc/codes"

// Kind is what went wrong, as far as a caller can do something about it. New
// kinds are appended; a number or a reason is never given another meaning.
type Kind uint8

// The kinds. KindInternal is every error that is not a fault.
const (
	KindInternal     Kind = iota // a fault of ours; the caller can only report it
	KindInvalid                  // the request is wrong and will stay wrong
	KindMissing                  // what it names is not here
	KindExists                   // what it would make is here already
	KindForbidden                // the person may not do that
	KindUnnamed                  // the call needs a person and names none
	KindClash                    // the request_id was used for another request
	KindPrecondition             // the request is right, but not in this state
	KindFull                     // there is no room; it may work later
	KindAway                     // something needed does not answer; it may work later
	KindTooLarge                 // the request is larger than is taken
	KindLate                     // the time for the call ran out; it may have been done
	KindDropped                  // the caller went away
	KindUnserved                 // this server does not serve that call

	kindEnd // not a kind
)

// Kinds are all kinds, in the order of their numbers.
func Kinds() []Kind {
	all := make([]Kind, kindEnd)
	for i := range all {
		all[i] = Kind(i)
	}
	return all
}

// The one mapping of kinds to the outside. The status of HTTP follows from the
// code by the table in google/rpc/code.proto.
var outside = [kindEnd]struct {
	code   codes.Code
	reason string
}{
	KindInternal:     {codes.Internal, "INTERNAL"},
	KindInvalid:      {codes.InvalidArgument, "INVALID"},
	KindMissing:      {codes.NotFound, "MISSING"},
	KindExists:       {codes.AlreadyExists, "EXISTS"},
	KindForbidden:    {codes.PermissionDenied, "FORBIDDEN"},
	KindUnnamed:      {codes.Unauthenticated, "PERSON_UNNAMED"},
	KindClash:        {codes.Aborted, "REQUEST_ID_USED"},
	KindPrecondition: {codes.FailedPrecondition, "PRECONDITION"},
	KindFull:         {codes.ResourceExhausted, "FULL"},
	KindAway:         {codes.Unavailable, "AWAY"},
	KindTooLarge:     {codes.ResourceExhausted, "TOO_LARGE"},
	KindLate:         {codes.DeadlineExceeded, "LATE"},
	KindDropped:      {codes.Canceled, "DROPPED"},
	KindUnserved:     {codes.Unimplemented, "UNSERVED"},
}

// Code is the kind's gRPC code.
func (k Kind) Code() codes.Code { return outside[k].code }

// String is the kind's reason in UPPER_SNAKE, as ErrorInfo carries it.
func (k Kind) String() string { return outside[k].reason }
