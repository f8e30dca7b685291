package link

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Cutter is a TCP relay that behaves like a bad line: it can be cut, frozen,
// slowed and delayed. Demonstrations and tests put it between a node and a hub.
type Cutter struct {
	listener net.Listener
	target   string
	served   sync.WaitGroup
	up, down atomic.Int64

	mu      sync.Mutex
	line    Line
	state   lineState
	changed chan struct{} // closed, and made anew, when state changes
	conns   map[net.Conn]bool
}

// Line is what a relayed connection is like, each way.
type Line struct {
	Rate  int           // bytes per second; 0 is no limit
	Delay time.Duration // one way
}

type lineState int

const (
	lineOpen lineState = iota
	lineFrozen
	lineCut
	lineClosed
)

// NewCutter relays from a free port on loopback to a TCP address.
func NewCutter(target string) (*Cutter, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for connections to relay to %s: %w", target, err)
	}
	c := &Cutter{
		listener: listener,
		target:   target,
		changed:  make(chan struct{}),
		conns:    map[net.Conn]bool{},
	}
	c.served.Go(c.accept)
	return c, nil
}

// Addr is the host and port to connect to.
func (c *Cutter) Addr() string { return c.listener.Addr().String() }

// Cut ends all connections, and each new one at once, as where a machine on the
// way says that there is no way.
func (c *Cutter) Cut() { c.become(lineCut) }

// Freeze lets nothing through and ends nothing, as where there is no coverage.
func (c *Cutter) Freeze() { c.become(lineFrozen) }

// Restore undoes Cut and Freeze. What was frozen on the way goes on.
func (c *Cutter) Restore() { c.become(lineOpen) }

// Set changes what the line is like, for bytes that come from now on.
func (c *Cutter) Set(l Line) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.line = l
}

// Bytes is how much went through: up to the target and down from it.
func (c *Cutter) Bytes() (up, down int64) { return c.up.Load(), c.down.Load() }

// Close ends the relay and waits for what serves it.
func (c *Cutter) Close() error {
	c.become(lineClosed)
	err := c.listener.Close()
	c.served.Wait()
	return err
}

func (c *Cutter) become(s lineState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.state == lineClosed {
		return
	}
	c.state = s
	close(c.changed)
	c.changed = make(chan struct{})
	if s == lineCut || s == lineClosed {
		for conn := range c.conns {
			conn.Close()
		}
	}
}

func (c *Cutter) accept() {
	for {
		near, err := c.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err == nil {
			c.served.Go(func() { c.relay(near) })
		}
	}
}

// relay serves one connection. It ends both ways with the first.
func (c *Cutter) relay(near net.Conn) {
	defer c.drop(near)
	if !c.keep(near) {
		return
	}
	far, err := net.Dial("tcp", c.target)
	if err != nil {
		return
	}
	defer c.drop(far)
	if !c.keep(far) {
		return
	}
	var ways sync.WaitGroup
	ways.Go(func() { c.carry(far, near, &c.up) })
	ways.Go(func() { c.carry(near, far, &c.down) })
	ways.Wait()
}

func (c *Cutter) keep(conn net.Conn) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.conns[conn] = true
	return c.state == lineOpen || c.state == lineFrozen
}

func (c *Cutter) drop(conn net.Conn) {
	conn.Close()
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.conns, conn)
}

// parcel is what is on the line, and when it arrives.
type parcel struct {
	bytes []byte
	due   time.Time
}

// carry moves bytes one way, and closes both ends when that ends.
func (c *Cutter) carry(to, from net.Conn, count *atomic.Int64) {
	line := make(chan parcel, 64)
	var receiver sync.WaitGroup
	receiver.Go(func() {
		c.receive(to, line, count)
		to.Close()
		from.Close()
		for range line { // what was on the line when it broke
		}
	})
	send(from, line, c.like)
	close(line)
	receiver.Wait()
}

// receive writes what comes off the line, until that ends or the line carries no
// more.
func (c *Cutter) receive(to net.Conn, line <-chan parcel, count *atomic.Int64) {
	for p := range line {
		time.Sleep(time.Until(p.due))
		if !c.carries() {
			return
		}
		n, err := to.Write(p.bytes)
		count.Add(int64(n))
		if err != nil {
			return
		}
	}
}

func (c *Cutter) like() Line {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.line
}

// send puts what it reads on the line until there is no more to read. It runs
// ahead of the line by what the channel holds, like the buffer of a modem.
func send(from net.Conn, line chan<- parcel, like func() Line) {
	var free time.Time // when the line can take more
	for {
		l := like()
		buf := make([]byte, l.gulp())
		n, err := from.Read(buf)
		if n > 0 {
			free = l.after(n, free)
			line <- parcel{bytes: buf[:n], due: free.Add(l.Delay)}
		}
		if err != nil {
			return
		}
	}
}

// gulp is how much goes on the line at a time: what it takes in 20 ms.
func (l Line) gulp() int {
	if l.Rate == 0 {
		return 32 << 10
	}
	return min(max(l.Rate/50, 16), 32<<10)
}

// after is when the line has taken n more bytes.
func (l Line) after(n int, free time.Time) time.Time {
	now := time.Now()
	if l.Rate == 0 {
		return now
	}
	if free.Before(now) {
		free = now
	}
	return free.Add(time.Duration(n) * time.Second / time.Duration(l.Rate))
}

// carries waits while the line is frozen, and says whether it carries then.
func (c *Cutter) carries() bool {
	for {
		c.mu.Lock()
		state, changed := c.state, c.changed
		c.mu.Unlock()
		if state != lineFrozen {
			return state == lineOpen
		}
		<-changed
	}
}
