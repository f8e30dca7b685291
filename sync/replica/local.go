package replica

import (
	"encoding/binary"
	"fmt"
	"strconv"
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

// A request id is known for at least rememberFor, longer than a handheld keeps
// trying, and for at least rememberFrames frames of the own ledger: a clock that
// jumps by years must not have a request done twice.
const (
	rememberFor    = 30 * 24 * time.Hour
	rememberFrames = 1 << 14
	// sweepEvery is after how many frames what is too old is forgotten, and
	// sweepMost how many at once, so that it fits into a transaction.
	sweepEvery = 1 << 10
	sweepMost  = 1 << 11
)

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

// remember keeps a request that was made by a frame of the own ledger, as: the
// frame's number, then the memory.
func remember(tx *view.Tx, r request, frame uint64, now time.Time) error {
	if frame%sweepEvery == 0 {
		if err := forgetRequests(tx, frame, now); err != nil {
			return err
		}
	}
	return tx.SetLocal(localRequest+r.id, appendMemory(binary.BigEndian.AppendUint64(nil, frame), r.memory))
}

func remembered(tx *view.Tx, requestID string) (store.Memory, bool, error) {
	b, ok, err := tx.Local(localRequest + requestID)
	if err != nil || !ok {
		return store.Memory{}, false, err
	}
	_, m, err := openRemembered(b)
	if err != nil {
		return store.Memory{}, false, fmt.Errorf("memory of request %q: %w", requestID, err)
	}
	return m, true, nil
}

func openRemembered(b []byte) (frame uint64, m store.Memory, err error) {
	if len(b) < 8 {
		return 0, m, errFrame
	}
	m, _, err = takeMemory(b[8:])
	return binary.BigEndian.Uint64(b), m, err
}

// forgetRequests forgets what is too old, some at a time.
func forgetRequests(tx *view.Tx, frame uint64, now time.Time) error {
	var old []string
	for l, err := range tx.LocalPrefix(localRequest) {
		if err != nil {
			return err
		}
		at, m, err := openRemembered(l.Bytes)
		if err != nil {
			return fmt.Errorf("%s: %w", l.Name, err)
		}
		if at+rememberFrames < frame && now.Sub(m.At) > rememberFor {
			old = append(old, l.Name)
		}
		if len(old) == sweepMost {
			break
		}
	}
	for _, name := range old {
		if err := tx.SetLocal(name, nil); err != nil {
			return err
		}
	}
	return nil
}

// maxAlarms bounds the sentences that are kept; the oldest give way.
const maxAlarms = 200

// raise keeps a sentence about something that a person should look at. The same
// sentence is kept once.
func raise(tx *view.Tx, now time.Time, sentence string) error {
	var names []string
	for l, err := range tx.LocalPrefix(localAlarm) {
		if err != nil || string(l.Bytes) == sentence {
			return err
		}
		names = append(names, l.Name)
	}
	if len(names) >= maxAlarms {
		if err := tx.SetLocal(names[0], nil); err != nil {
			return err
		}
	}
	// Names rise in the order of raising, whatever the clock does.
	at := uint64(max(now.UnixNano(), 0))
	if len(names) > 0 {
		last, err := strconv.ParseUint(names[len(names)-1][len(localAlarm):], 16, 64)
		if err != nil {
			return fmt.Errorf("name of an alarm: %w", err)
		}
		at = max(at, last+1)
	}
	return tx.SetLocal(fmt.Sprintf("%s%016x", localAlarm, at), []byte(sentence))
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
