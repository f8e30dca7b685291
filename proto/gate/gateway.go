package gate

import (
	"bytes"
	"context"
	"io"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/encoding/protojson"

	"github.com/bothy-mesh/bothy/proto/fault"
)

// personHeader is the header that names who acts.
const personHeader = "Bothy-Person"

// newMux is the gateway without routes.
func (g *Gate) newMux() *runtime.ServeMux {
	nothing := func(string) (string, bool) { return "", false }
	return runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.JSONPb{
			MarshalOptions:   protojson.MarshalOptions{EmitDefaultValues: true},
			UnmarshalOptions: protojson.UnmarshalOptions{DiscardUnknown: false},
		}),
		runtime.WithMiddlewares(g.admit),
		runtime.WithErrorHandler(func(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
			g.fail(w, r, err)
		}),
		runtime.WithRoutingErrorHandler(g.misrouted),
		runtime.WithIncomingHeaderMatcher(func(header string) (string, bool) { return personKey, header == personHeader }),
		runtime.WithOutgoingHeaderMatcher(nothing),
		runtime.WithOutgoingTrailerMatcher(nothing),
		// A POST is a POST, whatever its headers say.
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithWriteContentLength(),
	)
}

// misrouted answers what the gateway has no route for.
func (g *Gate) misrouted(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, status int) {
	if status == http.StatusMethodNotAllowed {
		g.notAllowed(w, r, g.routes.methods(r.URL.Path))
		return
	}
	g.fail(w, r, fault.Missing("path", r.URL.Path))
}

// admit lets only those requests through to the gateway that it will read whole.
func (g *Gate) admit(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, path map[string]string) {
		route := g.routes.find(r)
		if route == nil {
			g.fail(w, r, fault.Missing("path", r.URL.Path))
			return
		}
		body, err := route.examine(w, r, path)
		if err != nil {
			g.fail(w, r, err)
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), callTime)
		defer cancel()
		r = r.WithContext(ctx)
		r.Body = io.NopCloser(bytes.NewReader(body))
		next(w, r, path)
	}
}
