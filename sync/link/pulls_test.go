package link

import (
	"context"
	"errors"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/bothy-mesh/bothy/sync/exchange"
)

type answerer = func(context.Context, exchange.Request) (exchange.Answer, error)

// servePulls serves until the test ends, and waits until it does.
func servePulls(t testing.TB, h *Hub, answer answerer) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	before := h.conn.NumSubscriptions()
	var served sync.WaitGroup
	served.Go(func() {
		if err := h.ServePulls(ctx, answer); !errors.Is(err, context.Canceled) {
			t.Errorf("serve pulls: %v", err)
		}
	})
	t.Cleanup(func() {
		cancel()
		served.Wait()
	})
	eventually(t, "pulls are served", func() bool { return h.conn.NumSubscriptions() > before && h.conn.Flush() == nil })
}

func TestPullCarriesTheRequestAndTheAnswer(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	request := exchange.Request{Replica: cabin1, Cabin: "cabin 1", Sites: []string{"ravens-quarry"}, Written: 7, Millis: 8, Size: 9}
	answer := exchange.Answer{Replica: cabin2, Receipt: 6, Piece: []byte("piece"), More: true}
	servePulls(t, h, func(_ context.Context, q exchange.Request) (exchange.Answer, error) {
		if !reflect.DeepEqual(q, request) {
			t.Errorf("the hub was asked %+v", q)
		}
		return answer, nil
	})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	got, err := c.Pull(t.Context(), request)
	if err != nil || !reflect.DeepEqual(got, answer) {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestAFailureOfTheHubReachesTheNode(t *testing.T) {
	long := strings.Repeat("ä", maxRefusal)
	for _, test := range []struct {
		name, says string
		answer     answerer
	}{
		{"error", "view is being rebuilt", func(context.Context, exchange.Request) (exchange.Answer, error) {
			return exchange.Answer{}, errors.New("view is being rebuilt")
		}},
		{"two lines", "one\r\ntwo", func(context.Context, exchange.Request) (exchange.Answer, error) {
			return exchange.Answer{}, errors.New("one\r\ntwo")
		}},
		{"long", strings.Repeat("ä", 100), func(context.Context, exchange.Request) (exchange.Answer, error) {
			return exchange.Answer{}, errors.New(long)
		}},
		{"panic", "its log has the cause", func(context.Context, exchange.Request) (exchange.Answer, error) {
			panic("secret")
		}},
		{"too large", "maximum payload", func(context.Context, exchange.Request) (exchange.Answer, error) {
			return exchange.Answer{Replica: cabin2, Piece: make([]byte, 2*maxMessage)}, nil
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			b := startBroker(t, BrokerConfig{})
			h := openHub(t, HubConfig{Broker: b})
			servePulls(t, h, test.answer)
			c := dial(t, ClientConfig{URLs: []string{b.URL()}})
			connected(t, c)
			for range 2 * pullWorkers { // no worker was lost
				_, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1})
				var said *HubError
				if !errors.As(err, &said) || !strings.Contains(said.Text, test.says) || len(said.Text) > maxRefusal {
					t.Fatalf("got %v", err)
				}
				if strings.Contains(said.Text, "secret") {
					t.Fatalf("a panic went to the node: %v", err)
				}
			}
		})
	}
}

func TestMalformedRequestsAndAnswersAreErrors(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	servePulls(t, h, func(context.Context, exchange.Request) (exchange.Answer, error) {
		return exchange.Answer{}, nil // without a replica
	})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	var said *HubError
	if _, err := c.Pull(t.Context(), exchange.Request{}); !errors.As(err, &said) || !strings.Contains(err.Error(), "request") {
		t.Errorf("malformed request: %v", err)
	}
	if _, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1}); err == nil || errors.As(err, &said) {
		t.Errorf("malformed answer: %v", err)
	}
}

// Several hubs share the work.
func TestTwoHubsAnswerEachRequestOnce(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	var mu sync.Mutex
	asked := map[uint64]int{}
	for range 2 {
		servePulls(t, openHub(t, HubConfig{Broker: b}), func(_ context.Context, q exchange.Request) (exchange.Answer, error) {
			mu.Lock()
			defer mu.Unlock()
			asked[q.Written]++
			return exchange.Answer{Replica: cabin2, Receipt: q.Written}, nil
		})
	}
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	var all sync.WaitGroup
	for i := range uint64(200) {
		all.Go(func() {
			a, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1, Written: i})
			if err != nil || a.Receipt != i {
				t.Errorf("pull %d: receipt %d, %v", i, a.Receipt, err)
			}
		})
	}
	all.Wait()
	mu.Lock()
	defer mu.Unlock()
	for i, n := range asked {
		if n != 1 {
			t.Errorf("request %d was answered %d times", i, n)
		}
	}
}

