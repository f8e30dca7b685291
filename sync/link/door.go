package link

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// Admit says whether the holder of a key may connect for a replica. The key has
// been proved; that the replica is the key's is for Admit to know. Who is
// admitted may push as that replica, pull, and hear bells and its own answers,
// and nothing else. It is called at each connection, by several goroutines.
type Admit func(key ed25519.PublicKey, replica clock.Replica) bool

// Key proves a connection by a node's key, as the NKey of a NATS user.
func Key(key ed25519.PrivateKey) nats.Option {
	return func(o *nats.Options) error {
		name, err := keyName(key.Public().(ed25519.PublicKey))
		if err != nil {
			return err
		}
		sign := func(nonce []byte) ([]byte, error) { return ed25519.Sign(key, nonce), nil }
		return nats.Nkey(name, sign)(o)
	}
}

// keyName is the public key as NATS writes it.
func keyName(key ed25519.PublicKey) (string, error) {
	name, err := nkeys.Encode(nkeys.PrefixByteUser, key)
	if err != nil {
		return "", fmt.Errorf("name the public key: %w", err)
	}
	return string(name), nil
}

// Expel ends the connections of a key that is not to be admitted any more, and
// tells how many there were.
func (b *Broker) Expel(key ed25519.PublicKey) (int, error) {
	name, err := keyName(key)
	if err != nil {
		return 0, err
	}
	open, err := b.server.Connz(&server.ConnzOptions{Username: true, User: name})
	if err != nil {
		return 0, fmt.Errorf("list the connections of %s: %w", name, err)
	}
	for _, c := range open.Conns {
		b.server.DisconnectClientByID(c.Cid) // fails only if it has ended meanwhile
	}
	return len(open.Conns), nil
}

// door is where the server asks who may come in.
type door struct {
	admit Admit
	token string // of the hub in this process, drawn at each start
}

func newDoor(admit Admit) *door { return &door{admit: admit, token: rand.Text()} }

// Check is called by the server for each connection. It gives leave by
// registering a user.
func (d *door) Check(c server.ClientAuthentication) bool {
	opts := c.GetOpts()
	if subtle.ConstantTimeCompare([]byte(opts.Token), []byte(d.token)) == 1 {
		c.RegisterUser(&server.User{Username: "hub"})
		return true
	}
	word, _, _ := strings.Cut(opts.Name, " ")
	replica, err := clock.ParseReplica(word)
	key := proved(opts.Nkey, opts.Sig, c.GetNonce())
	if err != nil || key == nil || !d.admit(key, replica) {
		return false
	}
	c.RegisterUser(&server.User{Username: opts.Nkey, Permissions: permissions(replica)})
	return true
}

// proved gives the key by which the nonce was signed, nil if it was not.
func proved(name, sig string, nonce []byte) ed25519.PublicKey {
	key, err := nkeys.Decode(nkeys.PrefixByteUser, []byte(name))
	if err != nil || len(key) != ed25519.PublicKeySize {
		return nil
	}
	signature, err := base64.RawURLEncoding.DecodeString(sig)
	if err != nil || !ed25519.Verify(key, nonce, signature) {
		return nil
	}
	return key
}

func permissions(r clock.Replica) *server.Permissions {
	return &server.Permissions{
		Publish:   &server.SubjectPermission{Allow: []string{upSubject(r), pullSubject}},
		Subscribe: &server.SubjectPermission{Allow: []string{everyBell, inboxOf(r) + ">"}},
	}
}
