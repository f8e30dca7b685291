package gate_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/caller"
	"github.com/bothy-mesh/bothy/proto/gate"
)

// fakeRecords answers with what it is told, and keeps what it was asked.
type fakeRecords struct {
	bothyv1.UnimplementedRecordsServiceServer
	mu     sync.Mutex
	asked  proto.Message
	person string
	// answer is what a call does; nil gives an empty answer.
	answer func(context.Context) error
}

func keep[Answer any](f *fakeRecords, ctx context.Context, request proto.Message, answer *Answer) (*Answer, error) {
	f.mu.Lock()
	f.asked, f.person = request, caller.Person(ctx)
	act := f.answer
	f.mu.Unlock()
	if act != nil {
		if err := act(ctx); err != nil {
			return nil, err
		}
	}
	return answer, nil
}

// last is what the service was asked last, and by whom; it forgets it.
func (f *fakeRecords) last() (proto.Message, string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	asked := f.asked
	f.asked = nil
	return asked, f.person
}

func (f *fakeRecords) GetMachine(ctx context.Context, r *bothyv1.GetMachineRequest) (*bothyv1.Machine, error) {
	return keep(f, ctx, r, &bothyv1.Machine{Id: "d-14"})
}

func (f *fakeRecords) GetVerdict(ctx context.Context, r *bothyv1.GetVerdictRequest) (*bothyv1.Verdict, error) {
	return keep(f, ctx, r, new(bothyv1.Verdict))
}

func (f *fakeRecords) ListDefects(ctx context.Context, r *bothyv1.ListDefectsRequest) (*bothyv1.ListDefectsResponse, error) {
	return keep(f, ctx, r, new(bothyv1.ListDefectsResponse))
}

func (f *fakeRecords) HoldMachine(ctx context.Context, r *bothyv1.HoldMachineRequest) (*bothyv1.Hold, error) {
	return keep(f, ctx, r, &bothyv1.Hold{Machine: r.GetMachine()})
}

func (f *fakeRecords) CreateCheck(ctx context.Context, r *bothyv1.CreateCheckRequest) (*bothyv1.Check, error) {
	return keep(f, ctx, r, r.GetCheck())
}

func (f *fakeRecords) GetCheck(ctx context.Context, r *bothyv1.GetCheckRequest) (*bothyv1.Check, error) {
	return keep(f, ctx, r, &bothyv1.Check{Id: r.GetCheck()})
}

func (f *fakeRecords) UpdateDefect(ctx context.Context, r *bothyv1.UpdateDefectRequest) (*bothyv1.Defect, error) {
	return keep(f, ctx, r, r.GetDefect())
}

// bench is a running gate with everything that a test needs of it.
type bench struct {
	*fakeRecords
	url  string // of HTTP
	rpc  string // the address of gRPC
	log  *logBuffer
	web  *http.Client
	stop func() error // ends Run and returns its error; again the same
}

type logBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logBuffer) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(line)
}

func (l *logBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// start runs a gate with a fake service on free ports, changed as a test wants.
func start(t testing.TB, change ...func(*gate.Config)) *bench {
	t.Helper()
	b := &bench{fakeRecords: new(fakeRecords), log: new(logBuffer)}
	cfg := config(listen(t), listen(t))
	cfg.Register = func(s *grpc.Server) { bothyv1.RegisterRecordsServiceServer(s, b) }
	cfg.Log = slog.New(slog.NewTextHandler(b.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	for _, one := range change {
		one(&cfg)
	}
	b.url, b.rpc = "http://"+cfg.HTTPListener.Addr().String(), cfg.GRPCListener.Addr().String()
	transport := &http.Transport{MaxIdleConnsPerHost: 64}
	b.web = &http.Client{Transport: transport}
	g, err := gate.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- g.Run(ctx) }()
	b.stop = sync.OnceValue(func() error { cancel(); return <-ran })
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		if err := b.stop(); err != nil {
			t.Errorf("the gate ended with %v", err)
		}
	})
	return b
}

// config is the config of a gate whose service does nothing and logs nothing.
func config(web, rpc net.Listener) gate.Config {
	return gate.Config{
		HTTPListener: web,
		GRPCListener: rpc,
		Register:     func(s *grpc.Server) { bothyv1.RegisterRecordsServiceServer(s, new(fakeRecords)) },
		Handlers: []func(context.Context, *runtime.ServeMux, *grpc.ClientConn) error{
			bothyv1.RegisterRecordsServiceHandler,
		},
		Log: slog.New(slog.DiscardHandler),
	}
}

func listen(t testing.TB) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// dial is a gRPC client of the gate.
func (b *bench) dial(t testing.TB, options ...grpc.DialOption) *grpc.ClientConn {
	t.Helper()
	options = append([]grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}, options...)
	conn, err := grpc.NewClient(b.rpc, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// answer is what came back over HTTP.
type answer struct {
	status int
	header http.Header
	body   string
}

// problem is a google.rpc.Status in JSON.
type problem struct {
	Code    int
	Message string
	Details []struct {
		Type            string `json:"@type"`
		Reason, Domain  string
		Metadata        map[string]string
		FieldViolations []struct{ Field, Description string }
	}
}

// fields are the fields that a problem names.
func (p problem) fields() []string {
	var all []string
	for _, detail := range p.Details {
		for _, v := range detail.FieldViolations {
			all = append(all, v.Field)
		}
	}
	return all
}

func (a answer) problem(t testing.TB) problem {
	t.Helper()
	var p problem
	decoder := json.NewDecoder(strings.NewReader(a.body))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&p); err != nil {
		t.Errorf("the answer %d %q is no google.rpc.Status: %v", a.status, a.body, err)
	}
	return p
}

// ask sends one request. Headers are given as "Name: value".
func (b *bench) ask(t testing.TB, method, path, body string, headers ...string) answer {
	t.Helper()
	var content io.Reader
	if body != "" {
		content = strings.NewReader(body)
	}
	r, err := http.NewRequest(method, b.url+path, content)
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for _, h := range headers {
		name, value, _ := strings.Cut(h, ": ")
		if r.Header.Get(name) != "" && name != "Content-Type" {
			r.Header.Add(name, value)
		} else {
			r.Header.Set(name, value)
		}
	}
	return b.do(t, r)
}

func (b *bench) do(t testing.TB, r *http.Request) answer {
	t.Helper()
	response, err := b.web.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{response.StatusCode, response.Header, string(text)}
}

var errDisk = errors.New("ledger: segment 7: input/output error on /var/lib/bothy")
