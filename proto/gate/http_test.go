package gate_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/gate"
)

// What is read arrives whole, on every form of route.
func TestRequestsArriveWhole(t *testing.T) {
	b := start(t)
	due := timestamppb.New(time.Date(2031, 4, 5, 6, 7, 8, 0, time.UTC))
	for name, c := range map[string]struct {
		method, path, body string
		want               proto.Message
	}{
		"no body": {"GET", "/v1/machines/d-14", "", &bothyv1.GetMachineRequest{Machine: "d-14"}},
		"a fleet number with a space and a slash": {"GET", "/v1/machines/D%20%2F14", "", &bothyv1.GetMachineRequest{Machine: "D /14"}},
		"a path unescaped once":                   {"GET", "/v1/machines/a%252Fb", "", &bothyv1.GetMachineRequest{Machine: "a%2Fb"}},
		"a verb that is none":                     {"GET", "/v1/machines/d-14%3Ahold", "", &bothyv1.GetMachineRequest{Machine: "d-14:hold"}},
		"HEAD":                                    {"HEAD", "/v1/machines/d-14", "", &bothyv1.GetMachineRequest{Machine: "d-14"}},
		"a time in the query":                     {"GET", "/v1/machines/d-14/verdict?at=2031-04-05T08:07:08%2B02:00", "", &bothyv1.GetVerdictRequest{Machine: "d-14", At: due}},
		"a query": {"GET", "/v1/defects?machine=D%2014&pageSize=7&include_closed=true&pageToken=", "",
			&bothyv1.ListDefectsRequest{Machine: "D 14", PageSize: 7, IncludeClosed: true}},
		"the request as body": {"POST", "/v1/machines/d-14:hold", `{"reason":"tip\nfence","marking":"TAGGED","request_id":"r1"}`,
			&bothyv1.HoldMachineRequest{Machine: "d-14", Reason: "tip\nfence", Marking: bothyv1.Marking_TAGGED, RequestId: "r1"}},
		"the path said again": {"POST", "/v1/machines/d-14:hold", `{"machine":"d-14"}`, &bothyv1.HoldMachineRequest{Machine: "d-14"}},
		"a field as body, another in the query": {"POST", "/v1/checks?requestId=r2", `{"machine":"d-14","answers":[{"point":"brakes","state":"OK"}]}`,
			&bothyv1.CreateCheckRequest{RequestId: "r2", Check: &bothyv1.Check{Machine: "d-14", Answers: []*bothyv1.Answer{{Point: "brakes", State: bothyv1.AnswerState_OK}}}}},
		"a patch": {"PATCH", "/v1/defects/d1?requestId=r3", `{"etag":"e","progress":"TAKEN","dueAt":"2031-04-05T06:07:08Z"}`,
			&bothyv1.UpdateDefectRequest{RequestId: "r3", Defect: &bothyv1.Defect{Id: "d1", Etag: "e", Progress: bothyv1.Progress_TAKEN, DueAt: due},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"due_at", "etag", "progress"}}}},
		"a patch that clears": {"PATCH", "/v1/defects/d1", `{"limit":null,"limit_until":null,"notes":null,"class":null}`,
			&bothyv1.UpdateDefectRequest{Defect: &bothyv1.Defect{Id: "d1"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"class", "limit", "limit_until", "notes"}}}},
		"a patch of a part": {"PATCH", "/v1/defects/d1", `{"certificate":{"outcome":"MENDED","text":"new hose"},"notes":[{"text":"a"}]}`,
			&bothyv1.UpdateDefectRequest{Defect: &bothyv1.Defect{Id: "d1", Certificate: &bothyv1.Certificate{Outcome: bothyv1.Outcome_MENDED, Text: "new hose"}, Notes: []*bothyv1.Note{{Text: "a"}}},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"certificate.outcome", "certificate.text", "notes"}}}},
		"a patch with a mask of its own": {"PATCH", "/v1/defects/d1?updateMask=dueAt,certificate.signedAt,limit_until", `{"class":"HAZARD"}`,
			&bothyv1.UpdateDefectRequest{Defect: &bothyv1.Defect{Id: "d1", Class: bothyv1.Class_HAZARD},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"due_at", "certificate.signed_at", "limit_until"}}}},
		"a patch of everything": {"PATCH", "/v1/defects/d1?update_mask=*", `{}`,
			&bothyv1.UpdateDefectRequest{Defect: &bothyv1.Defect{Id: "d1"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"*"}}}},
	} {
		a := b.ask(t, c.method, c.path, c.body)
		got, _ := b.last()
		if a.status != http.StatusOK || !proto.Equal(got, c.want) {
			t.Errorf("%s: %d %s\n got %v\nwant %v", name, a.status, a.body, got, c.want)
		}
	}
}

