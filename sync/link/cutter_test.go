package link

import (
	"bytes"
	"io"
	"net"
	"testing"
	"time"
)

// echo sends back what it gets.
func echo(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() {
		l.Close()
		<-done
	})
	go func() {
		defer close(done)
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer conn.Close()
				io.Copy(conn, conn)
			}()
		}
	}()
	return l.Addr().String()
}

func relay(t testing.TB, target string) *Cutter {
	t.Helper()
	c, err := NewCutter(target)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func connect(t testing.TB, addr string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func roundTrip(t testing.TB, conn net.Conn, b []byte) {
	t.Helper()
	if _, err := conn.Write(b); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, len(b))
	if _, err := io.ReadFull(conn, got); err != nil || !bytes.Equal(got, b) {
		t.Fatalf("echo differs: %v", err)
	}
}

func TestARelayCarriesAndCounts(t *testing.T) {
	c := relay(t, echo(t))
	big := bytes.Repeat([]byte("0123456789"), 30_000)
	roundTrip(t, connect(t, c.Addr()), big)
	roundTrip(t, connect(t, c.Addr()), []byte("x"))
	eventually(t, "both ways are counted", func() bool {
		up, down := c.Bytes()
		return up == 300_001 && down == 300_001
	})
}

func TestACutEndsConnectionsUntilItIsRestored(t *testing.T) {
	c := relay(t, echo(t))
	old := connect(t, c.Addr())
	roundTrip(t, old, []byte("x"))
	c.Cut()
	if _, err := old.Read(make([]byte, 1)); err == nil {
		t.Error("a connection survived the cut")
	}
	if _, err := connect(t, c.Addr()).Read(make([]byte, 1)); err == nil {
		t.Error("a connection was made while cut")
	}
	c.Restore()
	roundTrip(t, connect(t, c.Addr()), []byte("x"))
}

func TestAFrozenLineGoesOnWhereItWas(t *testing.T) {
	c := relay(t, echo(t))
	conn := connect(t, c.Addr())
	roundTrip(t, conn, []byte("x"))
	c.Freeze()
	if _, err := conn.Write([]byte("frozen")); err != nil {
		t.Fatal(err)
	}
	conn.SetReadDeadline(time.Now().Add(20 * time.Millisecond))
	if n, err := conn.Read(make([]byte, 1)); n > 0 || err == nil {
		t.Error("something came through")
	}
	conn.SetReadDeadline(time.Time{})
	c.Restore()
	got := make([]byte, 6)
	if _, err := io.ReadFull(conn, got); err != nil || string(got) != "frozen" {
		t.Errorf("got %q, %v", got, err)
	}
}

func TestTheEndOfOneSideReachesTheOther(t *testing.T) {
	c := relay(t, echo(t))
	conn := connect(t, c.Addr())
	roundTrip(t, conn, []byte("x"))
	conn.Close()
	eventually(t, "the relay has let go", func() bool {
		c.mu.Lock()
		defer c.mu.Unlock()
		return len(c.conns) == 0
	})
	gone := relay(t, freeAddr(t))
	if _, err := connect(t, gone.Addr()).Read(make([]byte, 1)); err == nil {
		t.Error("a connection to nobody stands")
	}
}

// A line of 1,200 bytes a second takes 100 bytes in a twelfth of a second, and no
// faster for being idle before.
func TestALineTakesItsTime(t *testing.T) {
	l := Line{Rate: 1200}
	now := time.Now()
	if got := l.after(100, now.Add(time.Hour)).Sub(now); got != time.Hour+time.Second/12 {
		t.Errorf("a busy line is free after %s", got)
	}
	if got := l.after(100, now.Add(-time.Hour)).Sub(now); got < time.Second/12 || got > time.Hour {
		t.Errorf("an idle line is free after %s", got)
	}
	if l.gulp() != 24 || (Line{}).gulp() != 32<<10 {
		t.Errorf("gulps of %d and %d bytes", l.gulp(), Line{}.gulp())
	}
}

func TestDelayAndRateHoldBackABit(t *testing.T) {
	c := relay(t, echo(t))
	conn := connect(t, c.Addr())
	roundTrip(t, conn, []byte("x"))
	c.Set(Line{Rate: 100_000, Delay: 30 * time.Millisecond})
	roundTrip(t, conn, []byte("x")) // what was read under the old line
	began := time.Now()
	roundTrip(t, conn, make([]byte, 10_000))
	// 0.1 s for the bytes and 30 ms each way, never less whatever the machine does.
	if took := time.Since(began); took < 160*time.Millisecond {
		t.Errorf("there and back took %s", took)
	}
}
