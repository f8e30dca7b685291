package book_test

import (
	"context"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant/book"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

func newDumper() *bothyv1.Machine {
	return &bothyv1.Machine{FleetNumber: "D/99", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"}}
}

func (w *world) machine(id string) *bothyv1.Machine {
	w.t.Helper()
	m, err := w.GetMachine(context.Background(), &bothyv1.GetMachineRequest{Machine: id})
	if err != nil {
		w.t.Fatal(err)
	}
	return m
}

func TestAMachineIsUnlistedUntilTheOfficeSaysSo(t *testing.T) {
	for person, unlisted := range map[string]bool{operator: true, stranger: true, supervisor: true, office: false} {
		t.Run(person, func(t *testing.T) {
			w := cabin(t)
			got, err := w.CreateMachine(as(person), &bothyv1.CreateMachineRequest{Machine: newDumper()})
			if err != nil {
				t.Fatal(err)
			}
			if got.GetId() != "d-99" || got.GetSite() != "ravens-quarry" || got.GetUnlisted() != unlisted {
				t.Errorf("got %v", got)
			}
			diff(t, w.machine(" D 99 "), got)
		})
	}
}

func TestTheOfficeConfirmsAMachine(t *testing.T) {
	w := cabin(t)
	m, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()})
	if err != nil {
		t.Fatal(err)
	}
	got, err := w.UpdateMachine(as(office), &bothyv1.UpdateMachineRequest{Machine: &bothyv1.Machine{Id: m.GetId(), Etag: m.GetEtag()}, UpdateMask: mask("unlisted")})
	if err != nil {
		t.Fatal(err)
	}
	if got.GetUnlisted() {
		t.Error("still unlisted")
	}
}

func TestRefusedMachines(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(m *bothyv1.Machine)
		kind   fault.Kind
		fields []string
	}{
		{"known in another spelling", func(m *bothyv1.Machine) { m.FleetNumber = "d_14" }, fault.KindExists, nil},
		{"no fleet number", func(m *bothyv1.Machine) { m.FleetNumber = "" }, fault.KindInvalid, []string{"machine.fleetNumber"}},
		{"an id, an etag", func(m *bothyv1.Machine) { m.Id, m.Etag = "d-99", "e" }, fault.KindInvalid, []string{"machine.id", "machine.etag"}},
		{"a type without a sheet", func(m *bothyv1.Machine) { m.MachineType = "steam-shovel" }, fault.KindInvalid, []string{"machine.machineType"}},
		{"an option too few, and one unknown", func(m *bothyv1.Machine) { m.Options = []string{"frame", "wings"} }, fault.KindInvalid, []string{"machine.options[1]", "machine.options"}},
		{"site of another node", func(m *bothyv1.Machine) { m.Site = "heron-pit" }, fault.KindInvalid, []string{"machine.site"}},
		{"a meter that runs backwards", func(m *bothyv1.Machine) { m.MeterHours = -1 }, fault.KindInvalid, []string{"machine.meterHours"}},
		{"an axle twice", func(m *bothyv1.Machine) {
			m.TyrePressures = []*bothyv1.AxlePressure{{Axle: 1, ColdKpa: 350}, {Axle: 1, ColdKpa: 300}}
		}, fault.KindInvalid, []string{"machine.tyrePressures[1]"}},
		{"options without end", func(m *bothyv1.Machine) { m.Options = slices.Repeat([]string{"frame"}, 501) }, fault.KindInvalid, []string{"machine.options"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			before := w.store.Changes()
			m := newDumper()
			tt.change(m)
			_, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: m})
			wantFault(t, err, tt.kind, tt.fields...)
			if got := w.store.Changes(); got != before {
				t.Errorf("%d changes were made", got-before)
			}
		})
	}
	t.Run("nothing", func(t *testing.T) {
		_, err := cabin(t).CreateMachine(as(operator), &bothyv1.CreateMachineRequest{})
		wantFault(t, err, fault.KindInvalid, "machine")
	})
}

