package clock

import (
	"crypto/rand"
	"encoding/base32"
	"encoding/binary"
	"fmt"
)

// Replica is the id of one copy of the data that writes: 64 random bits, made
// with its data directory and made anew whenever its history may have gone
// back, so that no dot is ever used twice. Zero is no replica.
type Replica uint64

// replicaText is Crockford's alphabet in lower case: no i, l, o, u, so that an
// id read out over a telephone survives.
var replicaText = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

// NewReplica draws a replica id.
func NewReplica() Replica {
	for {
		var b [8]byte
		rand.Read(b[:]) // never fails: crypto/rand ends the program instead
		if r := Replica(binary.BigEndian.Uint64(b[:])); r != 0 {
			return r
		}
	}
}

// String gives the 13 characters by which people and paths know the replica.
func (r Replica) String() string {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(r))
	return replicaText.EncodeToString(b[:])
}

// ParseReplica reads what String wrote.
func ParseReplica(s string) (Replica, error) {
	b, err := replicaText.DecodeString(s)
	if err != nil || len(b) != 8 {
		return 0, fmt.Errorf("replica id %q: want 13 characters of 0-9 and a-z without i, l, o, u", s)
	}
	r := Replica(binary.BigEndian.Uint64(b))
	if r == 0 || r.String() != s {
		return 0, fmt.Errorf("replica id %q: not one that a replica can have", s)
	}
	return r, nil
}
