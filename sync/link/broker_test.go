package link

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/bothy-mesh/bothy/sync/clock"
)

func TestABrokerThatCannotStartSaysWhy(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	taken := startBroker(t, BrokerConfig{})
	_, port, _ := net.SplitHostPort(taken.Addr())
	number, _ := strconv.Atoi(port)
	for _, test := range []struct {
		name, says string
		cfg        BrokerConfig
	}{
		{"no directory", "no directory", BrokerConfig{}},
		{"directory is a file", "not a directory", BrokerConfig{Dir: file}},
		{"port in use", "in use", BrokerConfig{Dir: t.TempDir(), Port: number}},
		{"no such host", "no.such.host.invalid", BrokerConfig{Dir: t.TempDir(), Host: "no.such.host.invalid"}},
		{"bad name", "server name", BrokerConfig{Dir: t.TempDir(), Name: "a b"}},
		{"bad route", "want nats://", BrokerConfig{Dir: t.TempDir(), Cluster: &Cluster{Name: "c", Routes: []string{"here"}}}},
	} {
		test.cfg.Log = quiet
		b, err := StartBroker(test.cfg)
		if err == nil {
			b.Close()
		}
		if err == nil || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: %v", test.name, err)
		}
	}
}

// greeting is what a broker says first.
func greeting(t testing.TB, addr string) string {
	t.Helper()
	said, err := bufio.NewReader(connect(t, addr)).ReadString('\n')
	if err != nil || !strings.HasPrefix(said, "INFO ") {
		t.Fatalf("greeting %q, %v", said, err)
	}
	return said
}

func TestTheBrokerTellsTheLargestMessage(t *testing.T) {
	said := greeting(t, startBroker(t, BrokerConfig{}).Addr())
	if want := fmt.Sprintf(`"max_payload":%d,`, maxMessage); !strings.Contains(said, want) {
		t.Errorf("greeting without %s: %s", want, said)
	}
}

// An acknowledgement means synced, and the process keeps its own signals.
func TestTheBrokerSyncsEachMessage(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	if cfg := b.server.JetStreamConfig(); !cfg.SyncAlways || cfg.MaxStore != brokerStore || cfg.MaxMemory != brokerMemory {
		t.Errorf("store settings %+v", cfg)
	}
	opts, err := (&BrokerConfig{Dir: "x"}).options()
	if err != nil || !opts.NoSigs || opts.HTTPPort != 0 {
		t.Errorf("signals, a monitoring port, or %v", err)
	}
}

func TestABrokerThatHasStoppedToStoreSaysSo(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	if err := b.Health(); err != nil {
		t.Error(err)
	}
	if err := b.server.DisableJetStream(); err != nil {
		t.Fatal(err)
	}
	if err := b.Health(); err == nil {
		t.Error("in good health without a store")
	}
}

// A node may push as itself, pull, hear bells and its own answers. Nothing else.
func TestANodeMayUseItsOwnSubjectsOnly(t *testing.T) {
	public, private := newKey(t)
	b := startBroker(t, BrokerConfig{Admit: func(key ed25519.PublicKey, r clock.Replica) bool {
		return key.Equal(public) && r == cabin1
	}})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}, Auth: Key(private)})
	connected(t, c)
	push(t, c, "1", "its own")

	objections := make(chan error, 100)
	conn, err := nats.Connect(b.URL(), Key(private), nats.Name(cabin1.String()), nats.NoReconnect(),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { objections <- err }))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	for _, subject := range []string{upSubject(cabin2), "bothy.bell.all", "$JS.API.STREAM.PURGE.BOTHY", "$JS.API.STREAM.MSG.GET.BOTHY", inboxOf(cabin2) + "1"} {
		if err := conn.Publish(subject, nil); err != nil {
			t.Fatal(err)
		}
		if err := first(t, objections); !strings.Contains(err.Error(), "Permissions Violation for Publish") {
			t.Errorf("publish on %s: %v", subject, err)
		}
	}
	for _, subject := range []string{">", everyUp, pullSubject, "_INBOX.>", inboxOf(cabin2) + ">", "$SYS.>"} {
		if _, err := conn.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		if err := first(t, objections); !strings.Contains(err.Error(), "Permissions Violation for Subscription") {
			t.Errorf("subscribe to %s: %v", subject, err)
		}
	}
	if n := last(t, h); n != 1 {
		t.Errorf("the ledger has %d messages, want 1", n)
	}
}

