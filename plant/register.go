package plant

import (
	"fmt"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// ValidSite says what is wrong with a site's entry in the register.
func ValidSite(s *bothyv1.Site) Violations {
	var v Violations
	v.id("site.id", s.GetId())
	v.needText("site.title", s.GetTitle(), TitleMax, "name the site")
	if _, err := loadZone(s.GetZone()); err != nil {
		v.add("site.zone", "%v", err)
	}
	if p := s.GetPosition(); p != nil && !(within(p.GetLatitudeDeg(), -90, 90) && within(p.GetLongitudeDeg(), -180, 180) && within(p.GetAltitudeM(), -500, 9000)) {
		v.add("site.position", "is out of range; allowed are -90 to 90 degrees of latitude, -180 to 180 of longitude, -500 to 9000 m of altitude")
	}
	if len(s.GetShifts()) > ListMax {
		v.add("site.shifts", "has %d entries; at most %d are allowed", len(s.GetShifts()), ListMax)
	}
	for i, shift := range s.GetShifts() {
		v.shift(fmt.Sprintf("site.shifts[%d]", i), shift)
	}
	if h := s.GetSilentAfterHours(); h < 0 {
		v.add("site.silent_after_hours", "is %d; allowed are 0 for the hub's own setting, or more", h)
	}
	return v
}

func (v *Violations) shift(field string, s *bothyv1.Shift) {
	v.needText(field+".title", s.GetTitle(), TitleMax, `name the shift, for example "day"`)
	if m := s.GetStartMinute(); m < 0 || m >= minutesPerDay {
		v.add(field+".start_minute", "is %d; allowed are 0 to %d minutes after midnight", m, minutesPerDay-1)
	}
	if m := s.GetLengthMinutes(); m < 1 || m > minutesPerDay {
		v.add(field+".length_minutes", "is %d; allowed are 1 to %d", m, minutesPerDay)
	}
	seen := map[int32]bool{}
	for i, d := range s.GetWeekdays() {
		if d < 1 || d > 7 || seen[d] {
			v.add(fmt.Sprintf("%s.weekdays[%d]", field, i), "is %d; allowed are 1 for Monday to 7 for Sunday, each once", d)
		}
		seen[d] = true
	}
}

// ValidMachine says what is wrong with a machine's entry in the register. The
// sheet is the edition in force for its type; nil if the type has none. The id
// must be the one that [MachineID] makes of the fleet number.
func ValidMachine(m *bothyv1.Machine, sheet *bothyv1.Sheet) Violations {
	var v Violations
	id, err := MachineID(m.GetFleetNumber())
	switch {
	case err != nil:
		v.add("machine.fleet_number", "%v", err)
	case m.GetId() != id:
		v.add("machine.id", "is %q; the fleet number %q makes it %q", m.GetId(), m.GetFleetNumber(), id)
	}
	v.text("machine.fleet_number", m.GetFleetNumber(), TitleMax)
	v.text("machine.serial_number", m.GetSerialNumber(), TitleMax)
	v.id("machine.site", m.GetSite())
	if sheet == nil || sheet.GetMachineType() != m.GetMachineType() {
		v.add("machine.machine_type", "%q has no sheet; a machine needs a type that can be checked", m.GetMachineType())
	} else {
		v = append(v, ValidOptions(sheet, m.GetOptions())...)
	}
	if !within(m.GetMeterHours(), 0, MeterMax) {
		v.add("machine.meter_hours", "is %v; allowed are 0 to %d", m.GetMeterHours(), MeterMax)
	}
	seen := map[int32]bool{}
	for i, t := range m.GetTyrePressures() {
		if t.GetAxle() < 1 || seen[t.GetAxle()] || !within(t.GetColdKpa(), 1, 2000) {
			v.add(fmt.Sprintf("machine.tyre_pressures[%d]", i), "is axle %d with %v kPa; allowed are axles from 1, each once, with 1 to 2000 kPa", t.GetAxle(), t.GetColdKpa())
		}
		seen[t.GetAxle()] = true
	}
	return v
}

// ValidPerson says what is wrong with a person's entry in the register.
func ValidPerson(p *bothyv1.Person) Violations {
	var v Violations
	v.id("person.id", p.GetId())
	v.needText("person.title", p.GetTitle(), TitleMax, "give the person's name")
	if r := p.GetRole(); r < bothyv1.Role_OPERATOR || r > bothyv1.Role_OFFICE {
		v.add("person.role", "is missing or not known; allowed are OPERATOR, SUPERVISOR, FITTER and OFFICE")
	}
	for i, t := range p.GetTickets() {
		field := fmt.Sprintf("person.tickets[%d]", i)
		v.id(field+".machine_type", t.GetMachineType())
		v.time(field+".expires_at", t.GetExpiresAt())
	}
	return v
}
