package plant

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

const minutesPerDay = 24 * 60

// ShiftAt is the shift of a site that is under way at t, from its start up to,
// not including, its end. Of several the one that started last is meant, since
// it wants the fresher check. False if there is none, or if the site's zone is
// not known.
//
// A shift belongs to the day on which it starts, also when it crosses midnight.
// Its start and end are times on the wall clock of the site's zone: each is the
// first instant at which the clock shows that time or a later one. So a night
// shift from 19:00 to 07:00 lasts 11 h when the clocks go forward and 13 h when
// they go back; a time that the clocks skip is the instant of the change, and
// one that they show twice is the first of the two. A shift that the clocks skip
// whole does not take place.
//
// On a site without shifts each calendar day is one (29 CFR 1910.178(q)(7): at
// least daily). A check is never taken to be good for 24 hours from when it was
// made.
func ShiftAt(site *bothyv1.Site, t time.Time) (*bothyv1.ShiftTime, bool) {
	r, err := rosterOf(site)
	if err != nil {
		return nil, false
	}
	return r.at(t)
}

// NextShift is the first shift of a site that starts after t. False if there is
// none within eight days, or if the site's zone is not known.
func NextShift(site *bothyv1.Site, t time.Time) (*bothyv1.ShiftTime, bool) {
	r, err := rosterOf(site)
	if err != nil {
		return nil, false
	}
	return r.next(t)
}

// roster is the shifts of a site in its zone.
type roster struct {
	zone   *time.Location
	shifts []*bothyv1.Shift
}

// rosterOf leaves out shifts that cannot be: they make no check valid.
func rosterOf(site *bothyv1.Site) (roster, error) {
	zone, err := loadZone(site.GetZone())
	if err != nil {
		return roster{}, err
	}
	shifts := site.GetShifts()
	if len(shifts) == 0 {
		shifts = []*bothyv1.Shift{{Title: "calendar day", LengthMinutes: minutesPerDay}}
	}
	return roster{zone: zone, shifts: slices.DeleteFunc(slices.Clone(shifts), func(s *bothyv1.Shift) bool {
		return s.GetStartMinute() < 0 || s.GetStartMinute() >= minutesPerDay || s.GetLengthMinutes() < 1 || s.GetLengthMinutes() > minutesPerDay
	})}, nil
}

// loadZone is the IANA zone of a name. The host's own zone is none.
func loadZone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("time zone %q: name an IANA zone such as Europe/London", name)
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("time zone %q is not known; name an IANA zone such as Europe/London: %w", name, err)
	}
	return zone, nil
}

func (r roster) at(t time.Time) (*bothyv1.ShiftTime, bool) {
	var running []*bothyv1.ShiftTime
	for _, s := range r.around(t, -2, 1) {
		if !t.Before(s.GetStartAt().AsTime()) && t.Before(s.GetEndAt().AsTime()) {
			running = append(running, s)
		}
	}
	if len(running) == 0 {
		return nil, false
	}
	return slices.MaxFunc(running, compareStarts), true
}

func (r roster) next(t time.Time) (*bothyv1.ShiftTime, bool) {
	later := slices.DeleteFunc(r.around(t, -1, 8), func(s *bothyv1.ShiftTime) bool {
		return !s.GetStartAt().AsTime().After(t)
	})
	if len(later) == 0 {
		return nil, false
	}
	return slices.MinFunc(later, compareStarts), true
}

func compareStarts(a, b *bothyv1.ShiftTime) int {
	return cmp.Or(a.GetStartAt().AsTime().Compare(b.GetStartAt().AsTime()), cmp.Compare(a.GetTitle(), b.GetTitle()))
}

// around is every shift that starts on a local day between from and to days
// from that of t.
func (r roster) around(t time.Time, from, to int) []*bothyv1.ShiftTime {
	var found []*bothyv1.ShiftTime
	year, month, day := t.In(r.zone).Date()
	for offset := from; offset <= to; offset++ {
		midnight := time.Date(year, month, day+offset, 0, 0, 0, 0, time.UTC)
		for _, s := range r.shifts {
			if !onWeekday(s, midnight.Weekday()) {
				continue
			}
			start := midnight.Add(time.Duration(s.GetStartMinute()) * time.Minute)
			end := start.Add(time.Duration(s.GetLengthMinutes()) * time.Minute)
			first, last := firstInstant(start, r.zone), firstInstant(end, r.zone)
			if !first.Before(last) {
				continue // the clocks skip it
			}
			found = append(found, &bothyv1.ShiftTime{
				Title: s.GetTitle(), StartAt: timestamppb.New(first), EndAt: timestamppb.New(last), Zone: r.zone.String(),
			})
		}
	}
	return found
}

// onWeekday knows Sunday as 7 (ISO 8601).
func onWeekday(s *bothyv1.Shift, day time.Weekday) bool {
	iso := int32(day+6)%7 + 1
	return len(s.GetWeekdays()) == 0 || slices.Contains(s.GetWeekdays(), iso)
}

// firstInstant is the first instant at which the clock of a zone shows the
// wall time or a later one. The wall time is given as if it were UTC.
// [time.Date] alone does not say which side of a change it takes.
func firstInstant(wall time.Time, zone *time.Location) time.Time {
	t := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), 0, 0, zone)
	start, end := t.ZoneBounds()
	shown := wallOf(t)
	switch {
	case shown.After(wall): // skipped, and t lies behind the change
		return start.UTC()
	case shown.Before(wall): // skipped, and t lies before the change
		return end.UTC()
	case start.IsZero():
		return t.UTC()
	}
	_, offset := start.Add(-time.Nanosecond).Zone()
	if earlier := wall.Add(-time.Duration(offset) * time.Second); earlier.Before(start) {
		return earlier // shown twice, and t is the second
	}
	return t.UTC()
}

// wallOf is what the clock of t's zone shows, as if it were UTC.
func wallOf(t time.Time) time.Time {
	_, offset := t.Zone()
	return t.UTC().Add(time.Duration(offset) * time.Second)
}

// validFor says whether a check was made for a shift: begun during it or up to
// [BeforeShift] before it (common practice), and finished before its end.
func validFor(c *bothyv1.Check, s *bothyv1.ShiftTime) bool {
	began, ended := timeOf(c.GetStartedAt()), timeOf(c.GetFinishedAt())
	return !began.Before(s.GetStartAt().AsTime().Add(-BeforeShift)) && ended.Before(s.GetEndAt().AsTime())
}