// Refused requests name the field where there is one, and change nothing.
func TestBadRequestsAreRefused(t *testing.T) {
	b := start(t)
	large := `{"note":"` + strings.Repeat("a", 256<<10-len(`{"note":""}`)) + `"}`
	if a := b.ask(t, "POST", "/v1/checks", large); a.status != http.StatusOK {
		t.Errorf("the largest body: %d %s", a.status, a.body)
	}
	b.last()
	for name, c := range map[string]struct {
		method, path, body string
		header             string
		status             int
		fields             string // joined with a space
		says               string
	}{
		// H1: the size of the body.
		"too large": {"POST", "/v1/checks", large + " ", "", 413, "", "at most 262144 bytes"},
		// H5, H6, H7: the JSON. The whole table is with package strictjson.
		"a key twice":                      {"POST", "/v1/checks", `{"note":"a","note":"b"}`, "", 400, "check.note", "twice"},
		"a second value":                   {"POST", "/v1/checks", `{}{}`, "", 400, "", "one JSON value"},
		"NaN":                              {"POST", "/v1/checks", `{"meterHours":NaN}`, "", 400, "", "one JSON value"},
		"a number too great":               {"POST", "/v1/checks", `{"meterHours":1e999}`, "", 400, "check.meterHours", "finite"},
		"bad UTF-8":                        {"POST", "/v1/checks", "{\"note\":\"\xff\"}", "", 400, "", "UTF-8"},
		"half a pair":                      {"POST", "/v1/checks", `{"note":"\ud83d"}`, "", 400, "check.note", "surrogate"},
		"byte order mark":                  {"POST", "/v1/checks", "\uFEFF{}", "", 400, "", "byte order mark"},
		"NUL":                              {"POST", "/v1/checks", `{"note":"\u0000"}`, "", 400, "check.note", "control character"},
		"nested":                           {"POST", "/v1/checks", strings.Repeat(`{"a":`, 9999) + "1" + strings.Repeat("}", 9999), "", 400, "", "at most 32"},
		"misspelt":                         {"POST", "/v1/checks", `{"anwsers":[]}`, "", 400, "check.anwsers", "answers"},
		"misspelt, in a patch":             {"PATCH", "/v1/defects/d1", `{"clas":"HAZARD"}`, "", 400, "defect.clas", "class"},
		"unknown word, in a patch":         {"PATCH", "/v1/defects/d1", `{"class":"HAZZARD"}`, "", 400, "defect.class", "HAZARD, SAFETY, CONDITION"},
		"number for a word, in a patch":    {"PATCH", "/v1/defects/d1", `{"class":1}`, "", 400, "defect.class", "names HAZARD"},
		"unknown word in a whole request":  {"POST", "/v1/machines/d-14:hold", `{"marking":"TAG"}`, "", 400, "marking", "TAGGED"},
		"several":                          {"POST", "/v1/checks", `{"a":1,"answers":[{"state":"BAD","b":2}]}`, "", 400, "check.a check.answers[0].state check.answers[0].b", ""},
		"empty":                            {"PATCH", "/v1/defects/d1", " ", "", 400, "", "empty"},
		"null":                             {"POST", "/v1/checks", "null", "", 400, "", "must be a JSON object"},
		"another id than in the path":      {"PATCH", "/v1/defects/d1", `{"id":"d2"}`, "", 400, "defect.id", "says \"d1\""},
		"another machine than in the path": {"POST", "/v1/machines/d-14:hold", `{"machine":"d-15"}`, "", 400, "machine", "says \"d-14\""},
		// The query.
		"unknown parameter":              {"GET", "/v1/defects?machin=d-14", "", "", 400, "machin", "machine, includeClosed"},
		"parameter of another case":      {"GET", "/v1/defects?Machine=d-14", "", "", 400, "Machine", "allowed are"},
		"parameter with a map's bracket": {"GET", "/v1/defects?machine[a]=d-14", "", "", 400, "machine[a]", "allowed are"},
		"parameter where none is taken":  {"POST", "/v1/machines/d-14:hold?reason=a", `{}`, "", 400, "reason", "takes none"},
		"parameter that the body has":    {"PATCH", "/v1/defects/d1?defect.class=HAZARD", `{}`, "", 400, "defect.class", "allowed are updateMask, requestId"},
		"parameter that the path has":    {"GET", "/v1/machines/d-14?machine=d-15", "", "", 400, "machine", "takes none"},
		"parameter twice":                {"GET", "/v1/defects?machine=a&machine=b", "", "", 400, "machine", "more than once"},
		"parameter in both spellings":    {"GET", "/v1/defects?pageSize=1&page_size=2", "", "", 400, "pageSize", "more than once"},
		"no number":                      {"GET", "/v1/defects?pageSize=many", "", "", 400, "pageSize", "whole number"},
		"number too great":               {"GET", "/v1/defects?pageSize=2147483648", "", "", 400, "pageSize", "32 bits"},
		"no flag":                        {"GET", "/v1/defects?includeClosed=yes", "", "", 400, "includeClosed", "true or false"},
		"no time":                        {"GET", "/v1/machines/d-14/verdict?at=now", "", "", 400, "at", "RFC 3339"},
		"NUL in the query":               {"GET", "/v1/defects?machine=a%00", "", "", 400, "machine", "control character"},
		"a mask of what is not there":    {"PATCH", "/v1/defects/d1?updateMask=class,colour", `{}`, "", 400, "updateMask", "colour"},
		"a mask below a text":            {"PATCH", "/v1/defects/d1?updateMask=text.a", `{}`, "", 400, "updateMask", "text.a"},
		"a query that breaks off":        {"GET", "/v1/defects?machine=%4", "", "", 400, "", "query"},
		"a semicolon":                    {"GET", "/v1/defects?machine=a;pageSize=1", "", "", 400, "", "query"},
		// The path.
		"NUL in the path":        {"GET", "/v1/machines/a%00", "", "", 400, "machine", "control character"},
		"bad UTF-8 in the path":  {"GET", "/v1/machines/%FF", "", "", 400, "machine", "UTF-8"},
		"nothing in the path":    {"GET", "/v1/machines/", "", "", 400, "machine", "empty"},
		"an unknown path":        {"GET", "/v1/lorries", "", "", 404, "", "/v1/lorries"},
		"the root of the API":    {"GET", "/v1", "", "", 404, "", ""},
		"a path with two slashs": {"GET", "/v1//machines", "", "", 404, "", ""},
		"a service not served":   {"GET", "/v1/board", "", "", 404, "", ""},
		"no pages":               {"GET", "/", "", "", 404, "", ""},
		// H31: the insides are not here.
		"profiles": {"GET", "/debug/pprof/", "", "", 404, "", ""},
		"figures":  {"GET", "/debug/vars", "", "", 404, "", ""},
		"metrics":  {"GET", "/metrics", "", "", 404, "", ""},
		// H30: methods. RFC 9110, 15.5.6.
		"PUT":                  {"PUT", "/v1/checks", `{}`, "", 405, "", "GET, HEAD, POST"},
		"OPTIONS":              {"OPTIONS", "/v1/machines/d-14:hold", "", "", 405, "", "POST"},
		"TRACE":                {"TRACE", "/v1/checks", "", "", 405, "", ""},
		"DELETE":               {"DELETE", "/v1/machines/d-14", "", "", 405, "", "GET, HEAD, PATCH"},
		"another method":       {"POST", "/v1/machines/d-14", `{}`, "X-HTTP-Method-Override: GET", 405, "", ""},
		"a form for a GET":     {"POST", "/v1/machines/d-14", "a=b", "Content-Type: application/x-www-form-urlencoded", 405, "", ""},
		"POST to the document": {"POST", "/openapi.json", `{}`, "", 405, "", "GET, HEAD"},
		// Headers and content types. RFC 9110, 15.5.16 and 13.1.1.
		"a form":                     {"POST", "/v1/checks", "note=a", "Content-Type: application/x-www-form-urlencoded", 415, "", "application/json"},
		"a text":                     {"POST", "/v1/checks", "{}", "Content-Type: text/plain", 415, "", "application/json"},
		"no content type":            {"POST", "/v1/checks", "{}", "Content-Type: ", 415, "", "application/json"},
		"UTF-16":                     {"POST", "/v1/checks", "{}", "Content-Type: application/json; charset=utf-16", 415, "", "application/json"},
		"compressed":                 {"POST", "/v1/checks", "{}", "Content-Encoding: gzip", 415, "", "gzip"},
		"If-Match":                   {"PATCH", "/v1/defects/d1", `{}`, `If-Match: "e"`, 412, "", "etag"},
		"If-Unmodified-Since":        {"PATCH", "/v1/defects/d1", `{}`, "If-Unmodified-Since: Sat, 05 Apr 2031 06:07:08 GMT", 412, "", "etag"},
		"a body where none is taken": {"GET", "/v1/machines/d-14", `{}`, "", 400, "", "takes no body"},
		"a person of other letters":  {"GET", "/v1/machines/d-14", "", "Bothy-Person: żaba", 400, "", "Bothy-Person"},
	} {
		var headers []string
		if c.header != "" {
			headers = append(headers, c.header)
		}
		a := b.ask(t, c.method, c.path, c.body, headers...)
		p := a.problem(t)
		fields := strings.Join(p.fields(), " ")
		if a.status != c.status || fields != c.fields || !strings.Contains(a.body, strings.Trim(fmt.Sprintf("%q", c.says), `"`)) {
			t.Errorf("%s: got %d %s; want %d, fields %q, %q", name, a.status, a.body, c.status, c.fields, c.says)
		}
		if len(p.Details) == 0 || p.Details[0].Domain != "bothy" {
			t.Errorf("%s: the error has no ErrorInfo: %s", name, a.body)
		}
		if asked, _ := b.last(); asked != nil {
			t.Errorf("%s: the service was asked %v", name, asked)
		}
	}
}

