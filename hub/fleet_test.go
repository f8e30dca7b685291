package hub

import (
	"context"
	"io"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"github.com/bothy-mesh/bothy/proto/caller"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// testHub is a hub that is open and does not run, with a clock of its own.
type testHub struct {
	*Hub
	now time.Time
}

func openHub(t *testing.T) *testHub {
	t.Helper()
	h := &testHub{now: time.Date(2031, 3, 3, 9, 0, 0, 0, time.UTC)}
	var err error
	h.Hub, err = Open(t.Context(), Config{
		Dir: filepath.Join(t.TempDir(), "hub"), HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", NATS: "127.0.0.1:0",
		SilentAfter: 4 * time.Hour, Now: func() time.Time { return h.now }, Log: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.close(); err != nil {
			t.Error(err)
		}
	})
	ctx := caller.WithPerson(context.Background(), "oona")
	_, err = h.book.ImportRegister(ctx, &bothyv1.ImportRegisterRequest{Files: []*bothyv1.RegisterFile{
		{Name: "sites.csv", Content: []byte("id,title,zone\nravens-quarry,Raven's Quarry,Europe/London\nlinn-bridge,Linn Bridge,Europe/London\n")},
		{Name: "people.csv", Content: []byte("id,title,role\noona,Oona Vell,office\n")},
		{Name: "machines.csv", Content: []byte("fleet_number,machine_type,site,options\nD 11,wheeled-site-dumper,ravens-quarry,straight-skip; frame\n")},
	}})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// asks has a cabin that has written nothing ask the hub.
func (h *testHub) asks(t *testing.T, cabin string, id clock.Replica, sites ...string) {
	t.Helper()
	q := exchange.Request{Replica: id, Cabin: cabin, Sites: sites, Millis: h.now.UnixMilli(), Size: 1 << 16}
	if _, err := h.replica.Answer(t.Context(), q, func(uint64) bool { return true }); err != nil {
		t.Fatal(err)
	}
}

func (h *testHub) standing(t *testing.T) bothyv1.Standing {
	t.Helper()
	fleet, err := office{hub: h.Hub}.GetFleet(t.Context(), &bothyv1.GetFleetRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return fleet.GetMachines()[0].GetVerdict().GetStanding()
}

func TestASilentSiteReadsAsUnknown(t *testing.T) {
	h := openHub(t)
	if got := h.standing(t); got != bothyv1.Standing_UNKNOWN {
		t.Errorf("a site that was never heard: %v", got)
	}
	h.asks(t, "raven", 7, "ravens-quarry")
	if got := h.standing(t); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("a site that was just heard: %v", got)
	}
	h.now = h.now.Add(4*time.Hour + time.Second)
	if got := h.standing(t); got != bothyv1.Standing_UNKNOWN {
		t.Errorf("a second after the set age: %v", got)
	}
}

// A van that carries a site must not make the site look current while its own
// cabin is silent.
func TestTheLeastHeardCabinSpeaksForASite(t *testing.T) {
	h := openHub(t)
	h.asks(t, "raven", 7, "ravens-quarry")
	h.now = h.now.Add(5 * time.Hour)
	h.asks(t, "van", 8, "linn-bridge", "ravens-quarry")
	if got := h.standing(t); got != bothyv1.Standing_UNKNOWN {
		t.Errorf("the van was heard, the cabin was not: %v", got)
	}
	h.asks(t, "raven", 9, "ravens-quarry") // a new computer under the old name
	if got := h.standing(t); got != bothyv1.Standing_CHECK_DUE {
		t.Errorf("the cabin was heard again: %v", got)
	}
}
