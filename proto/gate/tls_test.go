package gate_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"math/big"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/gate"
)

func TestTLSOnBothListeners(t *testing.T) {
	certificate, pool := selfSigned(t)
	b := start(t, func(c *gate.Config) { c.TLS = &tls.Config{Certificates: []tls.Certificate{certificate}} })
	trust := &tls.Config{RootCAs: pool}
	b.web.Transport.(*http.Transport).TLSClientConfig = trust
	b.web.Transport.(*http.Transport).ForceAttemptHTTP2 = true
	if response := b.raw(t, "GET /healthz HTTP/1.1\r\nHost: a\r\n\r\n"); response.StatusCode != http.StatusBadRequest {
		t.Errorf("plain text on the TLS port (H29): %d", response.StatusCode)
	}
	b.url = strings.Replace(b.url, "http:", "https:", 1)
	response, err := b.web.Get(b.url + "/v1/machines/d-14")
	if err != nil {
		t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != http.StatusOK || response.ProtoMajor != 2 {
		t.Errorf("over TLS: %s %s", response.Proto, response.Status)
	}
	client := bothyv1.NewRecordsServiceClient(b.dial(t, grpc.WithTransportCredentials(credentials.NewTLS(trust))))
	if _, err := client.GetMachine(t.Context(), new(bothyv1.GetMachineRequest)); err != nil {
		t.Error(err)
	}
}

// selfSigned is a certificate for 127.0.0.1 and a pool that trusts it.
func selfSigned(t *testing.T) (tls.Certificate, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, pool
}