func TestTwoPersonsCannotAct(t *testing.T) {
	b := start(t)
	if a := b.ask(t, "GET", "/v1/machines/d-14", "", "Bothy-Person: a.bell", "Bothy-Person: b.ash"); a.status != http.StatusBadRequest {
		t.Errorf("got %d %s", a.status, a.body)
	}
}

// Allow names every method of a path (RFC 9110, 15.5.6).
func TestAllow(t *testing.T) {
	b := start(t)
	for path, want := range map[string]string{
		"/v1/checks":            "GET, HEAD, POST",
		"/v1/machines/d-14":     "GET, HEAD, PATCH",
		"/v1/machines/D%2F14":   "GET, HEAD, PATCH",
		"/v1/checks/c1":         "GET, HEAD",
		"/v1/checks/c1:amend":   "GET, HEAD, POST",
		"/openapi.json":         "GET, HEAD",
		"/healthz":              "GET, HEAD",
		"/v1/machines/x/sheets": "GET, HEAD",
	} {
		a := b.ask(t, "DELETE", path, "")
		if got := a.header.Get("Allow"); a.status != http.StatusMethodNotAllowed || got != want {
			t.Errorf("DELETE %s: %d, Allow %q; want 405, %q", path, a.status, got, want)
		}
	}
}

