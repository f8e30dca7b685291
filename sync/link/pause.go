package link

import "time"

// pause is how long to wait before the next attempt to connect: a random part
// (full jitter, so that a fleet does not come back in step) of a ceiling that
// doubles with every attempt, from least to most.
//
// A connection that lasted longer than the ceiling brings it back to least. So
// one that is set up and lost over and over is not dialled much more often than
// it holds, and one that holds for minutes is dialled again within seconds.
type pause struct {
	least, most time.Duration
	ceiling     time.Duration // of the pause before; 0 at first
}

// next takes how long the connection lasted, 0 if there was none, and a random
// number from 0 to 1.
func (p *pause) next(lasted time.Duration, random float64) time.Duration {
	if lasted > p.ceiling || p.ceiling == 0 {
		p.ceiling = p.least
	} else {
		p.ceiling = min(2*p.ceiling, p.most)
	}
	return time.Duration(random * float64(p.ceiling))
}
