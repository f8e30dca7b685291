package replica

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// A frame of a ledger is one atomic step. The first byte says of which kind.
const (
	// frameIdentity: from here on this replica writes under an id (8 bytes).
	frameIdentity = 1
	// frameTransaction: changes of this replica, and the request that made them.
	frameTransaction = 2
	// frameReceived: changes of others, behind one byte that says whose link
	// they came over.
	frameReceived = 3
)

var errFrame = errors.New("ledger frame is malformed")

// request is what a transaction remembers of the call that made it.
type request struct {
	id     string
	memory store.Memory
}

func identityFrame(r clock.Replica) []byte {
	return binary.BigEndian.AppendUint64([]byte{frameIdentity}, uint64(r))
}

// transactionFrame holds: the number of requests (0 or 1) with id, print, time in
// milliseconds and record ids; then the changes.
func transactionFrame(req *request, changes []record.Change) []byte {
	b := []byte{frameTransaction, 0}
	if req != nil {
		b[1] = 1
		b = appendText(b, req.id)
		b = appendMemory(b, req.memory)
	}
	return appendChanges(b, changes)
}

func receivedFrame(from byte, changes []record.Change) []byte {
	return appendChanges([]byte{frameReceived, from}, changes)
}

// maxReceived bounds the changes in one frame of what was received, in bytes; it
// is far below what the ledger takes in a frame.
const maxReceived = 1 << 20

// receivedFrames puts changes into as many frames as they need.
func receivedFrames(from byte, changes []record.Change) (frames [][]byte) {
	f := receivedFrame(from, nil)
	for _, c := range changes {
		if f = c.Append(f); len(f) >= maxReceived {
			frames, f = append(frames, f), receivedFrame(from, nil)
		}
	}
	if len(f) > len(receivedFrame(from, nil)) {
		frames = append(frames, f)
	}
	return frames
}

func appendChanges(b []byte, changes []record.Change) []byte {
	for _, c := range changes {
		b = c.Append(b)
	}
	return b
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

func appendMemory(b []byte, m store.Memory) []byte {
	b = append(b, m.Print[:]...)
	b = binary.AppendVarint(b, m.At.UnixMilli())
	b = binary.AppendUvarint(b, uint64(len(m.IDs)))
	for _, id := range m.IDs {
		b = appendText(b, id)
	}
	return b
}

// takeText reads what appendText wrote.
func takeText(b []byte) (s string, rest []byte, err error) {
	n, k := binary.Uvarint(b)
	if k <= 0 || n > uint64(len(b)-k) {
		return "", nil, errFrame
	}
	return string(b[k : k+int(n)]), b[k+int(n):], nil
}

// takeMemory reads what appendMemory wrote.
func takeMemory(b []byte) (m store.Memory, rest []byte, err error) {
	if len(b) < len(m.Print) {
		return m, nil, errFrame
	}
	copy(m.Print[:], b)
	b = b[len(m.Print):]
	millis, k := binary.Varint(b)
	if k <= 0 {
		return m, nil, errFrame
	}
	m.At, b = time.UnixMilli(millis).UTC(), b[k:]
	count, k := binary.Uvarint(b)
	if k <= 0 || count > uint64(len(b)) {
		return m, nil, errFrame
	}
	b = b[k:]
	for range count {
		var id string
		if id, b, err = takeText(b); err != nil {
			return m, nil, err
		}
		m.IDs = append(m.IDs, id)
	}
	return m, b, nil
}

// frame is one opened frame; which parts are set follows from its kind.
type frame struct {
	kind    byte
	replica clock.Replica
	source  byte
	request *request
	changes []record.Change
}

func openFrame(b []byte) (f frame, err error) {
	if len(b) < 2 {
		return f, errFrame
	}
	f.kind = b[0]
	switch f.kind {
	case frameIdentity:
		if len(b) != 9 {
			return f, errFrame
		}
		f.replica = clock.Replica(binary.BigEndian.Uint64(b[1:]))
		return f, nil
	case frameTransaction:
		rest := b[2:]
		if b[1] == 1 {
			if rest, err = f.openRequest(rest); err != nil {
				return f, err
			}
		}
		f.changes, err = openChanges(rest)
		return f, err
	case frameReceived:
		f.source = b[1]
		f.changes, err = openChanges(b[2:])
		return f, err
	}
	return f, fmt.Errorf("kind %d: %w", f.kind, errFrame)
}

func (f *frame) openRequest(b []byte) (rest []byte, err error) {
	f.request = &request{}
	if f.request.id, b, err = takeText(b); err != nil {
		return nil, err
	}
	f.request.memory, rest, err = takeMemory(b)
	return rest, err
}

func openChanges(b []byte) (changes []record.Change, err error) {
	for len(b) > 0 {
		var c record.Change
		if c, b, err = record.DecodeChange(b); err != nil {
			return nil, err
		}
		changes = append(changes, c)
	}
	return changes, nil
}
