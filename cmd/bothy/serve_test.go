package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"syscall"
	"testing"
	"time"
)

// An invented quarry and its people.
var quarry = map[string]string{
	"sites.csv":    "id,title,zone\nravens-quarry,Ravens Quarry,Europe/London\nheron-pit,Heron Pit,Europe/London\n",
	"people.csv":   "id,title,role\nada-flint,Ada Flint,operator\nbram-holt,Bram Holt,supervisor\ndora-pike,Dora Pike,office\n",
	"machines.csv": "fleet_number,machine_type,site,options\nD 14,wheeled-site-dumper,ravens-quarry,straight-skip; frame\nD 30,wheeled-site-dumper,heron-pit,straight-skip; frame\n",
}

const loaded = "sites.csv: 2 rows, 2 created, 0 changed, 0 unchanged\n" +
	"people.csv: 3 rows, 3 created, 0 changed, 0 unchanged\n" +
	"machines.csv: 2 rows, 2 created, 0 changed, 0 unchanged\n"

const loadedAgain = "sites.csv: 2 rows, 0 created, 0 changed, 2 unchanged\n" +
	"people.csv: 3 rows, 0 created, 0 changed, 3 unchanged\n" +
	"machines.csv: 2 rows, 0 created, 0 changed, 2 unchanged\n"

// hubWithRegister gives the data directory of a stopped hub that has the
// register of the quarry.
func hubWithRegister(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "hub")
	startHub(t, dir).stop(t)
	if code, stdout, stderr := tool(t, "import", "--dir", dir, register(t, quarry)); code != done || stdout != loaded {
		t.Fatalf("exit code %d, %s, got\n%s\nwant\n%s", code, stderr, stdout, loaded)
	}
	return dir
}

// holds lists the reasons of the standing holds that a process knows of.
func holds(t *testing.T, p *process) string {
	t.Helper()
	code, body := p.get(t, "/v1/holds?machine=d-14")
	if code != http.StatusOK {
		return fmt.Sprintf("%d %s", code, body)
	}
	var answer struct{ Holds []struct{ Reason string } }
	if err := json.Unmarshal([]byte(body), &answer); err != nil {
		t.Fatal(err)
	}
	var reasons []string
	for _, h := range answer.Holds {
		reasons = append(reasons, h.Reason)
	}
	return strings.Join(reasons, ", ")
}

func hold(t *testing.T, p *process, reason string) {
	t.Helper()
	body := fmt.Sprintf(`{"reason": %q, "marking": "TAGGED", "requestId": %q}`, reason, reason)
	if code, answer := p.ask(t, http.MethodPost, "/v1/machines/d-14:hold", "bram-holt", body); code != http.StatusOK {
		t.Fatalf("hold: %d %s", code, answer)
	}
}

func TestHubAndNodeServeAndStopInOrder(t *testing.T) {
	hub := startHub(t, filepath.Join(t.TempDir(), "hub"))
	node := startNode(t, filepath.Join(t.TempDir(), "node"), hub)
	if !strings.HasPrefix(hub.nats, "nats://127.0.0.1:") || node.nats != "" {
		t.Errorf("nats of the hub is %q, of the node %q", hub.nats, node.nats)
	}
	for name, p := range map[string]*process{"hub": hub, "node": node} {
		eventually(t, func() string {
			code, body := p.get(t, "/healthz")
			if code == http.StatusOK {
				return ""
			}
			return fmt.Sprintf("/healthz of the %s: %d %s", name, code, body)
		})
		if c, err := net.Dial("tcp", p.grpc); err != nil {
			t.Errorf("gRPC of the %s: %v", name, err)
		} else {
			c.Close()
		}
	}
	for name, p := range map[string]*process{"node": node, "hub": hub} {
		p.stop(t)
		if left := filesIn(t, p.dir); len(left) > 0 {
			t.Errorf("the %s left %v in its working directory", name, left)
		}
		if len(p.stdout) > 0 {
			t.Errorf("the %s also said %q", name, p.stdout)
		}
	}
}

func TestNodeGoesOnWithoutAHub(t *testing.T) {
	node := startNode(t, filepath.Join(t.TempDir(), "node"), nil, "--hub", "nats://127.0.0.1:1")
	if code, body := node.get(t, "/v1/link"); code != http.StatusOK || !strings.Contains(body, `"connected":false`) {
		t.Errorf("%d %s", code, body)
	}
	node.stop(t)
}

