package book_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant/book"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

func file(name, content string) *bothyv1.RegisterFile {
	return &bothyv1.RegisterFile{Name: name, Content: []byte(content)}
}

func (w *world) load(files ...*bothyv1.RegisterFile) []*bothyv1.FileResult {
	w.t.Helper()
	resp, err := w.ImportRegister(as(office), &bothyv1.ImportRegisterRequest{Files: files})
	if err != nil {
		w.t.Fatal(err)
	}
	return resp.GetFiles()
}

// problems are "line column", in order.
func problems(f *bothyv1.FileResult) []string {
	var out []string
	for _, p := range f.GetProblems() {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%d %s", p.GetLine(), p.GetField())))
	}
	return out
}

func TestARegisterIsLoaded(t *testing.T) {
	w := cabin(t)
	sites, err := w.ListSites(context.Background(), &bothyv1.ListSitesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	heron, ravens := sites.GetSites()[0], sites.GetSites()[1]
	heron.Etag, ravens.Etag = "", ""
	diff(t, heron, &bothyv1.Site{Id: "heron-pit", Title: "Heron Pit", Zone: "Europe/London", SilentAfterHours: 48})
	diff(t, ravens, &bothyv1.Site{Id: "ravens-quarry", Title: "Ravens Quarry", Zone: "Europe/London", Shifts: []*bothyv1.Shift{
		{Title: "day", StartMinute: 7 * 60, LengthMinutes: 12 * 60}, {Title: "night", StartMinute: 19 * 60, LengthMinutes: 12 * 60},
	}})
	people, err := w.ListPeople(context.Background(), &bothyv1.ListPeopleRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	ada := people.GetPeople()[0]
	ada.Etag = ""
	diff(t, ada, &bothyv1.Person{Id: operator, Title: "Ada Flint", Role: bothyv1.Role_OPERATOR, Tickets: []*bothyv1.Ticket{
		{MachineType: "wheeled-site-dumper", ExpiresAt: timestamppb.New(time.Date(2027, 1, 1, 23, 59, 59, 0, time.UTC))},
	}})
	m := w.machine("d-14")
	m.Etag = ""
	diff(t, m, &bothyv1.Machine{
		Id: "d-14", FleetNumber: "D 14", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"}, SerialNumber: "SN-0014",
		Site: "ravens-quarry", MeterHours: 1200, TyrePressures: []*bothyv1.AxlePressure{{Axle: 1, ColdKpa: 350}, {Axle: 2, ColdKpa: 400}},
	})
}

func TestLoadingTwiceChangesNothing(t *testing.T) {
	w := cabin(t)
	before := w.store.Changes()
	for _, f := range w.load(file("machines.csv", machinesCSV), file("sites.csv", sitesCSV), file("people.csv", peopleCSV)) {
		if f.GetUnchanged() != f.GetRows() || f.GetRows() == 0 || f.GetCreated()+f.GetChanged() > 0 {
			t.Errorf("%v", f)
		}
	}
	if got := w.store.Changes(); got != before {
		t.Errorf("%d changes were made", got-before)
	}
}

func TestOnlyWhatDiffersIsWritten(t *testing.T) {
	w := cabin(t)
	before := w.machine("d-14")
	got := w.load(file("machines.csv", "\uFEFFSite, Fleet_Number ,machine_type,options,serial_number\r\n"+
		"heron-pit,d/14,wheeled-site-dumper,straight-skip;frame,\r\n"+
		"\r\n"+
		"ravens-quarry,D 15,wheeled-site-dumper,cab;swivel-skip,\r\n"+
		"heron-pit,D 31,wheeled-site-dumper,cab;swivel-skip,\"SN \"\"31\"\"\"\r\n"))[0]
	if got.GetRows() != 3 || got.GetCreated() != 1 || got.GetChanged() != 2 || len(got.GetProblems()) > 0 {
		t.Fatalf("got %v", got)
	}
	// A column that is missing leaves its field alone, an empty cell clears it.
	want := proto.CloneOf(before)
	want.FleetNumber, want.Site, want.SerialNumber, want.Etag = "d/14", "heron-pit", "", w.machine("d-14").GetEtag()
	diff(t, w.machine("d-14"), want)
	if got := w.machine("d-31").GetSerialNumber(); got != `SN "31"` {
		t.Errorf("serial number %q", got)
	}
}

func TestEveryWrongRowIsNamedAndNothingOfItsFileLoaded(t *testing.T) {
	const head = "fleet_number,machine_type,site,options,meter_hours,tyre_pressures\n"
	good := "D 50,wheeled-site-dumper,ravens-quarry,straight-skip; frame,,\n"
	for _, tt := range []struct {
		name, file, content string
		want                []string
		text                string
	}{
		{"each in its column", "machines.csv", head +
			"D!,wheeled-site-dumper,ravens-quarry,straight-skip; frame,,\n" + good +
			"D 51,steam-shovel,ravens-quarry,,,\n" +
			"D 52,wheeled-site-dumper,nowhere,straight-skip; frame,,\n" +
			"D 53,wheeled-site-dumper,ravens-quarry,wings; straight-skip,many,1=350\n" +
			"D 54,wheeled-site-dumper,ravens-quarry,wings; straight-skip; frame,-5,1:350; 1:300\n",
			[]string{"2 fleet_number", "4 machine_type", "5 site", "6 meter_hours", "6 tyre_pressures", "7 options", "7 meter_hours", "7 tyre_pressures"}, "straight-skip"},
		{"a machine twice", "machines.csv", head + good + "d/50,wheeled-site-dumper,ravens-quarry,straight-skip; frame,,\n",
			[]string{"3 fleet_number"}, "line 2"},
		{"cells too few and too many", "machines.csv", head + good + "D 51\n" + good[:len(good)-1] + ",,\n", []string{"3", "4"}, "6 columns"},
		{"a quote that does not end", "machines.csv", head + good + "\"D 51,wheeled\n", []string{"3"}, "quote"},
		{"a quote in the middle, and what follows", "machines.csv", head + "D \"5,a,b,c,d,e\n" + "D!,wheeled-site-dumper,ravens-quarry,straight-skip; frame,,\n", []string{"2", "3 fleet_number"}, "quote"},
		{"no header", "machines.csv", "", []string{"1"}, "fleet_number"},
		{"columns unknown, twice, missing", "machines.csv", "fleet_number,colour,site,site\n", []string{"1", "1 site", "1 machine_type"}, "allowed are fleet_number"},
		{"semicolons", "machines.csv", strings.ReplaceAll(head, ",", ";"), []string{"1", "1 fleet_number", "1 machine_type", "1 site"}, "needed are"},
		{"Latin-1", "people.csv", "id,title,role\nj-muster,J\xf6rg,operator\n", []string{"1"}, "UTF-8"},
		{"people", "people.csv", "id,title,role,tickets\n" +
			"Ada Flint,Ada,operator,\n" +
			"bo,,boss,\n" +
			"cy,Cy\x07,fitter,dumper\n" +
			"di,Di\x07,fitter,dumper:2026-02-30\n" +
			"ed,Ed\x07,FITTER,dumper: 2026-02-28\n",
			[]string{"2 id", "3 title", "3 role", "4 tickets", "5 tickets", "6 title"}, "OPERATOR, SUPERVISOR, FITTER and OFFICE"},
		{"sites", "sites.csv", "id,title,zone,latitude_deg,longitude_deg,altitude_m,shifts,silent_after_hours\n" +
			"a,A,Europe/Nowhere,,,,,\n" +
			"b,B,Local,,,,,\n" +
			"c,C,UTC,51.5,,,,\n" +
			"d,D,UTC,,,80,,\n" +
			"e,E,UTC,91,0,,,\n" +
			"f,F,UTC,NaN,Inf,x,day 7-19,1.5\n" +
			"g,G,UTC,,,,07:00-19:00,-1\n" +
			"h,H,UTC,,,,day 07:00-25:00,-1\n" +
			"i,I,UTC,,,,day 07:00-19:00 mon-fun,-1\n" +
			"j,J,UTC,,,,,-1\n",
			[]string{"2 zone", "3 zone", "4 latitude_deg", "5 latitude_deg", "6 latitude_deg", "7 latitude_deg", "7 longitude_deg", "7 altitude_m", "7 shifts", "7 silent_after_hours",
				"8 shifts", "9 shifts", "10 shifts", "11 silent_after_hours"}, "mon, tue, wed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			before := w.store.Changes()
			got := w.load(file(tt.file, tt.content))[0]
			if !slices.Equal(problems(got), tt.want) {
				t.Errorf("got  %q\nwant %q", problems(got), tt.want)
			}
			if got.GetCreated()+got.GetChanged()+got.GetUnchanged() > 0 || w.store.Changes() != before {
				t.Errorf("loaded: %v", got)
			}
			if !strings.Contains(fmt.Sprint(got.GetProblems()), tt.text) {
				t.Errorf("nothing says %q: %v", tt.text, got.GetProblems())
			}
		})
	}
}

// A file that is wrong keeps no other from being loaded, but machines do not
// stand at sites of a file that is refused.
func TestFilesAreLoadedOrRefusedEachAsAWhole(t *testing.T) {
	w := bare(t, "h", book.Options{})
	machines := "fleet_number,machine_type,site,options\nD 1,wheeled-site-dumper,ash-cut,straight-skip; frame\n"
	load := func(sites string) []*bothyv1.FileResult {
		resp, err := w.LoadRegister(context.Background(), []*bothyv1.RegisterFile{
			file("machines.csv", machines), file("people.csv", peopleCSV), file("sites.csv", sites),
		})
		if err != nil {
			t.Fatal(err)
		}
		return resp.GetFiles()
	}
	got := load("id,title,zone\nash-cut,Ash Cut,Nowhere\n")
	if len(got[0].GetProblems()) != 1 || got[1].GetCreated() != 5 || len(got[2].GetProblems()) != 1 {
		t.Errorf("got %v", got)
	}
	got = load("id,title,zone\nash-cut,Ash Cut,UTC\n")
	if got[0].GetCreated() != 1 || got[1].GetUnchanged() != 5 || got[2].GetCreated() != 1 {
		t.Errorf("got %v", got)
	}
}

func TestWhoMayLoadTheRegister(t *testing.T) {
	w := cabin(t)
	for person, kind := range map[string]fault.Kind{operator: fault.KindForbidden, supervisor: fault.KindForbidden, stranger: fault.KindForbidden, "": fault.KindUnnamed} {
		_, err := w.ImportRegister(as(person), &bothyv1.ImportRegisterRequest{Files: []*bothyv1.RegisterFile{file("sites.csv", sitesCSV)}})
		wantFault(t, err, kind)
	}
	for _, tt := range []struct {
		files  []*bothyv1.RegisterFile
		fields []string
	}{
		{nil, []string{"files"}},
		{[]*bothyv1.RegisterFile{file("plant.csv", ""), file("sites.csv", ""), file("sites.csv", "")}, []string{"files[0].name", "files[2].name"}},
	} {
		_, err := w.ImportRegister(as(office), &bothyv1.ImportRegisterRequest{Files: tt.files})
		wantFault(t, err, fault.KindInvalid, tt.fields...)
	}
}

func TestTheRegisterSettlesConflictsAndConfirmsMachines(t *testing.T) {
	w := cabin(t)
	if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()}); err != nil {
		t.Fatal(err)
	}
	there := newWorld(t, "b", []string{"heron-pit"})
	if _, err := there.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: newDumper()}); err != nil {
		t.Fatal(err)
	}
	w.store.Merge(there.store)
	rows := "fleet_number,machine_type,site\nD/99,wheeled-site-dumper," + w.machine("d-99").GetSite() + "\n"
	if got := w.load(file("machines.csv", rows))[0]; got.GetChanged() != 1 {
		t.Errorf("got %v", got)
	}
	if w.machine("d-99").GetUnlisted() {
		t.Error("still unlisted")
	}
	if got := w.load(file("machines.csv", rows))[0]; got.GetUnchanged() != 1 {
		t.Errorf("the second time %v", got)
	}
	resp, err := w.ListConflicts(context.Background(), &bothyv1.ListConflictsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range resp.GetConflicts() {
		if c.GetId() == "d-99" {
			t.Errorf("still in conflict: %v", c)
		}
	}
}

