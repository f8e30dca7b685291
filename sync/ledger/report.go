package ledger

import (
	"fmt"
	"strings"
)

// A Report is what Open found and did. An empty one means that the files hold
// everything that was ever synced.
type Report struct {
	Findings []Finding
}

// MayHaveGoneBack tells whether numbers behind Last may have been used before,
// for frames that are not here: by a copy of this ledger, or by this one before an
// older copy was put in its place. The owner must then go on under a new identity,
// and call Settle when that is on disk.
func (r Report) MayHaveGoneBack() bool {
	for _, f := range r.Findings {
		switch f := f.(type) {
		case WentBack, ForeignHead, HeadLost, Unsettled:
			return true
		case ChainBroken:
			if !f.Settled {
				return true
			}
		}
	}
	return false
}

// Missing lists the frames that were synced once and are not in the files, by
// rising number.
func (r Report) Missing() (gaps []Range) {
	for _, f := range r.Findings {
		switch f := f.(type) {
		case Damaged:
			gaps = append(gaps, f.Missing...)
		case MissingSegment:
			gaps = append(gaps, f.Range)
		}
	}
	return gaps
}

// String joins the findings into one line for the log.
func (r Report) String() string {
	if len(r.Findings) == 0 {
		return "in order"
	}
	lines := make([]string, len(r.Findings))
	for i, f := range r.Findings {
		lines[i] = f.String()
	}
	return strings.Join(lines, "; ")
}

// A Finding is one thing that Open found out of order: a TornTail, HeadTorn,
// Damaged, MissingSegment, WentBack, ForeignHead, ChainBroken, HeadLost or
// Unsettled.
type Finding interface {
	fmt.Stringer
	finding()
}

// A Range is a run of frame numbers, both ends included.
type Range struct{ From, To uint64 }

// String gives one number, or two with a dash.
func (r Range) String() string {
	if r.From == r.To {
		return fmt.Sprint(r.From)
	}
	return fmt.Sprintf("%d-%d", r.From, r.To)
}

type (
	// TornTail: the last write was interrupted before it was synced, so nobody
	// was told of it. Its torn part was cut off. Should the head have fallen
	// behind in the same power cut, damage to the very last write looks alike.
	TornTail struct {
		From  uint64 // first frame number that was cut off
		Bytes int64  // that were cut off
	}

	// HeadTorn: one of the head's two slots was damaged and was written again
	// from the other, which is at most one write older.
	HeadTorn struct{}

	// Damaged: a segment holds bytes that are no frame, or too few of them.
	// Where nothing is missing, the segment has been written again. Otherwise
	// it is left as it is until Restore has put everything back.
	Damaged struct {
		Segment uint64  // number of its first frame
		Missing []Range // frames that were synced and cannot be read
	}

	// MissingSegment: a whole segment file, or several, are gone.
	MissingSegment struct{ Range }

	// WentBack: the head knows frames above those that the files end with.
	// They are missing too. Numbering goes on above Head.
	WentBack struct {
		Files uint64 // newest frame in the files
		Head  uint64 // newest frame that the head knows
	}

	// ForeignHead: the head belongs to another ledger than the segments. The
	// segments were believed.
	ForeignHead struct{ Head, Segments ID }

	// ChainBroken: the hash of the frames up to At is not the one that the head,
	// or the next segment, has of them. The frames are readable; some are not
	// those that once were written there.
	ChainBroken struct {
		At      uint64
		Settled bool // the owner has settled a report that included this
	}

	// HeadLost: no slot of the head was readable, or there was no head. It was
	// made again from the segments.
	HeadLost struct{}

	// Unsettled: an earlier Open reported that the ledger may have gone back,
	// and Settle has not been called since.
	Unsettled struct{}
)

func (TornTail) finding()       {}
func (HeadTorn) finding()       {}
func (Damaged) finding()        {}
func (MissingSegment) finding() {}
func (WentBack) finding()       {}
func (ForeignHead) finding()    {}
func (ChainBroken) finding()    {}
func (HeadLost) finding()       {}
func (Unsettled) finding()      {}

// String says it for the log.
func (f TornTail) String() string {
	return fmt.Sprintf("an interrupted write was cut off: %d bytes from frame %d on", f.Bytes, f.From)
}

// String says it for the log.
func (HeadTorn) String() string { return "one slot of the head was damaged" }

// String says it for the log.
func (f Damaged) String() string {
	if len(f.Missing) == 0 {
		return fmt.Sprintf("segment %d was damaged, no frame is missing", f.Segment)
	}
	return fmt.Sprintf("segment %d is damaged, missing frames %v", f.Segment, f.Missing)
}

// String says it for the log.
func (f MissingSegment) String() string {
	return fmt.Sprintf("the segment with frames %v is missing", f.Range)
}

// String says it for the log.
func (f WentBack) String() string {
	return fmt.Sprintf("the files end with frame %d, but frame %d was synced once", f.Files, f.Head)
}

// String says it for the log.
func (f ForeignHead) String() string {
	return fmt.Sprintf("the head is of ledger %v, the segments are of ledger %v", f.Head, f.Segments)
}

// String says it for the log.
func (f ChainBroken) String() string {
	return fmt.Sprintf("the frames up to %d are not those that were written (chain hash)", f.At)
}

// String says it for the log.
func (HeadLost) String() string { return "the head was lost and was made again" }

// String says it for the log.
func (Unsettled) String() string {
	return "an earlier start found that the ledger may have gone back, and the owner has not settled it"
}
