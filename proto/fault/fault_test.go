package fault_test

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/bothy-mesh/bothy/proto/fault"
)

// The kinds are append-only: programs branch on codes and reasons.
func TestKindsDoNotChange(t *testing.T) {
	want := []struct {
		code   codes.Code
		reason string
	}{
		{codes.Internal, "INTERNAL"},
		{codes.InvalidArgument, "INVALID"},
		{codes.NotFound, "MISSING"},
		{codes.AlreadyExists, "EXISTS"},
		{codes.PermissionDenied, "FORBIDDEN"},
		{codes.Unauthenticated, "PERSON_UNNAMED"},
		{codes.Aborted, "REQUEST_ID_USED"},
		{codes.FailedPrecondition, "PRECONDITION"},
		{codes.ResourceExhausted, "FULL"},
		{codes.Unavailable, "AWAY"},
		{codes.ResourceExhausted, "TOO_LARGE"},
		{codes.DeadlineExceeded, "LATE"},
		{codes.Canceled, "DROPPED"},
		{codes.Unimplemented, "UNSERVED"},
	}
	kinds := fault.Kinds()
	if len(kinds) < len(want) {
		t.Fatalf("there are %d kinds, were %d", len(kinds), len(want))
	}
	for i, w := range want {
		if k := kinds[i]; k.Code() != w.code || k.String() != w.reason {
			t.Errorf("kind %d is %v %v, was %v %v", i, k.Code(), k, w.code, w.reason)
		}
	}
}

// google/rpc/error_details.proto, ErrorInfo.reason: at most 63 characters of
// [A-Z][A-Z0-9_]+[A-Z0-9]; ErrorInfo.metadata: keys of [a-z][a-zA-Z0-9-_]+, at
// most 64 characters.
var (
	reasonForm = regexp.MustCompile(`^[A-Z][A-Z0-9_]+[A-Z0-9]$`)
	keyForm    = regexp.MustCompile(`^[a-z][a-zA-Z0-9-_]+$`)
)

func TestDetailsHaveTheFormOfTheStandard(t *testing.T) {
	all := []*fault.Error{
		fault.Invalid(fault.Violation{Field: "reason", Problem: "is missing"}), fault.Unreadable("no JSON"),
		fault.Missing("machine", "d-14"), fault.Exists("machine", "d-14"), fault.Forbidden("no"), fault.Unnamed(),
		fault.Clash("r1"), fault.Precondition("no"), fault.Full("no"), fault.Away("no"), fault.TooLarge("no"),
		fault.Late("no"), fault.Of(context.Canceled), fault.Unserved("no"), fault.Of(errors.New("disk")),
	}
	covered := make(map[fault.Kind]bool)
	for _, e := range all {
		covered[e.Kind] = true
		s := e.GRPCStatus()
		info := infoOf(t, s)
		if s.Code() != e.Kind.Code() || s.Message() == "" || info.GetDomain() != "bothy" {
			t.Errorf("%v: got %v, %v", e.Kind, s, info)
		}
		if !reasonForm.MatchString(info.GetReason()) || len(info.GetReason()) > 63 {
			t.Errorf("%v: the reason %q has another form", e.Kind, info.GetReason())
		}
		for key := range info.GetMetadata() {
			if !keyForm.MatchString(key) || len(key) > 64 {
				t.Errorf("%v: the key %q has another form", e.Kind, key)
			}
		}
	}
	for _, k := range fault.Kinds() {
		if !covered[k] {
			t.Errorf("no constructor makes %v", k)
		}
	}
}

func infoOf(t *testing.T, s *status.Status) *errdetails.ErrorInfo {
	t.Helper()
	for _, detail := range s.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info
		}
	}
	t.Errorf("%v has no ErrorInfo", s)
	return nil
}

func violationsOf(s *status.Status) []*errdetails.BadRequest_FieldViolation {
	for _, detail := range s.Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()
		}
	}
	return nil
}

func TestViolationsLeaveInOrder(t *testing.T) {
	var violations []fault.Violation
	for i := range 5 {
		violations = append(violations, fault.Violation{Field: fmt.Sprintf("answers[%d].note", i), Problem: "is missing"})
	}
	s := fault.Invalid(violations...).GRPCStatus()
	if want := "answers[0].note: is missing; answers[1].note: is missing; answers[2].note: is missing; and 2 more"; s.Message() != want {
		t.Errorf("the text is %q, want %q", s.Message(), want)
	}
	got := violationsOf(s)
	if len(got) != 5 {
		t.Fatalf("%d violations left, want 5", len(got))
	}
	for i, v := range got {
		if v.GetField() != violations[i].Field || v.GetDescription() != violations[i].Problem {
			t.Errorf("violation %d is %v, want %v", i, v, violations[i])
		}
	}
}

