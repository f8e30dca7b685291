package plant

import (
	"cmp"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// CompareForQueue orders defects as they should be worked: by class, then
// those whose machine is out of service, then the earliest due (those with no
// date last), then the longest known, then by id. Rows that are not given a
// machine's state compare by the rest.
func CompareForQueue(a, b *bothyv1.QueueRow) int {
	return cmp.Or(
		cmp.Compare(known(a.GetDefect().GetClass()), known(b.GetDefect().GetClass())),
		compareTrueFirst(a.GetOutOfService(), b.GetOutOfService()),
		compareUnsetLast(a.GetDefect().GetDueAt(), b.GetDefect().GetDueAt()),
		reportedAt(a.GetDefect()).Compare(reportedAt(b.GetDefect())),
		cmp.Compare(a.GetDefect().GetId(), b.GetDefect().GetId()),
	)
}

// reportedAt is when a defect was first known.
func reportedAt(d *bothyv1.Defect) time.Time {
	if d.GetReportedAt() != nil {
		return d.GetReportedAt().AsTime()
	}
	return FoundAt(d)
}

func compareTrueFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func compareUnsetLast(a, b *timestamppb.Timestamp) int {
	if a == nil || b == nil {
		return compareTrueFirst(a != nil, b != nil)
	}
	return a.AsTime().Compare(b.AsTime())
}