func TestShifts(t *testing.T) {
	for cell, want := range map[string][]*bothyv1.Shift{
		"": nil,
		"day 07:00-17:30 mon-fri; night 19:00-05:00": {
			{Title: "day", StartMinute: 420, LengthMinutes: 630, Weekdays: []int32{1, 2, 3, 4, 5}}, {Title: "night", StartMinute: 1140, LengthMinutes: 600},
		},
		"early day 6:00-14:00 SAT,sun,mon": {{Title: "early day", StartMinute: 360, LengthMinutes: 480, Weekdays: []int32{1, 6, 7}}},
		"weekend 00:00-00:00 fri-mon;":     {{Title: "weekend", LengthMinutes: 1440, Weekdays: []int32{1, 5, 6, 7}}},
		"all 08:00-08:01 mon-sun":          {{Title: "all", StartMinute: 480, LengthMinutes: 1}},
		"all 23:59-00:00 tue,wed-mon; ;":   {{Title: "all", StartMinute: 1439, LengthMinutes: 1}},
		"2 23:00-07:00 mon":                {{Title: "2", StartMinute: 1380, LengthMinutes: 480, Weekdays: []int32{1}}},
	} {
		t.Run(cell, func(t *testing.T) {
			w := cabin(t)
			got := w.load(file("sites.csv", "id,title,zone,shifts\nash-cut,Ash Cut,UTC,\""+cell+"\"\n"))[0]
			if len(got.GetProblems()) > 0 {
				t.Fatal(got.GetProblems())
			}
			sites, err := w.ListSites(context.Background(), &bothyv1.ListSitesRequest{PageSize: 1})
			if err != nil {
				t.Fatal(err)
			}
			diff(t, &bothyv1.Site{Shifts: sites.GetSites()[0].GetShifts()}, &bothyv1.Site{Shifts: want})
		})
	}
}

