package gate

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/bothy-mesh/bothy/proto/fault"
)

// fail answers a request with an error: a fault, or what came back from the gRPC
// server, either of them under an HTTP status of its own if it is wrapped in one.
func (g *Gate) fail(w http.ResponseWriter, r *http.Request, err error) {
	narrower := 0
	var special *runtime.HTTPStatusError
	if errors.As(err, &special) {
		narrower, err = special.HTTPStatus, special.Err
	}
	refusal := g.refusal(r.Context(), err)
	code := httpStatus(refusal)
	if narrower != 0 {
		code = narrower
	}
	g.cfg.Log.DebugContext(r.Context(), "refused", "method", r.Method, "status", code)

	h := w.Header()
	setAPIHeader(h)
	switch code {
	case http.StatusUnauthorized:
		// RFC 9110, 15.5.2: a challenge must be there. Ours is to name a person.
		h.Set("WWW-Authenticate", personHeader)
	case http.StatusTooManyRequests:
		h.Set("Retry-After", retryFull)
	case http.StatusServiceUnavailable:
		h.Set("Retry-After", retryAway)
	}
	body, err := protojson.Marshal(refusal.Proto())
	if err != nil { // a detail of a type that we do not know: it goes, the rest stays
		body, _ = protojson.Marshal(status.New(refusal.Code(), refusal.Message()).Proto())
	}
	w.WriteHeader(code)
	_, _ = w.Write(body) // whoever asked has gone
}

// notAllowed answers a method that a path has not.
func (g *Gate) notAllowed(w http.ResponseWriter, r *http.Request, methods []string) {
	allowed := strings.Join(methods, ", ")
	w.Header().Set("Allow", allowed)
	g.fail(w, r, &runtime.HTTPStatusError{HTTPStatus: http.StatusMethodNotAllowed,
		Err: fault.Unserved("%s is not served here; allowed are %s", r.Method, allowed)})
}

// httpStatus is the status of HTTP for an error of ours. What is too large is too
// large for ever, and 429 would say to try again.
func httpStatus(refusal *status.Status) int {
	if infoOf(refusal).GetReason() == fault.KindTooLarge.String() {
		return http.StatusRequestEntityTooLarge
	}
	return runtime.HTTPStatusFromCode(refusal.Code())
}

// infoOf is our word in the details of a status; nil if there is none.
func infoOf(s *status.Status) *errdetails.ErrorInfo {
	for _, detail := range s.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == fault.Domain {
			return info
		}
	}
	return nil
}

// refusal is what leaves for an error. What carries no word of ours was said by
// gRPC or by the gateway: of that only the code leaves, unless it is about the
// request.
func (g *Gate) refusal(ctx context.Context, err error) *status.Status {
	var ours *fault.Error
	if errors.As(err, &ours) {
		return ours.GRPCStatus()
	}
	said := status.Convert(err)
	if infoOf(said) != nil {
		return said
	}
	switch said.Code() {
	case codes.InvalidArgument:
		ours = fault.Unreadable("the request cannot be read: %s", said.Message())
	case codes.Canceled:
		ours = fault.Of(context.Canceled)
	case codes.DeadlineExceeded:
		ours = fault.Of(context.DeadlineExceeded)
	case codes.Unavailable:
		ours = fault.Away("this server is stopping or has too much to do")
	default:
		g.cfg.Log.ErrorContext(ctx, "request failed", "error", err)
		ours = fault.Of(err)
	}
	return ours.GRPCStatus()
}