func first(t testing.TB, errs <-chan error) error {
	t.Helper()
	select {
	case err := <-errs:
		return err
	case <-time.After(patience):
		t.Fatal("no objection")
		return nil
	}
}

func TestOnlyAProvedKeyIsAdmitted(t *testing.T) {
	public, private := newKey(t)
	name, err := keyName(public)
	if err != nil {
		t.Fatal(err)
	}
	b := startBroker(t, BrokerConfig{Admit: func(key ed25519.PublicKey, _ clock.Replica) bool { return key.Equal(public) }})
	_, other := newKey(t)
	for _, test := range []struct {
		what string
		good bool
		opts []nats.Option
	}{
		{"the key", true, []nats.Option{Key(private), nats.Name(cabin1.String() + " cabin 1")}},
		{"no key", false, []nats.Option{nats.Name(cabin1.String())}},
		{"another key", false, []nats.Option{Key(other), nats.Name(cabin1.String())}},
		{"the key's name with another's signature", false, []nats.Option{nats.Name(cabin1.String()),
			nats.Nkey(name, func(nonce []byte) ([]byte, error) { return ed25519.Sign(other, nonce), nil })}},
		{"the key's signature of something else", false, []nats.Option{nats.Name(cabin1.String()),
			nats.Nkey(name, func([]byte) ([]byte, error) { return ed25519.Sign(private, []byte("x")), nil })}},
		{"no replica", false, []nats.Option{Key(private), nats.Name("cabin 1")}},
		{"an empty token", false, []nats.Option{nats.Token(""), nats.Name(cabin1.String())}},
		{"a guessed token", false, []nats.Option{nats.Token("hub"), nats.Name(cabin1.String())}},
	} {
		conn, err := nats.Connect(b.URL(), test.opts...)
		if (err == nil) != test.good {
			t.Errorf("%s: %v", test.what, err)
		}
		conn.Close()
	}
}

// authority is a certificate authority of our own.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	dir  string
}

func newAuthority(t testing.TB) *authority {
	t.Helper()
	a := &authority{dir: t.TempDir()}
	a.cert, a.key = a.sign(t, "ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

// sign makes a certificate, in the files name.pem and name.key.
func (a *authority) sign(t testing.TB, name string, c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c.SerialNumber = big.NewInt(time.Now().UnixNano())
	c.Subject = pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), signer)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write := func(ext, kind string, b []byte) {
		block := pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b})
		if err := os.WriteFile(a.file(name, ext), block, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("pem", "CERTIFICATE", der)
	write("key", "PRIVATE KEY", private)
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

func (a *authority) file(name, ext string) string { return filepath.Join(a.dir, name+"."+ext) }

// server gives the TLS of a hub on 127.0.0.1.
func (a *authority) server(t testing.TB) *tls.Config {
	t.Helper()
	a.sign(t, "hub", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}})
	cfg, err := ServerTLS(a.file("hub", "pem"), a.file("hub", "key"))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func (a *authority) client(t testing.TB) *tls.Config {
	t.Helper()
	cfg, err := ClientTLS(a.file("ca", "pem"), "", "")
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func TestTLSWithAnAuthorityOfOurOwn(t *testing.T) {
	ours := newAuthority(t)
	_, key := newKey(t)
	b := startBroker(t, BrokerConfig{TLS: ours.server(t), Admit: func(ed25519.PublicKey, clock.Replica) bool { return true }})
	if !strings.HasPrefix(b.URL(), "tls://") {
		t.Errorf("address %s", b.URL())
	}
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}, TLS: ours.client(t), Auth: Key(key)})
	connected(t, c)
	push(t, c, "1", "x")
	if n := last(t, h); n != 1 {
		t.Errorf("the ledger has %d messages, want 1", n)
	}
	c.mu.Lock()
	state, err := c.wire.conn.TLSConnectionState()
	c.mu.Unlock()
	if err != nil || state.Version != tls.VersionTLS13 {
		t.Errorf("TLS version %x, %v", state.Version, err)
	}
}

