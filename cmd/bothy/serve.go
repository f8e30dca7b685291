package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"

	"github.com/bothy-mesh/bothy/sync/ledger"
	"github.com/bothy-mesh/bothy/sync/link"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

// serving is what can be set of every process that serves: node and hub alike.
type serving struct {
	dir, http, grpc  string
	cert, key, ca    string
	freeBytes        uint64
	logFormat, level string

	serveTLS, dialTLS *tls.Config // from cert, key and ca, by loadTLS
}

// settings begins with dir. http and grpc are the default addresses.
func (s *serving) settings(http, grpc string) []setting {
	return []setting{
		{name: "dir", missing: "name the directory that holds everything it keeps", help: "directory that holds everything it keeps", set: text(&s.dir)},
		{name: "http", fallback: http, help: "address for pages and JSON", set: address(&s.http)},
		{name: "grpc", fallback: grpc, help: "address for gRPC", set: address(&s.grpc)},
		{name: "tls_cert", help: "file of its own certificate, with the chain, in PEM form; without one it serves without TLS", set: text(&s.cert)},
		{name: "tls_key", help: "file of the certificate's private key, in PEM form", set: text(&s.key)},
		{name: "free_space", fallback: "256MB", help: "space on the disk below which nothing more is accepted; 0 watches nothing", set: size(&s.freeBytes)},
		{name: "log_format", fallback: "text", help: "form of the log on stderr: text or json", set: choice(&s.logFormat, "text", "json")},
		{name: "log_level", fallback: "info", help: "what is logged: debug, info, warn or error", set: choice(&s.level, "debug", "info", "warn", "error")},
	}
}

// loadTLS reads the certificates, as far as they are given. dials says that it
// reaches somebody over TLS even without a certificate authority of its own.
func (s *serving) loadTLS(where origins, dials bool) (bad misuse) {
	var err error
	switch {
	case s.cert != "" && s.key == "":
		bad.add("%s is given and tls_key is not; a certificate and its private key come together.", where["tls_cert"])
	case s.key != "" && s.cert == "":
		bad.add("%s is given and tls_cert is not; a certificate and its private key come together.", where["tls_key"])
	case s.cert != "":
		if s.serveTLS, err = link.ServerTLS(s.cert, s.key); err != nil {
			bad.add("%s and %s cannot be used: %v.", where["tls_cert"], where["tls_key"], err)
		}
	}
	if s.ca != "" || dials {
		if s.dialTLS, err = link.ClientTLS(s.ca, "", ""); err != nil {
			bad.add("%s cannot be used: %v.", where["tls_ca"], err)
		}
	}
	return bad
}

// anyTLS says whether one of the addresses asks for TLS.
func anyTLS(urls []string) bool {
	return slices.ContainsFunc(urls, func(url string) bool { return strings.HasPrefix(url, "tls://") })
}

// log is the log that was set, on w.
func (s *serving) log(w io.Writer) *slog.Logger {
	var level slog.Level
	// The setting allows only words that slog knows.
	_ = level.UnmarshalText([]byte(s.level))
	opts := &slog.HandlerOptions{Level: level}
	if s.logFormat == "json" {
		return slog.New(slog.NewJSONHandler(w, opts))
	}
	return slog.New(slog.NewTextHandler(w, opts))
}

// warnOfPlain logs what passes beyond this machine without TLS.
func (s *serving) warnOfPlain(log *slog.Logger, brokers ...string) {
	if s.serveTLS == nil && !(loopback(s.http) && loopback(s.grpc)) {
		log.Warn("records are served without TLS beyond this machine; give tls_cert and tls_key", "http", s.http, "grpc", s.grpc)
	}
	for _, b := range brokers {
		if rest, plain := strings.CutPrefix(b, "nats://"); plain && !loopback(rest) {
			log.Warn("records travel without TLS beyond this machine; use tls://", "address", b)
		}
	}
}

// loopback says that an address with a port is of this machine alone.
func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		host = address
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// nodeMemory bounds the heap of a node, which may run on a board with 1 GB
// beside a handheld's whole site; a hub has a machine of its own.
const nodeMemory = 128 << 20

// limitMemory sets the bound, unless GOMEMLIMIT has set another.
func limitMemory(env func(string) string) {
	if env("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(nodeMemory)
	}
}

// examiner is the command that examines a view in a child process.
func examiner() ([]string, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, fmt.Errorf("find this program's own file: %w", err)
	}
	return []string{self, "examine-view"}, nil
}

// unlessStopped is why a process could not open; nothing, if it was told to stop
// meanwhile.
func unlessStopped(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

// nextStep says what to do about an error; empty if that is not known.
func nextStep(err error) string {
	switch {
	case errors.Is(err, ledger.ErrInUse), errors.Is(err, view.ErrInUse):
		return "Another bothy runs on this directory; stop it first, or give this one a directory of its own."
	case errors.Is(err, view.ErrNewer):
		return "Install the version that wrote it, or a later one; the data is as it was."
	case errors.Is(err, syscall.EADDRINUSE):
		return "Another program listens there; stop it, or give another address."
	case errors.Is(err, replica.ErrBackup):
		return "Nothing was restored; use another copy of the backup, or the key it was made with."
	case errors.Is(err, fs.ErrPermission):
		return "Run it as the user who owns the file or directory, or give that user the right to it."
	}
	return ""
}