func TestAnswersHaveEmptyThingsAndNoNulls(t *testing.T) {
	b := start(t)
	a := b.ask(t, "GET", "/v1/checks/c1", "")
	var got map[string]any
	if err := json.Unmarshal([]byte(a.body), &got); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]string{"id": "c1", "answers": "[]", "note": "", "meterHours": "0", "marking": "MARKING_UNSPECIFIED"} {
		if fmt.Sprint(got[name]) != want {
			t.Errorf("%s is %v, want %s", name, got[name], want)
		}
	}
	if _, ok := got["startedAt"]; ok || strings.Contains(a.body, "null") {
		t.Errorf("what is not set is there: %s", a.body)
	}
	if got := a.header.Get("Content-Type"); got != "application/json" {
		t.Errorf("the content type is %q", got)
	}
	for header := range a.header {
		if strings.HasPrefix(header, "Grpc-") {
			t.Errorf("the answer has the header %s", header)
		}
	}
}

func TestHeadHasTheHeaderOfGet(t *testing.T) {
	b := start(t)
	get, head := b.ask(t, "GET", "/v1/machines/d-14", ""), b.ask(t, "HEAD", "/v1/machines/d-14", "")
	if head.body != "" || head.header.Get("Content-Length") != get.header.Get("Content-Length") {
		t.Errorf("HEAD: %q, length %s; GET has length %s", head.body, head.header.Get("Content-Length"), get.header.Get("Content-Length"))
	}
}

func TestOpenAPIDocumentAndHealth(t *testing.T) {
	b := start(t)
	var document struct {
		OpenAPI string `json:"openapi"`
		Paths   map[string]any
	}
	a := b.ask(t, "GET", "/openapi.json", "")
	if err := json.Unmarshal([]byte(a.body), &document); err != nil || document.OpenAPI != "3.1.0" || document.Paths["/v1/checks"] == nil {
		t.Errorf("the document: %v, version %q", err, document.OpenAPI)
	}
	if got := a.header.Get("Content-Type"); got != "application/json" {
		t.Errorf("the content type is %q", got)
	}
	if a := b.ask(t, "GET", "/healthz", ""); a.status != http.StatusOK || a.body != `{"status":"SERVING"}` {
		t.Errorf("health: %d %s", a.status, a.body)
	}
}