// The second signal ends a process that is held up.
func TestASecondSignalEndsItAtOnce(t *testing.T) {
	node := startNode(t, filepath.Join(t.TempDir(), "node"), nil)
	// A request whose body never comes holds the orderly end up.
	host := strings.TrimPrefix(node.http, "http://")
	conn, err := net.Dial("tcp", host)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "POST /v1/machines/d-14:hold HTTP/1.1\r\nHost: cabin\r\nContent-Type: application/json\r\nContent-Length: 100\r\nExpect: 100-continue\r\n\r\n")
	// That it is asked for the body says that the request is under way.
	if _, err := io.ReadFull(conn, make([]byte, len("HTTP/1.1 100 Continue"))); err != nil {
		t.Fatal(err)
	}
	if err := node.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	eventually(t, func() string {
		c, err := net.Dial("tcp", host)
		if err != nil {
			return ""
		}
		c.Close()
		return "it takes connections after SIGTERM"
	})
	if code := node.signal(t, syscall.SIGTERM); code != -1 {
		t.Errorf("exit code %d, want the signal's own end", code)
	}
}

func TestImportTwiceChangesNothingTheSecondTime(t *testing.T) {
	dir := hubWithRegister(t)
	files := register(t, quarry)
	hub := startHub(t, dir)
	code, stdout, stderr := tool(t, "import", "--hub", hub.http, "--person", "dora-pike", files)
	if code != done || stdout != loadedAgain {
		t.Errorf("exit code %d, %s, got\n%s\nwant\n%s", code, stderr, stdout, loadedAgain)
	}
	code, _, stderr = tool(t, "import", "--hub", hub.http, "--person", "ada-flint", files)
	if code != failed || !strings.Contains(stderr, "403 Forbidden") {
		t.Errorf("a plant operator loads the register: exit code %d, %s", code, stderr)
	}
	wrong := register(t, map[string]string{"machines.csv": quarry["machines.csv"] + "D 15,wheeled-site-dumper,nowhere,straight-skip; frame\n"})
	code, stdout, stderr = tool(t, "import", "--hub", hub.http, "--person", "dora-pike", wrong)
	if code != failed || stdout != "machines.csv: 3 rows, 0 created, 0 changed, 0 unchanged\n" || !strings.HasPrefix(stderr, "machines.csv line 4, site: ") {
		t.Errorf("exit code %d, %s, %s", code, stdout, stderr)
	}
	hub.stop(t)
}

// What a process said is saved, is there after kill -9, and after an orderly
// end.
func TestRestartKeepsWhatWasSaved(t *testing.T) {
	hubDir, nodeDir := hubWithRegister(t), filepath.Join(t.TempDir(), "node")
	hub := startHub(t, hubDir)
	node := startNode(t, nodeDir, hub)
	eventually(t, func() string {
		code, body := node.get(t, "/v1/machines/d-14")
		if code == http.StatusOK {
			return ""
		}
		return fmt.Sprintf("the node has no D 14 of the hub's register: %d %s", code, body)
	})
	hub.kill(t)
	hold(t, node, "brake pulls to one side")
	node.kill(t)

	node = startNode(t, nodeDir, nil)
	if got := holds(t, node); got != "brake pulls to one side" {
		t.Errorf("after kill -9 the node holds %q", got)
	}
	node.stop(t)

	hub = startHub(t, hubDir)
	node = startNode(t, nodeDir, hub)
	eventually(t, func() string {
		if got := holds(t, hub); got != "brake pulls to one side" {
			return fmt.Sprintf("the hub holds %q", got)
		}
		return ""
	})
	eventually(t, func() string {
		if code, stdout, stderr := tool(t, "status", "--node", node.http); code != done || !strings.Contains(stdout, "may be wiped: yes") {
			return stdout + stderr
		}
		return ""
	})
	node.stop(t)
	hub.stop(t)
}

