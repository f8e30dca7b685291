package gate_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/gate"
)

var update = flag.Bool("update", false, "write the golden files anew")

// oneOfEach is an error of every kind, as a service would return it.
func oneOfEach() map[string]error {
	return map[string]error{
		"invalid": fault.Invalid(
			fault.Violation{Field: "check.machine", Problem: "is missing; name the machine"},
			fault.Violation{Field: "check.answers[3].heldSeconds", Problem: "is 3; at least 5 are needed"}),
		"unreadable":   fault.Unreadable("the body is empty; it must be a JSON object"),
		"missing":      fault.Missing("machine", "d-14"),
		"exists":       fault.Exists("machine", "d-14"),
		"forbidden":    fault.Forbidden("only a person with the role FITTER may dismiss a defect; %q has the role OPERATOR", "a.bell"),
		"unnamed":      fault.Unnamed(),
		"clash":        fault.Clash("r-1"),
		"precondition": fault.Precondition("the defect is PROVED; only an open one can be taken").WithReason("DEFECT_CLOSED"),
		"full":         fault.Full("there is no room for more records; free some space on the node"),
		"away":         fault.Away("the hub does not answer").From(errDisk),
		"tooLarge":     fault.TooLarge("the body is too large; at most 262144 bytes are allowed"),
		"late":         fault.Late("the body did not come in time; nothing was done"),
		"dropped":      context.Canceled,
		"unserved":     fault.Unserved("this server does not serve that call"),
		"internal":     errDisk,
	}
}

// Every error looks over HTTP as it always did.
func TestErrorsOverHTTPAreGolden(t *testing.T) {
	b := start(t)
	all := make(map[string]any)
	for name, err := range oneOfEach() {
		b.fakeRecords.answer = func(context.Context) error { return fmt.Errorf("getting a machine: %w", err) }
		a := b.ask(t, "GET", "/v1/machines/d-14", "")
		var body any
		if err := json.Unmarshal([]byte(a.body), &body); err != nil {
			t.Fatal(err)
		}
		headers := make(map[string]string)
		for _, header := range []string{"Content-Type", "Cache-Control", "Retry-After", "Www-Authenticate", "X-Content-Type-Options"} {
			if v := a.header.Get(header); v != "" {
				headers[header] = v
			}
		}
		all[name] = map[string]any{"status": a.status, "headers": headers, "body": body}
	}
	golden(t, "errors.json", all)
}

// golden holds a value as JSON against a file in testdata.
func golden(t *testing.T, name string, value any) {
	t.Helper()
	got, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; if that is meant, run go test -update and read the difference. Got:\n%s", path, got)
	}
}

func TestErrorsOverGRPCSayTheSame(t *testing.T) {
	b := start(t)
	client := bothyv1.NewRecordsServiceClient(b.dial(t))
	for name, err := range oneOfEach() {
		b.fakeRecords.answer = func(context.Context) error { return err }
		_, got := client.GetMachine(t.Context(), &bothyv1.GetMachineRequest{Machine: "d-14"})
		overHTTP := b.ask(t, "GET", "/v1/machines/d-14", "").problem(t)
		s := status.Convert(got)
		if int(s.Code()) != overHTTP.Code || s.Message() != overHTTP.Message || len(s.Details()) != len(overHTTP.Details) {
			t.Errorf("%s: gRPC says %v with %d details, HTTP %+v", name, s, len(s.Details()), overHTTP)
		}
	}
}

// What is not a fault, or only the cause of one, is for the log alone.
func TestInternalsDoNotLeave(t *testing.T) {
	b := start(t)
	for name, answer := range map[string]func(context.Context) error{
		"an error":            func(context.Context) error { return errDisk },
		"a wrapped error":     func(context.Context) error { return fmt.Errorf("reading: %w", errDisk) },
		"a status":            func(context.Context) error { return status.Error(codes.NotFound, errDisk.Error()) },
		"a panic":             func(context.Context) error { panic(errDisk) },
		"a cause":             func(context.Context) error { return fault.Away("the hub does not answer").From(errDisk) },
		"an error with marks": func(context.Context) error { return errors.New("input/output error\n\x00") },
	} {
		b.fakeRecords.answer = answer
		a := b.ask(t, "GET", "/v1/machines/d-14", "")
		_, err := bothyv1.NewRecordsServiceClient(b.dial(t)).GetMachine(t.Context(), new(bothyv1.GetMachineRequest))
		if strings.Contains(a.body+fmt.Sprint(a.header), "input/output") || strings.Contains(fmt.Sprint(err, status.Convert(err).Details()), "input/output") {
			t.Errorf("%s: the text of an internal error left: %s, %v", name, a.body, err)
		}
		if name != "a cause" && (a.status != http.StatusInternalServerError || status.Code(err) != codes.Internal) {
			t.Errorf("%s: got %d and %v, want 500 and INTERNAL", name, a.status, status.Code(err))
		}
	}
	for _, want := range []string{"input/output error on /var/lib/bothy", "panic: ledger", "fake_test.go"} {
		if !strings.Contains(b.log.String(), want) {
			t.Errorf("the log does not have %q", want)
		}
	}
	b.fakeRecords.answer = nil
	if a := b.ask(t, "GET", "/v1/machines/d-14", ""); a.status != http.StatusOK {
		t.Errorf("after a panic: %d %s", a.status, a.body)
	}
}

// The log is for the person who runs the node, and names nobody.
func TestTheLogNamesNobody(t *testing.T) {
	b := start(t)
	b.ask(t, "GET", "/v1/machines/d-14?machin=x", "", "Bothy-Person: a.bell", "Authorization: Bearer s3cret")
	b.ask(t, "GET", "/v1/machines/d-14", "", "Bothy-Person: a.bell", "Authorization: Bearer s3cret")
	log := b.log.String()
	if !strings.Contains(log, "/bothy.v1.RecordsService/GetMachine") || !strings.Contains(log, "status=400") {
		t.Errorf("the log lacks the calls:\n%s", log)
	}
	if strings.Contains(log, "bell") || strings.Contains(log, "s3cret") {
		t.Errorf("the log names a person or a token:\n%s", log)
	}
}

func TestAConfigThatLacksSomethingIsRefused(t *testing.T) {
	if _, err := gate.New(gate.Config{}); err == nil {
		t.Error("an empty config made a gate")
	}
}
