package gate

import (
	"log/slog"
	"net"
	"sync"
)

// cappedListener gives one address only so many connections. One more is closed
// at once, and those that stand go on.
type cappedListener struct {
	net.Listener
	limit int
	log   *slog.Logger

	mu   sync.Mutex
	open map[string]*tally // by address; guarded by mu
}

// tally is what one address has.
type tally struct {
	connections int
	told        bool // that it has all it may have
}

func (l *cappedListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		address := hostOf(conn.RemoteAddr())
		if l.enter(address) {
			return &cappedConn{Conn: conn, leave: sync.OnceFunc(func() { l.leave(address) })}, nil
		}
		_ = conn.Close() // nothing was said on it yet
	}
}

// enter counts a connection, unless the address has enough. The log says so once,
// until the address has left altogether.
func (l *cappedListener) enter(address string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	t := l.open[address]
	if t == nil {
		t = new(tally)
		l.open[address] = t
	}
	if t.connections < l.limit {
		t.connections++
		return true
	}
	if !t.told {
		l.log.Warn("an address wants more connections than one may have", "address", address, "allowed", l.limit)
	}
	t.told = true
	return false
}

func (l *cappedListener) leave(address string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open[address].connections--
	if l.open[address].connections == 0 {
		delete(l.open, address)
	}
}

type cappedConn struct {
	net.Conn
	leave func()
}

func (c *cappedConn) Close() error {
	defer c.leave()
	return c.Conn.Close()
}

// hostOf is an address without its port.
func hostOf(address net.Addr) string {
	host, _, err := net.SplitHostPort(address.String())
	if err != nil {
		return address.String()
	}
	return host
}

// door counts the HTTP requests inside, which outlive the closing of their
// connection.
type door struct {
	mu     sync.Mutex
	shut   bool // guarded by mu
	inside sync.WaitGroup
}

// enter lets a request in, which must leave; false once the door is closed.
func (d *door) enter() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.shut {
		d.inside.Add(1)
	}
	return !d.shut
}

func (d *door) leave() { d.inside.Done() }

// close lets nobody in any more and waits for those inside.
func (d *door) close() {
	d.mu.Lock()
	d.shut = true
	d.mu.Unlock()
	d.inside.Wait()
}
