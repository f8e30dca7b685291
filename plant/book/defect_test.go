package book_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
)

func leak() *bothyv1.Defect {
	return &bothyv1.Defect{Machine: "D 14", Text: "oil under the pivot", Class: bothyv1.Class_SAFETY}
}

func (w *world) edit(person string, d *bothyv1.Defect, paths ...string) (*bothyv1.Defect, error) {
	return w.UpdateDefect(as(person), &bothyv1.UpdateDefectRequest{Defect: d, UpdateMask: mask(paths...)})
}

func TestAReportedDefectComesBack(t *testing.T) {
	w := checked(t)
	got := w.report(stranger, leak())
	if got.GetMachine() != "d-14" || got.GetSite() != "ravens-quarry" || got.GetEtag() == "" ||
		got.GetProgress() != bothyv1.Progress_REPORTED || !got.GetReportedAt().AsTime().Equal(w.now) {
		t.Errorf("got %v", got)
	}
	if f := got.GetFindings(); len(f) != 1 || f[0].GetPerson() != stranger {
		t.Errorf("findings %v", f)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("with a SAFETY defect and no limit the machine reads %s", got)
	}
}

func TestRefusedReports(t *testing.T) {
	for _, tt := range []struct {
		name   string
		defect *bothyv1.Defect
		kind   fault.Kind
		fields []string
	}{
		{"nothing", nil, fault.KindInvalid, []string{"defect"}},
		{"machine unknown", &bothyv1.Defect{Machine: "D 99", Text: "x", Class: 2}, fault.KindMissing, nil},
		{"no text, no class, a site elsewhere", &bothyv1.Defect{Machine: "d-14", Site: "heron-pit"}, fault.KindInvalid,
			[]string{"defect.site", "defect.text", "defect.class"}},
		{"what the server fills in", &bothyv1.Defect{Machine: "d-14", Text: "x", Class: 2, Id: "mine", Etag: "e", ConflictingFields: []string{"class"}, ReportedAt: timestamppb.New(monday)},
			fault.KindInvalid, []string{"defect.id", "defect.etag", "defect.conflictingFields", "defect.reportedAt"}},
		{"a hazard without a mark", &bothyv1.Defect{Machine: "d-14", Text: "x", Class: 1}, fault.KindInvalid, []string{"defect.marking"}},
		{"less than its point allows", &bothyv1.Defect{Machine: "d-14", Text: "x", Class: 3, Point: "horn"}, fault.KindInvalid, []string{"defect.class"}},
		{"a point of no sheet", &bothyv1.Defect{Machine: "d-14", Text: "x", Class: 3, Point: "anchor"}, fault.KindInvalid, []string{"defect.point"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := cabin(t)
			before := w.store.Changes()
			_, err := w.CreateDefect(as(operator), &bothyv1.CreateDefectRequest{Defect: tt.defect, RequestId: w.id()})
			wantFault(t, err, tt.kind, tt.fields...)
			if got := w.store.Changes(); got != before {
				t.Errorf("%d changes were made", got-before)
			}
		})
	}
}

func TestUpdateMasks(t *testing.T) {
	w := cabin(t)
	d := w.report(operator, leak())
	for _, tt := range []struct {
		name   string
		defect *bothyv1.Defect
		mask   []string
		fields []string
	}{
		{"unknown", &bothyv1.Defect{}, []string{"colour"}, []string{"updateMask"}},
		{"key", &bothyv1.Defect{}, []string{"id"}, []string{"updateMask"}},
		{"computed", &bothyv1.Defect{}, []string{"reported_at", "conflicting_fields"}, []string{"updateMask", "updateMask"}},
		{"all at once", &bothyv1.Defect{}, []string{"*"}, []string{"updateMask"}},
		{"a word that was not understood", &bothyv1.Defect{}, []string{"progress"}, []string{"defect.progress"}},
		{"another one", &bothyv1.Defect{}, []string{"marking"}, []string{"defect.marking"}},
		{"only the etag", &bothyv1.Defect{}, []string{"etag"}, []string{"updateMask"}},
		{"nothing", &bothyv1.Defect{}, nil, []string{"updateMask"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.defect.Id, tt.defect.Etag = d.GetId(), d.GetEtag()
			_, err := w.edit(supervisor, tt.defect, tt.mask...)
			wantFault(t, err, fault.KindInvalid, tt.fields...)
		})
	}
}

