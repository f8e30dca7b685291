package book_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
)

// lists are all lists, by a function that gives the ids of one page.
func lists(w *world) map[string]func(size int32, token string) ([]string, string, error) {
	ctx := context.Background()
	return map[string]func(int32, string) ([]string, string, error){
		"sites": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListSites(ctx, &bothyv1.ListSitesRequest{PageSize: size, PageToken: token})
			return idsOf(resp.GetSites()), resp.GetNextPageToken(), err
		},
		"people": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListPeople(ctx, &bothyv1.ListPeopleRequest{PageSize: size, PageToken: token})
			return idsOf(resp.GetPeople()), resp.GetNextPageToken(), err
		},
		"machines": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListMachines(ctx, &bothyv1.ListMachinesRequest{PageSize: size, PageToken: token})
			return idsOf(resp.GetMachines()), resp.GetNextPageToken(), err
		},
		"machines of a site": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListMachines(ctx, &bothyv1.ListMachinesRequest{PageSize: size, PageToken: token, Site: "ravens-quarry"})
			return idsOf(resp.GetMachines()), resp.GetNextPageToken(), err
		},
		"holds": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListHolds(ctx, &bothyv1.ListHoldsRequest{PageSize: size, PageToken: token})
			return idsOf(resp.GetHolds()), resp.GetNextPageToken(), err
		},
		"checks of a machine": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListChecks(ctx, &bothyv1.ListChecksRequest{PageSize: size, PageToken: token, Machine: "D 14"})
			return idsOf(resp.GetChecks()), resp.GetNextPageToken(), err
		},
		"checks of a site": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListChecks(ctx, &bothyv1.ListChecksRequest{PageSize: size, PageToken: token, Site: "ravens-quarry"})
			return idsOf(resp.GetChecks()), resp.GetNextPageToken(), err
		},
		"defects": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListDefects(ctx, &bothyv1.ListDefectsRequest{PageSize: size, PageToken: token})
			return idsOf(resp.GetDefects()), resp.GetNextPageToken(), err
		},
		"defects of a machine": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListDefects(ctx, &bothyv1.ListDefectsRequest{PageSize: size, PageToken: token, Machine: "d-14"})
			return idsOf(resp.GetDefects()), resp.GetNextPageToken(), err
		},
		"conflicts": func(size int32, token string) ([]string, string, error) {
			resp, err := w.ListConflicts(ctx, &bothyv1.ListConflictsRequest{PageSize: size, PageToken: token})
			var ids []string
			for _, c := range resp.GetConflicts() {
				ids = append(ids, c.GetId()+" "+c.GetField())
			}
			return ids, resp.GetNextPageToken(), err
		},
		"queue": func(size int32, token string) ([]string, string, error) {
			resp, err := w.Queue(ctx, &bothyv1.ListQueueRequest{PageSize: size, PageToken: token})
			var ids []string
			for _, r := range resp.GetRows() {
				ids = append(ids, r.GetDefect().GetId())
			}
			return ids, resp.GetNextPageToken(), err
		},
	}
}

func idsOf[T interface{ GetId() string }](records []T) []string {
	var ids []string
	for _, r := range records {
		ids = append(ids, r.GetId())
	}
	return ids
}

// full is a world in which every list has several rows.
func full(t testing.TB) *world {
	w := checked(t)
	for i := range 9 {
		class := bothyv1.Class(1 + i%3)
		d := w.report(operator, &bothyv1.Defect{Machine: []string{"d-14", "d-15"}[i%2], Text: "worn", Class: class, Marking: bothyv1.Marking_TAGGED})
		w.hold(operator, "d-14", fmt.Sprintf("reason %d", i))
		for _, p := range []bothyv1.Progress{bothyv1.Progress_TAKEN, bothyv1.Progress_WAITING} {
			if _, err := w.edit(fitter, &bothyv1.Defect{Id: d.GetId(), Etag: d.GetEtag(), Progress: p}, "progress"); err != nil {
				t.Fatal(err)
			}
		}
		w.send(operator, w.clean("d-14", bothyv1.Purpose_PRE_USE))
	}
	return w
}

func TestEveryListComesInPages(t *testing.T) {
	w := full(t)
	for name, list := range lists(w) {
		t.Run(name, func(t *testing.T) {
			want, next, err := list(500, "")
			if err != nil || next != "" || len(want) < 2 {
				t.Fatal(want, next, err)
			}
			for _, size := range []int32{1, 2, 3, int32(len(want)) - 1, int32(len(want))} {
				var got []string
				token := ""
				for {
					ids, next, err := list(size, token)
					if err != nil || len(ids) > int(size) || len(got) > len(want) {
						t.Fatal(ids, got, err)
					}
					got = append(got, ids...)
					if token = next; token == "" {
						break
					}
				}
				if !slices.Equal(got, want) {
					t.Errorf("pages of %d: got %q, want %q", size, got, want)
				}
			}
		})
	}
}

