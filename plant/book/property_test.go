package book_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

// mesh is two cabins that work the same machines, meet now and then, and are
// held against a model that knows no merge and no chain: what was accepted
// where, which hazards nobody ever signed for, which holds nobody ever lifted.
type mesh struct {
	cabins [2]*world
	// checks by id, as answered, and the holds by id with their machines, by the
	// cabins that must have them.
	checks [2]map[string]*bothyv1.Check
	holds  [2]map[string]string
	// said is every word that a machine is a hazard, by the cabins that have it.
	said [2]map[word]bool
	// cleared are the words that somebody who had read them certified, dismissed
	// or lowered.
	cleared map[word]bool
	words   int
	// reads are defects as somebody read them, for edits that come late.
	reads []read
}

// word is one time that somebody said of a defect that it is a HAZARD.
type word struct {
	n               int
	defect, machine string
}

// read is a defect as somebody read it, and the words that were in it.
type read struct {
	defect *bothyv1.Defect
	words  []word
}

// say adds a word to a cabin.
func (m *mesh) say(i int, d *bothyv1.Defect) {
	m.words++
	m.said[i][word{m.words, d.GetId(), d.GetMachine()}] = true
}

// keep keeps a defect as it was read at a cabin.
func (m *mesh) keep(i int, d *bothyv1.Defect) {
	r := read{defect: d}
	for w := range m.said[i] {
		if w.defect == d.GetId() {
			r.words = append(r.words, w)
		}
	}
	m.reads = append(m.reads, r)
}

var machines = []string{"d-14", "d-15"}

func newMesh(tb testing.TB) *mesh {
	m := &mesh{cleared: map[word]bool{}}
	for i, own := range []string{"ravens-quarry", "heron-pit"} {
		m.cabins[i] = newWorld(tb, string(rune('a'+i)), []string{own})
		m.checks[i], m.said[i], m.holds[i] = map[string]*bothyv1.Check{}, map[word]bool{}, map[string]string{}
	}
	m.cabins[0].store.Merge(m.cabins[1].store)
	m.cabins[1].store.Merge(m.cabins[0].store)
	return m
}

func (m *mesh) at(t *rapid.T) int { return rapid.IntRange(0, 1).Draw(t, "cabin") }

func anybody(t *rapid.T) string {
	return rapid.SampledFrom([]string{operator, mate, supervisor, fitter, office, stranger}).Draw(t, "person")
}

// taken fails unless the error is nil or a refusal of the trade.
func taken(t *rapid.T, err error) bool {
	if err == nil {
		return true
	}
	switch fault.Of(err).Kind {
	case fault.KindInvalid, fault.KindForbidden, fault.KindMissing, fault.KindPrecondition, fault.KindExists:
		return false
	}
	t.Fatalf("a fault of ours: %v", err)
	return false
}

func (m *mesh) check(t *rapid.T) {
	i := m.at(t)
	w := m.cabins[i]
	c := w.clean(rapid.SampledFrom(machines).Draw(t, "machine"), rapid.SampledFrom([]bothyv1.Purpose{bothyv1.Purpose_PRE_USE, bothyv1.Purpose_PRE_USE, bothyv1.Purpose_WEEKLY}).Draw(t, "purpose"))
	c.MeterHours += rapid.SampledFrom([]float64{0, 0, 0, 0, -3, 9}).Draw(t, "misread")
	if c.GetSheet() == "wheeled-site-dumper.pre-use.1" {
		for _, point := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"horn", "coolant", "fuel"}), 0, 2, rapid.ID).Draw(t, "failed") {
			fail(c, point, "as found")
		}
	}
	if rapid.IntRange(0, 9).Draw(t, "forgets to look at a defect") == 0 && len(c.GetSeenDefects()) > 0 {
		c.SeenDefects = c.SeenDefects[1:]
	}
	got, err := w.CreateCheck(as(anybody(t)), &bothyv1.CreateCheckRequest{Check: c, RequestId: w.id()})
	if !taken(t, err) {
		return
	}
	m.checks[i][got.GetId()] = got
	for _, a := range got.GetAnswers() {
		if a.GetPoint() == "horn" && a.GetState() == bothyv1.AnswerState_DEFECT {
			for _, id := range got.GetDefects() {
				if d := w.defect(id); d.GetPoint() == "horn" {
					m.say(i, d)
				}
			}
		}
	}
}

