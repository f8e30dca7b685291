package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/bothy-mesh/bothy/node"
	"github.com/bothy-mesh/bothy/plant"
)

// nodeSettings is what can be set of a node.
type nodeSettings struct {
	serving
	name     string
	sites    []string
	hub      []string
	askEvery time.Duration
}

func nodeCommand() command { return new(nodeSettings).command() }

func (s *nodeSettings) command() command {
	return command{
		name:       "node",
		line:       "serve a site from its cabin, with or without a link to the hub",
		text:       nodeText,
		configured: true,
		settings: append([]setting{
			{name: "name", missing: "name the cabin", help: "name of the cabin, unlike any other at the hub", set: checked(&s.name, plant.ValidID)},
			{name: "sites", missing: "name the sites that it carries", list: true, help: "ids of the sites that it carries", set: list(&s.sites, plant.ValidID)},
			{name: "hub", list: true, help: "addresses of the hub's broker, tls://host:4222; without one it keeps to itself", set: list(&s.hub, brokerURL)},
			{name: "tls_ca", help: "file of the certificates that vouch for the hub, in PEM form; without one those that the system trusts", set: text(&s.ca)},
			{name: "ask_every", fallback: "15m", help: "how often it asks the hub that does not ring", set: duration(&s.askEvery, time.Second, 24*time.Hour)},
		}, s.serving.settings(":8080", ":8081")...),
		check: func(where origins) misuse { return s.loadTLS(where, anyTLS(s.hub)) },
		run:   func(ctx context.Context, c call) error { return runNode(ctx, c, s) },
	}
}

const nodeText = `A node keeps the records of its sites, serves them to handhelds and exchanges them
with the hub whenever it can be reached. Unless told otherwise it listens on every
address of this machine, because handhelds come over the cabin's Wi-Fi. It says on
stdout where it listens, and logs on stderr. SIGTERM or Ctrl-C stops it in order; a
second one at once.`

func runNode(ctx context.Context, c call, s *nodeSettings) error {
	limitMemory(c.env)
	examine, err := examiner()
	if err != nil {
		return err
	}
	log := s.log(c.stderr)
	n, err := node.Open(ctx, s.config(examine, log))
	if err != nil {
		return unlessStopped(ctx, err)
	}
	s.warnOfPlain(log, s.hub...)
	fmt.Fprintf(c.stdout, "listening http=%s grpc=%s\n", n.HTTPAddr(), n.GRPCAddr())
	return n.Run(ctx)
}

func (s *nodeSettings) config(examine []string, log *slog.Logger) node.Config {
	return node.Config{
		Name: s.name, Sites: s.sites, Dir: s.dir, HTTP: s.http, GRPC: s.grpc, Hub: s.hub,
		ServeTLS: s.serveTLS, HubTLS: s.dialTLS, AskEvery: s.askEvery, FreeBytes: s.freeBytes,
		Examine: examine, Version: version(), Now: time.Now, Log: log,
	}
}
