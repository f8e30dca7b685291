package plant_test

import (
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// testdata/shift_changes.csv, after the rules of the IANA time zone database.
func TestShiftsAcrossChangesOfTheClocks(t *testing.T) {
	for _, row := range table(t, "shift_changes.csv") {
		t.Run(row["zone"]+" "+row["case"], func(t *testing.T) {
			local, err := time.Parse("2006-01-02T15:04", row["start_local"])
			if err != nil {
				t.Fatal(err)
			}
			length, err := strconv.Atoi(row["length_minutes"])
			if err != nil {
				t.Fatal(err)
			}
			iso := (int32(local.Weekday())+6)%7 + 1
			site := &bothyv1.Site{Id: "x", Zone: row["zone"], Shifts: []*bothyv1.Shift{{
				Title: "one", StartMinute: int32(local.Hour()*60 + local.Minute()), LengthMinutes: int32(length), Weekdays: []int32{iso},
			}}}
			start, end := utc(t, row["start_utc"]), utc(t, row["end_utc"])
			for _, at := range []time.Time{start, start.Add(end.Sub(start) / 2), end.Add(-time.Second)} {
				got, ok := plant.ShiftAt(site, at)
				if !ok || !got.GetStartAt().AsTime().Equal(start) || !got.GetEndAt().AsTime().Equal(end) || got.GetZone() != row["zone"] {
					t.Errorf("at %s: %v, want %s to %s", at, got, start, end)
				}
			}
			for _, at := range []time.Time{start.Add(-time.Second), end, end.Add(time.Second)} {
				if got, ok := plant.ShiftAt(site, at); ok {
					t.Errorf("at %s: %v", at, got)
				}
			}
			next, ok := plant.NextShift(site, start.Add(-time.Second))
			if !ok || !next.GetStartAt().AsTime().Equal(start) {
				t.Errorf("next shift %v, want %s", next, start)
			}
		})
	}
}

func utc(t *testing.T, text string) time.Time {
	at, err := time.Parse("2006-01-02T15:04Z", text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func TestAShiftThatTheClocksSkipDoesNotTakePlace(t *testing.T) {
	site := &bothyv1.Site{Id: "x", Zone: "Europe/London", Shifts: []*bothyv1.Shift{{Title: "short", StartMinute: 75, LengthMinutes: 30}}}
	change := time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC)
	for at := change.Add(-time.Hour); at.Before(change.Add(2 * time.Hour)); at = at.Add(time.Minute) {
		if got, ok := plant.ShiftAt(site, at); ok {
			t.Fatalf("at %s: %v", at, got)
		}
	}
	next, ok := plant.NextShift(site, change.Add(-time.Hour))
	if want := time.Date(2026, 3, 30, 0, 15, 0, 0, time.UTC); !ok || !next.GetStartAt().AsTime().Equal(want) {
		t.Errorf("next shift %v, want %s", next, want)
	}
}

func TestShiftDays(t *testing.T) {
	site := quarry()
	site.Shifts = []*bothyv1.Shift{{Title: "night", StartMinute: 19 * 60, LengthMinutes: 12 * 60, Weekdays: []int32{5}}}
	saturday := time.Date(2026, 3, 7, 2, 0, 0, 0, time.UTC)
	if got, ok := plant.ShiftAt(site, saturday); !ok || got.GetStartAt().AsTime().Weekday() != time.Friday {
		t.Errorf("Saturday at two belongs to Friday's night shift; got %v", got)
	}
	if got, ok := plant.ShiftAt(site, saturday.AddDate(0, 0, 1)); ok {
		t.Errorf("Sunday at two: %v", got)
	}
	if got, ok := plant.NextShift(site, saturday); !ok || !got.GetStartAt().AsTime().Equal(time.Date(2026, 3, 13, 19, 0, 0, 0, time.UTC)) {
		t.Errorf("next: %v", got)
	}
	site.Shifts[0].Weekdays = []int32{7}
	if got, ok := plant.ShiftAt(site, time.Date(2026, 3, 8, 20, 0, 0, 0, time.UTC)); !ok {
		t.Errorf("Sunday is 7: %v", got)
	}
}

func TestOverlappingShiftsMeanTheLaterOne(t *testing.T) {
	site := quarry()
	site.Shifts = []*bothyv1.Shift{{Title: "early", StartMinute: 360, LengthMinutes: 600}, {Title: "late", StartMinute: 840, LengthMinutes: 480}}
	if got, _ := plant.ShiftAt(site, clock(15, 0)); got.GetTitle() != "late" {
		t.Errorf("got %v", got)
	}
}

// Without shifts a calendar day is one: 29 CFR 1910.178(q)(7), at least daily.
func TestASiteWithoutShiftsHasCalendarDays(t *testing.T) {
	site := &bothyv1.Site{Id: "x", Zone: "Europe/London"}
	got, ok := plant.ShiftAt(site, time.Date(2026, 10, 25, 12, 0, 0, 0, time.UTC))
	if !ok || got.GetEndAt().AsTime().Sub(got.GetStartAt().AsTime()) != 25*time.Hour {
		t.Errorf("got %v", got)
	}
	f := current(t)
	f.Site.Shifts = nil
	f.AsOf = clock(23, 59)
	wantStanding(t, plant.Verdict(f, clock(23, 59)), bothyv1.Standing_FIT)
	wantStanding(t, plant.Verdict(f, clock(24, 0)), bothyv1.Standing_CHECK_DUE) // 17 h after the check, not 24
}

func TestShiftsThatCannotBeAreLeftOut(t *testing.T) {
	site := quarry()
	site.Shifts = []*bothyv1.Shift{{StartMinute: -1, LengthMinutes: 5}, {StartMinute: 1440, LengthMinutes: 5}, {LengthMinutes: 0}, {LengthMinutes: 1441}, nil}
	if got, ok := plant.ShiftAt(site, monday); ok {
		t.Errorf("got %v", got)
	}
	if got, ok := plant.NextShift(site, monday); ok {
		t.Errorf("got %v", got)
	}
	for _, zone := range []string{"", "Local", "Europe/Nowhere", "../etc"} {
		site := &bothyv1.Site{Id: "x", Zone: zone}
		if got, ok := plant.ShiftAt(site, monday); ok {
			t.Errorf("zone %q: %v", zone, got)
		}
		if got, ok := plant.NextShift(site, monday); ok {
			t.Errorf("zone %q: %v", zone, got)
		}
	}
}

// A dumb second reading: walk minute by minute and look at the clock.
func TestShiftsAgreeWithAWalkThroughTheMinutes(t *testing.T) {
	zones := []string{"Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "America/St_Johns", "UTC"}
	changes := []time.Time{
		time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC),
		time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC), time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC),
		time.Date(2026, 4, 4, 15, 0, 0, 0, time.UTC), time.Date(2026, 10, 3, 15, 30, 0, 0, time.UTC),
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(zones).Draw(t, "zone")
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		shift := &bothyv1.Shift{
			Title:         "s",
			StartMinute:   int32(rapid.IntRange(0, 1439).Draw(t, "start")),
			LengthMinutes: int32(rapid.IntRange(1, 1440).Draw(t, "length")),
		}
		at := rapid.SampledFrom(changes).Draw(t, "change").Add(time.Duration(rapid.IntRange(-30*60, 30*60).Draw(t, "minutes")) * time.Minute)
		want := ""
		for back := 0; back <= 2; back++ {
			day := at.In(zone).AddDate(0, 0, -back)
			start := time.Date(day.Year(), day.Month(), day.Day(), 0, int(shift.GetStartMinute()), 0, 0, time.UTC)
			first, last := walk(start, zone), walk(start.Add(time.Duration(shift.GetLengthMinutes())*time.Minute), zone)
			if !at.Before(first) && at.Before(last) {
				want = first.Format(time.RFC3339) + " " + last.Format(time.RFC3339)
				break
			}
		}
		got := ""
		if s, ok := plant.ShiftAt(&bothyv1.Site{Zone: name, Shifts: []*bothyv1.Shift{shift}}, at); ok {
			got = s.GetStartAt().AsTime().Format(time.RFC3339) + " " + s.GetEndAt().AsTime().Format(time.RFC3339)
		}
		if got != want {
			t.Fatalf("at %s got %q, want %q", at, got, want)
		}
	})
}

// walk is the first instant at which the clock shows the wall time or later.
func walk(wall time.Time, zone *time.Location) time.Time {
	at := wall.Add(-15 * time.Hour)
	for {
		local := at.In(zone)
		shown := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), local.Minute(), 0, 0, time.UTC)
		if !shown.Before(wall) {
			return at
		}
		at = at.Add(time.Minute)
	}
}
