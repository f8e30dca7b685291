package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// inProcess runs the program as a value.
func inProcess(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = run(context.Background(), args, environment(nil), &out, &errs)
	return code, out.String(), errs.String()
}

func TestStoreOf32BitBuildsIsRefused(t *testing.T) {
	if err := wideEnough(32); err == nil || !strings.Contains(err.Error(), "use a 64-bit build") {
		t.Errorf("32 bits: got %v", err)
	}
	if err := wideEnough(64); err != nil {
		t.Errorf("64 bits: got %v", err)
	}
}

func TestHelpNamesEveryCommandButThoseForTheProgramItself(t *testing.T) {
	code, overview, _ := inProcess("help")
	if code != done {
		t.Errorf("exit code %d", code)
	}
	for _, cmd := range commands() {
		if listed := strings.Contains(overview, "  bothy "+cmd.name+" "); listed == (cmd.name == "examine-view") {
			t.Errorf("%s is listed: %v", cmd.name, listed)
		}
		for _, args := range [][]string{{"help", cmd.name}, {cmd.name, "--help"}, {cmd.name, "-h"}} {
			code, manual, stderr := inProcess(args...)
			if code != done || stderr != "" || !strings.HasPrefix(manual, "bothy "+cmd.name) {
				t.Errorf("%v: exit code %d, %q, %q", args, code, manual, stderr)
			}
			for _, s := range cmd.settings {
				if !strings.Contains(manual, "--"+s.flag()+" ") {
					t.Errorf("%v does not tell of %s", args, s.name)
				}
			}
		}
	}
	for _, args := range [][]string{{"--help"}, {"-h"}} {
		if _, got, _ := inProcess(args...); got != overview {
			t.Errorf("%v is no overview: %q", args, got)
		}
	}
	if code, stdout, stderr := inProcess(); code != misled || stdout != "" || stderr != overview {
		t.Errorf("no command: exit code %d, stdout %q, stderr %q", code, stdout, stderr)
	}
}

func TestDefaultsAreTaken(t *testing.T) {
	for _, cmd := range commands() {
		for _, s := range cmd.settings {
			if s.fallback != "" && s.set(s.fallback) != nil {
				t.Errorf("%s: the default of %s is refused: %v", cmd.name, s.name, s.set(s.fallback))
			}
		}
	}
}

func TestVersion(t *testing.T) {
	for _, arg := range []string{"version", "--version"} {
		if code, stdout, _ := inProcess(arg); code != done || !strings.HasPrefix(stdout, "bothy ") || strings.Count(stdout, "\n") != 1 {
			t.Errorf("%s: exit code %d, %q", arg, code, stdout)
		}
	}
}

// serve answers one path with a message or a status.
func serve(t *testing.T, path string, code int, answer string, seen *http.Request) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != path {
			t.Errorf("asked for %s, want %s", r.URL.Path, path)
		}
		if seen != nil {
			body, _ := io.ReadAll(r.Body)
			*seen = *r
			seen.Body = io.NopCloser(bytes.NewReader(body))
		}
		w.WriteHeader(code)
		io.WriteString(w, answer)
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func TestStatusTellsTheLinkLineByLine(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 3, 2, 7, 15, 0, 0, time.UTC))
	for _, test := range []struct {
		what string
		link *bothyv1.Link
		want string
	}{
		{"with everything", &bothyv1.Link{
			Replica: "00000000000000a1", Cabin: "ravens-1", Sites: []string{"ravens-quarry", "heron-pit"}, Connected: true,
			LastContactAt: at, ClockAheadMs: proto.Int64(-120), Written: 43, Receipted: 41, BytesSent: 900, BytesReceived: 1200,
			Lanes:   []*bothyv1.Lane{{Lane: 0}, {Lane: 1, ChangesWaiting: 2, BytesWaiting: 420, OldestAt: at}, {Lane: 2}},
			Refused: []*bothyv1.RefusedChange{{Replica: "00000000000000a1", Sequence: 7, Kind: "defects", Id: "d-1", Reason: "it is too large"}},
			Alarms:  []string{"The view could not be trusted."}, Digest: "abcd",
		}, `cabin ravens-1, replica 00000000000000a1, sites ravens-quarry, heron-pit
link: connected; last answer of the hub: 2026-03-02T07:15:00Z
clock: 120 ms behind the hub's
lane 0, hazards and holds: nothing waits
lane 1, other defects: 2 changes wait, 420 bytes, the oldest since 2026-03-02T07:15:00Z
lane 2, everything else: nothing waits
receipts: the hub holds 41 of 43 changes made here
traffic since the start: 900 bytes sent, 1200 received
refused: change 7 of 00000000000000a1 to defects d-1: it is too large
alarm: The view could not be trusted.
digest: abcd
may be wiped: no, the hub does not hold everything
`},
		{"never linked", &bothyv1.Link{Replica: "00000000000000a1", Cabin: "ravens-1", Sites: []string{"ravens-quarry"}, Digest: "abcd"},
			`cabin ravens-1, replica 00000000000000a1, sites ravens-quarry
link: not connected; last answer of the hub: never
clock: never compared with the hub's
receipts: the hub holds 0 of 0 changes made here
traffic since the start: 0 bytes sent, 0 received
digest: abcd
may be wiped: no, the hub does not hold everything
`},
		{"clear", &bothyv1.Link{Replica: "00000000000000a1", Cabin: "ravens-1", Sites: []string{"ravens-quarry"}, ClockAheadMs: proto.Int64(0), Written: 2, Receipted: 2, MayBeWiped: true},
			`cabin ravens-1, replica 00000000000000a1, sites ravens-quarry
link: not connected; last answer of the hub: never
clock: 0 ms ahead of the hub's
receipts: the hub holds 2 of 2 changes made here
traffic since the start: 0 bytes sent, 0 received
digest: 
may be wiped: yes
`},
	} {
		t.Run(test.what, func(t *testing.T) {
			content, err := protojson.Marshal(test.link)
			if err != nil {
				t.Fatal(err)
			}
			url := serve(t, "/v1/link", http.StatusOK, string(content), nil)
			code, stdout, stderr := inProcess("status", "--node", url+"/")
			if code != done || stdout != test.want {
				t.Errorf("exit code %d, %s\ngot\n%s\nwant\n%s", code, stderr, stdout, test.want)
			}
		})
	}
}

