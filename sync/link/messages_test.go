package link

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/bothy-mesh/bothy/sync/exchange"
)

// publish brings the pieces from..to into the ledger.
func publish(t testing.TB, h *Hub, from, to int) {
	t.Helper()
	for i := from; i <= to; i++ {
		if err := h.Publish(t.Context(), cabin2, fmt.Sprint(i), fmt.Append(nil, i)); err != nil {
			t.Fatal(err)
		}
	}
}

func stream(t testing.TB, h *Hub) jetstream.Stream {
	t.Helper()
	s, err := h.js.Stream(t.Context(), StreamName)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestMessagesComeInOrderFromAnyPlace(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	const count = 5*BatchMessages + 3
	publish(t, h, 1, count)
	for _, after := range []uint64{0, 1, BatchMessages, count - 1} {
		want := after
		for _, m := range read(t, h, after, int(count-after)) {
			want++
			if m.Seq != want || string(m.Piece) != fmt.Sprint(want) || m.Replica != cabin2 || m.Missing != 0 || m.Time.IsZero() {
				t.Fatalf("after %d: got %+v, want %d", after, m, want)
			}
		}
	}
}

func TestMessagesComeInBoundedBatches(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	big := make([]byte, 900<<10)
	const count = 12
	for range count {
		if err := h.Publish(t.Context(), cabin1, "", big); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	got := 0
	h.Messages(ctx, 0, func(batch []Message) error {
		for came := uint64(0); came != h.conn.Stats().InBytes; { // until nothing more comes
			came = h.conn.Stats().InBytes
			time.Sleep(10 * time.Millisecond)
		}
		size := 0
		for _, m := range batch {
			size += len(m.Piece)
		}
		if size > BatchBytes {
			t.Errorf("a batch of %d bytes", size)
		}
		if got += len(batch); got == count {
			cancel()
		}
		return nil
	})
	if got != count {
		t.Errorf("got %d messages, want %d", got, count)
	}
}

func TestMessagesWaitForNewOnes(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 1)
	ctx, cancel := context.WithCancel(t.Context())
	seen := make(chan uint64)
	done := make(chan error)
	go func() {
		done <- h.Messages(ctx, 0, func(batch []Message) error {
			for _, m := range batch {
				seen <- m.Seq
			}
			return nil
		})
	}()
	for i := 1; i <= 20; i++ {
		if got := <-seen; got != uint64(i) {
			t.Fatalf("message %d, want %d", got, i)
		}
		publish(t, h, i+1, i+1)
	}
	<-seen
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
	if n := len(consumers(t, h)); n != 0 {
		t.Errorf("%d readers are left at the broker", n)
	}
}

func consumers(t testing.TB, h *Hub) (names []string) {
	t.Helper()
	for name := range stream(t, h).ConsumerNames(t.Context()).Name() {
		names = append(names, name)
	}
	return names
}

func TestWhatIsMissingIsPassedOverAndReported(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 10)
	s := stream(t, h)
	for _, seq := range []uint64{5, 6, 9} {
		if err := s.DeleteMsg(t.Context(), seq); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Purge(t.Context(), jetstream.WithPurgeSequence(4)); err != nil { // keeps 4
		t.Fatal(err)
	}
	for _, test := range []struct {
		after uint64
		want  string
	}{
		{0, "4(3) 7(2) 8(0) 10(1)"},
		{2, "4(1) 7(2) 8(0) 10(1)"},
		{5, "7(1) 8(0) 10(1)"},
		{8, "10(1)"},
	} {
		var got []string
		for _, m := range read(t, h, test.after, strings.Count(test.want, " ")+1) {
			got = append(got, fmt.Sprintf("%d(%d)", m.Seq, m.Missing))
		}
		if s := strings.Join(got, " "); s != test.want {
			t.Errorf("after %d: %s, want %s", test.after, s, test.want)
		}
	}
	// All of it gone: the next message tells.
	if err := s.Purge(t.Context()); err != nil {
		t.Fatal(err)
	}
	publish(t, h, 11, 11)
	if m := read(t, h, 10, 1)[0]; m.Seq != 11 || m.Missing != 0 {
		t.Errorf("after all was purged: %+v", m)
	}
	if m := read(t, h, 3, 1)[0]; m.Seq != 11 || m.Missing != 7 {
		t.Errorf("after 3, when all was purged: %+v", m)
	}
}

func TestAFailureToHandleEndsReading(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 200)
	full := errors.New("disk full")
	var handled uint64
	err := h.Messages(t.Context(), 0, func(batch []Message) error {
		if handled > 50 {
			return full
		}
		handled = batch[len(batch)-1].Seq
		return nil
	})
	if !errors.Is(err, full) {
		t.Fatalf("ended with %v", err)
	}
	if got := read(t, h, handled, int(200-handled)); got[0].Seq != handled+1 {
		t.Errorf("goes on with %d after %d", got[0].Seq, handled)
	}
}

