package link

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"strconv"
	"testing"
	"time"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
)

// on gives the settings of a broker that starts again where one was.
func on(b *Broker, cfg BrokerConfig) BrokerConfig {
	cfg.Dir = b.dir
	_, port, _ := net.SplitHostPort(b.Addr())
	cfg.Port, _ = strconv.Atoi(port)
	return cfg
}

func TestAPushedPieceIsThereAfterTheBrokerStartsAgain(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	push(t, c, "1", "hazard")
	was := h.Identity()
	h.Close()
	b.Close()

	b = startBroker(t, on(b, BrokerConfig{}))
	h = openHub(t, HubConfig{Broker: b})
	if h.Identity() != was {
		t.Errorf("identity is %s, and was %s", h.Identity(), was)
	}
	eventually(t, "the client pushes to the new broker", func() bool { return c.Push(t.Context(), "2", []byte("check")) == nil })
	got := read(t, h, 0, 2)
	if pieces(got) != "hazard check" || got[0].Replica != cabin1 {
		t.Errorf("ledger holds %v", got)
	}
}

func TestAPushedPieceIsThereAfterTheBrokerIsKilled(t *testing.T) {
	dir := t.TempDir()
	child := startChild(t, childConfig{Dir: dir})
	h := openHub(t, HubConfig{URLs: []string{"nats://" + child.Addr}})
	c := dial(t, ClientConfig{URLs: []string{"nats://" + child.Addr}})
	connected(t, c)
	acknowledged := 0
	for i := range 300 {
		if i == 200 {
			go child.kill()
		}
		if err := c.Push(t.Context(), strconv.Itoa(i), []byte(strconv.Itoa(i))); err != nil {
			break
		}
		acknowledged++
	}
	h.Close()
	h = openHub(t, HubConfig{Broker: startBroker(t, BrokerConfig{Dir: dir})})
	for i, m := range read(t, h, 0, acknowledged)[:acknowledged] {
		if string(m.Piece) != strconv.Itoa(i) {
			t.Fatalf("message %d of %d is %q", i, acknowledged, m.Piece)
		}
	}
}

func TestARepeatedIDIsStoredOnceWithinTheWindow(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b, Window: 150 * time.Millisecond})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	for range 3 {
		push(t, c, "a", "once")
	}
	push(t, c, "", "nameless")
	push(t, c, "", "nameless")
	if got := pieces(read(t, h, 0, 3)); got != "once nameless nameless" {
		t.Errorf("ledger holds %q", got)
	}
	// Behind the window a repetition is stored again: an acknowledgement all the same.
	eventually(t, "the window passes", func() bool {
		push(t, c, "a", "once")
		return last(t, h) > 3
	})
}

// The ledger keeps one set of ids for all who push. Nodes that count their pieces
// alike, and one that counts from 1 again, must not lose any by that.
func TestAnIDIsOfOneReplicaAndOnePiece(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	for _, r := range []clock.Replica{cabin1, cabin2} {
		c := dial(t, ClientConfig{URLs: []string{b.URL()}, Replica: r})
		connected(t, c)
		push(t, c, "1", "a")
		push(t, c, "1", "b")
		push(t, c, "2", "b")
	}
	for range 2 {
		for _, r := range []clock.Replica{7, 8} {
			if err := h.Publish(t.Context(), r, "1", []byte("a")); err != nil {
				t.Fatal(err)
			}
		}
	}
	if got := pieces(read(t, h, 0, 8)); got != "a b b a b b a a" {
		t.Errorf("ledger holds %q", got)
	}
}

func TestPushIsRefusedByAFullLedger(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b, MaxBytes: 4000})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	stored := 0
	var err error
	for err == nil {
		if err = c.Push(t.Context(), strconv.Itoa(stored), make([]byte, 1000)); err == nil {
			stored++
		}
	}
	var refused *HubError
	if !errors.As(err, &refused) || stored == 0 {
		t.Fatalf("after %d pieces: %v, want an answer of the hub's", stored, err)
	}
	if err := h.Publish(t.Context(), cabin2, "x", make([]byte, 1000)); !errors.As(err, &refused) {
		t.Errorf("the hub's own piece: %v, want an answer of the ledger's", err)
	}
	if n := len(read(t, h, 0, stored)); n != stored {
		t.Errorf("%d pieces are stored, and %d were acknowledged", n, stored)
	}
	// More room, and the link that was refused is still the same one.
	h.Close()
	openHub(t, HubConfig{Broker: b, MaxBytes: 40000})
	push(t, c, "more", "room")
}