func (m *mesh) report(t *rapid.T) {
	i := m.at(t)
	w := m.cabins[i]
	d, err := w.CreateDefect(as(anybody(t)), &bothyv1.CreateDefectRequest{RequestId: w.id(), Defect: &bothyv1.Defect{
		Machine: rapid.SampledFrom(machines).Draw(t, "machine"), Text: "as found", Marking: bothyv1.Marking_TAGGED,
		Class: bothyv1.Class(rapid.IntRange(1, 3).Draw(t, "class")),
	}})
	if !taken(t, err) {
		return
	}
	if d.GetClass() == bothyv1.Class_HAZARD {
		m.say(i, d)
	}
	m.keep(i, d)
}

func (m *mesh) look(t *rapid.T) {
	i := m.at(t)
	resp, err := m.cabins[i].ListDefects(context.Background(), &bothyv1.ListDefectsRequest{IncludeClosed: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(resp.GetDefects()) > 0 {
		m.keep(i, rapid.SampledFrom(resp.GetDefects()).Draw(t, "defect"))
	}
}

// edit is one by anybody, of a defect as somebody read it once, here or there.
func (m *mesh) edit(t *rapid.T) {
	if len(m.reads) == 0 {
		t.Skip("nothing was read yet")
	}
	i := m.at(t)
	seen := rapid.SampledFrom(m.reads).Draw(t, "as read")
	read := seen.defect
	d := &bothyv1.Defect{Id: read.GetId(), Etag: read.GetEtag(), Notes: append(slices.Clone(read.GetNotes()), &bothyv1.Note{Text: "because"})}
	paths := []string{"notes"}
	switch rapid.IntRange(0, 5).Draw(t, "edit") {
	case 0:
		d.Progress = bothyv1.Progress_REPAIRED
		d.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "mended"}
		paths = append(paths, "progress", "certificate")
	case 1:
		d.Progress = bothyv1.Progress_DISMISSED
		d.Certificate = &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "nothing there"}
		paths = append(paths, "progress", "certificate")
	case 2:
		d.Class, d.Marking = bothyv1.Class(rapid.IntRange(1, 3).Draw(t, "class")), bothyv1.Marking_POSTED_AREA
		paths = append(paths, "class", "marking")
	case 3:
		d.Progress, d.Fitter = bothyv1.Progress(rapid.IntRange(1, 6).Draw(t, "progress")), fitter
		paths = append(paths, "progress", "fitter")
	case 4:
		d.Findings = append(slices.Clone(read.GetFindings()), &bothyv1.Finding{Note: "again"})
		paths = append(paths, "findings")
	}
	got, err := m.cabins[i].edit(anybody(t), d, paths...)
	if !taken(t, err) {
		return
	}
	if d.GetCertificate() != nil || d.GetClass() > bothyv1.Class_HAZARD { // to lower the class is a competent person's word too
		for _, w := range seen.words {
			m.cleared[w] = true
		}
	}
	graver := d.GetClass() == bothyv1.Class_HAZARD && read.GetClass() != bothyv1.Class_HAZARD
	again := d.GetFindings() != nil && read.GetClass() == bothyv1.Class_HAZARD
	if graver || again {
		m.say(i, got)
	}
	m.keep(i, got)
}

func (m *mesh) amend(t *rapid.T) {
	i := m.at(t)
	ids := slices.Sorted(maps.Keys(m.checks[i]))
	if len(ids) == 0 {
		t.Skip("no check was made yet")
	}
	id := rapid.SampledFrom(ids).Draw(t, "check")
	w := m.cabins[i]
	_, err := w.AmendCheck(as(anybody(t)), &bothyv1.AmendCheckRequest{
		Check: id, Reason: "misread", RequestId: w.id(), Marking: bothyv1.Marking_TAGGED,
		Answers: []*bothyv1.Answer{{Point: "horn", State: bothyv1.AnswerState(rapid.IntRange(1, 4).Draw(t, "state")), Note: "as it was"}},
	})
	taken(t, err)
}

func (m *mesh) hold(t *rapid.T) {
	i := m.at(t)
	w := m.cabins[i]
	h, err := w.HoldMachine(as(anybody(t)), &bothyv1.HoldMachineRequest{
		Machine: rapid.SampledFrom(machines).Draw(t, "machine"), Reason: "smoke", Marking: bothyv1.Marking_TAGGED, RequestId: w.id(),
	})
	if taken(t, err) {
		m.holds[i][h.GetId()] = h.GetMachine()
	}
}

