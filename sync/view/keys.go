package view

import (
	"crypto/sha256"
	"encoding/binary"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// format is the version of this key space and of the rows in it. A program
// opens views of its own format and, where it knows how to raise them, of older
// ones; never of a newer one.
const format = 1

// The key space. A key is its prefix byte and its parts. Numbers are big-endian
// and of fixed width, so that the order of keys is the order of the parts. Text
// is preceded by its length in one byte, except where it is the last part: there
// it stands bare, so that keys of one prefix are in the order of that text.
const (
	prefixFormat  = 0x01 // (nothing more): version of the format, view id
	prefixLists   = 0x02 // (nothing more): print of what the lists are made by
	prefixCount   = 0x03 // prefix(1) kind(4): how many rows there are
	prefixLogEnd  = 0x04 // lane(1): last position and its mark
	prefixHeld    = 0x05 // replica(8): ranges of seq, chain hash
	prefixChange  = 0x10 // replica(8) seq(8): the change
	prefixHistory = 0x11 // kind(4) id(1+n) at(8) replica(8) seq(8): how it was logged
	prefixRecord  = 0x12 // kind(4) id(n): the joined record
	prefixList    = 0x13 // kind(4) field(4) value(1+n) created(8) id(n): nothing
	prefixLog     = 0x14 // lane(1) position(8): an entry
	prefixLocal   = 0x20 // name(n): the owner's bytes
)

var rowNames = map[byte]string{
	prefixFormat: "format", prefixLists: "lists", prefixCount: "count", prefixLogEnd: "log end",
	prefixHeld: "held", prefixChange: "change", prefixHistory: "history", prefixRecord: "record",
	prefixList: "list", prefixLog: "log", prefixLocal: "local",
}

// rowName says to people what kind of row a key is of.
func rowName(key []byte) string {
	if len(key) > 0 && rowNames[key[0]] != "" {
		return rowNames[key[0]]
	}
	return "unknown"
}

var (
	formatKey = []byte{prefixFormat}
	listsKey  = []byte{prefixLists}
)

// countKey names what is counted: the rows of a prefix and, where their keys
// start with a kind, of that kind.
type countKey struct {
	prefix byte
	kind   uint32
}

func (k countKey) bytes() []byte {
	return binary.BigEndian.AppendUint32([]byte{prefixCount, k.prefix}, k.kind)
}

func decodeCountKey(b []byte) (countKey, bool) {
	if len(b) != 6 || b[0] != prefixCount {
		return countKey{}, false
	}
	return countKey{b[1], binary.BigEndian.Uint32(b[2:])}, true
}

// counted gives the count that a row belongs to; ok is false for rows whose
// number is known otherwise.
func counted(key []byte) (k countKey, ok bool) {
	switch key[0] {
	case prefixHeld, prefixChange, prefixLocal:
		return countKey{prefix: key[0]}, true
	case prefixHistory, prefixRecord, prefixList:
		if len(key) >= 5 {
			return countKey{key[0], binary.BigEndian.Uint32(key[1:])}, true
		}
	}
	return countKey{}, false
}

func logEndKey(lane record.Lane) []byte { return []byte{prefixLogEnd, byte(lane)} }

func decodeLogEndKey(b []byte) (record.Lane, bool) {
	if len(b) != 2 || b[0] != prefixLogEnd || b[1] >= record.Lanes {
		return 0, false
	}
	return record.Lane(b[1]), true
}

func heldKey(r clock.Replica) []byte {
	return binary.BigEndian.AppendUint64([]byte{prefixHeld}, uint64(r))
}

func decodeHeldKey(b []byte) (clock.Replica, bool) {
	if len(b) != 9 || b[0] != prefixHeld {
		return 0, false
	}
	return clock.Replica(binary.BigEndian.Uint64(b[1:])), true
}

// changePrefix starts the keys of all changes of a replica.
func changePrefix(r clock.Replica) []byte {
	return binary.BigEndian.AppendUint64([]byte{prefixChange}, uint64(r))
}

func changeKey(id record.ID) []byte {
	return binary.BigEndian.AppendUint64(changePrefix(id.Replica), id.Seq)
}

func decodeChangeKey(b []byte) (record.ID, bool) {
	if len(b) != 17 || b[0] != prefixChange {
		return record.ID{}, false
	}
	return record.ID{
		Replica: clock.Replica(binary.BigEndian.Uint64(b[1:])),
		Seq:     binary.BigEndian.Uint64(b[9:]),
	}, true
}

// historyKey places a change in the history of its record.
type historyKey struct {
	key record.Key
	at  clock.Hybrid
	id  record.ID
}

func historyOf(c record.Change) historyKey { return historyKey{c.Key, c.At, c.ID()} }

// historyPrefix starts the keys of all changes of a record.
func historyPrefix(k record.Key) []byte {
	b := append(make([]byte, 0, 40+len(k.ID)), prefixHistory)
	return appendText(binary.BigEndian.AppendUint32(b, k.Kind), k.ID)
}

func (k historyKey) bytes() []byte {
	b := binary.BigEndian.AppendUint64(historyPrefix(k.key), uint64(k.at))
	b = binary.BigEndian.AppendUint64(b, uint64(k.id.Replica))
	return binary.BigEndian.AppendUint64(b, k.id.Seq)
}

func decodeHistoryKey(b []byte) (k historyKey, ok bool) {
	if len(b) < 5 || b[0] != prefixHistory {
		return k, false
	}
	k.key.Kind = binary.BigEndian.Uint32(b[1:])
	id, rest, ok := cutText(b[5:])
	if !ok || len(id) == 0 || len(rest) != 24 {
		return k, false
	}
	k.key.ID = string(id)
	k.at = clock.Hybrid(binary.BigEndian.Uint64(rest))
	k.id.Replica = clock.Replica(binary.BigEndian.Uint64(rest[8:]))
	k.id.Seq = binary.BigEndian.Uint64(rest[16:])
	return k, true
}

// recordPrefix starts the keys of all records of a kind.
func recordPrefix(kind uint32) []byte {
	return binary.BigEndian.AppendUint32([]byte{prefixRecord}, kind)
}

func recordKey(k record.Key) []byte { return append(recordPrefix(k.Kind), k.ID...) }

func decodeRecordKey(b []byte) (record.Key, bool) {
	if len(b) < 6 || b[0] != prefixRecord || len(b) > 5+record.MaxID {
		return record.Key{}, false
	}
	return record.Key{Kind: binary.BigEndian.Uint32(b[1:]), ID: string(b[5:])}, true
}

// isKeyOf says whether a key is that of a record.
func isKeyOf(b []byte, k record.Key) bool {
	return len(b) > 5 && b[0] == prefixRecord && binary.BigEndian.Uint32(b[1:]) == k.Kind && string(b[5:]) == k.ID
}

// listKey places a record in the list of those of its kind that read the same
// in one field, by the time at which they were made.
type listKey struct {
	kind, field uint32
	value       []byte // as listed gives it
	created     clock.Hybrid
	id          string
}

// maxListed is how long a value may be to stand in a key as it is: as long as
// any id.
const maxListed = record.MaxID

// hashed in place of a length says that a value's SHA-256 stands for it.
const hashed = 0xff

// listed is a value as it stands in a key, with its length or mark in front.
func listed(value string) []byte {
	if len(value) > maxListed {
		sum := sha256.Sum256([]byte(value))
		return append([]byte{hashed}, sum[:]...)
	}
	return appendText(make([]byte, 0, 1+len(value)), value)
}

// listPrefix starts the keys of one list.
func listPrefix(kind, field uint32, value []byte) []byte {
	return append(fieldPrefix(kind, field), value...)
}

// fieldPrefix starts the keys of all lists by one field.
func fieldPrefix(kind, field uint32) []byte {
	b := append(make([]byte, 0, 32+maxListed), prefixList)
	return binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(b, kind), field)
}

