package book

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// siteColumns are the columns of sites.csv.
func siteColumns() []column[*bothyv1.Site] {
	return []column[*bothyv1.Site]{
		{"id", "id", true, func(s *bothyv1.Site, c string) error { s.Id = c; return nil }},
		{"title", "title", true, func(s *bothyv1.Site, c string) error { s.Title = c; return nil }},
		{"zone", "zone", true, func(s *bothyv1.Site, c string) error { s.Zone = c; return nil }},
		{"latitude_deg", "position", false, func(s *bothyv1.Site, c string) error {
			return figure(c, func(x float64) { place(s).LatitudeDeg = x })
		}},
		{"longitude_deg", "position", false, func(s *bothyv1.Site, c string) error {
			return figure(c, func(x float64) { place(s).LongitudeDeg = x })
		}},
		{"altitude_m", "position", false, func(s *bothyv1.Site, c string) error {
			return figure(c, func(x float64) { place(s).AltitudeM = x })
		}},
		{"shifts", "shifts", false, func(s *bothyv1.Site, c string) (err error) { s.Shifts, err = parseShifts(c); return err }},
		{"silent_after_hours", "silent_after_hours", false, func(s *bothyv1.Site, c string) (err error) {
			s.SilentAfterHours, err = wholeNumber(c)
			return err
		}},
	}
}

// place is the site's position. One that is new has no latitude and no longitude
// yet, so that a row which gives only one of them is noticed.
func place(s *bothyv1.Site) *bothyv1.Position {
	if s.Position == nil {
		s.Position = &bothyv1.Position{LatitudeDeg: math.NaN(), LongitudeDeg: math.NaN()}
	}
	return s.Position
}

// judgeSite is what is wrong with a row of sites.csv.
func judgeSite(s *bothyv1.Site) (plant.Violations, error) {
	if p := s.GetPosition(); math.IsNaN(p.GetLatitudeDeg()) || math.IsNaN(p.GetLongitudeDeg()) {
		return plant.Violations{{Field: "site.position", Problem: "needs both latitude_deg and longitude_deg, or neither"}}, nil
	}
	return plant.ValidSite(s), nil
}

// personColumns are the columns of people.csv.
func personColumns() []column[*bothyv1.Person] {
	return []column[*bothyv1.Person]{
		{"id", "id", true, func(p *bothyv1.Person, c string) error { p.Id = c; return nil }},
		{"title", "title", true, func(p *bothyv1.Person, c string) error { p.Title = c; return nil }},
		{"role", "role", true, func(p *bothyv1.Person, c string) error {
			p.Role = bothyv1.Role(bothyv1.Role_value[strings.ToUpper(c)])
			return nil
		}},
		{"tickets", "tickets", false, func(p *bothyv1.Person, c string) (err error) { p.Tickets, err = parseTickets(c); return err }},
	}
}

// machineColumns are the columns of machines.csv.
func machineColumns() []column[*bothyv1.Machine] {
	return []column[*bothyv1.Machine]{
		{"fleet_number", "fleet_number", true, func(m *bothyv1.Machine, c string) (err error) {
			m.FleetNumber = c
			m.Id, err = plant.MachineID(c)
			return err
		}},
		{"machine_type", "machine_type", true, func(m *bothyv1.Machine, c string) error { m.MachineType = c; return nil }},
		{"site", "site", true, func(m *bothyv1.Machine, c string) error { m.Site = c; return nil }},
		{"options", "options", false, func(m *bothyv1.Machine, c string) error { m.Options = parts(c); return nil }},
		{"serial_number", "serial_number", false, func(m *bothyv1.Machine, c string) error { m.SerialNumber = c; return nil }},
		{"meter_hours", "meter_hours", false, func(m *bothyv1.Machine, c string) error {
			return figure(c, func(x float64) { m.MeterHours = x })
		}},
		{"tyre_pressures", "tyre_pressures", false, func(m *bothyv1.Machine, c string) (err error) {
			m.TyrePressures, err = parsePressures(c)
			return err
		}},
	}
}

