package gate

import (
	"bytes"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"

	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/openapi"
)

// serveHTTP is the HTTP listener's whole space of paths.
func (g *Gate) serveHTTP(w http.ResponseWriter, r *http.Request) {
	if !g.door.enter() {
		g.fail(w, r, fault.Away("this server is stopping"))
		return
	}
	defer g.door.leave()
	switch path := r.URL.Path; {
	case path == "/v1", strings.HasPrefix(path, "/v1/"):
		g.serveAPI(w, r)
	case path == "/openapi.json":
		g.serveRead(w, r, g.serveDocument)
	case path == "/healthz":
		g.serveRead(w, r, g.serveHealth)
	case g.cfg.Pages != nil:
		g.cfg.Pages.ServeHTTP(w, r)
	default:
		g.fail(w, r, fault.Missing("path", path))
	}
}

// serveAPI hands a request to the gateway in the form in which it is read best.
func (g *Gate) serveAPI(w http.ResponseWriter, r *http.Request) {
	setAPIHeader(w.Header())
	plain := *r
	// RFC 9110, 9.3.2: HEAD is GET without the content, which net/http leaves out.
	if r.Method == http.MethodHead {
		plain.Method = http.MethodGet
	}
	// The gateway matches the path as it was sent, and admit unescapes what it
	// finds, once: a fleet number may have a slash in it.
	url := *r.URL
	url.Path, url.RawPath = r.URL.EscapedPath(), ""
	plain.URL = &url
	g.mux.ServeHTTP(w, &plain)
}

// serveRead serves what can only be read.
func (g *Gate) serveRead(w http.ResponseWriter, r *http.Request, serve http.HandlerFunc) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		g.notAllowed(w, r, []string{http.MethodGet, http.MethodHead})
		return
	}
	serve(w, r)
}

func (g *Gate) serveDocument(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(openapi.Document))
}

// serveHealth says whether this server takes calls.
func (g *Gate) serveHealth(w http.ResponseWriter, r *http.Request) {
	setAPIHeader(w.Header())
	health, err := g.health.Check(r.Context(), new(grpc_health_v1.HealthCheckRequest))
	if err != nil {
		g.fail(w, r, err)
		return
	}
	if health.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		g.fail(w, r, fault.Away("this server is starting or stopping"))
		return
	}
	_, _ = w.Write([]byte(`{"status":"SERVING"}`)) // whoever asked has gone
}

// setAPIHeader marks an answer as JSON that holds for now: no cache may answer
// for the records.
func setAPIHeader(h http.Header) {
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Content-Type-Options", "nosniff")
}
