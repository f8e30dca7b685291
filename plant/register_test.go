package plant_test

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

func TestValidSite(t *testing.T) {
	if v := plant.ValidSite(quarry()); len(v) > 0 {
		t.Error(v)
	}
	for _, c := range []struct {
		spoil func(*bothyv1.Site)
		field string
		words string
	}{
		{func(s *bothyv1.Site) { s.Id = "Ravens" }, "site.id", "lower-case"},
		{func(s *bothyv1.Site) { s.Title = "" }, "site.title", "is missing"},
		{func(s *bothyv1.Site) { s.Zone = "" }, "site.zone", "Europe/London"},
		{func(s *bothyv1.Site) { s.Zone = "Mars/Base" }, "site.zone", "Mars/Base"},
		{func(s *bothyv1.Site) { s.Position = &bothyv1.Position{LatitudeDeg: 91} }, "site.position", "latitude"},
		{func(s *bothyv1.Site) { s.Position = &bothyv1.Position{LongitudeDeg: math.NaN()} }, "site.position", "longitude"},
		{func(s *bothyv1.Site) { s.Position = &bothyv1.Position{AltitudeM: math.Inf(1)} }, "site.position", "altitude"},
		{func(s *bothyv1.Site) { s.Shifts = make([]*bothyv1.Shift, 501) }, "site.shifts", "at most 500"},
		{func(s *bothyv1.Site) { s.Shifts[0].Title = "" }, "site.shifts[0].title", "is missing"},
		{func(s *bothyv1.Site) { s.Shifts[1].StartMinute = 1440 }, "site.shifts[1].startMinute", "0 to 1439"},
		{func(s *bothyv1.Site) { s.Shifts[1].LengthMinutes = 0 }, "site.shifts[1].lengthMinutes", "1 to 1440"},
		{func(s *bothyv1.Site) { s.Shifts[1].Weekdays = []int32{1, 8} }, "site.shifts[1].weekdays[1]", "1 for Monday"},
		{func(s *bothyv1.Site) { s.Shifts[1].Weekdays = []int32{1, 1} }, "site.shifts[1].weekdays[1]", "each once"},
		{func(s *bothyv1.Site) { s.SilentAfterHours = -1 }, "site.silentAfterHours", "0 for the hub's own"},
	} {
		s := quarry()
		c.spoil(s)
		wantViolation(t, plant.ValidSite(s), c.field, c.words)
	}
	s := quarry()
	s.Position = &bothyv1.Position{LatitudeDeg: -90, LongitudeDeg: 180, AltitudeM: 12}
	if v := plant.ValidSite(s); len(v) > 0 {
		t.Error(v)
	}
	plant.ValidSite(nil)
}

func TestValidMachine(t *testing.T) {
	sheet := preUse(t)
	ok := dumper()
	ok.TyrePressures = []*bothyv1.AxlePressure{{Axle: 1, ColdKpa: 350}, {Axle: 2, ColdKpa: 350}}
	if v := plant.ValidMachine(ok, sheet); len(v) > 0 {
		t.Error(v)
	}
	for _, c := range []struct {
		spoil func(*bothyv1.Machine)
		field string
		words string
	}{
		{func(m *bothyv1.Machine) { m.FleetNumber = "" }, "machine.fleetNumber", "is missing"},
		{func(m *bothyv1.Machine) { m.FleetNumber = "D 15" }, "machine.id", `"d-15"`},
		{func(m *bothyv1.Machine) { m.SerialNumber = strings.Repeat("s", 201) }, "machine.serialNumber", "at most 200"},
		{func(m *bothyv1.Machine) { m.Site = "" }, "machine.site", "is missing"},
		{func(m *bothyv1.Machine) { m.MachineType = "balloon" }, "machine.machineType", "no sheet"},
		{func(m *bothyv1.Machine) { m.Options = nil }, "machine.options", "exactly one"},
		{func(m *bothyv1.Machine) { m.MeterHours = math.NaN() }, "machine.meterHours", "0 to 999999"},
		{func(m *bothyv1.Machine) { m.TyrePressures = []*bothyv1.AxlePressure{{Axle: 0, ColdKpa: 350}} }, "machine.tyrePressures[0]", "axle 0"},
		{func(m *bothyv1.Machine) { m.TyrePressures = []*bothyv1.AxlePressure{{Axle: 1, ColdKpa: 0.5}} }, "machine.tyrePressures[0]", "1 to 2000"},
		{func(m *bothyv1.Machine) {
			m.TyrePressures = []*bothyv1.AxlePressure{{Axle: 1, ColdKpa: 350}, {Axle: 1, ColdKpa: 350}}
		}, "machine.tyrePressures[1]", "each once"},
	} {
		m := dumper()
		c.spoil(m)
		wantViolation(t, plant.ValidMachine(m, sheet), c.field, c.words)
	}
	wantViolation(t, plant.ValidMachine(dumper(), nil), "machine.machineType", "no sheet")
	plant.ValidMachine(nil, nil)
}

func TestValidPerson(t *testing.T) {
	if v := plant.ValidPerson(operator); len(v) > 0 {
		t.Error(v)
	}
	for _, c := range []struct {
		person *bothyv1.Person
		field  string
		words  string
	}{
		{&bothyv1.Person{}, "person.id", "is missing"},
		{&bothyv1.Person{}, "person.title", "is missing"},
		{&bothyv1.Person{}, "person.role", "OPERATOR, SUPERVISOR, FITTER and OFFICE"},
		{&bothyv1.Person{Role: 5}, "person.role", "OPERATOR, SUPERVISOR, FITTER and OFFICE"},
		{&bothyv1.Person{Tickets: []*bothyv1.Ticket{{ExpiresAt: stamp(monday)}}}, "person.tickets[0].machineType", "is missing"},
		{&bothyv1.Person{Tickets: []*bothyv1.Ticket{{ExpiresAt: &timestamppb.Timestamp{}}}}, "person.tickets[0].expiresAt", "was not set"},
		{&bothyv1.Person{Tickets: []*bothyv1.Ticket{nil}}, "person.tickets[0].expiresAt", "is missing"},
	} {
		wantViolation(t, plant.ValidPerson(c.person), c.field, c.words)
	}
}
