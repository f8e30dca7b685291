package clock

import (
	"fmt"
	"math"
	"time"
)

// Hybrid is a point in hybrid time: milliseconds since 1970 (UTC) in the upper
// 48 bits, a counter in the lower 16. Numeric order is the order of hybrid
// time. A counter that is full carries into the next millisecond.
type Hybrid uint64

const counterBits = 16

// MaxAhead is how far ahead of the own physical clock a foreign time may push
// the own hybrid clock. A time beyond it is kept with its record, but believed
// no further: one dead clock battery must not drag a fleet along.
const MaxAhead = 10 * time.Minute

// HybridAt packs a physical time in milliseconds and a counter. Times before
// 1970 are read as 1970.
func HybridAt(millis int64, counter uint16) Hybrid {
	return Hybrid(max(millis, 0))<<counterBits | Hybrid(counter)
}

// Millis is the physical part: milliseconds since 1970.
func (h Hybrid) Millis() int64 { return int64(h >> counterBits) }

// Counter is the logical part.
func (h Hybrid) Counter() uint16 { return uint16(h) }

// Time is the physical part as a time in UTC.
func (h Hybrid) Time() time.Time { return time.UnixMilli(h.Millis()).UTC() }

func (h Hybrid) String() string { return fmt.Sprintf("(%d,%d)", h.Millis(), h.Counter()) }

// Next is the time of a local event or of a sending, at the physical time in
// milliseconds: the paper's figure 5, first rule. The result is greater than h.
func (h Hybrid) Next(millis int64) Hybrid {
	if now := HybridAt(millis, 0); now > h {
		return now
	}
	return h + 1
}

// Receive is the time of hearing of an event at m: the paper's figure 5,
// second rule. It equals Next on the greater of the two times.
func (h Hybrid) Receive(m Hybrid, millis int64) Hybrid {
	return max(h, m).Next(millis)
}

// Hear is Receive for a time that is not to be trusted blindly. If m is more
// than MaxAhead ahead of the physical clock, h stands and trusted is false. A
// time in the past is always taken.
func (h Hybrid) Hear(m Hybrid, millis int64) (heard Hybrid, trusted bool) {
	if m.Millis() > max(millis, 0)+MaxAhead.Milliseconds() {
		return h, false
	}
	return h.Receive(m, millis), true
}

// Ahead is how far a replica's clock was known to run ahead of the hub's when
// it wrote, in milliseconds; negative means behind.
type Ahead int64

// UnknownAhead stands in the records of a replica that never had contact.
const UnknownAhead Ahead = math.MinInt64

// Known says whether the offset had been measured.
func (a Ahead) Known() bool { return a != UnknownAhead }

// Corrected is the hub's idea of the physical time of h, in milliseconds.
// Without a known offset it is h's own.
func (a Ahead) Corrected(h Hybrid) int64 {
	if !a.Known() {
		return h.Millis()
	}
	return h.Millis() - int64(a)
}