func (m *mesh) release(t *rapid.T) {
	i := m.at(t)
	resp, err := m.cabins[i].ReleaseMachine(as(anybody(t)), &bothyv1.ReleaseMachineRequest{
		Machine: rapid.SampledFrom(machines).Draw(t, "machine"), Reason: "looked at",
	})
	if !taken(t, err) {
		return
	}
	for _, h := range resp.GetHolds() {
		delete(m.holds[0], h.GetId())
		delete(m.holds[1], h.GetId())
	}
}

func (m *mesh) meet(t *rapid.T) {
	to := m.at(t)
	m.cabins[to].store.Merge(m.cabins[1-to].store)
	maps.Copy(m.checks[to], m.checks[1-to])
	maps.Copy(m.said[to], m.said[1-to])
	maps.Copy(m.holds[to], m.holds[1-to])
}

func (m *mesh) wait(t *rapid.T) {
	d := time.Duration(rapid.IntRange(1, 600).Draw(t, "minutes")) * time.Minute
	for _, w := range m.cabins {
		w.later(d)
	}
}

// holds together what must hold after every step.
func (m *mesh) invariants(t *rapid.T) {
	for i, w := range m.cabins {
		m.keepsChecks(t, i)
		for _, machine := range machines {
			standing := w.standing(machine)
			if why := m.against(t, i, machine); why != "" && standing != bothyv1.Standing_OUT_OF_SERVICE {
				t.Fatalf("cabin %d: %s reads %s in spite of %s", i, machine, standing, why)
			}
			if why := m.unproved(t, w, machine); why != "" && standing == bothyv1.Standing_FIT {
				t.Fatalf("cabin %d: %s reads FIT in spite of %s", i, machine, why)
			}
		}
	}
}

// against is what nobody ever took back.
func (m *mesh) against(t *rapid.T, i int, machine string) string {
	for w := range m.said[i] {
		if w.machine == machine && !m.cleared[w] {
			return "hazard " + w.defect
		}
	}
	for id, at := range m.holds[i] {
		if at == machine {
			return "hold " + id
		}
	}
	return ""
}

// unproved is an open HAZARD as the records of a cabin have it.
func (m *mesh) unproved(t *rapid.T, w *world, machine string) string {
	resp, err := w.ListDefects(context.Background(), &bothyv1.ListDefectsRequest{Machine: machine, IncludeClosed: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range resp.GetDefects() {
		if d.GetClass() == bothyv1.Class_HAZARD && d.GetProgress() != bothyv1.Progress_PROVED && d.GetProgress() != bothyv1.Progress_DISMISSED {
			return fmt.Sprintf("%s, which is %s", d.GetId(), plant.ProgressOf(d))
		}
	}
	return ""
}

// keepsChecks looks at every check that a cabin must have.
func (m *mesh) keepsChecks(t *rapid.T, i int) {
	for id, want := range m.checks[i] {
		got, err := m.cabins[i].GetCheck(context.Background(), &bothyv1.GetCheckRequest{Check: id})
		if err != nil {
			t.Fatalf("cabin %d lost check %s: %v", i, id, err)
		}
		got.Amendments, got.Defects = want.GetAmendments(), want.GetDefects()
		if !proto.Equal(got, want) {
			t.Fatalf("cabin %d: check %s changed\ngot  %v\nwant %v", i, id, got, want)
		}
	}
}

// Whatever people do in whatever order, with edits of what they read long ago
// and with two cabins that meet when they can: no accepted check is lost or
// changed, a HAZARD that nobody signed for and a hold that nobody lifted keep
// the machine out of service, and while a HAZARD is open no machine reads FIT.
func TestWhateverHappensNothingIsLostAndNothingReadsFit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		m := newMesh(t)
		rt.Repeat(map[string]func(*rapid.T){
			"check": m.check, "check again": m.check, "report": m.report, "look": m.look, "edit": m.edit, "edit again": m.edit,
			"amend": m.amend, "hold": m.hold, "release": m.release, "meet": m.meet, "wait": m.wait, "": m.invariants,
		})
	})
}
