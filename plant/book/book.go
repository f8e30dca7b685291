package book

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// Options of a book. The zero value is that of a hub which has heard of no
// site.
type Options struct {
	// Sites are the node's own; none on a hub.
	Sites []string
	// AsOf is the time up to which the records of a site are known to be complete;
	// false if that is not known. It is not asked about the node's own sites. Nil
	// means that it is known of no other site.
	AsOf func(site string) (time.Time, bool)
	// SilentAfter is how old the records of a site may be before its machines read
	// as UNKNOWN, where the site's own entry does not say; 0 means
	// plant.DefaultSilentAfter.
	SilentAfter time.Duration
	// Clock is the replica's; nil means the host's.
	Clock func() time.Time
	// ClockDoubtful says that the clock is known to be wrong: it stands before
	// what is on record. Nil means that it never is.
	ClockDoubtful func() bool
	// Sheets are those that the program brings. They are in force like published
	// ones, and are published when a check is first made on one.
	Sheets []*bothyv1.Sheet
}

// Book serves the records of a store. It has no state of its own and is safe
// for many goroutines.
type Book struct {
	bothyv1.UnimplementedRecordsServiceServer
	store   store.Store
	options Options
}

var _ bothyv1.RecordsServiceServer = (*Book)(nil)

// New is the book of the records in a store.
func New(s store.Store, o Options) *Book {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.ClockDoubtful == nil {
		o.ClockDoubtful = func() bool { return false }
	}
	if o.AsOf == nil {
		o.AsOf = func(string) (time.Time, bool) { return time.Time{}, false }
	}
	return &Book{store: s, options: o}
}

// read runs f on one consistent state, for a request that is sane.
func (b *Book) read(ctx context.Context, req proto.Message, f func(l *lookup) error) error {
	if v := sane(req); len(v) > 0 {
		return refusal(v)
	}
	return refusal(b.store.Read(ctx, func(r store.Reader) error { return f(b.lookup(r)) }))
}