func TestWhatAServerRefusesIsToldLineByLine(t *testing.T) {
	for _, test := range []struct {
		what   string
		code   int
		answer string
		want   []string
	}{
		{"in our form", http.StatusBadRequest, `{"code":3,"message":"files: is empty","details":[{"@type":"type.googleapis.com/google.rpc.ErrorInfo","reason":"INVALID","domain":"bothy"},{"@type":"type.googleapis.com/google.rpc.BadRequest","fieldViolations":[{"field":"files","description":"is empty"},{"field":"files[0].name","description":"is wrong"}]}]}`,
			[]string{"bothy status: %s refused (400 Bad Request): files: is empty", "bothy status: %s refused (400 Bad Request): files[0].name: is wrong"}},
		{"in our form, about no field", http.StatusForbidden, `{"code":7,"message":"only the office may","details":[{"@type":"type.googleapis.com/google.rpc.ErrorInfo","reason":"FORBIDDEN","domain":"bothy"}]}`,
			[]string{"bothy status: %s refused (403 Forbidden): only the office may"}},
		{"in nobody's form", http.StatusBadGateway, "<html>", []string{"bothy status: %s answered 502 Bad Gateway"}},
		{"an answer of something else", http.StatusOK, "<html>", []string{"bothy status: %s is not a node or hub of ours, or of another version: "}},
	} {
		t.Run(test.what, func(t *testing.T) {
			url := serve(t, "/v1/link", test.code, test.answer, nil)
			code, stdout, stderr := inProcess("status", "--node", url)
			if code != failed || stdout != "" {
				t.Errorf("exit code %d, stdout %q", code, stdout)
			}
			lines := strings.Split(strings.TrimSpace(stderr), "\n")
			if len(lines) != len(test.want) {
				t.Fatalf("got %q", lines)
			}
			for i, want := range test.want {
				if strings.Contains(want, "%s") {
					want = fmt.Sprintf(want, url)
				}
				if !strings.HasPrefix(lines[i], want) {
					t.Errorf("got %q, want %q", lines[i], want)
				}
			}
		})
	}
}

func TestNoAnswerSaysWhatToLookAt(t *testing.T) {
	s := httptest.NewServer(http.NotFoundHandler())
	s.Close()
	if code, _, stderr := inProcess("status", "--node", s.URL); code != failed || !strings.Contains(stderr, "is it running, and is the address right?") {
		t.Errorf("exit code %d, %q", code, stderr)
	}
}

