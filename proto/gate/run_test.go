package gate_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/gate"
)

// patience is how long a test waits for what must happen.
const patience = 20 * time.Second

func TestWhoActsComesInBothWays(t *testing.T) {
	b := start(t)
	client := bothyv1.NewRecordsServiceClient(b.dial(t))
	ask := func(pairs ...string) (string, error) {
		_, err := client.GetMachine(metadata.AppendToOutgoingContext(t.Context(), pairs...), new(bothyv1.GetMachineRequest))
		_, person := b.last()
		return person, err
	}
	if person, err := ask("bothy-person", "a.bell"); person != "a.bell" || err != nil {
		t.Errorf("gRPC: %q, %v", person, err)
	}
	if person, err := ask(); person != "" || err != nil {
		t.Errorf("gRPC, nobody: %q, %v", person, err)
	}
	if _, err := ask("bothy-person", "a.bell", "bothy-person", "b.ash"); status.Code(err) != codes.InvalidArgument {
		t.Errorf("gRPC, two: %v", err)
	}
	b.ask(t, "GET", "/v1/machines/d-14", "", "Bothy-Person: a.bell")
	if _, person := b.last(); person != "a.bell" {
		t.Errorf("HTTP: %q", person)
	}
	b.ask(t, "GET", "/v1/machines/d-14", "")
	if _, person := b.last(); person != "" {
		t.Errorf("HTTP, nobody: %q", person)
	}
}

// No header of HTTP can set metadata of its choice.
func TestOtherHeadersDoNotReachTheService(t *testing.T) {
	b := start(t)
	var seen metadata.MD
	b.fakeRecords.answer = func(ctx context.Context) error {
		seen, _ = metadata.FromIncomingContext(ctx)
		return nil
	}
	b.ask(t, "GET", "/v1/machines/d-14", "", "Grpc-Metadata-Bothy-Person: b.ash", "Grpc-Metadata-X: y", "X-Custom: z", "Cookie: a=b", "Referer: http://a/", "Te: trailers")
	for key := range seen {
		switch key {
		case ":authority", "content-type", "user-agent", "x-forwarded-for", "x-forwarded-host", "grpc-accept-encoding":
		default:
			t.Errorf("the metadata has %s: %q", key, seen[key])
		}
	}
}

// A call has ten seconds unless it says otherwise, and none over HTTP can.
func TestCallsHaveADeadline(t *testing.T) {
	b := start(t)
	var left time.Duration
	b.fakeRecords.answer = func(ctx context.Context) error {
		end, ok := ctx.Deadline()
		if !ok {
			return errors.New("no deadline")
		}
		left = time.Until(end)
		return nil
	}
	client := bothyv1.NewRecordsServiceClient(b.dial(t))
	if _, err := client.GetMachine(t.Context(), new(bothyv1.GetMachineRequest)); err != nil || left > 10*time.Second {
		t.Errorf("gRPC: %v left, %v", left, err)
	}
	hour, cancel := context.WithTimeout(t.Context(), time.Hour)
	defer cancel()
	if _, err := client.GetMachine(hour, new(bothyv1.GetMachineRequest)); err != nil || left < time.Minute {
		t.Errorf("gRPC with an hour: %v left, %v", left, err)
	}
	if a := b.ask(t, "GET", "/v1/machines/d-14", "", "Grpc-Timeout: 1H"); a.status != http.StatusOK || left > 10*time.Second {
		t.Errorf("HTTP: %d, %v left", a.status, left)
	}
	b.fakeRecords.answer = func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := client.GetMachine(short, new(bothyv1.GetMachineRequest)); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("gRPC with a short time: %v", err)
	}
}

func TestLargeMessagesAreRefused(t *testing.T) {
	b := start(t)
	client := bothyv1.NewRecordsServiceClient(b.dial(t))
	for size, want := range map[int]codes.Code{1<<20 - 100: codes.OK, 1<<20 + 1: codes.ResourceExhausted} {
		_, err := client.GetMachine(t.Context(), &bothyv1.GetMachineRequest{Machine: strings.Repeat("a", size)})
		if status.Code(err) != want {
			t.Errorf("%d bytes: %v, want %v", size, err, want)
		}
	}
}