// The broker may forget a reader at any time. Nothing is lost by that and nothing
// is handed out twice.
func TestAForgottenReaderGoesOnWhereItWas(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var at atomic.Uint64
	done := make(chan error)
	go func() {
		done <- h.Messages(ctx, 0, func(batch []Message) error {
			for _, m := range batch {
				if m.Seq != at.Load()+1 || m.Missing != 0 {
					return fmt.Errorf("message %d (%d missing) after %d", m.Seq, m.Missing, at.Load())
				}
				at.Store(m.Seq)
			}
			return nil
		})
	}()
	for i := range 3 {
		publish(t, h, 100*i+1, 100*i+50)
		eventually(t, "read", func() bool { return at.Load() == uint64(100*i+50) })
		for _, name := range consumers(t, h) {
			if err := h.js.DeleteConsumer(t.Context(), StreamName, name); err != nil {
				t.Fatal(err)
			}
		}
		publish(t, h, 100*i+51, 100*i+100)
		eventually(t, "read on", func() bool { return at.Load() == uint64(100*i+100) })
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// delivered is a message as a consumer delivers it.
type delivered struct {
	jetstream.Msg
	meta jetstream.MsgMetadata
}

func (d delivered) Metadata() (*jetstream.MsgMetadata, error) { return &d.meta, nil }
func (d delivered) Subject() string                           { return upSubject(cabin1) }
func (d delivered) Data() []byte                              { return nil }

// A delivery that is lost between broker and hub is not a gap in the ledger.
func TestALostDeliveryIsNotTakenForAGap(t *testing.T) {
	for _, test := range []struct {
		name             string
		consumer, stream uint64 // numbers of the delivery after the 3rd, which had number 10
		good             bool
		missing          uint64
	}{
		{"next", 4, 11, true, 0},
		{"next, with a gap in the ledger", 4, 15, true, 4},
		{"one delivery was lost", 5, 12, false, 0},
		{"a delivery comes twice", 3, 10, false, 0},
		{"the ledger goes backwards", 4, 10, false, 0},
	} {
		r := reader{taken: 3}
		m, err := r.take(delivered{meta: jetstream.MsgMetadata{Sequence: jetstream.SequencePair{Consumer: test.consumer, Stream: test.stream}}}, 10)
		if (err == nil) != test.good || m.Missing != test.missing {
			t.Errorf("%s: %+v, %v", test.name, m, err)
		}
	}
}

// The limit of an answer is 30 s, which is longer than this test has patience.
func TestACutFailsWhatTheHubHasUnderWayAtOnce(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	line := bad(t, b)
	h := openHub(t, HubConfig{URLs: []string{"nats://" + line.Addr()}})
	line.Freeze()
	before := h.conn.Stats().OutMsgs
	ends := make(chan error, 2)
	go func() { ends <- h.Publish(context.Background(), cabin1, "1", nil) }()
	go func() {
		_, err := h.LastSeq(context.Background())
		ends <- err
	}()
	eventually(t, "both are under way", func() bool { return h.conn.Stats().OutMsgs == before+2 })
	line.Cut()
	eventually(t, "both have ended", func() bool { return len(ends) == 2 })
	for range 2 {
		if err := <-ends; err == nil || errors.Is(err, context.Canceled) {
			t.Errorf("under way when the line was cut: %v", err)
		}
	}
}

func TestReadingGoesOnWhenTheBrokerStartsAgain(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	line := bad(t, b)
	h := openHub(t, HubConfig{URLs: []string{"nats://" + line.Addr()}})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var at atomic.Uint64
	done := make(chan error)
	go func() {
		done <- h.Messages(ctx, 0, func(batch []Message) error {
			at.Store(batch[len(batch)-1].Seq)
			return nil
		})
	}()
	publish(t, h, 1, 10)
	eventually(t, "read", func() bool { return at.Load() == 10 })
	b.Close()
	startBroker(t, on(b, BrokerConfig{}))
	eventually(t, "the hub publishes to the new broker", func() bool {
		return h.Publish(t.Context(), cabin1, "11", []byte("x")) == nil
	})
	eventually(t, "read on", func() bool { return at.Load() == 11 })
	line.Cut()
	if err := h.Publish(t.Context(), cabin1, "12", nil); err == nil {
		t.Error("the hub published over a line that is cut")
	}
	line.Restore()
	eventually(t, "the hub publishes again", func() bool {
		return h.Publish(t.Context(), cabin1, "12", []byte("x")) == nil
	})
	eventually(t, "read on", func() bool { return at.Load() == 12 })
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func TestALedgerThatWentBackIsNoticed(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 5)
	if err := h.Messages(t.Context(), 6, nil); !errors.Is(err, ErrOtherLedger) {
		t.Errorf("after a number that it never had: %v", err)
	}
	was := h.Identity()
	fail := make(chan error)
	reading := make(chan struct{})
	go func() {
		fail <- h.Messages(t.Context(), 4, func([]Message) error { close(reading); return nil })
	}()
	<-reading
	if err := h.js.DeleteStream(t.Context(), StreamName); err != nil {
		t.Fatal(err)
	}
	if err := <-fail; !errors.Is(err, ErrOtherLedger) {
		t.Errorf("when it was deleted: %v", err)
	}
	if _, err := h.LastSeq(t.Context()); !errors.Is(err, ErrOtherLedger) {
		t.Errorf("last number of a deleted ledger: %v", err)
	}
	if err := h.Publish(t.Context(), cabin1, "1", nil); err == nil {
		t.Error("published into a deleted ledger")
	}
	again := openHub(t, HubConfig{Broker: b})
	publish(t, again, 1, 9)
	if again.Identity() == was {
		t.Error("a new ledger has the identity of the old one")
	}
	if err := h.Messages(t.Context(), 4, nil); !errors.Is(err, ErrOtherLedger) {
		t.Errorf("when there is another: %v", err)
	}
}

func TestHoldsTellsANumberThatWasUsedTwice(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 3)
	m := read(t, h, 2, 1)[0]
	holds := func(seq uint64, at time.Time) bool {
		t.Helper()
		ok, err := h.Holds(t.Context(), seq, at)
		if err != nil {
			t.Fatal(err)
		}
		return ok
	}
	if !holds(3, m.Time) || holds(2, m.Time) || holds(4, m.Time) {
		t.Error("the ledger does not know its own message")
	}
	// The last block is lost: the server uses its numbers again.
	h.Close()
	b.Close()
	blocks, err := filepath.Glob(filepath.Join(b.streamDir(StreamName), "msgs", "*"))
	if err != nil || len(blocks) == 0 {
		t.Fatal("no blocks", err)
	}
	for _, f := range blocks {
		os.Remove(f)
	}
	h = openHub(t, HubConfig{Broker: startBroker(t, on(b, BrokerConfig{}))})
	publish(t, h, 4, 6)
	if last(t, h) != 3 {
		t.Fatalf("the server did not use its numbers again: %d", last(t, h))
	}
	if holds(3, m.Time) {
		t.Error("a number that was used twice passes")
	}
}

// A damaged description of the stream makes the server forget it. A stream that
// is made over its files loses what it acknowledges; see OpenHub.
func TestADamagedStreamIsSetAside(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	publish(t, h, 1, 3)
	was := h.Identity()
	h.Close()
	b.Close()
	meta := filepath.Join(b.streamDir(StreamName), "meta.inf")
	bytes, err := os.ReadFile(meta)
	if err != nil {
		t.Fatal(err)
	}
	bytes[len(bytes)/2] ^= 1
	if err := os.WriteFile(meta, bytes, 0o600); err != nil {
		t.Fatal(err)
	}

	b = startBroker(t, on(b, BrokerConfig{}))
	h = openHub(t, HubConfig{Broker: b})
	if h.Identity() == was {
		t.Error("the new ledger has the identity of the lost one")
	}
	publish(t, h, 4, 5)
	is := h.Identity()
	h.Close()
	b.Close()
	h = openHub(t, HubConfig{Broker: startBroker(t, on(b, BrokerConfig{}))})
	if got := pieces(read(t, h, 0, 2)); got != "4 5" || h.Identity() != is {
		t.Errorf("after the next start %s holds %q, and was %s", h.Identity(), got, is)
	}
	aside, _ := filepath.Glob(filepath.Join(b.dir, "damaged-*", StreamName, "msgs", "*"))
	if len(aside) == 0 {
		t.Error("the damaged files are gone")
	}
}

func TestAStreamThatWouldLosePiecesIsRefused(t *testing.T) {
	good := func() jetstream.StreamConfig { return (&HubConfig{}).stream() }
	for _, test := range []struct {
		says   string
		change func(*jetstream.StreamConfig)
	}{
		{"subjects", func(c *jetstream.StreamConfig) { c.Subjects = []string{"bothy.>"} }},
		{"memory", func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage }},
		{"was read", func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }},
		{"was read", func(c *jetstream.StreamConfig) { c.Retention = jetstream.InterestPolicy }},
		{"make room", func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }},
		{"by age", func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour }},
		{"number", func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 }},
		{"number", func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1 }},
		{"acknowledges nothing", func(c *jetstream.StreamConfig) { c.NoAck = true }},
		{"before it stores", func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }},
	} {
		t.Run(test.says, func(t *testing.T) {
			b := startBroker(t, BrokerConfig{})
			js := admin(t, b.URL())
			cfg := good()
			test.change(&cfg)
			if _, err := js.CreateStream(t.Context(), cfg); err != nil {
				t.Fatal(err)
			}
			_, err := OpenHub(t.Context(), HubConfig{Broker: b, Log: quiet})
			if !errors.Is(err, errUnfit) || !strings.Contains(err.Error(), test.says) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// admin is a plain NATS client, with every right that the broker gives.
func admin(t testing.TB, url string) jetstream.JetStream {
	t.Helper()
	conn, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

func TestAnOlderLedgerIsKeptAndFitted(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{URLs: []string{b.URL()}, MaxBytes: 1 << 20})
	publish(t, h, 1, 3)
	was := h.Identity()
	for _, test := range []struct {
		cfg  HubConfig
		want int64
	}{
		{HubConfig{}, 1 << 20},
		{HubConfig{MaxBytes: 2 << 20, Window: time.Hour}, 2 << 20},
		{HubConfig{}, 2 << 20},
	} {
		test.cfg.Broker = b
		h := openHub(t, test.cfg)
		if got := stream(t, h).CachedInfo().Config.MaxBytes; got != test.want {
			t.Errorf("bound is %d, want %d", got, test.want)
		}
		if h.Identity() != was || last(t, h) != 3 {
			t.Errorf("ledger is %s up to %d, and was %s up to 3", h.Identity(), last(t, h), was)
		}
	}
}

func TestOpeningWaitsForWhatMayPass(t *testing.T) {
	for _, test := range []struct {
		err    error
		passes bool
	}{
		{context.DeadlineExceeded, true},
		{nats.ErrNoResponders, true},
		{&jetstream.APIError{Code: 503, ErrorCode: 10008, Description: "JetStream system temporarily unavailable"}, true},
		{&jetstream.APIError{Code: 400, ErrorCode: 10005, Description: "no suitable peers for placement"}, true},
		{&jetstream.APIError{Code: 500, ErrorCode: 10074, Description: "replicas > 1 not supported in non-clustered mode"}, false},
		{&jetstream.APIError{Code: 500, ErrorCode: 10047, Description: "insufficient storage resources available"}, false},
		{fmt.Errorf("wrapped: %w", errUnfit), false},
	} {
		if mayPass(test.err) != test.passes {
			t.Errorf("%v: may pass is %t", test.err, !test.passes)
		}
	}
}

func TestOpenHubNeedsOneBroker(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	for name, cfg := range map[string]HubConfig{
		"none":                       {},
		"both":                       {Broker: b, URLs: []string{b.URL()}},
		"nowhere":                    {URLs: []string{"nats://" + freeAddr(t)}},
		"three copies on one server": {Broker: b, Replicas: 3},
	} {
		cfg.Log = quiet
		if h, err := OpenHub(t.Context(), cfg); err == nil {
			h.Close()
			t.Errorf("%s: opened", name)
		}
	}
}

// Whoever reads or serves learns that the hub was closed under them.
func TestClosingTheHubEndsWhatItServes(t *testing.T) {
	b := startBroker(t, BrokerConfig{})
	h := openHub(t, HubConfig{Broker: b})
	c := dial(t, ClientConfig{URLs: []string{b.URL()}})
	publish(t, h, 1, 1)
	ends := make(chan error)
	reading := make(chan struct{})
	go func() {
		ends <- h.Messages(context.Background(), 0, func([]Message) error { close(reading); return nil })
	}()
	go func() { ends <- h.ServePulls(context.Background(), nil) }()
	<-reading
	eventually(t, "pulls are served", func() bool {
		_, err := c.Pull(t.Context(), exchange.Request{Replica: cabin1})
		var said *HubError // there is nothing to answer with
		return errors.As(err, &said)
	})
	h.Close()
	for range 2 {
		if err := <-ends; err == nil || errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
	}
}
