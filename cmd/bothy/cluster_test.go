package main

import (
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"github.com/bothy-mesh/bothy/sync/link"
)

// TestAHubOnAClusterLosesNothingWithOneServer uses a cluster of three NATS
// servers in place of the hub's own, and takes one of them away while a node is
// sending. (That the stream itself survives servers that are killed outright is
// tested in package link.)
func TestAHubOnAClusterLosesNothingWithOneServer(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some ten seconds")
	}
	servers := startCluster(t)
	var urls []string
	for _, s := range servers {
		urls = append(urls, s.URL())
	}
	hubDir := filepath.Join(t.TempDir(), "hub")
	hub := start(t, "hub", "--dir", hubDir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--nats-url", strings.Join(urls, ","), "--copies", "3", "--free-space", "0")
	if code, _, stderr := tool(t, "import", "--hub", hub.http, "--person", "dora-pike", register(t, quarry)); code != done {
		t.Fatal(stderr)
	}
	node := start(t, "node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", filepath.Join(t.TempDir(), "node"), "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0",
		"--ask-every", "1s", "--free-space", "0", "--hub", strings.Join(urls, ","))
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })

	crowd := newCrowd(t, 4)
	crowd.turnTo(node.http)
	crowd.letWrite(30)
	if err := servers[0].Close(); err != nil {
		t.Error(err)
	}
	crowd.letWrite(60)
	crowd.finish()
	saved := crowd.saved()
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	eventually(t, func() string { return notClear(t, node) })
}

// startCluster starts three servers that know of each other.
func startCluster(t *testing.T) (servers [3]*link.Broker) {
	t.Helper()
	var routes []string
	var ports [3]int
	for i := range ports {
		ports[i] = freePort(t)
		routes = append(routes, fmt.Sprintf("nats://127.0.0.1:%d", ports[i]))
	}
	ready := make(chan error, len(servers))
	for i := range servers {
		go func() {
			var err error
			servers[i], err = link.StartBroker(link.BrokerConfig{
				Dir: t.TempDir(), Name: fmt.Sprintf("server-%d", i),
				Cluster: &link.Cluster{Name: "scheme", Host: "127.0.0.1", Port: ports[i], Routes: routes},
			})
			ready <- err
		}()
	}
	for range servers {
		if err := <-ready; err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range servers[1:] {
		t.Cleanup(func() { s.Close() })
	}
	return servers
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}