// A page token that was altered is refused.
func TestPageTokensAreForTheirList(t *testing.T) {
	w := full(t)
	tokens := map[string]string{"made up": "bm8gdG9rZW4", "not base64": "%%%", "too short": "AAAA"}
	for name, list := range lists(w) {
		_, next, err := list(1, "")
		if err != nil {
			t.Fatal(name, err)
		}
		tokens["of "+name] = next
		tokens["of "+name+", altered"] = next[:len(next)-2] + "xy"
	}
	for name, list := range lists(w) {
		for which, token := range tokens {
			_, _, err := list(1, token)
			if which == "of "+name {
				if err != nil {
					t.Errorf("%s: token %s: %v", name, which, err)
				}
				continue
			}
			if f := fault.Of(err); f == nil || f.Kind != fault.KindInvalid || f.Violations[0].Field != "pageToken" {
				t.Errorf("%s: token %s: got %v", name, which, err)
			}
		}
		_, _, err := list(-1, "")
		wantFault(t, err, fault.KindInvalid, "pageSize")
	}
}

// A size without end is cut.
func TestAPageHasAtMost500Rows(t *testing.T) {
	w := cabin(t)
	rows := "fleet_number,machine_type,site,options\n"
	for i := range 600 {
		rows += fmt.Sprintf("R %d,wheeled-site-dumper,ravens-quarry,straight-skip; frame\n", i)
	}
	w.load(file("machines.csv", rows))
	for size, want := range map[int32]int{0: 100, 500: 500, 501: 500, 1_000_000_000: 500} {
		resp, err := w.ListMachines(context.Background(), &bothyv1.ListMachinesRequest{PageSize: size})
		if err != nil || len(resp.GetMachines()) != want || resp.GetNextPageToken() == "" {
			t.Errorf("page size %d: %d rows, %v", size, len(resp.GetMachines()), err)
		}
	}
}

// A row that goes while somebody turns the pages moves no other off a page.
func TestNothingIsSkippedWhenARowGoes(t *testing.T) {
	w := full(t)
	req := &bothyv1.ListDefectsRequest{PageSize: 2}
	all, err := w.ListDefects(context.Background(), &bothyv1.ListDefectsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	first, err := w.ListDefects(context.Background(), req)
	if err != nil {
		t.Fatal(err)
	}
	gone := first.GetDefects()[0]
	if _, err := w.edit(supervisor, &bothyv1.Defect{
		Id: gone.GetId(), Etag: gone.GetEtag(), Progress: bothyv1.Progress_DISMISSED,
		Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_NO_REPAIR_NEEDED, Text: "within the maker's limits"},
	}, "progress", "certificate"); err != nil {
		t.Fatal(err)
	}
	req.PageToken = first.GetNextPageToken()
	second, err := w.ListDefects(context.Background(), req)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := idsOf(second.GetDefects()), idsOf(all.GetDefects()[2:4]); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestListsOfWhatIsNotKnownAreRefused(t *testing.T) {
	w := cabin(t)
	ctx := context.Background()
	_, err := w.ListMachines(ctx, &bothyv1.ListMachinesRequest{Site: "nowhere"})
	wantFault(t, err, fault.KindInvalid, "site")
	_, err = w.ListChecks(ctx, &bothyv1.ListChecksRequest{Site: "nowhere"})
	wantFault(t, err, fault.KindInvalid, "site")
	_, err = w.ListChecks(ctx, &bothyv1.ListChecksRequest{Machine: "D 99"})
	wantFault(t, err, fault.KindMissing)
	_, err = w.ListDefects(ctx, &bothyv1.ListDefectsRequest{Machine: "D 99"})
	wantFault(t, err, fault.KindMissing)
	_, err = w.ListHolds(ctx, &bothyv1.ListHoldsRequest{Machine: "!"})
	wantFault(t, err, fault.KindInvalid, "machine")
	_, err = w.GetVerdict(ctx, &bothyv1.GetVerdictRequest{Machine: "D 99"})
	wantFault(t, err, fault.KindMissing)
	_, err = w.GetDefect(ctx, &bothyv1.GetDefectRequest{Defect: "a-999"})
	wantFault(t, err, fault.KindMissing)
	_, err = w.GetCheck(ctx, &bothyv1.GetCheckRequest{Check: "no\x00thing"})
	wantFault(t, err, fault.KindInvalid, "check")
}

func FuzzPageToken(f *testing.F) {
	w := full(f)
	for _, list := range lists(w) {
		_, next, err := list(1, "")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(next)
	}
	f.Add("")
	f.Fuzz(func(t *testing.T, token string) {
		for name, list := range lists(w) {
			if _, _, err := list(1, token); err != nil && fault.Of(err).Kind != fault.KindInvalid {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

func FuzzEtag(f *testing.F) {
	w := cabin(f)
	d := w.report(operator, leak())
	f.Add(d.GetEtag())
	f.Add("AAAA")
	f.Fuzz(func(t *testing.T, etag string) {
		got, err := w.edit(supervisor, &bothyv1.Defect{Id: d.GetId(), Etag: etag, DueAt: d.GetReportedAt()}, "due_at")
		if err != nil && fault.Of(err).Kind != fault.KindInvalid {
			t.Fatal(err)
		}
		if err == nil && !proto.Equal(got.GetDueAt(), d.GetReportedAt()) {
			t.Errorf("got %v", got)
		}
	})
}
