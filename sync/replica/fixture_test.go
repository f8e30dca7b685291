package replica_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

var noon = time.Date(2031, 3, 3, 12, 0, 0, 0, time.UTC)

func schemaOf(t testing.TB) *record.Schema {
	t.Helper()
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// openNode opens a node on real files; alter sets its options.
func openNode(t testing.TB, dir string, alter ...func(*replica.Options)) *replica.Replica {
	t.Helper()
	opts := replica.Options{
		Dir: dir, Schema: schemaOf(t), Log: slog.New(slog.DiscardHandler), KeepReceived: true,
		Now: func() time.Time { return noon },
	}
	for _, f := range alter {
		f(&opts)
	}
	r, err := replica.Open(t.Context(), opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func asHub(o *replica.Options) { o.KeepReceived = false }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// addMachine makes a machine and gives its id.
func addMachine(t testing.TB, r *replica.Replica, fleetNumber string) (id string) {
	t.Helper()
	must(t, r.Write(t.Context(), "joan", func(w store.Writer) (err error) {
		id, err = w.Create(&bothyv1.Machine{FleetNumber: fleetNumber, Site: "north"}, store.Calm)
		return err
	}))
	return id
}

// renumber gives a machine another fleet number, by one who had seen the etag.
func renumber(r *replica.Replica, t testing.TB, id, fleetNumber, etag string) error {
	return r.Write(t.Context(), "joan", func(w store.Writer) error {
		return w.Change(&bothyv1.Machine{Id: id, FleetNumber: fleetNumber}, []string{"fleet_number"}, etag, store.Calm)
	})
}

// machineIn reads a machine.
func machineIn(t testing.TB, r *replica.Replica, id string) (e store.Entry, ok bool) {
	t.Helper()
	must(t, r.Read(t.Context(), func(d store.Reader) (err error) {
		e, ok, err = d.Get(&bothyv1.Machine{}, id)
		return err
	}))
	return e, ok
}

// busy holds the owner in a write until release is called.
func busy(t testing.TB, r *replica.Replica) (release func()) {
	t.Helper()
	started, released, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		ended <- r.Write(t.Context(), "joan", func(w store.Writer) error {
			select {
			case <-started: // staged a second time
			default:
				close(started)
			}
			<-released
			_, err := w.Create(&bothyv1.Machine{FleetNumber: "busy"}, store.Calm)
			return err
		})
	}()
	<-started
	return func() {
		close(released)
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

// waitForWriters returns when n goroutines wait for the owner.
func waitForWriters(n int) {
	b := make([]byte, 1<<20)
	for {
		waiting := 0
		for _, g := range strings.Split(string(b[:runtime.Stack(b, true)]), "\n\n") {
			if strings.Contains(g, "[select") && strings.Contains(g, "(*Replica).do(") {
				waiting++
			}
		}
		if waiting >= n {
			return
		}
		runtime.Gosched()
	}
}

// stream is a hub with its ledger.
type stream struct {
	t      testing.TB
	hub    *replica.Replica
	pieces [][]byte
}

// send takes at most n pieces of a node, and acknowledges them.
func (s *stream) send(r *replica.Replica, n int) {
	s.t.Helper()
	for range n {
		piece, err := r.NextPiece()
		must(s.t, err)
		if piece == nil {
			return
		}
		s.pieces = append(s.pieces, piece)
		must(s.t, r.Acknowledged(s.t.Context(), len(piece), time.Second))
	}
}

// join has the hub take what its ledger holds.
func (s *stream) join() {
	s.t.Helper()
	position, _, err := s.hub.Position(s.t.Context(), "stream", func(seq uint64, _ time.Time) (bool, error) {
		return seq <= uint64(len(s.pieces)), nil
	})
	must(s.t, err)
	for ; int(position) < len(s.pieces); position++ {
		changes, err := s.hub.Unpack(s.pieces[position])
		must(s.t, err)
		_, err = s.hub.Receive(s.t.Context(), replica.Delivery{Changes: changes, From: view.Hub, Position: position + 1, StoredAt: noon})
		must(s.t, err)
	}
}

// ask has a node pull once.
func (s *stream) ask(r *replica.Replica) (exchange.Answer, bool) {
	s.t.Helper()
	q, err := r.Question("cabin")
	must(s.t, err)
	a, err := s.hub.Answer(s.t.Context(), q, func(position uint64) bool { return position == uint64(len(s.pieces)) })
	must(s.t, err)
	again, err := r.Answered(s.t.Context(), q, a, 0)
	must(s.t, err)
	return a, again
}

// settle exchanges until hub and nodes have nothing more to say.
func (s *stream) settle(nodes ...*replica.Replica) {
	s.t.Helper()
	for range 8 {
		for _, r := range append(nodes, s.hub) {
			s.send(r, 1000)
		}
		s.join()
		for _, r := range nodes {
			for again := true; again; {
				_, again = s.ask(r)
			}
		}
	}
}

func digest(t testing.TB, r *replica.Replica) string {
	t.Helper()
	d, err := r.Digest(nil)
	must(t, err)
	return d
}

func statusOf(t testing.TB, r *replica.Replica) replica.Status {
	t.Helper()
	s, err := r.Status()
	must(t, err)
	return s
}

// onlySegment is the one file of frames of a ledger.
func onlySegment(t testing.TB, dir string) string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*.led"))
	must(t, err)
	if len(names) != 1 {
		t.Fatalf("%s has %d segments, want 1", dir, len(names))
	}
	return names[0]
}

// flip changes one bit of a file.
func flip(t testing.TB, path string, at int64) {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	b[at] ^= 1
	must(t, os.WriteFile(path, b, 0o600))
}

// changesOf gives what a replica made, in order.
func changesOf(t testing.TB, r *replica.Replica, of clock.Replica) (out []record.Change) {
	t.Helper()
	must(t, r.Each(func(c record.Change) error {
		if c.Replica == of {
			out = append(out, c)
		}
		return nil
	}))
	return out
}