// Two cabins that have not heard of a machine register it: one record.
func TestTwoCabinsRegisterOneMachine(t *testing.T) {
	a, b := cabin(t), newWorld(t, "b", []string{"heron-pit"})
	for _, w := range []*world{a, b} {
		if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()}); err != nil {
			t.Fatal(err)
		}
	}
	a.store.Merge(b.store)
	b.store.Merge(a.store)
	here, there := a.machine("d-99"), b.machine("d-99")
	here.Etag, there.Etag = "", ""
	diff(t, here, there)
	resp, err := a.ListConflicts(context.Background(), &bothyv1.ListConflictsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range resp.GetConflicts() {
		if c.GetId() == "d-99" && c.GetField() == "site" && len(c.GetVersions()) == 2 {
			return
		}
	}
	t.Errorf("that it stands at two sites is not shown: %v", resp.GetConflicts())
}

func TestAtANodeWithSeveralSitesTheSiteIsNamed(t *testing.T) {
	van := newWorld(t, "v", []string{"ravens-quarry", "heron-pit"})
	_, err := van.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()})
	wantFault(t, err, fault.KindInvalid, "machine.site")
	wantText(t, err, "ravens-quarry, heron-pit")
	if got := van.send(operator, van.clean("d-30", bothyv1.Purpose_PRE_USE)); got.GetSite() != "heron-pit" {
		t.Errorf("a check of a machine at one of them was made at %q", got.GetSite())
	}
}

// A cabin is set up before the register has reached it.
func TestANodeWorksBeforeItsSiteIsOnTheRegister(t *testing.T) {
	w := bare(t, "n", book.Options{Sites: []string{"new-site"}})
	if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()}); err != nil {
		t.Fatal(err)
	}
	if got := w.send(operator, w.clean("d-99", bothyv1.Purpose_PRE_USE)); got.GetSite() != "new-site" {
		t.Errorf("made at %q", got.GetSite())
	}
	if got := w.standing("d-99"); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("without a zone no shift is known, yet the machine reads %s", got)
	}
}

func TestUpdateMachine(t *testing.T) {
	w := cabin(t)
	m := w.machine("d-14")
	got, err := w.UpdateMachine(as(office), &bothyv1.UpdateMachineRequest{
		Machine:    &bothyv1.Machine{Id: "D 14", Etag: m.GetEtag(), Site: "heron-pit", SerialNumber: "ignored"},
		UpdateMask: mask("site", "etag"),
	})
	if err != nil {
		t.Fatal(err)
	}
	want := proto.CloneOf(m)
	want.Site, want.Etag = "heron-pit", got.GetEtag()
	diff(t, got, want)
	if got.GetEtag() == m.GetEtag() {
		t.Error("the etag did not change")
	}
}