func TestAStoppedNodeIsRebuiltBackedUpAndRestored(t *testing.T) {
	hub := startHub(t, hubWithRegister(t))
	dir := filepath.Join(t.TempDir(), "node")
	node := startNode(t, dir, hub)
	eventually(t, func() string {
		code, body := node.get(t, "/v1/machines/d-14")
		if code == http.StatusOK {
			return ""
		}
		return fmt.Sprintf("the node has no D 14 of the hub's register: %d %s", code, body)
	})
	hold(t, node, "brake pulls to one side")

	for _, args := range [][]string{{"rebuild", "--dir", dir}, {"backup", "--dir", dir, "--out", filepath.Join(t.TempDir(), "out")}} {
		code, _, stderr := tool(t, args...)
		if code != failed || !strings.Contains(stderr, "Another bothy runs on this directory") {
			t.Errorf("bothy %s of a running node: exit code %d, %s", args[0], code, stderr)
		}
	}
	node.stop(t)

	code, stdout, stderr := tool(t, "rebuild", "--dir", dir)
	digest := digests(stdout)
	if code != done || len(digest) != 2 || digest[0] != digest[1] || !strings.Contains(stdout, "\napplied ") {
		t.Fatalf("rebuild: exit code %d, %s%s", code, stdout, stderr)
	}
	if _, err := os.Stat(filepath.Join(dir, "view.damaged-1")); err != nil {
		t.Errorf("the old view is not kept: %v", err)
	}

	key, out := write(t, "key", "0123456789abcdef0123456789abcdef\n"), filepath.Join(t.TempDir(), "out")
	if code, _, stderr := tool(t, "backup", "--dir", dir, "--out", out, "--key-file", key); code != done {
		t.Fatalf("backup: %s", stderr)
	}
	again := filepath.Join(t.TempDir(), "again")
	if code, _, stderr := tool(t, "restore", "--in", out, "--dir", again); code != failed || !strings.Contains(stderr, "encrypted") {
		t.Errorf("restore without the key: exit code %d, %s", code, stderr)
	}
	other := write(t, "key", "another key than the one of the backup")
	if code, _, stderr := tool(t, "restore", "--in", out, "--dir", again, "--key-file", other); code != failed || !strings.Contains(stderr, "the key it was made with") {
		t.Errorf("restore with another key: exit code %d, %s", code, stderr)
	}
	if _, err := os.Stat(again); err == nil {
		t.Error("a failed restore left a directory")
	}
	if code, _, stderr := tool(t, "restore", "--in", out, "--dir", again, "--key-file", key); code != done {
		t.Fatalf("restore: %s", stderr)
	}
	_, stdout, _ = tool(t, "rebuild", "--dir", again)
	if got := digests(stdout); len(got) != 2 || got[0] != digest[0] || got[1] != digest[0] {
		t.Errorf("digests %v of the restored node, want %s", got, digest[0])
	}
	node = startNode(t, again, nil)
	if got := holds(t, node); got != "brake pulls to one side" {
		t.Errorf("the restored node holds %q", got)
	}
	node.stop(t)
	hub.stop(t)
}

// digests are those that rebuild reports.
func digests(report string) (out []string) {
	for line := range strings.Lines(report) {
		if fields := strings.Fields(line); len(fields) == 3 && fields[0] == "digest" {
			out = append(out, fields[2])
		}
	}
	return out
}

func TestAPortInUseIsNamedWithTheNextStep(t *testing.T) {
	first := startNode(t, filepath.Join(t.TempDir(), "first"), nil)
	code, _, stderr := tool(t, "node", "--name", "a", "--sites", "b", "--dir", filepath.Join(t.TempDir(), "second"), "--http", strings.TrimPrefix(first.http, "http://"), "--grpc", "127.0.0.1:0")
	if code != failed || !strings.Contains(stderr, "bothy node: Another program listens there; stop it, or give another address.\n") {
		t.Errorf("exit code %d, %s", code, stderr)
	}
}

func TestLogsAreOfTheFormThatWasSet(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "node")
	node := startNode(t, dir, nil, "--log-format", "json", "--log-level", "debug")
	node.stop(t)
	for line := range strings.Lines(node.stderr.String()) {
		if !json.Valid([]byte(line)) {
			t.Errorf("the log has %q", line)
		}
	}
	quiet := startNode(t, dir, nil, "--log-level", "error")
	quiet.stop(t)
	if said := quiet.stderr.String(); said != "" {
		t.Errorf("nothing was wrong, but the log has %q", said)
	}
}

