package link

import (
	"context"
	"net"
	"sync/atomic"
	"time"
)

// slice is how much is written under one deadline, in bytes. A link that takes
// less than a slice within the deadline has failed, however slow it is.
const slice = 8 << 10

// dialer makes the TCP connections of one session, and counts what they carry.
// They end with the session's context.
type dialer struct {
	ctx     context.Context
	timeout time.Duration
	sent    *atomic.Int64
	heard   *atomic.Int64
	failed  error // of the last attempt; the NATS client tells a refused one no reason
}

// Dial is called by the NATS client. TCP keep-alive is off: NATS has its own, at
// a hundredth of the bytes.
func (d *dialer) Dial(network, address string) (net.Conn, error) {
	plain := net.Dialer{Timeout: d.timeout, KeepAlive: -1}
	conn, err := plain.DialContext(d.ctx, network, address)
	if err != nil {
		d.failed = err
		return nil, err
	}
	context.AfterFunc(d.ctx, func() { conn.Close() })
	return &metered{Conn: conn, timeout: d.timeout, sent: d.sent, heard: d.heard}, nil
}

// metered counts the payload of a TCP connection, and ends it when a write makes
// no progress.
type metered struct {
	net.Conn
	timeout     time.Duration
	sent, heard *atomic.Int64
}

func (m *metered) Read(b []byte) (int, error) {
	n, err := m.Conn.Read(b)
	m.heard.Add(int64(n))
	return n, err
}

// Write leaves no half of a message behind on a connection that goes on: a write
// that failed ends it.
func (m *metered) Write(b []byte) (int, error) {
	written := 0
	for written < len(b) {
		m.Conn.SetWriteDeadline(time.Now().Add(m.timeout))
		n, err := m.Conn.Write(b[written:min(len(b), written+slice)])
		m.sent.Add(int64(n))
		if written += n; err != nil {
			m.Conn.Close()
			return written, err
		}
	}
	return written, nil
}