func TestAStaleMachineEditIsShownAsAConflict(t *testing.T) {
	w := cabin(t)
	read := w.machine("d-14")
	for _, serial := range []string{"SN-1", "SN-2"} {
		if _, err := w.UpdateMachine(as(office), &bothyv1.UpdateMachineRequest{
			Machine: &bothyv1.Machine{Id: "d-14", Etag: read.GetEtag(), SerialNumber: serial}, UpdateMask: mask("serial_number"),
		}); err != nil {
			t.Fatal(err)
		}
	}
	resp, err := w.ListConflicts(context.Background(), &bothyv1.ListConflictsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if c := resp.GetConflicts(); len(c) != 1 || c[0].GetField() != "serialNumber" || len(c[0].GetVersions()) != 2 {
		t.Errorf("conflicts %v", c)
	}
}

func TestRefusedMachineEdits(t *testing.T) {
	for _, tt := range []struct {
		name, person string
		change       *bothyv1.Machine
		mask         []string
		kind         fault.Kind
		fields       []string
	}{
		{"by an operator", operator, &bothyv1.Machine{Site: "heron-pit"}, []string{"site"}, fault.KindForbidden, nil},
		{"by a supervisor", supervisor, &bothyv1.Machine{Site: "heron-pit"}, []string{"site"}, fault.KindForbidden, nil},
		{"by a stranger", stranger, &bothyv1.Machine{Site: "heron-pit"}, []string{"site"}, fault.KindForbidden, nil},
		{"machine unknown", office, &bothyv1.Machine{Id: "d-99"}, []string{"site"}, fault.KindMissing, nil},
		{"site unknown", office, &bothyv1.Machine{Site: "nowhere"}, []string{"site"}, fault.KindInvalid, []string{"machine.site"}},
		{"a number of another machine", office, &bothyv1.Machine{FleetNumber: "D 15"}, []string{"fleet_number"}, fault.KindInvalid, []string{"machine.id"}},
		{"options that do not go together", office, &bothyv1.Machine{Options: []string{"cab", "frame"}}, []string{"options"}, fault.KindInvalid, []string{"machine.options", "machine.options"}},
		{"the key", office, &bothyv1.Machine{}, []string{"id"}, fault.KindInvalid, []string{"updateMask"}},
		{"an unknown field", office, &bothyv1.Machine{}, []string{"colour"}, fault.KindInvalid, []string{"updateMask"}},
		{"no etag", office, &bothyv1.Machine{Etag: "-", Site: "heron-pit"}, []string{"site"}, fault.KindInvalid, []string{"machine.etag"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			before := w.store.Changes()
			if tt.change.GetId() == "" {
				tt.change.Id = "d-14"
			}
			switch tt.change.GetEtag() {
			case "":
				tt.change.Etag = w.machine("d-14").GetEtag()
			case "-":
				tt.change.Etag = ""
			}
			_, err := w.UpdateMachine(as(tt.person), &bothyv1.UpdateMachineRequest{Machine: tt.change, UpdateMask: mask(tt.mask...)})
			wantFault(t, err, tt.kind, tt.fields...)
			if got := w.store.Changes(); got != before {
				t.Errorf("%d changes were made", got-before)
			}
		})
	}
}

// An entry that a new edition of the sheet does not suit any more can still be
// moved; its options are put right when somebody edits them.
func TestAnEditIsJudgedByWhatItTouches(t *testing.T) {
	w := cabin(t)
	w.put(&bothyv1.Machine{Id: "d-40", FleetNumber: "D 40", MachineType: "wheeled-site-dumper", Site: "ravens-quarry"})
	m := w.machine("d-40")
	got, err := w.UpdateMachine(as(office), &bothyv1.UpdateMachineRequest{Machine: &bothyv1.Machine{Id: "d-40", Etag: m.GetEtag(), Site: "heron-pit"}, UpdateMask: mask("site")})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.UpdateMachine(as(office), &bothyv1.UpdateMachineRequest{Machine: &bothyv1.Machine{Id: "d-40", Etag: got.GetEtag(), Options: []string{"cab"}}, UpdateMask: mask("options")})
	wantFault(t, err, fault.KindInvalid, "machine.options")
	_, err = w.ListMachineSheets(context.Background(), &bothyv1.ListMachineSheetsRequest{Machine: "d-40"})
	wantFault(t, err, fault.KindPrecondition)
}

func TestMachineSheetsHaveThePointsThatTheOptionsLeave(t *testing.T) {
	w := cabin(t)
	points := func(machine string) string {
		resp, err := w.ListMachineSheets(context.Background(), &bothyv1.ListMachineSheetsRequest{Machine: machine})
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, s := range resp.GetSheets() {
			for _, st := range s.GetStages() {
				for _, p := range st.GetPoints() {
					ids = append(ids, p.GetId())
				}
			}
		}
		return strings.Join(ids, " ")
	}
	if got := points("d-14"); strings.Contains(got, "swivel") || !strings.Contains(got, "grease-skip") || !strings.Contains(got, "horn") {
		t.Errorf("d-14: %s", got)
	}
	if got := points("d-15"); !strings.Contains(got, "swivel-lock") {
		t.Errorf("d-15: %s", got)
	}
}

func TestASheetIsShownWithTheOpenDefects(t *testing.T) {
	w := checked(t)
	mild := w.report(operator, &bothyv1.Defect{Machine: "d-14", Text: "paint", Class: bothyv1.Class_CONDITION})
	grave := w.report(operator, &bothyv1.Defect{Machine: "d-14", Text: "brakes", Class: bothyv1.Class_HAZARD, Marking: bothyv1.Marking_TAGGED})
	w.report(operator, &bothyv1.Defect{Machine: "d-15", Text: "paint", Class: bothyv1.Class_CONDITION})
	resp, err := w.ListMachineSheets(context.Background(), &bothyv1.ListMachineSheetsRequest{Machine: "d-14"})
	if err != nil {
		t.Fatal(err)
	}
	if got := resp.GetOpenDefects(); len(got) != 2 || got[0].GetId() != grave.GetId() || got[1].GetId() != mild.GetId() {
		t.Errorf("open defects %v", got)
	}
}
