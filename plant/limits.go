package plant

import "time"

// Limits on what is accepted, each with its reason. Those marked "common
// practice" have no published source; the maker's manual and local law come
// first.
const (
	// IDMax is the length of an id of a site, a person, a machine, a machine
	// type, an option or a point: it must fit on a label and in a path.
	IDMax = 40
	// RecordIDMax is the length of an id that a replica makes: a check's id,
	// or a check's and a point's.
	RecordIDMax = 120
	// NoteMax is the length of one note in characters: about a page.
	NoteMax = 2000
	// TitleMax is the length of a title or a one-line text in characters.
	TitleMax = 200
	// PointsMax is how many points a sheet may have; ten times what a person
	// can be asked before a shift.
	PointsMax = 500
	// ListMax is the length of any other list of a record.
	ListMax = 500

	// FutureTolerance is how far the clock of a handheld may run ahead of the
	// node's. A check from further in the future is refused: one of the two
	// clocks is wrong, and its shift cannot be told. Common practice.
	FutureTolerance = 5 * time.Minute
	// ClockTolerance is how far ahead of the node's clock a check may have been
	// finished before its time is doubted. Common practice.
	ClockTolerance = time.Minute
	// EarliestUnix is 1 January 2000 in seconds since 1970. A check from before it
	// comes from a clock that was never set.
	EarliestUnix = 946_684_800
	// LateTolerance is how long after it was finished a check may be sent
	// before it is marked as late. Common practice.
	LateTolerance = 10 * time.Minute
	// MeterMax is more than any hour meter shows.
	MeterMax = 999_999
	// MeterTolerance is by how many hours a meter may have gained on the clock:
	// meters show tenths, and two readings can each be one out.
	MeterTolerance = 0.2
	// HeldMax bounds a timed hold: an hour is a mistyped figure.
	HeldMax = 3600
	// HoldMin is the shortest timed hold that a sheet may ask for, in seconds.
	// Common practice, no source.
	HoldMin = 5

	// BeforeShift is how long before a shift starts a check for it may begin.
	// Common practice: machines are looked at while the plant operators come in.
	BeforeShift = time.Hour
	// NextShiftWithin is how far ahead a verdict looks for the shift that it
	// speaks of, when it is asked between shifts. Common practice.
	NextShiftWithin = 12 * time.Hour
	// WeeklyEvery is how many days of the site's calendar a weekly check holds.
	WeeklyEvery = 7
	// DefaultSilentAfter is how old the records of a site may be before its
	// machines read as UNKNOWN, where neither the site nor the caller says.
	// Common practice: a day.
	DefaultSilentAfter = 24 * time.Hour
)
