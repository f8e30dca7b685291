// Package node is the cabin: it keeps the site's records with no link, for
// months, serves them to handhelds, and exchanges them with the hub when there is
// one in reach.
package node

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync/atomic"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"

	"github.com/bothy-mesh/bothy/plant/book"
	"github.com/bothy-mesh/bothy/plant/sheets"
	"github.com/bothy-mesh/bothy/proto/gate"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/link"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Config sets a node up.
type Config struct {
	// Name of the cabin, unique among the hub's cabins.
	Name string
	// Sites that the cabin carries.
	Sites []string
	// Dir holds everything that the node keeps.
	Dir string
	// HTTP and GRPC are the addresses on which handhelds are served.
	HTTP, GRPC string
	// Hub lists the addresses of the hub's NATS; empty means that there is none.
	Hub []string
	// TLS for handhelds, and for the way to the hub; nil is plain.
	ServeTLS, HubTLS *tls.Config
	// AskEvery is how often the hub is asked when it does not ring, and, up to five
	// minutes, tried again when it is not in reach.
	AskEvery time.Duration
	// FreeBytes of disk space below which nothing is accepted.
	FreeBytes uint64
	// Examine is the command that examines a view in a child process.
	Examine []string
	Version string
	Now     func() time.Time
	Log     *slog.Logger
}

// Node is a running cabin.
type Node struct {
	cfg     Config
	log     *slog.Logger
	replica *replica.Replica
	book    *book.Book
	client  *link.Client
	gate    *gate.Gate
	http    net.Listener
	grpc    net.Listener

	// lastContact is when the hub last answered, in milliseconds; 0 is never.
	lastContact atomic.Int64
}

// Open opens the node's replica and its listeners. Close it, or Run it.
func Open(ctx context.Context, cfg Config) (_ *Node, err error) {
	n := &Node{cfg: cfg, log: cfg.Log}
	defer func() {
		if err != nil {
			err = errors.Join(err, n.close())
		}
	}()
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		return nil, err
	}
	n.replica, err = replica.Open(ctx, replica.Options{
		Dir: cfg.Dir, Schema: schema, Now: cfg.Now, Log: cfg.Log, KeepReceived: true,
		Sites: cfg.Sites, Examine: cfg.Examine, FreeBytes: cfg.FreeBytes,
	})
	if err != nil {
		return nil, err
	}
	known, err := sheets.Embedded()
	if err != nil {
		return nil, fmt.Errorf("read the sheets: %w", err)
	}
	n.book = book.New(n.replica, book.Options{
		Clock: n.replica.Now, ClockDoubtful: n.replica.ClockDoubtful, Sites: cfg.Sites, Sheets: known,
	})
	if err := n.introduce(ctx); err != nil {
		return nil, err
	}
	if len(cfg.Hub) > 0 {
		n.client, err = link.Dial(ctx, link.ClientConfig{URLs: cfg.Hub, Replica: n.replica.ID(), Name: cfg.Name, Sites: cfg.Sites, TLS: cfg.HubTLS, RetryMost: min(longestPause, cfg.AskEvery), Log: cfg.Log})
		if err != nil {
			return nil, err
		}
	}
	return n, n.listen()
}

// introduce publishes the cabin's card, where it differs from what is kept.
func (n *Node) introduce(ctx context.Context) error {
	card := &bothyv1.Cabin{Id: n.cfg.Name, Replica: n.replica.ID().String(), Sites: n.cfg.Sites, Version: n.cfg.Version}
	return n.replica.Write(ctx, "", func(w store.Writer) error {
		e, ok, err := w.Get(card, card.Id)
		if err != nil {
			return err
		}
		if old, _ := e.Message.(*bothyv1.Cabin); ok && old.Replica == card.Replica && old.Version == card.Version && slices.Equal(old.Sites, card.Sites) {
			return nil
		}
		return w.Change(card, []string{"replica", "sites", "version"}, "", store.Calm)
	})
}

func (n *Node) listen() (err error) {
	if n.http, err = net.Listen("tcp", n.cfg.HTTP); err != nil {
		return fmt.Errorf("listen for handhelds: %w", err)
	}
	if n.grpc, err = net.Listen("tcp", n.cfg.GRPC); err != nil {
		return fmt.Errorf("listen for gRPC: %w", err)
	}
	n.gate, err = gate.New(gate.Config{
		HTTPListener: n.http, GRPCListener: n.grpc, TLS: n.cfg.ServeTLS, Log: n.log,
		Register: func(s *grpc.Server) {
			bothyv1.RegisterRecordsServiceServer(s, n.book)
			bothyv1.RegisterCabinServiceServer(s, cabin{node: n})
		},
		Handlers: []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
			bothyv1.RegisterRecordsServiceHandler, bothyv1.RegisterCabinServiceHandler,
		},
	})
	return err
}

// HTTPAddr and GRPCAddr are where the node listens.
func (n *Node) HTTPAddr() string { return n.http.Addr().String() }

// GRPCAddr is where the node listens for gRPC.
func (n *Node) GRPCAddr() string { return n.grpc.Addr().String() }

// Run serves until the context ends, then closes. It gives the first cause.
func (n *Node) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 2)
	running := 1
	go func() { ended <- n.gate.Run(ctx) }()
	if n.client != nil {
		running++
		go func() { ended <- n.uplink(ctx) }()
	}
	var errs []error
	for range running {
		errs = append(errs, <-ended)
		cancel()
	}
	return errors.Join(errors.Join(errs...), n.close())
}

func (n *Node) close() error {
	var errs []error
	if n.client != nil {
		errs = append(errs, n.client.Close())
	}
	for _, l := range []net.Listener{n.http, n.grpc} {
		if l != nil {
			if err := l.Close(); !errors.Is(err, net.ErrClosed) {
				errs = append(errs, err)
			}
		}
	}
	if n.replica != nil {
		errs = append(errs, n.replica.Close())
	}
	return errors.Join(errs...)
}