// The gateway makes the mask of a PATCH from its body: it then has the etag in
// it, and paths into a message field.
func TestAMaskThatWasMadeFromABody(t *testing.T) {
	w := cabin(t)
	d := w.report(operator, leak())
	got, err := w.edit(fitter, &bothyv1.Defect{
		Id: d.GetId(), Etag: d.GetEtag(), Progress: bothyv1.Progress_REPAIRED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new seal"},
	}, "certificate.outcome", "certificate.text", "etag", "progress")
	if err != nil {
		t.Fatal(err)
	}
	if got.GetProgress() != bothyv1.Progress_REPAIRED || got.GetCertificate().GetPerson() != fitter {
		t.Errorf("got %v", got)
	}
}

func TestAnEditWithoutAMaskWritesWhatIsSet(t *testing.T) {
	w := cabin(t)
	d := w.report(operator, leak())
	got, err := w.edit(fitter, &bothyv1.Defect{Id: d.GetId(), Etag: d.GetEtag(), Progress: bothyv1.Progress_TAKEN})
	if err != nil {
		t.Fatal(err)
	}
	if got.GetProgress() != bothyv1.Progress_TAKEN || got.GetFitter() != fitter || got.GetText() != d.GetText() {
		t.Errorf("got %v", got)
	}
}

func TestEtagsAreNeededAndBoundToTheirRecord(t *testing.T) {
	w := cabin(t)
	d, other := w.report(operator, leak()), w.report(operator, leak())
	for name, etag := range map[string]string{
		"none": "", "another record's": other.GetEtag(), "cut short": d.GetEtag()[:len(d.GetEtag())-1],
		"made up": "bm8gZXRhZw", "not base64": "!!", "with a tail": d.GetEtag() + "AA",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := w.edit(supervisor, &bothyv1.Defect{Id: d.GetId(), Etag: etag, Progress: bothyv1.Progress_TAKEN, Fitter: fitter}, "progress", "fitter")
			wantFault(t, err, fault.KindInvalid, "defect.etag")
		})
	}
}

func TestWhoMayEditADefect(t *testing.T) {
	w := cabin(t)
	d := w.report(operator, leak())
	for _, tt := range []struct {
		person string
		want   bool
	}{{fitter, true}, {operator, false}, {stranger, false}, {office, false}} {
		t.Run(tt.person, func(t *testing.T) {
			_, err := w.edit(tt.person, &bothyv1.Defect{Id: d.GetId(), Etag: w.defect(d.GetId()).GetEtag(), Progress: bothyv1.Progress_WAITING}, "progress")
			if tt.want && err != nil {
				t.Fatal(err)
			}
			if !tt.want {
				wantFault(t, err, fault.KindForbidden)
			}
		})
	}
}