func TestNoMoreAnswersAreMadeAtATimeThanThereAreWorkers(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	at := make(chan struct{}, 100)
	leave := make(chan struct{})
	servePulls(t, h, func(context.Context, exchange.Request) (exchange.Answer, error) {
		at <- struct{}{}
		<-leave
		return exchange.Answer{Replica: cabin2}, nil
	})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	var all sync.WaitGroup
	for range 3 * pullWorkers {
		all.Go(func() {
			if _, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1}); err != nil {
				t.Error(err)
			}
		})
	}
	for range pullWorkers {
		<-at
	}
	c.mu.Lock()
	w := c.wire
	c.mu.Unlock()
	eventually(t, "the rest waits at the hub", func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		return len(w.waiting) == 3*pullWorkers && w.conn.Flush() == nil && h.conn.Flush() == nil
	})
	time.Sleep(20 * time.Millisecond) // for one worker too many to show itself
	if n := len(at); n != 0 {
		t.Errorf("%d answers more are being made", n)
	}
	close(leave)
	all.Wait()
}

// rung empties the signal, after it has come.
func rung(t *testing.T, c *Client) {
	t.Helper()
	select {
	case <-c.Bells():
	case <-time.After(patience):
		t.Fatal("no bell rang")
	}
}

// silent makes sure that no bell is under way: a push and its answer come after
// any bell that was rung before.
func silent(t *testing.T, h *Hub, c *Client) {
	t.Helper()
	if err := h.conn.Flush(); err != nil {
		t.Fatal(err)
	}
	push(t, c, "", "x")
	select {
	case <-c.Bells():
		t.Error("the bell rang")
	default:
	}
}

func TestBellsAreForTheSitesThatAreListenedTo(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	ring := func(sites ...string) {
		t.Helper()
		if err := h.Ring(sites); err != nil {
			t.Fatal(err)
		}
	}
	cabin := dial(t, ClientConfig{URLs: []string{b.URL()}, Sites: []string{"ravens-quarry", "Höhe 3.2"}})
	van := dial(t, ClientConfig{URLs: []string{b.URL()}, Replica: cabin2})
	rung(t, cabin) // a new connection rings
	rung(t, van)
	push(t, cabin, "", "x") // the broker knows by now what it listens to
	push(t, van, "", "x")

	ring("elsewhere")
	rung(t, van)
	silent(t, h, cabin)
	ring("ravens-quarry")
	rung(t, cabin)
	rung(t, van)
	ring("elsewhere", "Höhe 3.2", "ravens-quarry")
	rung(t, cabin)
	rung(t, van)
	ring()
	rung(t, cabin)
	rung(t, van)

	cabin.Listen([]string{"elsewhere"})
	rung(t, cabin) // for the news that it missed
	push(t, cabin, "", "x")
	ring("ravens-quarry")
	rung(t, van)
	silent(t, h, cabin)
	ring("elsewhere")
	rung(t, cabin)
	rung(t, van)

	none := []string{}
	cabin.Listen(none)
	rung(t, cabin)
	push(t, cabin, "", "x")
	ring("elsewhere")
	rung(t, van)
	silent(t, h, cabin)
	ring(nil...)
	rung(t, cabin)
}

func TestManyRingsAreOneSignal(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	rung(t, c)
	push(t, c, "", "x")
	for range 100 {
		if err := h.Ring(nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.conn.Flush(); err != nil {
		t.Fatal(err)
	}
	push(t, c, "", "x")
	eventually(t, "one of 100 is left to take", func() bool {
		select {
		case <-c.Bells():
			return true
		default:
			return false
		}
	})
}

func TestANewConnectionRingsAndListensAgain(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	line := bad(t, b)
	c := dial(t, ClientConfig{URLs: []string{"nats://" + line.Addr()}, Sites: []string{"a"}})
	rung(t, c)
	line.Cut()
	eventually(t, "cut", func() bool { return !c.Connected() })
	c.Listen([]string{"b"})
	line.Restore()
	rung(t, c)
	push(t, c, "", "x")
	if err := h.Ring([]string{"b"}); err != nil {
		t.Fatal(err)
	}
	rung(t, c)
}

func FuzzBellSubjects(f *testing.F) {
	for _, s := range []string{"ravens-quarry", "all", "", "a.b", "*", ">", "Höhe 3.2", "~61", "a b"} {
		f.Add(s, s+"x")
	}
	f.Fuzz(func(t *testing.T, a, b string) {
		of := bellSubject(a)
		if (of == bellSubject(b)) != (a == b) {
			t.Errorf("sites %q and %q have the subjects %q and %q", a, b, of, bellSubject(b))
		}
		rest, ok := strings.CutPrefix(of, bellPrefix)
		if !ok || rest == "" || strings.ContainsAny(rest, " .*>\r\n\t") {
			t.Errorf("site %q has the subject %q, which is not one token", a, of)
		}
	})
}

func FuzzUpSubjects(f *testing.F) {
	f.Add(upSubject(cabin1))
	f.Add(everyUp)
	f.Fuzz(func(t *testing.T, subject string) {
		if r := upReplica(subject); r != 0 && subject != upSubject(r) {
			t.Errorf("subject %q names %s", subject, r)
		}
	})
}

func TestTheReplicaOfASubjectIsReadStrictly(t *testing.T) {
	for _, test := range []struct {
		subject string
		named   bool
	}{
		{upSubject(cabin1), true},
		{everyUp, false},
		{"bothy.up.nobody", false},
		{"bothy.up." + strings.ToUpper(cabin1.String()), false},
		{cabin1.String(), false},
		{"", false},
	} {
		got := upReplica(test.subject)
		if test.named && got != cabin1 || !test.named && got != 0 {
			t.Errorf("subject %q names %v", test.subject, got)
		}
	}
}
