package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func statusCommand() command {
	node := new(string)
	return command{
		name: "status",
		line: "tell how a node stands with the hub",
		settings: []setting{
			{name: "node", fallback: "http://127.0.0.1:8080", help: "address of the node's pages", set: checked(node, webURL)},
		},
		run: func(ctx context.Context, c call) error {
			var link bothyv1.Link
			if err := ask(ctx, *node, "/v1/link", "", nil, &link); err != nil {
				return err
			}
			return tellLink(c.stdout, &link)
		},
	}
}

// tellLink writes a node's side of its link, one thing a line.
func tellLink(w io.Writer, l *bothyv1.Link) error {
	var b strings.Builder
	fmt.Fprintf(&b, "cabin %s, replica %s, sites %s\n", l.GetCabin(), l.GetReplica(), strings.Join(l.GetSites(), ", "))
	fmt.Fprintf(&b, "link: %s; last answer of the hub: %s\n", word(l.GetConnected(), "connected", "not connected"), moment(l.GetLastContactAt()))
	fmt.Fprintf(&b, "clock: %s\n", ahead(l.ClockAheadMs))
	for _, lane := range l.GetLanes() {
		fmt.Fprintf(&b, "lane %d, %s: %s\n", lane.GetLane(), laneName(lane.GetLane()), waiting(lane))
	}
	fmt.Fprintf(&b, "receipts: the hub holds %d of %d changes made here\n", l.GetReceipted(), l.GetWritten())
	fmt.Fprintf(&b, "traffic since the start: %d bytes sent, %d received\n", l.GetBytesSent(), l.GetBytesReceived())
	for _, r := range l.GetRefused() {
		fmt.Fprintf(&b, "refused: change %d of %s to %s %s: %s\n", r.GetSequence(), r.GetReplica(), r.GetKind(), r.GetId(), r.GetReason())
	}
	for _, alarm := range l.GetAlarms() {
		fmt.Fprintf(&b, "alarm: %s\n", alarm)
	}
	fmt.Fprintf(&b, "digest: %s\n", l.GetDigest())
	fmt.Fprintf(&b, "may be wiped: %s\n", word(l.GetMayBeWiped(), "yes", "no, the hub does not hold everything"))
	_, err := io.WriteString(w, b.String())
	return err
}

func word(is bool, yes, no string) string {
	if is {
		return yes
	}
	return no
}

func moment(t *timestamppb.Timestamp) string {
	if t == nil {
		return "never"
	}
	return t.AsTime().Format(time.RFC3339)
}

func ahead(millis *int64) string {
	switch {
	case millis == nil:
		return "never compared with the hub's"
	case *millis < 0:
		return fmt.Sprintf("%d ms behind the hub's", -*millis)
	}
	return fmt.Sprintf("%d ms ahead of the hub's", *millis)
}

// laneName says what travels in a lane.
func laneName(lane int32) string {
	switch lane {
	case 0:
		return "hazards and holds"
	case 1:
		return "other defects"
	}
	return "everything else"
}

func waiting(lane *bothyv1.Lane) string {
	if lane.GetChangesWaiting() == 0 {
		return "nothing waits"
	}
	return fmt.Sprintf("%d changes wait, %d bytes, the oldest since %s", lane.GetChangesWaiting(), lane.GetBytesWaiting(), moment(lane.GetOldestAt()))
}
