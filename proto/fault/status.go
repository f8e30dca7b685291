package fault

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
)

// Domain is the domain of every ErrorInfo.
const Domain = "bothy"

const (
	// TextMax is the length of a text that leaves, in bytes. What somebody sent
	// comes back in it, and must not come back as a flood.
	TextMax = 1000
	// ViolationsMax is how many violations leave at most: twice what a long sheet
	// has points. They travel in the trailers of a gRPC call, and not all clients
	// take large ones. The metadata "moreViolations" counts the rest.
	ViolationsMax = 100
	// idMax is how much of an id is said again in a text, in bytes.
	idMax = 100
)

// GRPCStatus is what leaves: code, text and details, without the cause.
func (e *Error) GRPCStatus() *status.Status {
	info := &errdetails.ErrorInfo{Reason: e.Reason, Domain: Domain, Metadata: make(map[string]string, len(e.Metadata)+1)}
	for key, value := range e.Metadata {
		info.Metadata[key] = clip(value, TextMax)
	}
	details := []protoadapt.MessageV1{info}
	if len(e.Violations) > 0 {
		named := e.Violations[:min(len(e.Violations), ViolationsMax)]
		if more := len(e.Violations) - len(named); more > 0 {
			info.Metadata["moreViolations"] = strconv.Itoa(more)
		}
		details = append(details, badRequest(named))
	}
	plain := status.New(e.Kind.Code(), clip(e.Text, TextMax))
	full, err := plain.WithDetails(details...)
	if err != nil {
		return plain
	}
	return full
}

func badRequest(violations []Violation) *errdetails.BadRequest {
	bad := new(errdetails.BadRequest)
	for _, v := range violations {
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{
			Field:       clip(v.Field, TextMax),
			Description: clip(v.Problem, TextMax),
		})
	}
	return bad
}

// clip is text as valid UTF-8 of about limit bytes at most.
func clip(text string, limit int) string {
	if len(text) <= limit {
		return strings.ToValidUTF8(text, "\uFFFD")
	}
	end := limit
	for end > limit-utf8.UTFMax && !utf8.RuneStart(text[end]) {
		end--
	}
	return fmt.Sprintf("%s... (%d bytes)", strings.ToValidUTF8(text[:end], "\uFFFD"), len(text))
}
