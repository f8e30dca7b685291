package main

import (
	"context"
	"fmt"
	"log/slog"
	"strconv"
	"time"

	"github.com/bothy-mesh/bothy/hub"
)

// hubSettings is what can be set of a hub.
type hubSettings struct {
	serving
	nats        string
	natsURLs    []string
	copies      string // "1" or "3"
	silentAfter time.Duration
}

func hubCommand() command { return new(hubSettings).command() }

func (s *hubSettings) command() command {
	return command{
		name:       "hub",
		line:       "join all sites at head office, with a broker of its own",
		text:       hubText,
		configured: true,
		settings: append(s.serving.settings(":8090", ":8091"), []setting{
			{name: "nats", fallback: ":4222", help: "address on which its own broker takes cabins", set: address(&s.nats)},
			{name: "nats_url", list: true, help: "addresses of a NATS server or cluster to use instead of its own broker", set: list(&s.natsURLs, brokerURL)},
			{name: "copies", fallback: "1", help: "servers of that cluster which keep the stream: 1 or 3", set: choice(&s.copies, "1", "3")},
			{name: "tls_ca", help: "file of the certificates that vouch for that cluster, in PEM form; without one those that the system trusts", set: text(&s.ca)},
			{name: "silent_after", fallback: "24h", help: "age at which a silent site's machines read as UNKNOWN", set: duration(&s.silentAfter, time.Minute, 365*24*time.Hour)},
		}...),
		check: s.check,
		run:   func(ctx context.Context, c call) error { return runHub(ctx, c, s) },
	}
}

const hubText = `A hub joins what every cabin wrote and shows all sites side by side. It brings its
own NATS broker unless it is given another one. Its certificate serves people and
cabins alike. It says on stdout where it listens, and logs on stderr. SIGTERM or
Ctrl-C stops it in order; a second one at once.`

func (s *hubSettings) check(where origins) (bad misuse) {
	if where["nats"] != "" && len(s.natsURLs) > 0 {
		bad.add("%s and %s are both given; a hub has a broker of its own or uses another, not both.", where["nats"], where["nats_url"])
	}
	for _, name := range []string{"copies", "tls_ca"} {
		if where[name] != "" && len(s.natsURLs) == 0 {
			bad.add("%s is given and nats_url is not; it is about a broker that is not the hub's own.", where[name])
		}
	}
	return append(bad, s.loadTLS(where, anyTLS(s.natsURLs))...)
}

func runHub(ctx context.Context, c call, s *hubSettings) error {
	examine, err := examiner()
	if err != nil {
		return err
	}
	log := s.log(c.stderr)
	h, err := hub.Open(ctx, s.config(examine, log))
	if err != nil {
		return unlessStopped(ctx, err)
	}
	line := fmt.Sprintf("listening http=%s grpc=%s", h.HTTPAddr(), h.GRPCAddr())
	brokers := s.natsURLs
	if own := h.NATSAddr(); own != "" {
		brokers = []string{own}
		line += " nats=" + own
	}
	s.warnOfPlain(log, brokers...)
	fmt.Fprintln(c.stdout, line)
	return h.Run(ctx)
}

func (s *hubSettings) config(examine []string, log *slog.Logger) hub.Config {
	copies, _ := strconv.Atoi(s.copies) // the setting allows nothing else
	return hub.Config{
		Dir: s.dir, HTTP: s.http, GRPC: s.grpc, NATS: s.nats, NATSURLs: s.natsURLs, Copies: copies,
		ServeTLS: s.serveTLS, NATSTLS: s.serveTLS, NATSClientTLS: s.dialTLS,
		SilentAfter: s.silentAfter, FreeBytes: s.freeBytes, Examine: examine, Now: time.Now, Log: log,
	}
}
