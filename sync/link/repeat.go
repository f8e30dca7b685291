package link

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"

	"github.com/bothy-mesh/bothy/sync/clock"
)

// repetition is the message id by which the ledger knows a piece that it has.
// The ledger acknowledges a message with an id that it knows and stores nothing,
// and it has one set of ids for all replicas. So the id stands for the replica
// and the piece as well: two nodes that both count their pieces, or one that
// counts from 1 again after a start, never take each other's place. 64 bits of
// SHA-256 are enough for the pieces of half an hour, in 11 characters.
func repetition(replica clock.Replica, id string, piece []byte) string {
	h := sha256.New()
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(replica)))
	h.Write(binary.AppendUvarint(nil, uint64(len(id))))
	h.Write([]byte(id))
	h.Write(piece)
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil)[:8])
}
