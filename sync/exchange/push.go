package exchange

import (
	"fmt"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Push is a node's way to the hub: what of its own logs it has sent and what the
// hub has of it. It is not safe for concurrent use.
type Push struct {
	own clock.Replica
	// acked is behind the last piece that the hub's ledger acknowledged.
	acked Cursor
	// ackedSeq is the greatest own sequence number in those pieces.
	ackedSeq uint64
	// receipt: the own changes 1 to receipt are in the hub's synced view.
	receipt uint64
	// offering is set while everything that the hub lacks is offered again;
	// hubHas is what it has.
	offering bool
	hubHas   clock.Context
	inflight *Batch
}

// NewPush starts from what was kept: the cursor of the last acknowledged piece,
// the greatest own number among the acknowledged, and the hub's last receipt.
func NewPush(own clock.Replica, acked Cursor, ackedSeq, receipt uint64) *Push {
	return &Push{own: own, acked: acked, ackedSeq: ackedSeq, receipt: receipt}
}

// Acked is behind the last acknowledged piece. Keep it.
func (p *Push) Acked() Cursor { return p.acked }

// Receipted is the number of own changes that the hub's synced view holds. Keep
// it.
func (p *Push) Receipted() uint64 { return p.receipt }

// Next gives the next piece to send, the same one again until it is acknowledged
// or the link is cut. It is not ok if there is nothing to send.
func (p *Push) Next(log Log, limit Budget) (b Batch, ok bool, err error) {
	if p.inflight != nil {
		return *p.inflight, true, nil
	}
	known, err := Knows(log, p.acked)
	if err != nil {
		return Batch{}, false, fmt.Errorf("recognise the own cursor: %w", err)
	}
	if !known {
		p.acked = Cursor{View: log.View()}
	}
	b, err = Next(log, p.acked, p.Filter(), limit)
	if err != nil {
		return Batch{}, false, err
	}
	if len(b.Changes) == 0 {
		p.acked = b.Next
		p.offering = false
		return Batch{}, false, nil
	}
	p.inflight = &b
	return b, true, nil
}

// Filter is what the hub does not need to be sent.
func (p *Push) Filter() Filter {
	f := Filter{Has: clock.Upto(p.own, p.receipt), NotFromHub: true}
	if p.offering {
		f.Has, f.NotFromHub = p.hubHas, false
	}
	return f
}

// Offering says that everything which the hub lacks is being offered again.
func (p *Push) Offering() bool { return p.offering }

// Waits says whether a change of another replica than self has yet to be
// acknowledged.
func (p *Push) Waits(log Log, self clock.Replica) (bool, error) {
	known, err := Knows(log, p.acked)
	if err != nil {
		return false, fmt.Errorf("recognise the own cursor: %w", err)
	}
	from := p.acked
	if !known {
		from = Cursor{}
	}
	f := p.Filter()
	for lane := range record.Lane(record.Lanes) {
		for e, err := range log.Entries(lane, from.Lanes[lane].Pos) {
			if err != nil {
				return false, fmt.Errorf("read lane %d: %w", lane, err)
			}
			if e.ID.Replica != self && !f.Drops(e) {
				return true, nil
			}
		}
	}
	return false, nil
}

// Acknowledged says that the hub's ledger has the piece in flight, synced.
func (p *Push) Acknowledged() {
	if p.inflight == nil {
		return
	}
	p.acked = p.inflight.Next
	for _, c := range p.inflight.Changes {
		if c.Replica == p.own {
			p.ackedSeq = max(p.ackedSeq, c.Seq)
		}
	}
	p.inflight = nil
}

// Cut says that the piece in flight may not have arrived.
func (p *Push) Cut() { p.inflight = nil }

// AckedSeq is the greatest own sequence number that the hub's ledger has
// acknowledged. Keep it.
func (p *Push) AckedSeq() uint64 { return p.ackedSeq }

// Receipt takes the hub's word on how many of the own changes its synced view
// holds. ackedSeq is AckedSeq as it was when the question was sent, and settled
// says that the view held all of the hub's ledger when it answered.
//
// If the hub has less than it once said, it went back: the answer is true, and
// the caller asks what the hub has and calls Offer. If a settled hub has less
// than its ledger acknowledged, the ledger lost it, and the own changes behind
// the receipt are sent again.
func (p *Push) Receipt(receipt, ackedSeq uint64, settled bool) (wentBack bool) {
	wentBack = receipt < p.receipt
	p.receipt = receipt
	if wentBack || settled && receipt < ackedSeq {
		p.again()
	}
	return wentBack
}

// again reads the own logs from the start; the filter leaves out what the hub
// has.
func (p *Push) again() {
	p.acked = Cursor{}
	p.ackedSeq = 0
	p.inflight = nil
}

// Offer sends the hub everything that is here and not among what it has, whoever
// wrote it.
func (p *Push) Offer(hubHas clock.Context) {
	p.again()
	p.offering, p.hubHas = true, hubHas
}
