package exchange

import (
	"fmt"
	"slices"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// Pull is a node's way of learning: how far it has read the hub's logs. It is
// not safe for concurrent use.
type Pull struct {
	sites  []string
	cursor Cursor
	// comparing is set while the hub does not know the cursor's past: the
	// question then says what the node has.
	comparing bool
}

// NewPull starts from what was kept: the cursor, and the sites that it was read
// for. A node that now carries other sites compares anew.
func NewPull(sites []string, cursor Cursor, cursorSites []string, comparing bool) *Pull {
	if cursor.View == 0 || !slices.Equal(sites, cursorSites) {
		return &Pull{sites: sites, comparing: true}
	}
	return &Pull{sites: sites, cursor: cursor, comparing: comparing}
}

// Cursor is behind the last answer that was stored. Keep it, with Comparing.
func (p *Pull) Cursor() Cursor { return p.cursor }

// Comparing says that the hub has yet to give everything that the node lacks.
func (p *Pull) Comparing() bool { return p.comparing }

// Ask fills the pull's part of a request. has is only called when it is needed,
// and gives what is here and the prints that go with it.
func (p *Pull) Ask(q *Request, has func() (clock.Context, [][8]byte, error)) error {
	q.Sites, q.Cursor = p.sites, p.cursor
	if !p.comparing {
		return nil
	}
	c, prints, err := has()
	if err != nil {
		return fmt.Errorf("say what is here: %w", err)
	}
	q.Has, q.Prints = &c, prints
	return nil
}

// Answered takes an answer whose changes are stored, and says whether to ask
// again at once.
func (p *Pull) Answered(a Answer) (again bool) {
	if a.Unknown {
		p.cursor, p.comparing = Cursor{}, true
		return true
	}
	p.cursor = a.Cursor
	if !a.More {
		p.comparing = false
	}
	return a.More
}

// Serve answers a request from the logs of the hub's view. The piece is packed
// by pack. The caller adds the receipt, what was refused, and its clock.
func Serve(log Log, q Request, pack func([]record.Change) ([]byte, error)) (Answer, error) {
	known, err := Knows(log, q.Cursor)
	if err != nil {
		return Answer{}, fmt.Errorf("recognise the cursor of %s: %w", q.Replica, err)
	}
	if !known && (q.Cursor.View != 0 || q.Has == nil) {
		return Answer{Unknown: true}, nil
	}
	f := Filter{Sites: q.Sites, NotFrom: q.Replica}
	if q.Has != nil {
		f.Has, f.NotFrom = *q.Has, 0
	}
	b, err := Next(log, q.Cursor, f, Budget{Changes: record.MaxPieceChanges, Size: q.Size})
	if err != nil {
		return Answer{}, err
	}
	a := Answer{Cursor: b.Next, More: b.More}
	if len(b.Changes) > 0 {
		if a.Piece, err = pack(b.Changes); err != nil {
			return Answer{}, fmt.Errorf("pack an answer for %s: %w", q.Replica, err)
		}
	}
	return a, nil
}
