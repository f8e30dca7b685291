package book_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant/book"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

func TestTheBoardShowsTheGravestFirst(t *testing.T) {
	w := cabin(t)
	for _, number := range []string{"D 16", "D 17"} {
		m := newDumper()
		m.FleetNumber = number
		if _, err := w.CreateMachine(as(operator), &bothyv1.CreateMachineRequest{Machine: m}); err != nil {
			t.Fatal(err)
		}
	}
	for _, machine := range []string{"d-14", "d-16", "d-17"} {
		w.send(operator, w.clean(machine, bothyv1.Purpose_WEEKLY))
		w.send(operator, w.clean(machine, bothyv1.Purpose_PRE_USE))
	}
	limited := w.report(operator, &bothyv1.Defect{Machine: "d-16", Text: "one lamp out", Class: bothyv1.Class_SAFETY})
	if _, err := w.edit(supervisor, &bothyv1.Defect{
		Id: limited.GetId(), Etag: limited.GetEtag(), Limit: "daylight only", LimitUntil: timestamppb.New(w.now.Add(8 * time.Hour)),
	}, "limit", "limit_until"); err != nil {
		t.Fatal(err)
	}
	w.hold(operator, "d-17", "smoke")

	board, err := w.Board(context.Background(), &bothyv1.GetBoardRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, r := range board.GetMachines() {
		got = append(got, fmt.Sprintf("%s %s %d", r.GetMachine().GetId(), r.GetVerdict().GetStanding(), r.GetOpenDefects()))
	}
	want := []string{"d-17 OUT_OF_SERVICE 0", "d-15 CHECK_DUE 0", "d-16 LIMITED 1", "d-14 FIT 0"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	for _, r := range board.GetMachines() {
		if checked := r.GetMachine().GetId() != "d-15"; checked != (r.GetLastCheckAt() != nil) {
			t.Errorf("%s: last check at %v", r.GetMachine().GetId(), r.GetLastCheckAt())
		}
	}
	if !board.GetAsOf().AsTime().Equal(w.now) {
		t.Errorf("as of %v", board.GetAsOf().AsTime())
	}
	_, err = w.Board(context.Background(), &bothyv1.GetBoardRequest{Site: "nowhere"})
	wantFault(t, err, fault.KindInvalid, "site")
}

// hub is head office, which heard of the sites up to these times.
func hub(t *testing.T, heard map[string]time.Time, from ...*world) *world {
	h := bare(t, "h", book.Options{AsOf: func(site string) (time.Time, bool) { at, ok := heard[site]; return at, ok }})
	for _, w := range from {
		h.store.Merge(w.store)
		if w.now.After(h.now) {
			h.now = w.now
		}
	}
	return h
}

func TestASilentSiteIsNeverGreen(t *testing.T) {
	w := checked(t)
	w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	for _, tt := range []struct {
		name   string
		heard  map[string]time.Time
		at     time.Time
		want   bothyv1.Standing
		silent bool
	}{
		{"heard just now", map[string]time.Time{"ravens-quarry": monday}, monday, bothyv1.Standing_FIT, false},
		{"never heard", nil, monday, bothyv1.Standing_UNKNOWN, true},
		{"a day old", map[string]time.Time{"ravens-quarry": monday}, monday.Add(24 * time.Hour), bothyv1.Standing_CHECK_DUE, false},
		{"older than a day", map[string]time.Time{"ravens-quarry": monday}, monday.Add(24*time.Hour + time.Second), bothyv1.Standing_UNKNOWN, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := hub(t, tt.heard, w)
			h.now = tt.at
			if got := h.standing("d-14"); got != tt.want {
				t.Errorf("the machine reads %s, want %s", got, tt.want)
			}
			fleet, err := h.Fleet(context.Background(), &bothyv1.GetFleetRequest{Site: []string{"ravens-quarry"}})
			if err != nil {
				t.Fatal(err)
			}
			row := fleet.GetSites()[0]
			if row.GetSilent() != tt.silent || (row.GetAsOf() != nil) != (tt.heard != nil) {
				t.Errorf("site row %v", row)
			}
			if len(fleet.GetMachines()) != 2 || fleet.GetMachines()[0].GetVerdict().GetStanding() > tt.want {
				t.Errorf("machines %v", fleet.GetMachines())
			}
		})
	}
}

// Heron Pit may be silent for two days: its own entry says so.
func TestASiteSaysHowLongItMayBeSilent(t *testing.T) {
	w := cabin(t)
	h := hub(t, map[string]time.Time{"heron-pit": monday}, w)
	h.now = monday.Add(47 * time.Hour)
	fleet, err := h.Fleet(context.Background(), &bothyv1.GetFleetRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range fleet.GetSites() {
		if want := row.GetSite().GetId() == "ravens-quarry"; row.GetSilent() != want {
			t.Errorf("%s silent: %v", row.GetSite().GetId(), row.GetSilent())
		}
	}
	if len(fleet.GetMachines()) != 3 {
		t.Errorf("%d machines, want all", len(fleet.GetMachines()))
	}
}

func TestACabinNamesItsSites(t *testing.T) {
	w := cabin(t)
	w.put(&bothyv1.Cabin{Id: "ravens-cabin", Sites: []string{"ravens-quarry", "far-bank"}})
	h := hub(t, nil, w)
	fleet, err := h.Fleet(context.Background(), &bothyv1.GetFleetRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, row := range fleet.GetSites() {
		got = append(got, row.GetSite().GetId()+" "+row.GetCabin())
	}
	if want := []string{"far-bank ravens-cabin", "heron-pit ", "ravens-quarry ravens-cabin"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestTheQueueIsWorkedByClassOutOfServiceDueAge(t *testing.T) {
	w := cabin(t)
	w.store.Merge(newWorld(t, "b", []string{"heron-pit"}).store)
	report := func(machine string, class bothyv1.Class, text string) *bothyv1.Defect {
		w.later(time.Minute)
		return w.report(operator, &bothyv1.Defect{Machine: machine, Text: text, Class: class, Marking: bothyv1.Marking_TAGGED})
	}
	report("d-14", bothyv1.Class_CONDITION, "5 older, out of service because of the other")
	report("d-15", bothyv1.Class_CONDITION, "7 oldest of those on a machine that may work")
	report("d-14", bothyv1.Class_HAZARD, "1 the hazard")
	due := report("d-14", bothyv1.Class_CONDITION, "4 due before the older one")
	closed := report("d-15", bothyv1.Class_CONDITION, "dismissed")
	report("d-14", bothyv1.Class_CONDITION, "6 younger")
	if _, err := w.edit(supervisor, &bothyv1.Defect{Id: due.GetId(), Etag: due.GetEtag(), DueAt: timestamppb.New(w.now.Add(time.Hour))}, "due_at"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.edit(supervisor, &bothyv1.Defect{
		Id: closed.GetId(), Etag: closed.GetEtag(), Progress: bothyv1.Progress_DISMISSED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "nothing there"},
	}, "progress", "certificate"); err != nil {
		t.Fatal(err)
	}
	// Its machine is on the way; the site is that of the finder.
	w.put(&bothyv1.Defect{Id: "x-1", Machine: "d-77", Site: "heron-pit", Text: "2 a hazard whose machine is not known yet",
		Class: bothyv1.Class_HAZARD, Progress: bothyv1.Progress_REPORTED})
	w.put(&bothyv1.Defect{Id: "x-2", Machine: "d-30", Site: "ravens-quarry", Text: "3 found here on a machine that went elsewhere",
		Class: bothyv1.Class_SAFETY, Progress: bothyv1.Progress_REPORTED})

	for _, tt := range []struct {
		sites []string
		want  string
	}{
		{nil, "1234567"}, {[]string{"ravens-quarry"}, "14567"}, {[]string{"heron-pit"}, "23"}, {[]string{"heron-pit", "ravens-quarry"}, "1234567"},
	} {
		resp, err := w.Queue(context.Background(), &bothyv1.ListQueueRequest{Site: tt.sites})
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, r := range resp.GetRows() {
			got += r.GetDefect().GetText()[:1]
			if out := r.GetDefect().GetText()[0] != '7'; r.GetOutOfService() != out {
				t.Errorf("%s: out of service %v", r.GetDefect().GetText(), r.GetOutOfService())
			}
		}
		if got != tt.want {
			t.Errorf("%q: got %s, want %s", tt.sites, got, tt.want)
		}
	}
	_, err := w.Queue(context.Background(), &bothyv1.ListQueueRequest{Site: []string{"nowhere"}})
	wantFault(t, err, fault.KindInvalid, "site")
}

// A verdict looks as far back as the last weekly check, and no further.
func TestAVerdictFindsTheLastWeeklyCheck(t *testing.T) {
	w := cabin(t)
	w.send(operator, w.clean("d-14", bothyv1.Purpose_WEEKLY))
	for range 7 * 2 {
		w.later(12 * time.Hour)
		w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_FIT {
		t.Errorf("on the seventh day after the weekly check the machine reads %s", got)
	}
	for range 60 {
		w.later(24 * time.Hour)
		w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	}
	v, err := w.GetVerdict(context.Background(), &bothyv1.GetVerdictRequest{Machine: "d-14"})
	if err != nil {
		t.Fatal(err)
	}
	if r := v.GetReasons()[0]; v.GetStanding() != bothyv1.Standing_CHECK_DUE || r.GetSource() == "" {
		t.Errorf("the weekly check of two months ago is not named: %v", v)
	}
}

func TestAVerdictAtATime(t *testing.T) {
	w := checked(t)
	at := func(d time.Duration) bothyv1.Standing {
		v, err := w.GetVerdict(context.Background(), &bothyv1.GetVerdictRequest{Machine: "d-14", At: timestamppb.New(monday.Add(d))})
		if err != nil {
			t.Fatal(err)
		}
		return v.GetStanding()
	}
	if got := at(11 * time.Hour); got != bothyv1.Standing_FIT {
		t.Errorf("later in the shift the machine reads %s", got)
	}
	if got := at(12 * time.Hour); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("in the night shift the machine reads %s", got)
	}
	_, err := w.GetVerdict(context.Background(), &bothyv1.GetVerdictRequest{Machine: "d-14", At: &timestamppb.Timestamp{Nanos: -1}})
	wantFault(t, err, fault.KindInvalid, "at")
}