// What somebody sent does not come back as a flood, nor as broken text that
// would take all details with it.
func TestWhatLeavesIsBoundedAndValid(t *testing.T) {
	long := strings.Repeat("ö", 4_000) + "\xff"
	var violations []fault.Violation
	for range 150 {
		violations = append(violations, fault.Violation{Field: long, Problem: "is \xff" + long})
	}
	for _, e := range []*fault.Error{
		fault.Invalid(violations...), fault.Missing("machine", long), fault.Clash(long), fault.Away("%s", long),
		fault.Full("no").With("path", long), fault.Full("short \xff").With("path", "\xff"),
	} {
		s := e.GRPCStatus()
		if !utf8.ValidString(s.Message()) || len(s.Message()) > fault.TextMax+30 {
			t.Errorf("%v: the text has %d bytes, valid is %v", e.Kind, len(s.Message()), utf8.ValidString(s.Message()))
		}
		for key, value := range infoOf(t, s).GetMetadata() {
			if len(value) > fault.TextMax+30 {
				t.Errorf("%v: %s has %d bytes", e.Kind, key, len(value))
			}
		}
	}
	s := fault.Invalid(violations...).GRPCStatus()
	if got := len(violationsOf(s)); got != fault.ViolationsMax {
		t.Errorf("%d violations left, want %d", got, fault.ViolationsMax)
	}
	if got := infoOf(t, s).GetMetadata()["moreViolations"]; got != "50" {
		t.Errorf("%q more are counted, want 50", got)
	}
	if got := violationsOf(s)[0].GetDescription(); !strings.HasPrefix(got, "is \uFFFDö") {
		t.Errorf("the problem became %.20q", got)
	}
}

func TestOfFindsTheFault(t *testing.T) {
	missing := fault.Missing("machine", "d-14")
	for name, c := range map[string]struct {
		err  error
		want fault.Kind
	}{
		"a fault":               {missing, fault.KindMissing},
		"a wrapped fault":       {fmt.Errorf("judging d-14: %w", missing), fault.KindMissing},
		"a joined fault":        {errors.Join(errors.New("disk"), missing), fault.KindMissing},
		"a fault with a cause":  {fault.Away("the hub is away").From(context.DeadlineExceeded), fault.KindAway},
		"the end of the time":   {fmt.Errorf("reading: %w", context.DeadlineExceeded), fault.KindLate},
		"the caller went":       {fmt.Errorf("reading: %w", context.Canceled), fault.KindDropped},
		"not implemented":       {status.Error(codes.Unimplemented, "method X"), fault.KindUnserved},
		"another status":        {status.Error(codes.NotFound, "secret"), fault.KindInternal},
		"anything else":         {errors.New("disk"), fault.KindInternal},
		"a fault under a fault": {fault.Precondition("no").From(missing), fault.KindPrecondition},
	} {
		if got := fault.Of(c.err); got.Kind != c.want {
			t.Errorf("%s: got %v, want %v", name, got.Kind, c.want)
		}
	}
	if fault.Of(nil) != nil {
		t.Error("nil is a fault")
	}
}

// The cause is for the log: it is in the error, and not in the status.
func TestTheCauseStays(t *testing.T) {
	disk := errors.New("segment 7 is damaged")
	e := fault.Away("the store does not answer").With("store", "view").From(disk)
	if !errors.Is(e, disk) || e.Error() != "the store does not answer: segment 7 is damaged" {
		t.Errorf("the error is %v", e)
	}
	if s := e.GRPCStatus(); strings.Contains(fmt.Sprint(s.Proto()), "segment") {
		t.Errorf("the status has the cause: %v", s.Proto())
	}
	if s := fault.Of(disk).GRPCStatus(); strings.Contains(fmt.Sprint(s.Proto()), "segment") {
		t.Errorf("the status of an internal error has its text: %v", s.Proto())
	}
}

// Adding to a fault leaves the one that it was made from as it is.
func TestFaultsAreValues(t *testing.T) {
	plain := fault.Missing("machine", "d-14")
	more := plain.With("site", "ravens-quarry").WithReason("MACHINE_MOVED").From(errors.New("x"))
	if len(plain.Metadata) != 2 || plain.Reason != "MISSING" || plain.Cause != nil {
		t.Errorf("the first changed: %+v", plain)
	}
	if len(more.Metadata) != 3 || more.Reason != "MACHINE_MOVED" || more.Cause == nil {
		t.Errorf("the second lacks something: %+v", more)
	}
}
