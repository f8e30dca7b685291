package hub

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/replica"
)

// office serves what only a hub knows.
type office struct {
	bothyv1.UnimplementedOfficeServiceServer
	hub *Hub
}

// siteContacts gives, for each site, the cabin that speaks for it. Of the replicas
// that a cabin has had, the one that was heard last counts. Where several cabins
// carry a site (a van does), the one whose word is the oldest speaks: a site is
// only as well known as by the least heard of those who write there.
func (h *Hub) siteContacts() (map[string]replica.Contact, error) {
	contacts, err := h.replica.Contacts()
	if err != nil {
		return nil, err
	}
	cabins := map[string]replica.Contact{}
	for _, c := range contacts {
		if have, ok := cabins[c.Cabin]; !ok || c.HeardAt.After(have.HeardAt) {
			cabins[c.Cabin] = c
		}
	}
	out := map[string]replica.Contact{}
	for _, c := range cabins {
		for _, site := range c.Sites {
			if have, ok := out[site]; !ok || c.AsOf.Before(have.AsOf) {
				out[site] = c
			}
		}
	}
	return out, nil
}

// asOf says up to when everything that a site wrote is here.
func (h *Hub) asOf(site string) (time.Time, bool) {
	contacts, err := h.siteContacts()
	if err != nil {
		h.log.Error("read what is known of the cabins", "error", err)
		return time.Time{}, false
	}
	c, ok := contacts[site]
	return c.AsOf, ok && !c.AsOf.IsZero()
}

// GetFleet implements bothyv1.OfficeServiceServer.
func (o office) GetFleet(ctx context.Context, q *bothyv1.GetFleetRequest) (*bothyv1.Fleet, error) {
	fleet, err := o.hub.book.Fleet(ctx, q)
	if err != nil {
		return nil, err
	}
	contacts, err := o.hub.siteContacts()
	if err != nil {
		return nil, err
	}
	for _, row := range fleet.GetSites() {
		if c, ok := contacts[row.GetSite().GetId()]; ok {
			row.Cabin = c.Cabin
			row.LastHeardAt = stamp(c.HeardAt)
		}
	}
	return fleet, nil
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// ListQueue implements bothyv1.OfficeServiceServer.
func (o office) ListQueue(ctx context.Context, q *bothyv1.ListQueueRequest) (*bothyv1.ListQueueResponse, error) {
	return o.hub.book.Queue(ctx, q)
}

// ListLinks implements bothyv1.OfficeServiceServer.
func (o office) ListLinks(_ context.Context, _ *bothyv1.ListLinksRequest) (*bothyv1.ListLinksResponse, error) {
	contacts, err := o.hub.replica.Contacts()
	if err != nil {
		return nil, err
	}
	status, err := o.hub.replica.Status()
	if err != nil {
		return nil, err
	}
	out := &bothyv1.ListLinksResponse{Alarms: status.Alarms}
	for _, c := range contacts {
		row := &bothyv1.NodeLink{
			Replica:     c.Replica.String(),
			Cabin:       c.Cabin,
			Sites:       c.Sites,
			LastHeardAt: stamp(c.HeardAt),
			AsOf:        stamp(c.AsOf),
			Written:     c.Written,
			Receipted:   c.Receipted,
		}
		if c.Ahead.Known() {
			row.ClockAheadMs = proto.Int64(int64(c.Ahead))
		}
		for _, f := range status.Refused {
			if f.Change.Replica == c.Replica {
				row.Refused = append(row.Refused, &bothyv1.RefusedChange{
					Replica: c.Replica.String(), Sequence: f.Change.Seq, Kind: o.hub.replica.Collection(f.Change.Key), Id: f.Change.Key.ID, Reason: f.Reason,
				})
			}
		}
		if row.Digest, err = o.hub.replica.Digest(c.Sites); err != nil {
			return nil, err
		}
		out.Links = append(out.Links, row)
	}
	out.Digest, err = o.hub.replica.Digest(nil)
	return out, err
}

// GetHistory implements bothyv1.OfficeServiceServer.
func (o office) GetHistory(ctx context.Context, q *bothyv1.GetHistoryRequest) (*bothyv1.History, error) {
	entries, err := o.hub.replica.History(ctx, q.GetKind(), q.GetId())
	if err != nil {
		return nil, err
	}
	return &bothyv1.History{Entries: entries}, nil
}

// ImportRegister implements bothyv1.OfficeServiceServer.
func (o office) ImportRegister(ctx context.Context, q *bothyv1.ImportRegisterRequest) (*bothyv1.ImportRegisterResponse, error) {
	return o.hub.book.ImportRegister(ctx, q)
}