// A supervisor and a fitter edit what both of them read.
func TestAStaleEditIsKeptBesideWhatItHadNotSeen(t *testing.T) {
	w := cabin(t)
	read := w.report(operator, leak())
	if _, err := w.edit(fitter, &bothyv1.Defect{Id: read.GetId(), Etag: read.GetEtag(), Progress: bothyv1.Progress_WAITING}, "progress"); err != nil {
		t.Fatal(err)
	}
	got, err := w.edit(supervisor, &bothyv1.Defect{Id: read.GetId(), Etag: read.GetEtag(), Progress: bothyv1.Progress_TAKEN, Fitter: fitter}, "progress", "fitter")
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.GetConflictingFields(), []string{"progress"}) || got.GetProgress() != bothyv1.Progress_TAKEN {
		t.Fatalf("conflicting %q, progress %s", got.GetConflictingFields(), got.GetProgress())
	}
	conflicts, err := w.ListConflicts(context.Background(), &bothyv1.ListConflictsRequest{})
	if err != nil || len(conflicts.GetConflicts()) != 1 {
		t.Fatal(conflicts, err)
	}
	if c := conflicts.GetConflicts()[0]; c.GetKind() != "defects" || c.GetField() != "progress" || c.GetReadsAs() != `"TAKEN"` || c.GetVersions()[0].GetPerson() != supervisor {
		t.Errorf("conflict %v", c)
	}

	settled, err := w.edit(supervisor, &bothyv1.Defect{Id: read.GetId(), Etag: got.GetEtag(), Progress: bothyv1.Progress_TAKEN}, "progress")
	if err != nil {
		t.Fatal(err)
	}
	if len(settled.GetConflictingFields()) > 0 {
		t.Errorf("still conflicting: %q", settled.GetConflictingFields())
	}
}

// 49 CFR 398.8(c)(3): nobody takes the mark off before every repair is made.
// Here the fitter signs for what they read, while the plant operator has made
// it a HAZARD.
func TestACertificateIsSignedForTheClassThatItsSignerKnewOf(t *testing.T) {
	w := checked(t)
	read := w.report(operator, leak())
	if _, err := w.edit(operator, &bothyv1.Defect{Id: read.GetId(), Etag: read.GetEtag(), Class: bothyv1.Class_HAZARD, Marking: bothyv1.Marking_TAGGED}, "class", "marking"); err != nil {
		t.Fatal(err)
	}
	got, err := w.edit(fitter, &bothyv1.Defect{
		Id: read.GetId(), Etag: read.GetEtag(), Progress: bothyv1.Progress_REPAIRED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new seal"},
	}, "progress", "certificate")
	if err != nil {
		t.Fatal(err)
	}
	if got.GetCertificate().GetClass() != bothyv1.Class_SAFETY || got.GetClass() != bothyv1.Class_HAZARD {
		t.Errorf("certificate for %s, class %s", got.GetCertificate().GetClass(), got.GetClass())
	}
	if plant.ProgressOf(got) != bothyv1.Progress_REPORTED || w.standing("d-14") != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("progress %s, machine %s", plant.ProgressOf(got), w.standing("d-14"))
	}
}

// The defect was dismissed meanwhile; whoever read it before still raises it.
func TestAStaleEditOfADefectThatWasClosedMeanwhile(t *testing.T) {
	w := checked(t)
	read := w.report(operator, leak())
	if _, err := w.edit(supervisor, &bothyv1.Defect{
		Id: read.GetId(), Etag: read.GetEtag(), Progress: bothyv1.Progress_DISMISSED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "condensation"},
	}, "progress", "certificate"); err != nil {
		t.Fatal(err)
	}
	if got := w.standing("d-14"); got != bothyv1.Standing_FIT {
		t.Fatalf("dismissed, and the machine reads %s", got)
	}
	got, err := w.edit(operator, &bothyv1.Defect{Id: read.GetId(), Etag: read.GetEtag(), Class: bothyv1.Class_HAZARD, Marking: bothyv1.Marking_TAGGED}, "class", "marking")
	if err != nil {
		t.Fatal(err)
	}
	if got.GetClass() != bothyv1.Class_HAZARD || !plant.Open(got) || w.standing("d-14") != bothyv1.Standing_OUT_OF_SERVICE {
		t.Errorf("%v, machine %s", got, w.standing("d-14"))
	}
	_, err = w.edit(operator, &bothyv1.Defect{Id: read.GetId(), Etag: w.defect(read.GetId()).GetEtag(), Class: bothyv1.Class_SAFETY}, "class")
	wantFault(t, err, fault.KindForbidden)
}

