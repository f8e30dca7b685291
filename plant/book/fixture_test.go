package book_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant/book"
	"github.com/bothy-mesh/bothy/plant/book/booktest"
	"github.com/bothy-mesh/bothy/plant/sheets"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/caller"
	"github.com/bothy-mesh/bothy/proto/fault"
)

// The world of these tests is two invented quarries. The cabin of the first is
// the node; what the office says came with the register.

const (
	sitesCSV = "id,title,zone,shifts,silent_after_hours\n" +
		"ravens-quarry,Ravens Quarry,Europe/London,day 07:00-19:00; night 19:00-07:00,\n" +
		"heron-pit,Heron Pit,Europe/London,,48\n"
	peopleCSV = "id,title,role,tickets\n" +
		"ada-flint,Ada Flint,operator,wheeled-site-dumper:2027-01-01\n" +
		"ida-moss,Ida Moss,operator,wheeled-site-dumper:2027-01-01\n" +
		"bram-holt,Bram Holt,supervisor,wheeled-site-dumper:2027-01-01\n" +
		"cleo-marsh,Cleo Marsh,fitter,\n" +
		"dora-pike,Dora Pike,office,\n"
	machinesCSV = "fleet_number,machine_type,site,options,serial_number,meter_hours,tyre_pressures\n" +
		"D 14,wheeled-site-dumper,ravens-quarry,straight-skip; frame,SN-0014,1200,1:350; 2:400\n" +
		"D 15,wheeled-site-dumper,ravens-quarry,swivel-skip; cab,,,\n" +
		"D 30,wheeled-site-dumper,heron-pit,straight-skip; frame,,,\n"
)

// People by what they may do. Nobody knows the stranger.
const (
	operator   = "ada-flint"
	mate       = "ida-moss"
	supervisor = "bram-holt"
	fitter     = "cleo-marsh"
	office     = "dora-pike"
	stranger   = "sam-unknown"
)

// monday is a quarter past seven on the first day shift, in London and in UTC.
var monday = time.Date(2026, 3, 2, 7, 15, 0, 0, time.UTC)

// world is one replica with its book.
type world struct {
	t testing.TB
	*book.Book
	store *booktest.Store
	now   time.Time
	made  int // request ids
}

// cabin is the node of Ravens Quarry with the register and the sheets.
func cabin(t testing.TB) *world { return newWorld(t, "a", []string{"ravens-quarry"}) }