// Reflection tells what /openapi.json tells; it is on.
func TestReflectionAndHealthAreServed(t *testing.T) {
	b := start(t)
	conn := b.dial(t)
	info, err := grpc_reflection_v1.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := info.Send(&grpc_reflection_v1.ServerReflectionRequest{MessageRequest: &grpc_reflection_v1.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	answer, err := info.Recv()
	if err != nil || !strings.Contains(answer.String(), "bothy.v1.RecordsService") {
		t.Errorf("reflection: %v, %v", answer, err)
	}
	if err := info.CloseSend(); err != nil {
		t.Fatal(err)
	}
	health := grpc_health_v1.NewHealthClient(conn)
	for _, service := range []string{"", "bothy.v1.RecordsService"} {
		got, err := health.Check(t.Context(), &grpc_health_v1.HealthCheckRequest{Service: service})
		if err != nil || got.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
			t.Errorf("health of %q: %v, %v", service, got, err)
		}
	}
	if _, err := health.Check(t.Context(), &grpc_health_v1.HealthCheckRequest{Service: "lorries"}); status.Code(err) != codes.NotFound {
		t.Errorf("health of what is not there: %v", err)
	}
}

// H3: one address has only so many connections, and those that it has go on.
func TestOneAddressCannotTakeAllConnections(t *testing.T) {
	b := start(t, func(c *gate.Config) { c.Limits.PerAddress = 3 })
	address := strings.TrimPrefix(b.url, "http://")
	if a := b.ask(t, "GET", "/healthz", ""); a.status != http.StatusOK { // takes one and keeps it
		t.Fatal(a)
	}
	var held []net.Conn
	for range 2 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, conn)
	}
	for range 20 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		conn.SetDeadline(time.Now().Add(patience))
		if _, err := conn.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("one more connection was not closed: %v", err)
		}
		conn.Close()
	}
	if a := b.ask(t, "GET", "/healthz", ""); a.status != http.StatusOK {
		t.Errorf("the connection that stood: %d", a.status)
	}
	if n := strings.Count(b.log.String(), "more connections than one may have"); n != 1 {
		t.Errorf("the log says so %d times, want once", n)
	}
	for _, conn := range held {
		conn.Close()
	}
	waitFor(t, "room for a new connection", func() bool {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		defer conn.Close()
		io.WriteString(conn, "GET /healthz HTTP/1.0\r\n\r\n")
		got, _ := io.ReadAll(conn)
		return strings.Contains(string(got), "200 OK")
	})
}