// The bound of the broker's disk is an answer too, not a silence.
func TestPushIsRefusedByAFullBroker(t *testing.T) {
	b := startBroker(t, BrokerConfig{MaxStore: 20_000})
	openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	var err error
	for i := 0; err == nil && i < 100; i++ {
		err = c.Push(t.Context(), strconv.Itoa(i), make([]byte, 1000))
	}
	var refused *HubError
	if !errors.As(err, &refused) {
		t.Errorf("push into a full broker: %v, want an answer", err)
	}
}

func TestPushNeedsAHubAndALedger(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	if err := c.Push(t.Context(), "1", []byte("x")); !errors.Is(err, errNobody) {
		t.Errorf("push without a ledger: %v", err)
	}
	if _, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1}); !errors.Is(err, errNobody) {
		t.Errorf("pull without a hub: %v", err)
	}
	h := openHub(t, HubConfig{Broker: b})
	if err := c.Push(t.Context(), "1", make([]byte, exchange.MaxPiece+1)); err == nil {
		t.Error("a piece beyond the limit was taken")
	}
	if err := c.Push(t.Context(), "2", make([]byte, exchange.MaxPiece)); err != nil {
		t.Errorf("a piece at the limit: %v", err)
	}
	if n := last(t, h); n != 1 {
		t.Errorf("the ledger has %d messages, want 1", n)
	}
}

// Only the ledger's own word counts as an acknowledgement.
func TestAcknowledgementsAreReadStrictly(t *testing.T) {
	for _, test := range []struct {
		answer string
		good   bool
	}{
		{`{"stream":"BOTHY","seq":1}`, true},
		{`{"stream":"BOTHY","seq":7,"duplicate":true}`, true},
		{`{"stream":"OTHER","seq":1}`, false},
		{`{"stream":"BOTHY"}`, false},
		{`{"error":{"code":503,"err_code":10077,"description":"maximum bytes exceeded"},"stream":"BOTHY","seq":0}`, false},
		{`{}`, false},
		{`+OK`, false},
		{``, false},
	} {
		if err := acknowledged([]byte(test.answer)); (err == nil) != test.good {
			t.Errorf("answer %q: %v", test.answer, err)
		}
	}
}

// An answer to a request of one connection must never count for another one.
func TestAnswersOfAnEarlierConnectionAreNotTaken(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	inboxes := map[string]bool{}
	for range 8 {
		c := dial(t, ClientConfig{URLs: []string{b.URL()}})
		connected(t, c)
		c.mu.Lock()
		inboxes[c.wire.inbox] = true
		c.mu.Unlock()
		c.Close()
	}
	if len(inboxes) != 8 {
		t.Errorf("8 connections had %d inboxes", len(inboxes))
	}
}

func TestPushesAtOnceGetTheirOwnAnswers(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	connected(t, c)
	errs := make(chan error)
	for i := range 100 {
		go func() {
			if i%2 == 0 {
				errs <- c.Push(context.Background(), fmt.Sprint(i), []byte("x"))
				return
			}
			_, err := c.Pull(context.Background(), exchange.Request{Replica: cabin1})
			if !errors.Is(err, errNobody) {
				errs <- fmt.Errorf("pull: %v, want %v", err, errNobody)
				return
			}
			errs <- nil
		}()
	}
	for range 100 {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	if n := last(t, h); n != 50 {
		t.Errorf("the ledger has %d messages, want 50", n)
	}
}

func FuzzAcknowledgements(f *testing.F) {
	f.Add([]byte(`{"stream":"BOTHY","seq":1}`))
	f.Add([]byte(`{"error":{"code":503,"err_code":10077,"description":"maximum bytes exceeded"},"stream":"BOTHY","seq":0}`))
	f.Add([]byte(`[]`))
	f.Fuzz(func(t *testing.T, answer []byte) {
		if acknowledged(answer) != nil {
			return
		}
		var said map[string]json.RawMessage
		if err := json.Unmarshal(answer, &said); err != nil || len(said) < 2 {
			t.Errorf("taken for an acknowledgement: %q", answer)
		}
	})
}
