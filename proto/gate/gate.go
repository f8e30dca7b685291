package gate

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/test/bufconn"
)

// Config says what a gate serves and where.
type Config struct {
	// HTTPListener and GRPCListener are closed by Run.
	HTTPListener, GRPCListener net.Listener
	// Register registers the services.
	Register func(*grpc.Server)
	// Handlers are the generated functions that route HTTP to the services, such
	// as bothyv1.RegisterRecordsServiceHandler.
	Handlers []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error
	// Pages serves every path that is not of the API; nil means that there is
	// nothing there.
	Pages http.Handler
	// TLS secures both listeners; nil means plain text.
	TLS *tls.Config
	// Log takes what the person who runs the server should know; on the debug
	// level, one line for every call, without names.
	Log    *slog.Logger
	Limits Limits
}

// Gate serves the API on two listeners.
type Gate struct {
	cfg    Config
	rpc    *grpc.Server
	web    *http.Server
	health *health.Server
	routes routes
	mux    *runtime.ServeMux
	pipe   *bufconn.Listener // from the gateway to rpc
	conn   *grpc.ClientConn  // the gateway's end of it
	door   door
}

// New makes a gate that [Gate.Run] runs. The listeners stay the caller's until
// then.
func New(cfg Config) (*Gate, error) {
	if cfg.HTTPListener == nil || cfg.GRPCListener == nil || cfg.Register == nil || cfg.Log == nil {
		return nil, errors.New("a gate needs an HTTP listener, a gRPC listener, services and a log")
	}
	cfg.Limits = cfg.Limits.withDefaults()
	g := &Gate{cfg: cfg, health: health.NewServer(), pipe: bufconn.Listen(pipeSize)}
	g.rpc = newServer(cfg.Log)
	cfg.Register(g.rpc)
	grpc_health_v1.RegisterHealthServer(g.rpc, g.health)
	reflection.Register(g.rpc)
	for service := range g.rpc.GetServiceInfo() {
		g.health.SetServingStatus(service, grpc_health_v1.HealthCheckResponse_SERVING)
	}
	g.health.Shutdown() // until Run

	var err error
	if g.routes, err = routesOf(g.rpc.GetServiceInfo()); err != nil {
		return nil, fmt.Errorf("reading the routes of the services: %w", err)
	}
	if err := g.connect(); err != nil {
		return nil, err
	}
	g.web = &http.Server{
		Handler:           http.HandlerFunc(g.serveHTTP),
		TLSConfig:         cfg.TLS.Clone(),
		ReadHeaderTimeout: headerTime,
		ReadTimeout:       cfg.Limits.ReadTime,
		WriteTimeout:      answerTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    headerMax,
		HTTP2:             &http.HTTP2Config{MaxConcurrentStreams: streamsMax},
		ErrorLog:          slog.NewLogLogger(cfg.Log.Handler(), slog.LevelWarn),
	}
	return g, nil
}

// connect lays the way from HTTP to the gRPC server.
func (g *Gate) connect() error {
	var err error
	g.conn, err = grpc.NewClient("passthrough:///gate",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return g.pipe.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithIdleTimeout(0),
		// Answers are ours and need no limit.
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(math.MaxInt32)))
	if err != nil {
		return fmt.Errorf("connecting the gateway: %w", err)
	}
	g.mux = g.newMux()
	for _, handle := range g.cfg.Handlers {
		if err := handle(context.Background(), g.mux, g.conn); err != nil {
			return errors.Join(fmt.Errorf("routing a service: %w", err), g.conn.Close())
		}
	}
	return nil
}

// Run serves until ctx ends or a listener fails. Then health goes off first, no
// new connection is taken, what is under way may end within the drain time, and
// what is left is cut. When Run returns, both listeners are closed and no handler
// runs any more. It returns nil when ctx ended it, else what failed. A Gate runs
// once.
func (g *Gate) Run(ctx context.Context) error {
	serve := map[string]func() error{
		"HTTP":                func() error { return g.serveWeb(g.capped(g.cfg.HTTPListener)) },
		"gRPC":                func() error { return g.rpc.Serve(g.secured(g.capped(g.cfg.GRPCListener))) },
		"gRPC to the gateway": func() error { return g.rpc.Serve(g.pipe) },
	}
	ended := make(chan error, len(serve))
	for what, one := range serve {
		go func() { ended <- stopped(what, one()) }()
	}
	g.health.Resume()

	running := len(serve)
	var cause error
	select {
	case <-ctx.Done():
	case cause = <-ended:
		running--
	}
	g.health.Shutdown()
	failed := []error{cause, g.drain()}
	for range running {
		failed = append(failed, <-ended)
	}
	return errors.Join(failed...)
}

func (g *Gate) serveWeb(listener net.Listener) error {
	if g.cfg.TLS == nil {
		return g.web.Serve(listener)
	}
	return g.web.ServeTLS(listener, "", "")
}

// secured is the gRPC listener under TLS. The gRPC server itself knows of none,
// because it serves the connection in memory too.
func (g *Gate) secured(listener net.Listener) net.Listener {
	if g.cfg.TLS == nil {
		return listener
	}
	secure := g.cfg.TLS.Clone()
	secure.NextProtos = []string{"h2"}
	return tls.NewListener(listener, secure)
}

func (g *Gate) capped(listener net.Listener) net.Listener {
	return &cappedListener{Listener: listener, limit: g.cfg.Limits.PerAddress, log: g.cfg.Log, open: make(map[string]*tally)}
}

// drain lets calls end, HTTP before gRPC, because the one needs the other.
func (g *Gate) drain() error {
	ctx, cancel := context.WithTimeout(context.Background(), g.cfg.Limits.DrainTime)
	defer cancel()
	if g.web.Shutdown(ctx) != nil {
		g.cfg.Log.Warn("requests were cut when the drain time was over", "listener", "http")
		_ = g.web.Close() // as Shutdown, it has closed the listener already
	}
	g.door.close()
	err := g.conn.Close()

	graceful := make(chan struct{})
	go func() { g.rpc.GracefulStop(); close(graceful) }()
	select {
	case <-graceful:
	case <-ctx.Done():
		g.cfg.Log.Warn("calls were cut when the drain time was over", "listener", "grpc")
		g.rpc.Stop()
		<-graceful // which waits for the handlers, as Stop does not
	}
	return err
}

// stopped is why a server ended; nil if it was asked to.
func stopped(what string, err error) error {
	if err == nil || errors.Is(err, http.ErrServerClosed) || errors.Is(err, grpc.ErrServerStopped) {
		return nil
	}
	return fmt.Errorf("serving %s: %w", what, err)
}