func waitFor(t *testing.T, what string, condition func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !condition(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// When the gate stops, health goes off first, what is under way ends, and nothing
// new begins.
func TestStoppingLetsCallsEnd(t *testing.T) {
	b := start(t)
	entered, leave := make(chan struct{}, 2), make(chan struct{})
	b.fakeRecords.answer = func(context.Context) error {
		entered <- struct{}{}
		<-leave
		return nil
	}
	conn := b.dial(t)
	watch, err := grpc_health_v1.NewHealthClient(conn).Watch(t.Context(), new(grpc_health_v1.HealthCheckRequest))
	if err != nil {
		t.Fatal(err)
	}
	if got, err := watch.Recv(); err != nil || got.GetStatus() != grpc_health_v1.HealthCheckResponse_SERVING {
		t.Fatal(got, err)
	}
	ended := make(chan error, 2)
	go func() {
		_, err := bothyv1.NewRecordsServiceClient(conn).GetMachine(context.Background(), new(bothyv1.GetMachineRequest))
		ended <- err
	}()
	go func() {
		response, err := b.web.Get(b.url + "/v1/machines/d-14")
		if err == nil {
			err = response.Body.Close()
			if response.StatusCode != http.StatusOK {
				err = errors.New(response.Status)
			}
		}
		ended <- err
	}()
	<-entered
	<-entered
	stopped := make(chan error, 1)
	go func() { stopped <- b.stop() }()
	if got, err := watch.Recv(); err != nil || got.GetStatus() != grpc_health_v1.HealthCheckResponse_NOT_SERVING {
		t.Errorf("health: %v, %v", got, err)
	}
	waitFor(t, "the HTTP listener to close", func() bool { return isClosed(strings.TrimPrefix(b.url, "http://")) })
	select {
	case err := <-stopped:
		t.Fatalf("Run ended with calls under way: %v", err)
	default:
	}
	close(leave)
	for range 2 {
		if err := <-ended; err != nil {
			t.Errorf("a call under way: %v", err)
		}
	}
	conn.Close() // ends the watch
	if err := <-stopped; err != nil {
		t.Errorf("Run: %v", err)
	}
}

// HTTP stops before gRPC, so that a request which comes in late still finds its
// service.
func TestStoppingLetsARequestComeIn(t *testing.T) {
	b := start(t)
	address := strings.TrimPrefix(b.url, "http://")
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	const body = `{"reason":"a"}`
	fmt.Fprintf(conn, "POST /v1/machines/d-14:hold HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nExpect: 100-continue\r\nContent-Length: %d\r\n\r\n", len(body))
	answers := bufio.NewReader(conn)
	if response, err := http.ReadResponse(answers, nil); err != nil || response.StatusCode != http.StatusContinue {
		t.Fatal(response, err) // the request is not being read yet
	}
	go b.stop()
	waitFor(t, "the HTTP listener to close", func() bool { return isClosed(address) })
	io.WriteString(conn, body)
	if response, err := http.ReadResponse(answers, nil); err != nil || response.StatusCode != http.StatusOK {
		t.Errorf("got %v, %v; want 200", response, err)
	}
}

func isClosed(address string) bool {
	conn, err := net.Dial("tcp", address)
	if err == nil {
		conn.Close()
	}
	return err != nil
}

// What does not end within the drain time is cut, and Run waits until it is out.
func TestStoppingCutsWhatDoesNotEnd(t *testing.T) {
	entered, out := make(chan struct{}), make(chan error, 1)
	slowly := func(ctx context.Context) {
		close(entered)
		<-ctx.Done()
		time.Sleep(20 * time.Millisecond) // time for Run to end too early
		out <- ctx.Err()
	}
	for what, ask := range map[string]func(*bench){
		"http": func(b *bench) { b.web.Get(b.url + "/stream") },
		"grpc": func(b *bench) {
			bothyv1.NewRecordsServiceClient(b.dial(t)).GetMachine(context.Background(), new(bothyv1.GetMachineRequest))
		},
	} {
		b := start(t, func(c *gate.Config) {
			c.Limits.DrainTime = 50 * time.Millisecond
			c.Pages = http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { slowly(r.Context()) })
		})
		b.fakeRecords.answer = func(ctx context.Context) error { slowly(ctx); return nil }
		entered = make(chan struct{})
		go ask(b)
		<-entered
		if err := b.stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
		select {
		case err := <-out:
			if !errors.Is(err, context.Canceled) {
				t.Errorf("%s: the handler was not cut: %v", what, err)
			}
		default:
			t.Errorf("%s: Run ended before the handler", what)
			<-out
		}
		if !strings.Contains(b.log.String(), "listener="+what) {
			t.Errorf("the log does not say what was cut:\n%s", b.log)
		}
	}
}

// A gate that loses a listener ends, and says why.
func TestALostListenerEndsTheGate(t *testing.T) {
	for _, lost := range []string{"http", "grpc"} {
		web, rpc := listen(t), listen(t)
		g, err := gate.New(config(web, rpc))
		if err != nil {
			t.Fatal(err)
		}
		ran := make(chan error, 1)
		go func() { ran <- g.Run(t.Context()) }()
		if lost == "http" {
			web.Close()
		} else {
			rpc.Close()
		}
		if err := <-ran; !errors.Is(err, net.ErrClosed) {
			t.Errorf("%s: %v", lost, err)
		}
	}
}

func TestAGateThatIsStoppedBeforeItRuns(t *testing.T) {
	web, rpc := listen(t), listen(t)
	g, err := gate.New(config(web, rpc))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := g.Run(ctx); err != nil {
		t.Error(err)
	}
	for _, l := range []net.Listener{web, rpc} {
		if err := l.Close(); !errors.Is(err, net.ErrClosed) {
			t.Errorf("the listener was not closed: %v", err)
		}
	}
}