// register writes files of a register into a directory.
func register(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, content := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestImportSendsWhatIsThereInAPersonsName(t *testing.T) {
	answer := &bothyv1.ImportRegisterResponse{Files: []*bothyv1.FileResult{
		{Name: "sites.csv", Rows: 2, Created: 1, Changed: 1},
		{Name: "machines.csv", Rows: 9, Problems: []*bothyv1.RowProblem{
			{Line: 7, Field: "tyre_pressures", Problem: `"x" is not a tyre pressure`},
			{Line: 8, Problem: "has 3 cells, but the header has 4 columns"},
		}},
	}}
	content, err := protojson.Marshal(answer)
	if err != nil {
		t.Fatal(err)
	}
	var seen http.Request
	url := serve(t, "/v1/register:import", http.StatusOK, string(content), &seen)
	dir := register(t, map[string]string{"machines.csv": "m", "sites.csv": "s", "notes.csv": "n"})
	code, stdout, stderr := inProcess("import", dir, "--hub", url, "--person", "dora-pike")
	if code != failed {
		t.Errorf("exit code %d with problems", code)
	}
	if want := "sites.csv: 2 rows, 1 created, 1 changed, 0 unchanged\nmachines.csv: 9 rows, 0 created, 0 changed, 0 unchanged\n"; stdout != want {
		t.Errorf("got\n%s\nwant\n%s", stdout, want)
	}
	want := `machines.csv line 7, tyre_pressures: "x" is not a tyre pressure
machines.csv line 8: has 3 cells, but the header has 4 columns
bothy import: 2 problems; nothing was loaded from the files that have them
`
	if stderr != want {
		t.Errorf("got\n%s\nwant\n%s", stderr, want)
	}
	sent := new(bothyv1.ImportRegisterRequest)
	body, _ := io.ReadAll(seen.Body)
	if err := protojson.Unmarshal(body, sent); err != nil {
		t.Fatal(err)
	}
	wantSent := &bothyv1.ImportRegisterRequest{Files: []*bothyv1.RegisterFile{{Name: "sites.csv", Content: []byte("s")}, {Name: "machines.csv", Content: []byte("m")}}}
	if !proto.Equal(sent, wantSent) || seen.Method != http.MethodPost || seen.Header.Get("Bothy-Person") != "dora-pike" {
		t.Errorf("%s by %q: %v", seen.Method, seen.Header.Get("Bothy-Person"), sent)
	}
}

func TestImportOfNothingIsRefused(t *testing.T) {
	for _, dir := range []string{t.TempDir(), filepath.Join(t.TempDir(), "none")} {
		code, _, stderr := inProcess("import", dir, "--person", "dora-pike")
		if want := "bothy import: there is none of sites.csv, people.csv, machines.csv in " + dir + "\n"; code != failed || stderr != want {
			t.Errorf("exit code %d, got %q, want %q", code, stderr, want)
		}
	}
}

func TestKeysAreLongEnough(t *testing.T) {
	for content, ok := range map[string]bool{
		"0123456789abcdef": true, "0123456789abcdef\r\n": true, "0123456789abcde": false, "0123456789abcde\n": false, "": false,
	} {
		key, err := readKey(write(t, "key", content))
		if (err == nil) != ok || ok && string(key) != "0123456789abcdef" {
			t.Errorf("%q: got %q, %v", content, key, err)
		}
	}
	if key, err := readKey(""); key != nil || err != nil {
		t.Errorf("no file: got %q, %v", key, err)
	}
	if _, err := readKey("no-such-file"); err == nil {
		t.Error("a missing file is no key")
	}
}

func TestAFileAppearsWholeOrNotAtAll(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "out")
	say := func(text string, err error) func(*bufio.Writer) error {
		return func(w *bufio.Writer) error {
			_, writeErr := w.WriteString(text)
			return errors.Join(writeErr, err)
		}
	}
	if err := writeNew(name, say("half", errors.New("cut off"))); err == nil || !strings.Contains(err.Error(), "cut off") {
		t.Errorf("got %v", err)
	}
	if left := filesIn(t, dir); len(left) > 0 {
		t.Errorf("a failure left %v", left)
	}
	if err := writeNew(name, say("whole", nil)); err != nil {
		t.Error(err)
	}
	if err := writeNew(name, say("other", nil)); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("got %v", err)
	}
	if content, err := os.ReadFile(name); string(content) != "whole" {
		t.Errorf("got %q, %v", content, err)
	}
	if left := filesIn(t, dir); len(left) != 1 {
		t.Errorf("there are %v", left)
	}
}

// A mistyped directory must not become a new, empty replica.
func TestToolsMakeNoReplica(t *testing.T) {
	for _, args := range [][]string{
		{"rebuild"}, {"backup", "--out", filepath.Join(t.TempDir(), "out")}, {"import", register(t, map[string]string{"sites.csv": "id"})},
	} {
		dir := filepath.Join(t.TempDir(), "mistyped")
		code, _, stderr := inProcess(append(args, "--dir", dir)...)
		want := fmt.Sprintf("bothy %s: %s is not the data directory of a node or hub; name the one that its setting dir names\n", args[0], dir)
		if code != failed || stderr != want {
			t.Errorf("exit code %d, got %q, want %q", code, stderr, want)
		}
		if _, err := os.Stat(dir); err == nil {
			t.Errorf("bothy %s made it", args[0])
		}
	}
}

