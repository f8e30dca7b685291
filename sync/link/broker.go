package link

import (
	"cmp"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// What the broker allows, each with its reason.
const (
	maxMessage    = 1 << 20          // bytes; a piece of exchange.MaxPiece with its subject and id
	brokerMemory  = 64 << 20         // bytes; nothing but short-lived readers is kept in memory
	brokerStore   = 64 << 30         // bytes; fixed, because the server's own rule shrinks as the stream grows
	writeDeadline = 60 * time.Second // a thin link takes a piece in some seconds, and must not be dropped for a backlog
	setUpTimeout  = 30               // seconds for TLS and for authentication: several round trips by satellite
	brokerPing    = 9 * time.Minute  // nodes ping more often, so that this is for those that fell silent
	readyTimeout  = 30 * time.Second // from started to listening; the stream has been read by then
)

// BrokerConfig says how to run a broker. Only Dir has no useful zero value.
type BrokerConfig struct {
	// Dir keeps the streams. No other process may use it.
	Dir string
	// Host and Port to listen on; 127.0.0.1 and any free port if they are zero.
	Host string
	Port int
	// TLS for every connection from outside the process; nil for none, which is
	// for loopback and tunnels.
	TLS *tls.Config
	// Admit decides who may connect; nil admits everybody, to everything.
	Admit Admit
	// Name of the broker; "hub" if it is empty. Each one in a cluster needs its
	// own.
	Name string
	// Cluster that the broker is one of; nil for none.
	Cluster *Cluster
	// MaxStore bounds all streams on disk, in bytes; 0 means 64 GiB.
	MaxStore int64
	// Log gets what the broker has to say; nil means slog.Default().
	Log *slog.Logger
}

// Cluster joins brokers into one. Three of them hold a stream in three copies and
// go on when one is lost.
type Cluster struct {
	Name string
	Host string
	Port int // 0 is any free port, of use where the others name themselves
	// Routes are the addresses of all members, such as nats://10.0.0.2:6222.
	Routes []string
	// TLS between the members, as server and as client; nil for none.
	TLS *tls.Config
}

// Broker is a NATS server with JetStream in this process.
type Broker struct {
	server    *server.Server
	log       *brokerLog
	dir       string
	clustered bool
	addr      string
	scheme    string
	token     string // by which the hub in this process is known
}

// StartBroker runs a broker and returns when it takes connections.
func StartBroker(cfg BrokerConfig) (*Broker, error) {
	opts, err := cfg.options()
	if err != nil {
		return nil, err
	}
	b := &Broker{
		log:       &brokerLog{to: cmp.Or(cfg.Log, slog.Default())},
		dir:       cfg.Dir,
		clustered: cfg.Cluster != nil,
		scheme:    "nats://",
	}
	if cfg.TLS != nil {
		b.scheme = "tls://"
	}
	if cfg.Admit != nil {
		door := newDoor(cfg.Admit)
		b.token = door.token
		opts.CustomClientAuthentication = door
		opts.AlwaysEnableNonce = true
	}
	if b.server, err = server.NewServer(opts); err != nil {
		return nil, fmt.Errorf("the broker's settings cannot be used: %w", err)
	}
	b.server.SetLoggerV2(b.log, false, false, false)
	b.server.Start()
	err = b.log.fatal()
	if err == nil && !b.server.ReadyForConnections(readyTimeout) {
		err = cmp.Or(b.log.fatal(), fmt.Errorf("it takes no connections after %s", readyTimeout))
	}
	if err != nil {
		b.Close()
		return nil, fmt.Errorf("the broker cannot start on %s with its streams in %s: %w",
			net.JoinHostPort(opts.Host, strconv.Itoa(max(0, opts.Port))), cfg.Dir, err)
	}
	b.addr = b.server.Addr().String()
	return b, nil
}

func (cfg *BrokerConfig) options() (*server.Options, error) {
	if cfg.Dir == "" {
		return nil, errors.New("the broker has no directory for its streams")
	}
	opts := &server.Options{
		ServerName: cmp.Or(cfg.Name, "hub"),
		Host:       cmp.Or(cfg.Host, "127.0.0.1"),
		Port:       cmp.Or(cfg.Port, server.RANDOM_PORT),
		NoSigs:     true,

		JetStream:              true,
		StoreDir:               cfg.Dir,
		SyncAlways:             true,
		JetStreamMaxMemory:     brokerMemory,
		JetStreamMaxStore:      cmp.Or(cfg.MaxStore, brokerStore),
		DisableJetStreamBanner: true,
		DisableShortFirstPing:  true,
		MaxPayload:             maxMessage,
		WriteDeadline:          writeDeadline,
		TLSConfig:              cfg.TLS,
		TLSTimeout:             setUpTimeout,
		AuthTimeout:            setUpTimeout,
		PingInterval:           brokerPing,
		Cluster:                server.ClusterOpts{NoAdvertise: true},
	}
	if cfg.Cluster == nil {
		return opts, nil
	}
	opts.Cluster.Name = cfg.Cluster.Name
	opts.Cluster.Host = cmp.Or(cfg.Cluster.Host, "127.0.0.1")
	opts.Cluster.Port = cmp.Or(cfg.Cluster.Port, server.RANDOM_PORT)
	opts.Cluster.TLSConfig = cfg.Cluster.TLS
	opts.Cluster.TLSTimeout = setUpTimeout
	for _, r := range cfg.Cluster.Routes {
		u, err := url.Parse(r)
		if err != nil || u.Host == "" {
			return nil, fmt.Errorf("route to another broker %q: want nats://host:port", r)
		}
		opts.Routes = append(opts.Routes, u)
	}
	return opts, nil
}

// Addr is the host and port that the broker listens on.
func (b *Broker) Addr() string { return b.addr }

// URL is the address for a [Client] on the same machine or network.
func (b *Broker) URL() string { return b.scheme + b.addr }

// Health is nil while the broker can keep what it is given. It does not heal
// without a restart.
func (b *Broker) Health() error {
	if err := b.log.fatal(); err != nil {
		return fmt.Errorf("the broker failed: %w", err)
	}
	if !b.server.JetStreamEnabled() {
		return errors.New("the broker has stopped to store, as it does when its disk is full or fails; make room and restart")
	}
	return nil
}

// Close stops the broker and waits for its end.
func (b *Broker) Close() error {
	b.server.Shutdown()
	b.server.WaitForShutdown()
	return nil
}

// inside are the options of a connection from this process.
func (b *Broker) inside() []nats.Option {
	opts := []nats.Option{nats.InProcessServer(b.server)}
	if b.token != "" {
		opts = append(opts, nats.Token(b.token))
	}
	return opts
}

// streamDir is where the server keeps a stream.
func (b *Broker) streamDir(stream string) string {
	return filepath.Join(b.dir, server.JetStreamStoreDir, server.DEFAULT_GLOBAL_ACCOUNT, "streams", stream)
}