func TestPagesHaveEveryOtherPath(t *testing.T) {
	b := start(t, func(c *gate.Config) {
		c.Pages = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { fmt.Fprint(w, "page ", r.URL.Path) })
	})
	for _, path := range []string{"/", "/v1.html", "/v10/x", "/machines/d-14", "/healthz/", "/openapi.json5"} {
		if a := b.ask(t, "GET", path, ""); a.body != "page "+path {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
	for _, path := range []string{"/v1/lorries", "/v1", "/healthz"} {
		if a := b.ask(t, "GET", path, ""); strings.HasPrefix(a.body, "page") {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
}

// H1: a body that says that it is too large is refused before it is sent, and one
// that does not say so when it is.
func TestLargeBodiesAreNotWaitedFor(t *testing.T) {
	b := start(t)
	said := b.raw(t, "POST /v1/checks HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nContent-Length: 68719476736\r\n\r\n{")
	if said.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("a length of 64 GiB: %d", said.StatusCode)
	}
	unsaid := b.raw(t, "POST /v1/checks HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n50000\r\n"+strings.Repeat(" ", 0x50000)+"\r\n")
	if unsaid.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("327680 bytes without a length: %d", unsaid.StatusCode)
	}
}

// H2: a body that does not come is cut, and nobody else waits for it.
func TestSlowBodiesAreCut(t *testing.T) {
	b := start(t, func(c *gate.Config) { c.Limits.ReadTime = 200 * time.Millisecond })
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprint(conn, "POST /v1/checks HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n1\r\n{\r\n")
	if a := b.ask(t, "GET", "/v1/machines/d-14", ""); a.status != http.StatusOK {
		t.Errorf("another handheld meanwhile: %d", a.status)
	}
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil || response.StatusCode != http.StatusRequestTimeout {
		t.Fatalf("got %v, %v; want 408", response, err)
	}
	if _, err := io.Copy(io.Discard, conn); err != nil {
		t.Errorf("the connection was not closed: %v", err)
	}
}

// H30: with both a length and chunks the length does not count (RFC 9112, 6.3).
func TestChunksCountNotTheLength(t *testing.T) {
	b := start(t)
	response := b.raw(t, "POST /v1/machines/d-14:hold HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\nE\r\n{\"reason\":\"a\"}\r\n0\r\n\r\n")
	asked, _ := b.last()
	if hold, _ := asked.(*bothyv1.HoldMachineRequest); response.StatusCode != http.StatusOK || hold.GetReason() != "a" {
		t.Errorf("got %d, asked %v", response.StatusCode, asked)
	}
}

func TestHeadersHaveALimit(t *testing.T) {
	b := start(t)
	response := b.raw(t, "GET /v1/machines/d-14 HTTP/1.1\r\nHost: a\r\nX-Long: "+strings.Repeat("a", 64<<10)+"\r\n\r\n")
	if response.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("got %d, want 431", response.StatusCode)
	}
}

// raw sends bytes as they are and reads one answer.
func (b *bench) raw(t *testing.T, request string) *http.Response {
	t.Helper()
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	go io.WriteString(conn, request) // the server may answer before it has all
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	return response
}

// Every route that the OpenAPI document promises for the records is served, and
// the other way round.
func TestRoutesAreThoseOfTheDocument(t *testing.T) {
	b := start(t)
	var document struct{ Paths map[string]map[string]any }
	if err := json.Unmarshal([]byte(b.ask(t, "GET", "/openapi.json", "").body), &document); err != nil {
		t.Fatal(err)
	}
	for path, methods := range document.Paths {
		if slices.ContainsFunc([]string{"/v1/board", "/v1/link", "/v1/fleet", "/v1/queue", "/v1/links", "/v1/history", "/v1/register"}, func(other string) bool {
			return path == other || strings.HasPrefix(path, other+"/") || strings.HasPrefix(path, other+":")
		}) {
			continue // of the services that the fake does not have
		}
		for method := range methods {
			body := ""
			if method != "get" {
				body = "{}"
			}
			a := b.ask(t, strings.ToUpper(method), strings.NewReplacer("{", "", "}", "").Replace(path), body)
			if a.status != http.StatusOK && a.status != http.StatusNotImplemented {
				t.Errorf("%s %s: %d %s", method, path, a.status, a.body)
			}
		}
	}
}