func TestNotesOfPeopleWhoReadTheSameAllStay(t *testing.T) {
	w := cabin(t)
	read := w.report(operator, leak())
	for _, person := range []string{operator, fitter, supervisor} {
		d := proto.CloneOf(read)
		d.Notes = append(d.Notes, &bothyv1.Note{Text: "seen by " + person})
		if _, err := w.edit(person, &bothyv1.Defect{Id: d.GetId(), Etag: d.GetEtag(), Notes: d.GetNotes()}, "notes"); err != nil {
			t.Fatal(err)
		}
		w.later(time.Minute)
	}
	got := w.defect(read.GetId())
	var texts []string
	for _, n := range got.GetNotes() {
		texts = append(texts, n.GetText())
	}
	if want := []string{"seen by ada-flint", "seen by cleo-marsh", "seen by bram-holt"}; !slices.Equal(texts, want) {
		t.Errorf("got %q", texts)
	}
	_, err := w.edit(operator, &bothyv1.Defect{Id: got.GetId(), Etag: got.GetEtag()}, "notes")
	wantFault(t, err, fault.KindInvalid, "defect.notes")
}

// A defect may come before its machine and its sheet. Its point may be one that
// is always a hazard.
func TestAPointThatIsNotKnownHereIsNotLowered(t *testing.T) {
	w := cabin(t)
	early := &bothyv1.Defect{Id: "x-1.anchor", Machine: "d-77", Site: "heron-pit", Point: "anchor", Text: "loose",
		Class: bothyv1.Class_HAZARD, Progress: bothyv1.Progress_REPORTED, Marking: bothyv1.Marking_TAGGED}
	w.put(early)
	_, err := w.edit(supervisor, &bothyv1.Defect{
		Id: early.GetId(), Etag: w.defect(early.GetId()).GetEtag(), Class: bothyv1.Class_SAFETY, Notes: []*bothyv1.Note{{Text: "it holds"}},
	}, "class", "notes")
	wantFault(t, err, fault.KindInvalid, "defect.class")
}

// put writes a record as it is, as one that another replica sent.
func (w *world) put(m proto.Message) {
	w.t.Helper()
	if err := w.store.Write(context.Background(), "", func(s store.Writer) error {
		_, err := s.Create(m, store.Calm)
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
}

func TestFindingsOfPeopleWhoReadTheSameAllStay(t *testing.T) {
	w := cabin(t)
	read := w.report(operator, leak())
	for _, person := range []string{mate, supervisor} {
		d := proto.CloneOf(read)
		d.Findings = append(d.Findings, &bothyv1.Finding{Note: "dripping, says " + person})
		if _, err := w.edit(person, &bothyv1.Defect{Id: d.GetId(), Etag: d.GetEtag(), Findings: d.GetFindings()}, "findings"); err != nil {
			t.Fatal(err)
		}
	}
	var people []string
	for _, f := range w.defect(read.GetId()).GetFindings() {
		people = append(people, f.GetPerson())
	}
	if want := []string{operator, mate, supervisor}; !slices.Equal(people, want) {
		t.Errorf("found by %q, want %q", people, want)
	}
}

func TestClosedDefectsAreListedOnlyWhenAskedFor(t *testing.T) {
	w := cabin(t)
	open, closed := w.report(operator, leak()), w.report(operator, leak())
	if _, err := w.edit(supervisor, &bothyv1.Defect{
		Id: closed.GetId(), Etag: closed.GetEtag(), Progress: bothyv1.Progress_DISMISSED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "condensation"},
	}, "progress", "certificate"); err != nil {
		t.Fatal(err)
	}
	for all, want := range map[bool][]string{false: {open.GetId()}, true: {open.GetId(), closed.GetId()}} {
		resp, err := w.ListDefects(context.Background(), &bothyv1.ListDefectsRequest{Machine: "d-14", IncludeClosed: all})
		if err != nil {
			t.Fatal(err)
		}
		if got := idsOf(resp.GetDefects()); !slices.Equal(got, want) {
			t.Errorf("with closed ones %v: got %q, want %q", all, got, want)
		}
	}
}