// newWorld is a replica with the register and the sheets; a hub if it has no
// sites of its own.
func newWorld(t testing.TB, replica string, own []string) *world {
	t.Helper()
	w := bare(t, replica, book.Options{Sites: own})
	resp, err := w.LoadRegister(context.Background(), []*bothyv1.RegisterFile{
		{Name: "sites.csv", Content: []byte(sitesCSV)},
		{Name: "people.csv", Content: []byte(peopleCSV)},
		{Name: "machines.csv", Content: []byte(machinesCSV)},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range resp.GetFiles() {
		if len(f.GetProblems()) > 0 {
			t.Fatal(f)
		}
	}
	return w
}

// bare is a replica with the sheets and nothing else.
func bare(t testing.TB, replica string, o book.Options) *world {
	t.Helper()
	w := &world{t: t, now: monday}
	w.store = booktest.New(replica, func() time.Time { return w.now })
	o.Clock = func() time.Time { return w.now }
	w.Book = book.New(w.store, o)
	if err := w.PublishSheets(context.Background(), embedded(t)); err != nil {
		t.Fatal(err)
	}
	return w
}

// parsed is the sheets that the program comes with, read once.
var parsed = sync.OnceValues(sheets.Embedded)

func embedded(t testing.TB) []*bothyv1.Sheet {
	t.Helper()
	all, err := parsed()
	if err != nil {
		t.Fatal(err)
	}
	var own []*bothyv1.Sheet
	for _, s := range all {
		own = append(own, proto.CloneOf(s))
	}
	return own
}

// as is a context in which a person acts.
func as(person string) context.Context { return caller.WithPerson(context.Background(), person) }

// id is a request id that was not used before.
func (w *world) id() string {
	w.made++
	return fmt.Sprintf("request %d", w.made)
}

// later lets time pass.
func (w *world) later(d time.Duration) { w.now = w.now.Add(d) }

// clean is a check of a machine by the sheet in force, as a handheld sends it:
// finished now, every point in order, every open defect seen.
func (w *world) clean(machine string, purpose bothyv1.Purpose) *bothyv1.Check {
	w.t.Helper()
	resp, err := w.ListMachineSheets(context.Background(), &bothyv1.ListMachineSheetsRequest{Machine: machine})
	if err != nil {
		w.t.Fatal(err)
	}
	i := slices.IndexFunc(resp.GetSheets(), func(s *bothyv1.Sheet) bool { return s.GetPurpose() == purpose })
	sheet := resp.GetSheets()[i]
	c := &bothyv1.Check{
		Machine: machine, Sheet: sheet.GetId(), MeterHours: w.meter(),
		StartedAt: timestamppb.New(w.now.Add(-5 * time.Minute)), FinishedAt: timestamppb.New(w.now),
	}
	for _, d := range resp.GetOpenDefects() {
		c.SeenDefects = append(c.SeenDefects, d.GetId())
	}
	for _, stage := range sheet.GetStages() {
		for _, p := range stage.GetPoints() {
			a := &bothyv1.Answer{Point: p.GetId(), State: bothyv1.AnswerState_OK}
			if p.GetHoldSeconds() > 0 {
				a.HeldSeconds = proto.Float64(float64(p.GetHoldSeconds()))
			}
			if p.GetReading().GetRequired() {
				a.Reading = proto.Float64(p.GetReading().GetLimitMin())
			}
			c.Answers = append(c.Answers, a)
		}
	}
	return c
}

// meter runs with the clock: a tenth of an hour for every hour.
func (w *world) meter() float64 { return 1204.5 + float64(int(w.now.Sub(monday).Hours()))/10 }

// fail answers a point of a check DEFECT.
func fail(c *bothyv1.Check, point, note string) *bothyv1.Check {
	i := slices.IndexFunc(c.GetAnswers(), func(a *bothyv1.Answer) bool { return a.GetPoint() == point })
	c.Answers[i] = &bothyv1.Answer{Point: point, State: bothyv1.AnswerState_DEFECT, Note: note}
	c.Marking = bothyv1.Marking_TAGGED
	return c
}

func (w *world) send(person string, c *bothyv1.Check) *bothyv1.Check {
	w.t.Helper()
	got, err := w.CreateCheck(as(person), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
	if err != nil {
		w.t.Fatalf("check of %s by %s: %v", c.GetMachine(), person, err)
	}
	return got
}

// checked is a world in which D 14 has its weekly check and that of this shift.
func checked(t testing.TB) *world {
	w := cabin(t)
	w.send(operator, w.clean("d-14", bothyv1.Purpose_WEEKLY))
	w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	return w
}

func (w *world) standing(machine string) bothyv1.Standing {
	w.t.Helper()
	v, err := w.GetVerdict(context.Background(), &bothyv1.GetVerdictRequest{Machine: machine})
	if err != nil {
		w.t.Fatal(err)
	}
	return v.GetStanding()
}

func (w *world) defect(id string) *bothyv1.Defect {
	w.t.Helper()
	d, err := w.GetDefect(context.Background(), &bothyv1.GetDefectRequest{Defect: id})
	if err != nil {
		w.t.Fatal(err)
	}
	return d
}

func (w *world) report(person string, d *bothyv1.Defect) *bothyv1.Defect {
	w.t.Helper()
	got, err := w.CreateDefect(as(person), &bothyv1.CreateDefectRequest{Defect: d, RequestId: w.id()})
	if err != nil {
		w.t.Fatal(err)
	}
	return got
}

// wantFault looks at the kind of an error, and at the fields that it names.
func wantFault(t testing.TB, err error, kind fault.Kind, fields ...string) *fault.Error {
	t.Helper()
	var f *fault.Error
	if !errors.As(err, &f) {
		t.Fatalf("got %v, want a fault of kind %s", err, kind)
	}
	var got []string
	for _, v := range f.Violations {
		got = append(got, v.Field)
	}
	if f.Kind != kind || !slices.Equal(got, fields) {
		t.Fatalf("got %s (%s) for %q, want %s for %q", f.Kind, f, got, kind, fields)
	}
	return f
}

func wantText(t testing.TB, err error, part string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), part) {
		t.Errorf("got %v, want it to say %q", err, part)
	}
}

func diff(t testing.TB, got, want proto.Message) {
	t.Helper()
	if !proto.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func protoString(s string) protoreflect.Value { return protoreflect.ValueOfString(s) }