func TestAHubThatNobodyVouchesForIsRefused(t *testing.T) {
	ours, theirs := newAuthority(t), newAuthority(t)
	b := startBroker(t, BrokerConfig{TLS: ours.server(t)})
	for name, cfg := range map[string]*tls.Config{"another authority": theirs.client(t), "the system's": nil} {
		c := dial(t, ClientConfig{URLs: []string{b.URL()}, TLS: cfg})
		eventually(t, name, func() bool { return strings.Contains(c.Err().Error(), "unknown authority") })
		if c.Connected() {
			t.Errorf("%s: connected", name)
		}
	}
	if _, err := OpenHub(t.Context(), HubConfig{URLs: []string{b.URL()}, TLS: theirs.client(t), Log: quiet}); err == nil {
		t.Error("the hub connected to a broker that nobody vouches for")
	}
	openHub(t, HubConfig{URLs: []string{b.URL()}, TLS: ours.client(t)})

	plain := startBroker(t, BrokerConfig{})
	c := dial(t, ClientConfig{URLs: []string{plain.URL()}, TLS: ours.client(t)})
	eventually(t, "a broker without TLS is refused", func() bool { return strings.Contains(c.Err().Error(), "secure") })
}

func TestTLSBelow13IsRefused(t *testing.T) {
	ours := newAuthority(t)
	b := startBroker(t, BrokerConfig{TLS: ours.server(t)})
	old := ours.client(t)
	old.MinVersion, old.MaxVersion = tls.VersionTLS12, tls.VersionTLS12
	c := dial(t, ClientConfig{URLs: []string{b.URL()}, TLS: old})
	eventually(t, "TLS 1.2 is refused", func() bool { return strings.Contains(c.Err().Error(), "protocol version") })
}

func TestTLSFilesAreReadOrNamed(t *testing.T) {
	ours, theirs := newAuthority(t), newAuthority(t)
	ours.server(t)
	theirs.server(t)
	empty := ours.file("empty", "pem")
	if err := os.WriteFile(empty, []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	cert, key, ca := ours.file("hub", "pem"), ours.file("hub", "key"), ours.file("ca", "pem")
	missing := ours.file("missing", "pem")
	for _, test := range []struct {
		name string
		err  func() error
		says string // empty: no error
	}{
		{"server", func() error { _, err := ServerTLS(cert, key); return err }, ""},
		{"server without key", func() error { _, err := ServerTLS(cert, ""); return err }, "name both"},
		{"server without file", func() error { _, err := ServerTLS(missing, key); return err }, "missing.pem"},
		{"server with another's key", func() error { _, err := ServerTLS(cert, theirs.file("hub", "key")); return err }, "does not match"},
		{"client", func() error { _, err := ClientTLS(ca, cert, key); return err }, ""},
		{"client of the system's", func() error { _, err := ClientTLS("", "", ""); return err }, ""},
		{"client without file", func() error { _, err := ClientTLS(missing, "", ""); return err }, "missing.pem"},
		{"client without certificate in it", func() error { _, err := ClientTLS(empty, "", ""); return err }, "no certificate"},
		{"client with half a pair", func() error { _, err := ClientTLS(ca, "", key); return err }, "name both"},
	} {
		err := test.err()
		if (err == nil) != (test.says == "") || err != nil && !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: %v", test.name, err)
		}
	}
}
