// Package hub is head office: it joins what every cabin wrote, from a JetStream
// stream that is its ledger, and shows all sites side by side.
package hub

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strconv"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"

	"github.com/bothy-mesh/bothy/plant/book"
	"github.com/bothy-mesh/bothy/plant/sheets"
	"github.com/bothy-mesh/bothy/proto/gate"
	"github.com/bothy-mesh/bothy/sync/link"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Config sets a hub up.
type Config struct {
	// Dir holds everything that the hub keeps.
	Dir string
	// HTTP and GRPC are the addresses on which people are served.
	HTTP, GRPC string
	// NATS is the address on which the embedded broker listens for cabins.
	NATS string
	// NATSURLs are those of an existing server or cluster to use instead; Copies
	// is then how many of its servers keep the stream.
	NATSURLs []string
	Copies   int
	// ServeTLS for people, NATSTLS for the embedded broker, NATSClientTLS for the
	// way to an existing one; nil is plain.
	ServeTLS, NATSTLS, NATSClientTLS *tls.Config
	// SilentAfter is the age at which a site's records no longer say how its
	// machines are.
	SilentAfter time.Duration
	FreeBytes   uint64
	// Examine is the command that examines a view in a child process.
	Examine []string
	Now     func() time.Time
	Log     *slog.Logger
}

// Hub is a running head office.
type Hub struct {
	cfg     Config
	log     *slog.Logger
	broker  *link.Broker // nil with an existing server
	stream  *link.Hub
	replica *replica.Replica
	book    *book.Book
	gate    *gate.Gate
	http    net.Listener
	grpc    net.Listener
}

// Open opens the broker, the stream, the hub's replica and its listeners.
func Open(ctx context.Context, cfg Config) (_ *Hub, err error) {
	h := &Hub{cfg: cfg, log: cfg.Log}
	defer func() {
		if err != nil {
			err = errors.Join(err, h.close())
		}
	}()
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		return nil, err
	}
	h.replica, err = replica.Open(ctx, replica.Options{
		Dir: cfg.Dir, Schema: schema, Now: cfg.Now, Log: cfg.Log, SyncView: true,
		Examine: cfg.Examine, FreeBytes: cfg.FreeBytes,
	})
	if err != nil {
		return nil, err
	}
	if err := h.openStream(ctx); err != nil {
		return nil, err
	}
	h.book = book.New(h.replica, book.Options{Clock: h.replica.Now, SilentAfter: cfg.SilentAfter, AsOf: h.asOf})
	known, err := sheets.Embedded()
	if err != nil {
		return nil, fmt.Errorf("read the sheets: %w", err)
	}
	if err := h.book.PublishSheets(ctx, known); err != nil {
		return nil, fmt.Errorf("publish the sheets: %w", err)
	}
	return h, h.listen()
}

func (h *Hub) openStream(ctx context.Context) (err error) {
	target := link.HubConfig{URLs: h.cfg.NATSURLs, Replicas: h.cfg.Copies, TLS: h.cfg.NATSClientTLS, Log: h.log}
	if len(h.cfg.NATSURLs) == 0 {
		if target.Broker, err = h.startBroker(); err != nil {
			return err
		}
	}
	h.stream, err = link.OpenHub(ctx, target)
	return err
}

func (h *Hub) startBroker() (*link.Broker, error) {
	host, text, err := net.SplitHostPort(h.cfg.NATS)
	if err != nil {
		return nil, fmt.Errorf("address for cabins: %w", err)
	}
	port, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return nil, fmt.Errorf("address for cabins %q: the port must be 0 to 65535", h.cfg.NATS)
	}
	h.broker, err = link.StartBroker(link.BrokerConfig{
		Dir: filepath.Join(h.cfg.Dir, "stream"), Host: host, Port: int(port), TLS: h.cfg.NATSTLS, Log: h.log,
	})
	return h.broker, err
}

func (h *Hub) listen() (err error) {
	if h.http, err = net.Listen("tcp", h.cfg.HTTP); err != nil {
		return fmt.Errorf("listen for people: %w", err)
	}
	if h.grpc, err = net.Listen("tcp", h.cfg.GRPC); err != nil {
		return fmt.Errorf("listen for gRPC: %w", err)
	}
	h.gate, err = gate.New(gate.Config{
		HTTPListener: h.http, GRPCListener: h.grpc, TLS: h.cfg.ServeTLS, Log: h.log,
		Register: func(s *grpc.Server) {
			bothyv1.RegisterRecordsServiceServer(s, h.book)
			bothyv1.RegisterOfficeServiceServer(s, office{hub: h})
		},
		Handlers: []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
			bothyv1.RegisterRecordsServiceHandler, bothyv1.RegisterOfficeServiceHandler,
		},
	})
	return err
}

// HTTPAddr is where the hub serves people.
func (h *Hub) HTTPAddr() string { return h.http.Addr().String() }

// GRPCAddr is where the hub listens for gRPC.
func (h *Hub) GRPCAddr() string { return h.grpc.Addr().String() }

// NATSAddr is where the embedded broker listens for cabins; empty with an
// existing server.
func (h *Hub) NATSAddr() string {
	if h.broker == nil {
		return ""
	}
	return h.broker.URL()
}

// Run serves until the context ends, then closes. It gives the first cause.
func (h *Hub) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	parts := []func(context.Context) error{h.consume, h.publish, h.servePulls, h.gate.Run}
	ended := make(chan error, len(parts))
	for _, part := range parts {
		go func() { ended <- quiet(ctx, part(ctx)) }()
	}
	var errs []error
	for range parts {
		errs = append(errs, <-ended)
		cancel()
	}
	return errors.Join(errors.Join(errs...), h.close())
}

// quiet makes an orderly end of what fails because the context ended.
func quiet(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

func (h *Hub) close() error {
	var errs []error
	for _, l := range []net.Listener{h.http, h.grpc} {
		if l != nil {
			if err := l.Close(); !errors.Is(err, net.ErrClosed) {
				errs = append(errs, err)
			}
		}
	}
	if h.stream != nil {
		errs = append(errs, h.stream.Close())
	}
	if h.broker != nil {
		errs = append(errs, h.broker.Close())
	}
	if h.replica != nil {
		errs = append(errs, h.replica.Close())
	}
	return errors.Join(errs...)
}
