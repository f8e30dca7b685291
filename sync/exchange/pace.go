package exchange

import "time"

// Pace sizes pieces so that one takes about two seconds of the link: the longest
// that a hazard waits behind a piece in flight. The zero value starts small.
type Pace struct {
	// rate in bytes per second on the wire, 0 while unknown.
	rate float64
	// ratio of bytes before compression to bytes on the wire.
	ratio float64
}

// Limits on a piece, in bytes before compression: the least is a record or two
// even on the thinnest link, the most is what a NATS message surely holds.
const (
	LeastPiece = 4 << 10
	MostPiece  = 768 << 10
	// inFlight is how long one piece may hold the link.
	inFlight = 2 * time.Second
)

// Sent takes the measure of one piece: its bytes before compression and on the
// wire, and the time until it was acknowledged.
func (p *Pace) Sent(raw, wire int, elapsed time.Duration) {
	if raw <= 0 || wire <= 0 || elapsed <= 0 {
		return
	}
	p.rate = smooth(p.rate, float64(wire)/elapsed.Seconds())
	p.ratio = smooth(p.ratio, float64(raw)/float64(wire))
}

// smooth moves a third of the way to the newest measure.
func smooth(old, now float64) float64 {
	if old == 0 {
		return now
	}
	return old + (now-old)/3
}

// Size of the next piece in bytes before compression.
func (p *Pace) Size() int {
	if p.rate == 0 {
		return 4 * LeastPiece
	}
	size := p.rate * inFlight.Seconds() * p.ratio
	return int(min(max(size, LeastPiece), MostPiece))
}