// A node that is stopped while it opens ends in order, and takes nothing that it
// has not looked at for damaged.
func TestStoppedWhileItOpens(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "node")
	startNode(t, dir, nil).stop(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	var stdout, stderr bytes.Buffer
	code := run(ctx, []string{"node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", dir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0"}, environment(nil), &stdout, &stderr)
	if code != done {
		t.Errorf("exit code %d, %s", code, stderr.String())
	}
	if aside, err := filepath.Glob(filepath.Join(dir, "*damaged*")); len(aside) > 0 || err != nil {
		t.Errorf("%v, %v were set aside", aside, err)
	}
	if limit := debug.SetMemoryLimit(-1); limit != nodeMemory {
		t.Errorf("the heap of a node is bounded to %d bytes, want %d", limit, nodeMemory)
	}
}

func TestGOMEMLIMITBeatsTheNodesOwnBound(t *testing.T) {
	before := debug.SetMemoryLimit(-1)
	defer debug.SetMemoryLimit(before)
	limitMemory(environment(map[string]string{"GOMEMLIMIT": "1GiB"}))
	if limit := debug.SetMemoryLimit(-1); limit != before {
		t.Errorf("the bound is %d, was %d", limit, before)
	}
}

func TestExamineViewSaysByItsExitCodeWhatItFound(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "node")
	node := startNode(t, dir, nil)
	look := func(want int) {
		t.Helper()
		if code, stdout, stderr := tool(t, "examine-view", filepath.Join(dir, "view")); code != want || stdout != "" || (code == done) != (stderr == "") {
			t.Errorf("exit code %d, want %d; %s%s", code, want, stdout, stderr)
		}
	}
	look(3) // in use
	node.stop(t)
	look(done)
	if err := os.Truncate(filepath.Join(dir, "view", "MANIFEST"), 0); err != nil {
		t.Fatal(err)
	}
	look(failed)
}

func TestServingWithoutTLSBeyondThisMachineIsWarnedOf(t *testing.T) {
	node := startNode(t, filepath.Join(t.TempDir(), "node"), nil, "--config", write(t, "cabin.yaml", "hub: [nats://192.0.2.1:4222, nats://127.0.0.1:1]\n"))
	node.stop(t)
	said := node.stderr.String()
	if !strings.Contains(said, "address=nats://192.0.2.1:4222") || strings.Contains(said, "address=nats://127.0.0.1:1") || strings.Contains(said, "served without TLS") {
		t.Errorf("the log has %s", said)
	}
	wide := start(t, "node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", filepath.Join(t.TempDir(), "node"), "--http", "127.0.0.1:0", "--grpc", ":0")
	wide.stop(t)
	if said := wide.stderr.String(); !strings.Contains(said, "records are served without TLS beyond this machine") {
		t.Errorf("the log has %s", said)
	}
}

func TestOneCertificateSecuresEveryWayIntoTheHub(t *testing.T) {
	cert, key, pool := certificate(t)
	hub := startHub(t, filepath.Join(t.TempDir(), "hub"), "--tls-cert", cert, "--tls-key", key)
	for name, at := range map[string]string{"http": strings.TrimPrefix(hub.http, "http://"), "grpc": hub.grpc} {
		conn, err := tls.Dial("tcp", at, &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13, NextProtos: []string{"h2"}})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		conn.Close()
	}
	if !strings.HasPrefix(hub.nats, "tls://") {
		t.Fatalf("nats is %q", hub.nats)
	}
	node := startNode(t, filepath.Join(t.TempDir(), "node"), hub, "--tls-ca", cert)
	eventually(t, func() string {
		_, body := node.get(t, "/v1/link")
		if strings.Contains(body, `"connected":true`) && strings.Contains(body, "lastContactAt") {
			return ""
		}
		return body
	})
	stranger := startNode(t, filepath.Join(t.TempDir(), "stranger"), hub)
	eventually(t, func() string {
		if said := stranger.stderr.String(); !strings.Contains(said, "certificate signed by unknown authority") {
			return "a node that trusts nobody links: " + said
		}
		return ""
	})
	for _, p := range []*process{stranger, node, hub} {
		p.stop(t)
	}
}

// certificate makes one for 127.0.0.1 that vouches for itself.
func certificate(t *testing.T) (certFile, keyFile string, pool *x509.CertPool) {
	t.Helper()
	public, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	like := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	der, err := x509.CreateCertificate(nil, like, like, public, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	keyPEM := pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
	return write(t, "cert.pem", string(certPEM)), write(t, "key.pem", string(keyPEM)), pool
}
