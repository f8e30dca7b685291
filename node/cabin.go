package node

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// cabin serves what only a node knows.
type cabin struct {
	bothyv1.UnimplementedCabinServiceServer
	node *Node
}

// GetBoard implements bothyv1.CabinServiceServer.
func (c cabin) GetBoard(ctx context.Context, q *bothyv1.GetBoardRequest) (*bothyv1.Board, error) {
	return c.node.book.Board(ctx, q)
}

// shownLanes are the lanes that are ever used so far.
const shownLanes = 3

// GetLink implements bothyv1.CabinServiceServer.
func (c cabin) GetLink(_ context.Context, _ *bothyv1.GetLinkRequest) (*bothyv1.Link, error) {
	n := c.node
	status, err := n.replica.Status()
	if err != nil {
		return nil, err
	}
	out := &bothyv1.Link{
		Replica:    status.ID.String(),
		Cabin:      n.cfg.Name,
		Sites:      n.cfg.Sites,
		Written:    status.Written,
		Receipted:  status.Receipted,
		Alarms:     status.Alarms,
		MayBeWiped: status.Clear(),
	}
	if status.Ahead.Known() {
		out.ClockAheadMs = proto.Int64(int64(status.Ahead))
	}
	if at := n.lastContact.Load(); at != 0 {
		out.LastContactAt = timestamppb.New(time.UnixMilli(at))
	}
	if n.client != nil {
		out.Connected, out.BytesSent, out.BytesReceived = n.client.Connected(), uint64(n.client.Sent()), uint64(n.client.Received())
	}
	for i, w := range status.Lanes[:shownLanes] {
		lane := &bothyv1.Lane{Lane: int32(i), ChangesWaiting: int64(w.Changes), BytesWaiting: int64(w.Bytes)}
		if !w.OldestAt.IsZero() {
			lane.OldestAt = timestamppb.New(w.OldestAt)
		}
		out.Lanes = append(out.Lanes, lane)
	}
	for _, f := range status.Refused {
		out.Refused = append(out.Refused, &bothyv1.RefusedChange{
			Replica: f.Change.Replica.String(), Sequence: f.Change.Seq, Kind: n.replica.Collection(f.Change.Key), Id: f.Change.Key.ID, Reason: f.Reason,
		})
	}
	out.Digest, err = n.replica.Digest(n.cfg.Sites)
	return out, err
}
