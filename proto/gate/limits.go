package gate

import "time"

// The limits of a gate that are the same everywhere, each with its reason.
const (
	// bodyMax is the size of a JSON body. The largest that people make is a check
	// of 500 points with notes; photos travel another way.
	bodyMax = 256 << 10
	// messageMax is the size of a gRPC request. A register of some thousand
	// machines fits.
	messageMax = 1 << 20
	// headerMax is the size of all headers of a request.
	headerMax = 16 << 10
	// callTime is the time of a call that brings no deadline. A ledger that has
	// not synced by then is not going to.
	callTime = 10 * time.Second
	// headerTime is the time in which a connection must say what it wants.
	headerTime = 5 * time.Second
	// answerTime is the time from a request to the end of its answer. Pages may
	// move it (http.ResponseController).
	answerTime = 60 * time.Second
	// idleTime is how long an HTTP connection may wait for its next request.
	idleTime = 2 * time.Minute
	// streamsMax is how many calls one connection may have under way.
	streamsMax = 250
	// pingEvery and pingTime find peers that are gone: cabin Wi-Fi forgets
	// connections without a word.
	pingEvery = 30 * time.Second
	pingTime  = 10 * time.Second
	// pingLeast is how often a peer may ping; more often is a flood.
	pingLeast = 20 * time.Second
	// pipeSize is the buffer of the connection in memory, in bytes each way.
	pipeSize = 256 << 10

	// retryFull and retryAway are the seconds after which to try again. Room is
	// made by people, a service comes back by itself.
	retryFull = "60"
	retryAway = "5"
)

// Limits are the limits that depend on the place. Zero means the default.
type Limits struct {
	// ReadTime is the time in which a whole HTTP request must have come in;
	// 30 seconds by default, enough for the largest body at 100 kbit/s.
	ReadTime time.Duration
	// DrainTime is how long calls under way may go on when the gate stops; 10
	// seconds by default, the time that a call has anyway.
	DrainTime time.Duration
	// PerAddress is how many connections one address may have on one listener; 128
	// by default. Behind a proxy all callers have one address.
	PerAddress int
}

func (l Limits) withDefaults() Limits {
	if l.ReadTime == 0 {
		l.ReadTime = 30 * time.Second
	}
	if l.DrainTime == 0 {
		l.DrainTime = callTime
	}
	if l.PerAddress == 0 {
		l.PerAddress = 128
	}
	return l
}