func (k listKey) bytes() []byte {
	b := binary.BigEndian.AppendUint64(listPrefix(k.kind, k.field, k.value), uint64(k.created))
	return append(b, k.id...)
}

func decodeListKey(b []byte) (k listKey, ok bool) {
	if len(b) < 10 || b[0] != prefixList {
		return k, false
	}
	k.kind, k.field = binary.BigEndian.Uint32(b[1:]), binary.BigEndian.Uint32(b[5:])
	size := 1 + int(b[9])
	if b[9] == hashed {
		size = 1 + sha256.Size
	}
	rest := b[9:]
	if b[9] > maxListed && b[9] != hashed || len(rest) < size+9 || len(rest) > size+8+record.MaxID {
		return k, false
	}
	k.value = rest[:size:size]
	k.created = clock.Hybrid(binary.BigEndian.Uint64(rest[size:]))
	k.id = string(rest[size+8:])
	return k, true
}

// recordOf is the record that a row is of; the zero key if it is of none.
func recordOf(b []byte) record.Key {
	if k, ok := decodeRecordKey(b); ok {
		return k
	}
	if k, ok := decodeHistoryKey(b); ok {
		return k.key
	}
	if k, ok := decodeListKey(b); ok {
		return record.Key{Kind: k.kind, ID: k.id}
	}
	return record.Key{}
}

// logPrefix starts the keys of a lane's log.
func logPrefix(lane record.Lane) []byte { return []byte{prefixLog, byte(lane)} }

func logKey(lane record.Lane, pos uint64) []byte {
	return binary.BigEndian.AppendUint64(logPrefix(lane), pos)
}

func decodeLogKey(b []byte) (lane record.Lane, pos uint64, ok bool) {
	if len(b) != 10 || b[0] != prefixLog || b[1] >= record.Lanes {
		return 0, 0, false
	}
	return record.Lane(b[1]), binary.BigEndian.Uint64(b[2:]), true
}

// MaxName bounds the name of the owner's own state, in bytes.
const MaxName = 1 << 10

func localKey(name string) []byte { return append([]byte{prefixLocal}, name...) }

func decodeLocalKey(b []byte) (name string, ok bool) {
	if len(b) < 2 || b[0] != prefixLocal || len(b) > 1+MaxName {
		return "", false
	}
	return string(b[1:]), true
}

// appendText adds text of at most 254 bytes with its length in front.
func appendText(b []byte, s string) []byte { return append(append(b, byte(len(s))), s...) }

func cutText(b []byte) (text, rest []byte, ok bool) {
	if len(b) == 0 || len(b) < 1+int(b[0]) {
		return nil, nil, false
	}
	n := 1 + int(b[0])
	return b[1:n], b[n:], true
}