func TestFilesWithoutEndAreRefused(t *testing.T) {
	w := cabin(t)
	if got := w.load(file("people.csv", "id,title,role\n"+strings.Repeat("a,b,c\n", 20_001)))[0]; len(got.GetProblems()) > 5000 || got.GetRows() > 20_000 {
		t.Errorf("%d rows and %d problems", got.GetRows(), len(got.GetProblems()))
	}
	if got := w.load(file("people.csv", "id,title,role\n"+strings.Repeat("x", 5<<20)))[0]; len(got.GetProblems()) != 1 || got.GetRows() != 0 {
		t.Errorf("%d rows and %d problems", got.GetRows(), len(got.GetProblems()))
	}
}

// Whatever stands in a file, it is loaded as a whole or every problem has a line
// of it, and what was loaded once is unchanged the second time.
func FuzzImport(f *testing.F) {
	for _, seed := range []string{sitesCSV, peopleCSV, machinesCSV, "\uFEFFid,title\n", "id,id\n\"", "id;title\n1;2", "fleet_number,machine_type,site\n\n\"D \n1\",a,b\n"} {
		for which := range 3 {
			f.Add(which, []byte(seed))
		}
	}
	w := cabin(f)
	load := func(t *testing.T, name string, content []byte) *bothyv1.FileResult {
		resp, err := w.ImportRegister(as(office), &bothyv1.ImportRegisterRequest{Files: []*bothyv1.RegisterFile{{Name: name, Content: content}}})
		if err != nil {
			t.Fatal(err)
		}
		return resp.GetFiles()[0]
	}
	f.Fuzz(func(t *testing.T, which int, content []byte) {
		name := []string{"sites.csv", "people.csv", "machines.csv"}[min(max(which, 0), 2)]
		before := w.store.Changes()
		got := load(t, name, content)
		lines := int32(strings.Count(strings.ReplaceAll(string(content), "\r", "\n"), "\n") + 1)
		for _, p := range got.GetProblems() {
			if p.GetLine() < 1 || p.GetLine() > lines || p.GetProblem() == "" {
				t.Errorf("problem %v of %d lines", p, lines)
			}
		}
		if len(got.GetProblems()) > 0 && w.store.Changes() != before {
			t.Errorf("%v, and changes were made", got)
		}
		if loaded := got.GetCreated() + got.GetChanged() + got.GetUnchanged(); len(got.GetProblems()) == 0 && loaded != got.GetRows() {
			t.Errorf("%v: %d of the rows are accounted for", got, loaded)
		}
		before = w.store.Changes()
		if again := load(t, name, content); w.store.Changes() != before || again.GetCreated()+again.GetChanged() > 0 {
			t.Errorf("the second time %v", again)
		}
	})
}