func TestADirectoryTellsWhoseItIs(t *testing.T) {
	for parts, node := range map[string]bool{"own received view": true, "received": true, "own view stream": false, "own view": false, "own received view stream": false} {
		dir := t.TempDir()
		for part := range strings.FieldsSeq(parts) {
			if err := os.Mkdir(filepath.Join(dir, part), 0o700); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := isNodes(dir); err != nil || got != node {
			t.Errorf("with %s: a node's: %v, %v, want %v", parts, got, err, node)
		}
	}
}

func TestLoopback(t *testing.T) {
	for address, want := range map[string]bool{
		"127.0.0.1:80": true, "[::1]:80": true, "localhost:80": true, "127.0.0.1": true,
		":80": false, "0.0.0.0:80": false, "[::]:80": false, "10.0.0.1:80": false, "hub.example:80": false,
	} {
		if got := loopback(address); got != want {
			t.Errorf("%s: got %v, want %v", address, got, want)
		}
	}
}

// What is set arrives, every setting with a value of its own.
func TestSettingsArrive(t *testing.T) {
	var n nodeSettings
	n.command().readOrFail(t, "--name=ravens-1", "--sites=a,b", "--dir=d", "--http=:1", "--grpc=:2", "--hub=nats://h:3,nats://h:4", "--ask-every=5m", "--free-space=6MB")
	node := n.config([]string{"examine"}, nil)
	if node.Name != "ravens-1" || !slices.Equal(node.Sites, []string{"a", "b"}) || node.Dir != "d" || node.HTTP != ":1" || node.GRPC != ":2" ||
		!slices.Equal(node.Hub, []string{"nats://h:3", "nats://h:4"}) || node.AskEvery != 5*time.Minute || node.FreeBytes != 6<<20 ||
		!slices.Equal(node.Examine, []string{"examine"}) || node.Version == "" || node.Now == nil || node.ServeTLS != nil || node.HubTLS != nil {
		t.Errorf("the node gets %+v", node)
	}
	var h hubSettings
	h.command().readOrFail(t, "--dir=d", "--http=:1", "--grpc=:2", "--nats-url=nats://h:3,nats://h:4", "--copies=3", "--silent-after=5h", "--free-space=6MB")
	hub := h.config([]string{"examine"}, nil)
	if hub.Dir != "d" || hub.HTTP != ":1" || hub.GRPC != ":2" || !slices.Equal(hub.NATSURLs, []string{"nats://h:3", "nats://h:4"}) || hub.Copies != 3 ||
		hub.SilentAfter != 5*time.Hour || hub.FreeBytes != 6<<20 || !slices.Equal(hub.Examine, []string{"examine"}) || hub.Now == nil {
		t.Errorf("the hub gets %+v", hub)
	}
	h = hubSettings{}
	h.command().readOrFail(t, "--dir=d", "--nats=:5")
	if hub := h.config(nil, nil); hub.NATS != ":5" || hub.NATSURLs != nil || hub.Copies != 1 {
		t.Errorf("the hub gets %+v", hub)
	}
}

func (cmd command) readOrFail(t *testing.T, args ...string) {
	t.Helper()
	if g := cmd.read(args, environment(nil)); len(g.bad) > 0 {
		t.Fatal(g.bad)
	}
}

func TestTLSToTheHubIsUsedWhereItsAddressAsks(t *testing.T) {
	var n nodeSettings
	n.command().readOrFail(t, "--name=a", "--sites=a", "--dir=d", "--hub=nats://h:3,tls://h:4")
	if n.dialTLS == nil {
		t.Error("a node with a hub at tls:// has no TLS")
	}
	var h hubSettings
	h.command().readOrFail(t, "--dir=d", "--nats-url=tls://h:4")
	if h.dialTLS == nil {
		t.Error("a hub with a broker at tls:// has no TLS")
	}
}

func TestLogLevels(t *testing.T) {
	var b bytes.Buffer
	for level, want := range map[string]int{"debug": 4, "info": 3, "warn": 2, "error": 1} {
		b.Reset()
		log := (&serving{level: level}).log(&b)
		log.Debug("d")
		log.Info("i")
		log.Warn("w")
		log.Error("e")
		if got := strings.Count(b.String(), "\n"); got != want {
			t.Errorf("%s: %d lines, want %d", level, got, want)
		}
	}
}
