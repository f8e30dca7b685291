package replica

import (
	"encoding/binary"
	"fmt"
	"time"

	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/view"
)

// The replica's own small state in the view, by name. None of it is needed to
// build the records again.
const (
	localOwnFrame      = "frame/own"      // last frame of the own ledger that the view holds
	localReceivedFrame = "frame/received" // the same for what others sent
	localClock         = "clock"          // the hybrid clock
	localAhead         = "ahead"          // the measured offset to the hub
	localBoot          = "boot"           // the machine's boot in which the view was opened
	localPush          = "push"           // cursor, receipt
	localPull          = "pull"           // cursor, sites, comparing
	localContact       = "contact/"       // by replica: what a hub knows of a node
	localRequest       = "request/"       // by request id: its memory
	localRefused       = "refused/"       // by change: why it was not taken
	localAlarm         = "alarm/"         // by time: one sentence
	localPosition      = "position"       // a hub's place in its stream
)

// rememberFor is how long a request id is known: longer than a handheld keeps
// trying.
const rememberFor = 30 * 24 * time.Hour

func getUint(tx *view.Tx, name string) (uint64, error) {
	b, ok, err := tx.Local(name)
	if err != nil || !ok {
		return 0, err
	}
	if len(b) != 8 {
		return 0, fmt.Errorf("%s holds %d bytes, want 8", name, len(b))
	}
	return binary.BigEndian.Uint64(b), nil
}

func setUint(tx *view.Tx, name string, n uint64) error {
	return tx.SetLocal(name, binary.BigEndian.AppendUint64(nil, n))
}

func changeName(prefix string, id record.ID) string {
	return fmt.Sprintf("%s%s/%016x", prefix, id.Replica, id.Seq)
}

func remember(tx *view.Tx, r request) error {
	return tx.SetLocal(localRequest+r.id, appendMemory(nil, r.memory))
}

func remembered(tx *view.Tx, requestID string, now time.Time) (store.Memory, bool, error) {
	b, ok, err := tx.Local(localRequest + requestID)
	if err != nil || !ok {
		return store.Memory{}, false, err
	}
	m, _, err := takeMemory(b)
	if err != nil {
		return store.Memory{}, false, fmt.Errorf("memory of request %q: %w", requestID, err)
	}
	return m, now.Sub(m.At) < rememberFor, nil
}

// raise keeps a sentence about something that a person should look at. The same
// sentence is kept once.
func raise(tx *view.Tx, now time.Time, sentence string) error {
	for l, err := range tx.LocalPrefix(localAlarm) {
		if err != nil || string(l.Bytes) == sentence {
			return err
		}
	}
	return tx.SetLocal(fmt.Sprintf("%s%016x", localAlarm, now.UnixNano()), []byte(sentence))
}

func encodeAhead(a clock.Ahead) []byte { return binary.BigEndian.AppendUint64(nil, uint64(a)) }

func getAhead(tx *view.Tx) (clock.Ahead, error) {
	_, ok, err := tx.Local(localAhead)
	if err != nil || !ok {
		return clock.UnknownAhead, err
	}
	n, err := getUint(tx, localAhead)
	return clock.Ahead(n), err
}