// parts is what stands between the semicolons of a cell; none of an empty one.
func parts(cell string) []string {
	var out []string
	for part := range strings.SplitSeq(cell, ";") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// figure reads a cell with a figure into a place; an empty one is left alone.
func figure(cell string, set func(float64)) error {
	if cell == "" {
		return nil
	}
	x, err := strconv.ParseFloat(cell, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Errorf("%q is not a figure; write it like 51.5, with a point", cell)
	}
	set(x)
	return nil
}

func wholeNumber(cell string) (int32, error) {
	if cell == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(cell, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("%q is not a whole number", cell)
	}
	return int32(n), nil
}

func parseTickets(cell string) ([]*bothyv1.Ticket, error) {
	var tickets []*bothyv1.Ticket
	for _, part := range parts(cell) {
		machineType, date, _ := strings.Cut(part, ":")
		day, err := time.Parse(time.DateOnly, strings.TrimSpace(date))
		if err != nil {
			return nil, fmt.Errorf("%q is not a ticket; write machine type and last day like wheeled-site-dumper:2027-03-31, with semicolons between", part)
		}
		tickets = append(tickets, &bothyv1.Ticket{
			MachineType: strings.TrimSpace(machineType),
			ExpiresAt:   timestamppb.New(day.Add(24*time.Hour - time.Second)),
		})
	}
	return tickets, nil
}

func parsePressures(cell string) ([]*bothyv1.AxlePressure, error) {
	var pressures []*bothyv1.AxlePressure
	for _, part := range parts(cell) {
		axle, kPa, _ := strings.Cut(part, ":")
		n, err := strconv.ParseInt(strings.TrimSpace(axle), 10, 32)
		p, err2 := strconv.ParseFloat(strings.TrimSpace(kPa), 64)
		if err != nil || err2 != nil {
			return nil, fmt.Errorf("%q is not a tyre pressure; write axle and kPa like 1:350, with semicolons between", part)
		}
		pressures = append(pressures, &bothyv1.AxlePressure{Axle: int32(n), ColdKpa: p})
	}
	return pressures, nil
}

// weekdays as they stand in a cell, Monday first (ISO 8601).
func weekdays() []string { return []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"} }

// parseShifts reads "day 07:00-17:30 mon-fri; night 19:00-05:00": title, start
// and end on the site's clock, and the days on which the shift starts. A range
// of days may run over the end of the week, days may be joined by commas, and
// none mean every day. A shift that ends at the time at which it starts is 24 h
// long.
func parseShifts(cell string) ([]*bothyv1.Shift, error) {
	var shifts []*bothyv1.Shift
	for _, part := range parts(cell) {
		s, err := parseShift(part)
		if err != nil {
			return nil, err
		}
		shifts = append(shifts, s)
	}
	return shifts, nil
}

func parseShift(part string) (*bothyv1.Shift, error) {
	words := strings.Fields(part)
	at := slices.IndexFunc(words, func(w string) bool { return strings.Contains(w, ":") })
	if at < 1 || len(words) > at+2 {
		return nil, fmt.Errorf("%q is not a shift; write title, times and days like day 07:00-17:30 mon-fri, with semicolons between", part)
	}
	from, to, _ := strings.Cut(words[at], "-")
	start, err := minuteOf(from)
	if err != nil {
		return nil, err
	}
	end, err := minuteOf(to)
	if err != nil {
		return nil, err
	}
	s := &bothyv1.Shift{Title: strings.Join(words[:at], " "), StartMinute: start, LengthMinutes: end - start}
	if s.LengthMinutes <= 0 {
		s.LengthMinutes += 24 * 60
	}
	if len(words) > at+1 {
		s.Weekdays, err = parseDays(words[at+1])
	}
	return s, err
}

// minuteOf is the minute of the day of a time like 07:30.
func minuteOf(clock string) (int32, error) {
	t, err := time.Parse("15:04", clock)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time; write hours and minutes from 00:00 to 23:59", clock)
	}
	return int32(t.Hour()*60 + t.Minute()), nil
}

// parseDays reads "mon-fri" or "sat,sun"; the days come in order. All seven are
// the same as none.
func parseDays(word string) ([]int32, error) {
	var on [7]bool
	for span := range strings.SplitSeq(strings.ToLower(word), ",") {
		first, last, isRange := strings.Cut(span, "-")
		if !isRange {
			last = first
		}
		from, to := slices.Index(weekdays(), first), slices.Index(weekdays(), last)
		if from < 0 || to < 0 {
			return nil, fmt.Errorf("%q are not days; allowed are %s, as in mon-fri or sat,sun", word, strings.Join(weekdays(), ", "))
		}
		for day := from; ; day = (day + 1) % 7 {
			on[day] = true
			if day == to {
				break
			}
		}
	}
	var days []int32
	for i, starts := range on {
		if starts {
			days = append(days, int32(i+1))
		}
	}
	if len(days) == 7 {
		days = nil
	}
	return days, nil
}
