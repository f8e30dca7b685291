package plant_test

import (
	"encoding/csv"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	"github.com/bothy-mesh/bothy/plant/sheets"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// The world of these tests is one invented quarry with one dumper.

// monday is ten minutes before the day shift of Monday 2 March 2026, in London
// time, which is UTC then.
var monday = time.Date(2026, 3, 2, 6, 50, 0, 0, time.UTC)

func clock(hour, minute int) time.Time {
	return time.Date(2026, 3, 2, hour, minute, 0, 0, time.UTC)
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

func quarry() *bothyv1.Site {
	return &bothyv1.Site{Id: "ravens-quarry", Title: "Ravens Quarry", Zone: "Europe/London", Shifts: []*bothyv1.Shift{
		{Title: "day", StartMinute: 7 * 60, LengthMinutes: 12 * 60},
		{Title: "night", StartMinute: 19 * 60, LengthMinutes: 12 * 60},
	}}
}

func dumper() *bothyv1.Machine {
	return &bothyv1.Machine{Id: "d-14", FleetNumber: "D 14", MachineType: "wheeled-site-dumper", Options: []string{"straight-skip", "frame"}, Site: "ravens-quarry"}
}

func person(id string, role bothyv1.Role) *bothyv1.Person {
	return &bothyv1.Person{Id: id, Title: id, Role: role, Tickets: []*bothyv1.Ticket{
		{MachineType: "wheeled-site-dumper", ExpiresAt: stamp(time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC))},
	}}
}

var (
	operator   = person("ada-flint", bothyv1.Role_OPERATOR)
	supervisor = person("bram-holt", bothyv1.Role_SUPERVISOR)
	fitter     = person("cleo-marsh", bothyv1.Role_FITTER)
	office     = person("dora-pike", bothyv1.Role_OFFICE)
)

var readOnce = sync.OnceValues(sheets.Embedded)

// embedded is a copy of the sheets that a test may change.
func embedded(t testing.TB) []*bothyv1.Sheet {
	t.Helper()
	all, err := readOnce()
	if err != nil {
		t.Fatal(err)
	}
	copied := make([]*bothyv1.Sheet, len(all))
	for i, s := range all {
		copied[i] = proto.CloneOf(s)
	}
	return copied
}

func preUse(t testing.TB) *bothyv1.Sheet {
	return plant.InForce(embedded(t), "wheeled-site-dumper", bothyv1.Purpose_PRE_USE)
}

func weekly(t testing.TB) *bothyv1.Sheet {
	return plant.InForce(embedded(t), "wheeled-site-dumper", bothyv1.Purpose_WEEKLY)
}

// pointsOf is the points that a sheet has for the fixture's dumper.
func pointsOf(sheet *bothyv1.Sheet, options ...string) []*bothyv1.Point {
	if len(options) == 0 {
		options = dumper().GetOptions()
	}
	var points []*bothyv1.Point
	for _, st := range plant.Applied(sheet, options).GetStages() {
		points = append(points, st.GetPoints()...)
	}
	return points
}

// cleanCheck is a check as sent, of ten minutes, with every point in order.
func cleanCheck(sheet *bothyv1.Sheet, id string, finished time.Time) *bothyv1.Check {
	c := &bothyv1.Check{
		Id: id, Machine: "d-14", Site: "ravens-quarry", Sheet: sheet.GetId(), Person: operator.GetId(),
		StartedAt: stamp(finished.Add(-10 * time.Minute)), FinishedAt: stamp(finished), MeterHours: 1204.5,
	}
	for _, p := range pointsOf(sheet) {
		a := &bothyv1.Answer{Point: p.GetId(), State: bothyv1.AnswerState_OK}
		if p.GetHoldSeconds() > 0 {
			a.HeldSeconds = proto.Float64(float64(p.GetHoldSeconds()))
		}
		if p.GetReading().GetRequired() {
			a.Reading = proto.Float64(450)
		}
		c.Answers = append(c.Answers, a)
	}
	return c
}

func answer(c *bothyv1.Check, point string) *bothyv1.Answer {
	i := slices.IndexFunc(c.GetAnswers(), func(a *bothyv1.Answer) bool { return a.GetPoint() == point })
	return c.GetAnswers()[i]
}

// fail answers a point DEFECT.
func fail(c *bothyv1.Check, point, note string) *bothyv1.Check {
	a := answer(c, point)
	a.State, a.Note, a.HeldSeconds = bothyv1.AnswerState_DEFECT, note, nil
	c.Marking = bothyv1.Marking_TAGGED
	return c
}

func facts(sheet *bothyv1.Sheet, now time.Time, defects ...*bothyv1.Defect) plant.CheckFacts {
	return plant.CheckFacts{Machine: dumper(), Site: quarry(), Sheet: sheet, InForce: sheet.GetId(), Defects: defects, Person: operator, Now: now}
}

// accepted is a check as stored; it must be valid.
func accepted(t testing.TB, c *bothyv1.Check, sheet *bothyv1.Sheet, defects ...*bothyv1.Defect) *bothyv1.Check {
	t.Helper()
	for _, d := range defects {
		if plant.Open(d) {
			c.SeenDefects = append(c.SeenDefects, d.GetId())
		}
	}
	stored, v := plant.AcceptCheck(c, facts(sheet, c.GetFinishedAt().AsTime(), defects...))
	if len(v) > 0 {
		t.Fatal(v)
	}
	return stored
}

// after is the defects as they read after writes.
func after(defects []*bothyv1.Defect, writes ...plant.DefectWrite) []*bothyv1.Defect {
	read := slices.Clone(defects)
	for _, w := range writes {
		i := slices.IndexFunc(read, func(d *bothyv1.Defect) bool { return d.GetId() == w.Defect.GetId() })
		if i < 0 {
			read = append(read, w.Defect)
		} else {
			read[i] = w.Defect
		}
	}
	return read
}

// hazard is an open HAZARD at the horn, found this morning.
func hazard(id string) *bothyv1.Defect {
	return &bothyv1.Defect{
		Id: id, Machine: "d-14", Site: "ravens-quarry", Point: "horn", Text: "silent", Class: bothyv1.Class_HAZARD,
		Progress: bothyv1.Progress_REPORTED, Marking: bothyv1.Marking_TAGGED,
		Findings: []*bothyv1.Finding{{Person: "ada-flint", FoundAt: stamp(clock(5, 0)), Note: "silent"}},
	}
}

func withClass(d *bothyv1.Defect, c bothyv1.Class) *bothyv1.Defect {
	d.Class = c
	return d
}

// certified is a defect as a fitter closed it.
func certified(d *bothyv1.Defect, p bothyv1.Progress, class bothyv1.Class, at time.Time) *bothyv1.Defect {
	c := proto.CloneOf(d)
	outcome := bothyv1.Outcome_MENDED
	if p == bothyv1.Progress_DISMISSED {
		outcome = bothyv1.Outcome_NO_REPAIR_NEEDED
	}
	c.Progress = p
	c.Certificate = &bothyv1.Certificate{Outcome: outcome, Person: fitter.GetId(), SignedAt: stamp(at), Text: "new horn, tested", Class: class}
	return c
}

// current is facts of a verdict on a machine that was checked for the shift and
// this week, at nine o'clock.
func current(t testing.TB) plant.Facts {
	return plant.Facts{
		Machine: dumper(), Site: quarry(), Sheets: embedded(t), AsOf: clock(9, 0),
		Checks: []*bothyv1.Check{
			accepted(t, cleanCheck(preUse(t), "c1", monday), preUse(t)),
			accepted(t, cleanCheck(weekly(t), "w1", monday.AddDate(0, 0, -3)), weekly(t)),
		},
	}
}

func wantStanding(t testing.TB, v *bothyv1.Verdict, want bothyv1.Standing) {
	t.Helper()
	if v.GetStanding() != want {
		t.Errorf("standing %s, want %s; reasons: %v", v.GetStanding(), want, v.GetReasons())
	}
}

// wantViolation looks for a violation of a field that says some words.
func wantViolation(t testing.TB, err error, field, words string) {
	t.Helper()
	v, ok := err.(plant.Violations)
	if !ok || !slices.ContainsFunc(v, func(x plant.Violation) bool { return x.Field == field && strings.Contains(x.Problem, words) }) {
		t.Errorf("violations %v; want one of %s that says %q", err, field, words)
	}
}

func wantDenied(t testing.TB, err error, field string) {
	t.Helper()
	if d, ok := err.(*plant.Denied); !ok || d.Field != field {
		t.Errorf("error %v; want %s denied", err, field)
	}
}

// table is the rows of a published table, each by the names of its columns.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	file, err := os.Open("../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	in := csv.NewReader(file)
	in.Comment = '#'
	lines, err := in.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, column := range lines[0] {
			row[column] = line[i]
		}
		rows = append(rows, row)
	}
	return rows
}
