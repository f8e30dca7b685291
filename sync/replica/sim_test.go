package replica_test

import (
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/exchange"
	"github.com/bothy-mesh/bothy/sync/record"
	"github.com/bothy-mesh/bothy/sync/replica"
	"github.com/bothy-mesh/bothy/sync/view"
)

var (
	seeds   = flag.Int("sim.seeds", 200, "how many simulated fleets to run")
	oneSeed = flag.Uint64("sim.seed", 0, "run only this simulated fleet, and tell its story")
)

// TestSimulatedFleets runs whole fleets of real replicas on one virtual clock and
// one thread. Messages are cut, lost, duplicated, delayed and put out of order;
// replicas are killed between any two steps and lose what was not synced; views
// are deleted; clocks jump by years; old copies of a card are put back, cards are
// cloned, and the hub's ledger goes back. After healing, all replicas must hold
// equal bytes, every acknowledged write that any copy still had must be there,
// and be there once.
func TestSimulatedFleets(t *testing.T) {
	if *oneSeed != 0 {
		simulate(t, *oneSeed)
		return
	}
	n := *seeds
	if testing.Short() {
		n = min(n, 20)
	}
	for seed := uint64(1); seed <= uint64(n); seed++ {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			simulate(t, seed)
			if t.Failed() {
				t.Logf("again, with its story: go test ./sync/replica -run TestSimulatedFleets -sim.seed=%d -v", seed)
			}
		})
	}
}

func simulate(t *testing.T, seed uint64) {
	w := newWorld(t, seed)
	defer w.close()
	steps := 60 + w.rng.IntN(120)
	for range steps {
		w.now = w.now.Add(time.Duration(w.rng.IntN(3_600_000)) * time.Millisecond)
		w.step()
	}
	w.heal()
	w.check()
}

// world is one simulated fleet.
type world struct {
	t      *testing.T
	rng    *rand.Rand
	schema *record.Schema
	dir    string
	now    time.Time
	hub    *member
	nodes  []*member
	// stream is the hub's ledger; identity changes when it is made anew.
	stream   []piece
	identity string
	// oldStream is how long the stream was when the hub was copied.
	oldStream int
	// flying are pieces on their way to the hub.
	flying []piece
	// acked maps each acknowledged write, by its unique author, to the number of
	// its changes.
	acked  map[string]int
	writes int
}

type piece struct {
	from clock.Replica
	body []byte
	// stored is when the stream took it: no two messages have one time.
	stored time.Time
}

// member is one replica with its place in the world.
type member struct {
	*replica.Replica
	name string
	dir  string
	skew time.Duration
	cut  bool
	old  string // an old copy of its directory; empty if there is none
	read map[string]string
}

func newWorld(t *testing.T, seed uint64) *world {
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		t.Fatal(err)
	}
	w := &world{
		t: t, rng: rand.New(rand.NewPCG(seed, 1)), schema: schema, dir: memoryDir(t),
		now: time.Date(2031, 3, 3, 5, 0, 0, 0, time.UTC), identity: "first", acked: map[string]int{},
	}
	w.hub = w.join("hub")
	for i := range 2 + w.rng.IntN(3) {
		w.nodes = append(w.nodes, w.join(fmt.Sprintf("node%d", i)))
	}
	return w
}

// memoryDir is a folder in memory where the system has one: a simulated disk
// need not be a slow one.
func memoryDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/dev/shm", "fleet-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

func (w *world) say(format string, args ...any) {
	if *oneSeed != 0 {
		w.t.Logf(w.now.Format("Jan 2 15:04 ")+format, args...)
	}
}

func (w *world) must(err error) {
	if err != nil {
		w.t.Helper()
		w.t.Fatal(err)
	}
}

func (w *world) join(name string) *member {
	m := &member{name: name, dir: filepath.Join(w.dir, name), read: map[string]string{}}
	w.open(m)
	return m
}

func (w *world) open(m *member) {
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	var err error
	m.Replica, err = replica.Open(w.t.Context(), replica.Options{
		Dir: m.dir, Schema: w.schema, Log: log, SyncView: false, KeepReceived: m.name != "hub",
		Now:    func() time.Time { return w.now.Add(m.skew) },
		DrawID: func() clock.Replica { return clock.Replica(w.rng.Uint64() | 1) },
	})
	w.must(err)
}

func (w *world) close() {
	for _, m := range w.all() {
		if m.Replica != nil {
			m.Close()
		}
	}
}

func (w *world) all() []*member { return append([]*member{w.hub}, w.nodes...) }

func (w *world) someone() *member { return w.nodes[w.rng.IntN(len(w.nodes))] }

// step is one event of the fleet.
func (w *world) step() {
	switch n := w.rng.IntN(100); {
	case n < 34:
		w.write(w.all()[w.rng.IntN(len(w.nodes)+1)])
	case n < 52:
		w.send(w.someone())
	case n < 64:
		w.consume()
	case n < 80:
		w.ask(w.someone())
	case n < 84:
		m := w.someone()
		m.cut = !m.cut
		w.say("%s: link cut=%v", m.name, m.cut)
	case n < 90:
		w.crash(w.all()[w.rng.IntN(len(w.nodes)+1)])
	case n < 93:
		m := w.someone()
		m.skew = []time.Duration{0, 400 * 24 * time.Hour, -9000 * 24 * time.Hour, 50 * time.Minute}[w.rng.IntN(4)]
		w.say("%s: clock is off by %v", m.name, m.skew)
	case n < 95:
		w.copyCard(w.someone())
	case n < 97:
		w.putBack(w.someone())
	case n < 98:
		w.clone(w.someone())
	case n < 99:
		w.hubTrouble()
	default:
		w.cardTrouble(w.someone())
	}
}

// write makes one or two changes by an author of its own: new defects and edits
// of a few shared machines and defects, some with an old etag.
func (w *world) write(m *member) {
	w.writes++
	author := fmt.Sprintf("w%d", w.writes)
	lane := store.Lane(w.rng.IntN(3))
	changes := 1
	err := m.Write(w.t.Context(), author, func(tx store.Writer) error {
		if w.rng.IntN(3) == 0 {
			changes++
			if _, err := tx.Create(&bothyv1.Defect{Machine: "d-1", Text: author, Class: bothyv1.Class_SAFETY, Progress: bothyv1.Progress_REPORTED}, lane); err != nil {
				return err
			}
		}
		if w.rng.IntN(2) == 0 {
			d := &bothyv1.Defect{
				Id: fmt.Sprintf("shared-%d", w.rng.IntN(3)), Text: author, Class: bothyv1.Class(1 + w.rng.IntN(3)),
				Progress: bothyv1.Progress(1 + w.rng.IntN(6)), Notes: []*bothyv1.Note{{Person: author, Text: author}},
			}
			fields := [][]string{{"text"}, {"class", "progress"}, {"notes"}, {"text", "notes", "progress"}}[w.rng.IntN(4)]
			return w.change(tx, m, d, fields, lane)
		}
		mach := &bothyv1.Machine{Id: fmt.Sprintf("d-%d", w.rng.IntN(3)), FleetNumber: author, Site: []string{"north", "south"}[w.rng.IntN(2)], MeterHours: float64(w.rng.IntN(9000)) / 10}
		fields := [][]string{{"site"}, {"fleet_number", "meter_hours"}, {"fleet_number"}}[w.rng.IntN(3)]
		return w.change(tx, m, mach, fields, lane)
	})
	w.must(err)
	w.acked[author] = changes
	w.say("%s: %s wrote %d changes in lane %d", m.name, author, changes, lane)
}

// change edits with the newest etag, with one that was read some time ago, or
// with none.
func (w *world) change(tx store.Writer, m *member, msg interface {
	proto.Message
	GetId() string
}, fields []string, lane store.Lane) error {
	e, ok, err := tx.Get(msg, msg.GetId())
	if err != nil {
		return err
	}
	etag := ""
	if old := m.read[msg.GetId()]; old != "" && w.rng.IntN(3) == 0 {
		etag = old
	}
	if ok && w.rng.IntN(2) == 0 {
		m.read[msg.GetId()] = e.Etag
	}
	return tx.Change(msg, fields, etag, lane)
}

// send gives one piece to the link. It may be lost, arrive twice, or arrive late;
// the acknowledgement may be lost too.
func (w *world) send(m *member) {
	body, err := m.NextPiece()
	w.must(err)
	if body == nil {
		return
	}
	p := piece{from: m.ID(), body: body}
	fate := w.rng.IntN(10)
	if m.cut || fate == 0 {
		w.say("%s: piece lost", m.name)
		m.Cut()
		return
	}
	switch {
	case fate == 1:
		w.flying = append(w.flying, p)
		w.say("%s: piece delayed, no acknowledgement", m.name)
		m.Cut()
		return
	case fate == 2:
		w.store(p)
		w.store(p)
	default:
		w.store(p)
	}
	if fate == 3 {
		w.say("%s: acknowledgement lost", m.name)
		m.Cut()
		return
	}
	w.say("%s: piece of %d bytes is message %d", m.name, len(body), len(w.stream))
	w.must(m.Acknowledged(w.t.Context(), len(body), time.Second))
}

// consume lets a late piece arrive, and the hub join some of its stream.
func (w *world) consume() {
	if len(w.flying) > 0 && w.rng.IntN(2) == 0 {
		i := w.rng.IntN(len(w.flying))
		w.store(w.flying[i])
		w.flying = slices.Delete(w.flying, i, i+1)
	}
	w.publish()
	w.hubJoins(1 + w.rng.IntN(5))
}

// publish writes the hub's own changes to its stream.
func (w *world) publish() {
	for range 1000 {
		body, err := w.hub.NextPiece()
		w.must(err)
		if body == nil {
			return
		}
		w.store(piece{from: w.hub.ID(), body: body})
		w.must(w.hub.Acknowledged(w.t.Context(), len(body), time.Millisecond))
	}
	w.t.Fatal("the hub never stops publishing")
}

// store puts a piece at the end of the hub's stream.
func (w *world) store(p piece) {
	w.writes++
	p.stored = w.now.Add(time.Duration(w.writes))
	w.stream = append(w.stream, p)
}

func (w *world) hubJoins(limit int) (joined bool) {
	position, _, err := w.hub.Position(w.t.Context(), w.identity, func(seq uint64, at time.Time) (bool, error) {
		return seq <= uint64(len(w.stream)) && w.stream[seq-1].stored.Equal(at), nil
	})
	w.must(err)
	for ; int(position) < len(w.stream) && limit > 0; limit-- {
		changes, err := w.hub.Unpack(w.stream[position].body)
		w.must(err)
		position++
		_, err = w.hub.Receive(w.t.Context(), replica.Delivery{Changes: changes, From: view.Hub, Position: position, StoredAt: w.stream[position-1].stored})
		w.must(err)
		joined = true
	}
	return joined
}

// ask lets a node pull once. Question or answer may be lost.
func (w *world) ask(m *member) (again bool) {
	q, err := m.Question(m.name)
	w.must(err)
	if m.cut || w.rng.IntN(10) == 0 {
		return false
	}
	again, err = w.answer(m, q)
	w.must(err)
	return again
}

func (w *world) answer(m *member, q exchange.Request) (bool, error) {
	q, err := exchange.DecodeRequest(q.Append(nil))
	w.must(err)
	a, err := w.hub.Answer(w.t.Context(), q, func(position uint64) bool { return int(position) == len(w.stream) })
	w.must(err)
	if w.rng.IntN(10) == 0 {
		w.say("%s: answer lost", m.name)
		return true, nil
	}
	a, err = exchange.DecodeAnswer(a.Append(nil))
	w.must(err)
	w.say("%s: asked, receipt %d of %d, piece of %d bytes", m.name, a.Receipt, q.Written, len(a.Piece))
	return m.Answered(w.t.Context(), q, a, 0)
}

// crash kills a replica: its view is gone, and the write that was under way may
// have left a torn tail.
func (w *world) crash(m *member) {
	w.must(m.Close())
	if w.rng.IntN(2) == 0 {
		w.tear(filepath.Join(m.dir, "own"))
	}
	w.open(m)
	w.say("%s: killed and started again as %v", m.name, m.ID())
}

// tear appends part of a frame that was never synced.
func (w *world) tear(dir string) {
	names, err := filepath.Glob(filepath.Join(dir, "*.led"))
	w.must(err)
	f, err := os.OpenFile(names[len(names)-1], os.O_APPEND|os.O_WRONLY, 0)
	w.must(err)
	garbage := make([]byte, 1+w.rng.IntN(40))
	for i := range garbage {
		garbage[i] = byte(w.rng.Uint32())
	}
	_, err = f.Write(garbage)
	w.must(err)
	w.must(f.Close())
}

func (w *world) dropView(m *member) {
	w.must(m.Close())
	w.must(os.RemoveAll(filepath.Join(m.dir, "view")))
	w.open(m)
	w.say("%s: view deleted", m.name)
}

// copyCard keeps a copy of a stopped node's directory.
func (w *world) copyCard(m *member) {
	w.must(m.Close())
	m.old = w.copyDir(m)
	w.open(m)
	w.say("%s: card copied", m.name)
}

func (w *world) copyDir(m *member) string {
	w.writes++
	to := filepath.Join(w.dir, fmt.Sprintf("copy%d", w.writes))
	w.must(os.CopyFS(to, os.DirFS(m.dir)))
	return to
}

// putBack puts an old copy in place of a node's card. What only the card had is
// gone with it.
func (w *world) putBack(m *member) {
	if m.old == "" {
		return
	}
	w.must(m.Close())
	w.must(os.RemoveAll(m.dir))
	w.must(os.Rename(m.old, m.dir))
	m.old, m.read = "", map[string]string{}
	w.open(m)
	w.say("%s: old copy put back, writes as %v", m.name, m.ID())
	w.forgetUnrecoverable()
}

// clone starts a second node from a copy of a card.
func (w *world) clone(m *member) {
	if len(w.nodes) >= 6 {
		return
	}
	w.must(m.Close())
	c := &member{name: fmt.Sprintf("%s-clone%d", m.name, w.writes), dir: w.copyDir(m), read: map[string]string{}}
	w.open(m)
	w.open(c)
	w.nodes = append(w.nodes, c)
	w.say("%s: cloned from %s", c.name, m.name)
}

// hubTrouble is what can happen to head office.
func (w *world) hubTrouble() {
	switch {
	case w.rng.IntN(2) == 0:
		w.hubGoesBack()
	case w.hub.old == "":
		w.must(w.hub.Close())
		w.hub.old, w.oldStream = w.copyDir(w.hub), len(w.stream)
		w.open(w.hub)
		w.say("hub: copied, with %d messages", w.oldStream)
	default:
		w.oldStream = min(w.oldStream, len(w.stream))
		w.stream = w.stream[:w.oldStream]
		w.putBack(w.hub)
	}
}

// cardTrouble is what can happen to a node's card beyond a crash.
func (w *world) cardTrouble(m *member) {
	if w.rng.IntN(2) == 0 {
		w.dropView(m)
		return
	}
	w.must(m.Close())
	names, err := filepath.Glob(filepath.Join(m.dir, "own", "*.led"))
	w.must(err)
	last := names[len(names)-1]
	info, err := os.Stat(last)
	w.must(err)
	w.must(os.Truncate(last, info.Size()-w.rng.Int64N(min(info.Size(), 400))))
	w.open(m)
	w.say("%s: the end of its ledger was lost, writes as %v", m.name, m.ID())
	w.forgetUnrecoverable()
}

// hubGoesBack cuts the end of the hub's ledger, sometimes with its view.
func (w *world) hubGoesBack() {
	w.stream = w.stream[:len(w.stream)-w.rng.IntN(len(w.stream)+1)/2]
	viewToo := w.rng.IntN(2) == 0
	if viewToo {
		w.must(w.hub.Close())
		w.open(w.hub)
	}
	w.say("hub: ledger went back to %d messages, view lost: %v", len(w.stream), viewToo)
	w.forgetUnrecoverable()
}

// forgetUnrecoverable takes out of the reckoning what no copy holds any more: no
// ledger, and no piece under way.
func (w *world) forgetUnrecoverable() {
	held := map[string]map[record.Key]bool{}
	note := func(c record.Change) error {
		if held[c.Author] == nil {
			held[c.Author] = map[record.Key]bool{}
		}
		held[c.Author][c.Key] = true
		return nil
	}
	for _, m := range w.all() {
		w.must(m.Each(note))
	}
	for _, p := range append(slices.Clone(w.stream), w.flying...) {
		changes, err := w.hub.Unpack(p.body)
		w.must(err)
		for _, c := range changes {
			w.must(note(c))
		}
	}
	for author, n := range w.acked {
		if left := len(held[author]); left < n {
			w.say("of %s, %d of %d changes are lost with the last copy that had them", author, n-left, n)
			w.acked[author] = left
		}
	}
}

// authors counts the changes of each author that a member holds.
func (w *world) authors(m *member) map[string]int {
	out := map[string]int{}
	w.must(m.Each(func(c record.Change) error {
		out[c.Author]++
		return nil
	}))
	return out
}

// heal mends every link and lets the fleet exchange until nothing is left.
func (w *world) heal() {
	w.say("healing")
	for _, p := range w.flying {
		w.store(p)
	}
	w.flying = nil
	for round := range 60 {
		for _, m := range w.all() {
			m.cut, m.skew = false, 0
		}
		moved := false
		for _, m := range w.nodes {
			for {
				body, err := m.NextPiece()
				w.must(err)
				if body == nil {
					break
				}
				w.store(piece{from: m.ID(), body: body})
				w.must(m.Acknowledged(w.t.Context(), len(body), time.Second))
				moved = true
			}
		}
		w.publish()
		for w.hubJoins(100) {
			moved = true
		}
		for _, m := range w.nodes {
			for w.ask(m) {
				moved = true
			}
		}
		if !moved && round > 8 && w.equal() {
			return
		}
	}
}

func (w *world) equal() bool {
	want, err := w.hub.Digest(nil)
	w.must(err)
	for _, m := range w.nodes {
		got, err := m.Digest(nil)
		w.must(err)
		if got != want {
			return false
		}
	}
	return true
}

func (w *world) check() {
	if !w.equal() {
		for _, m := range w.all() {
			d, _ := m.Digest(nil)
			w.t.Errorf("%s (%v) ends with digest %.12s", m.name, m.ID(), d)
		}
	}
	for _, m := range w.all() {
		held := w.authors(m)
		for author, n := range w.acked {
			if held[author] != n {
				w.t.Errorf("%s: acknowledged write %s has %d changes, want %d", m.name, author, held[author], n)
			}
		}
		s, err := m.Status()
		if m == w.hub {
			s.Receipted = s.Written // nobody gives the hub a receipt
		}
		if err != nil || !s.Clear() {
			w.t.Errorf("%s: not clear after healing: written %d, receipted %d, lanes %v, refused %d, %v", m.name, s.Written, s.Receipted, s.Lanes, len(s.Refused), err)
		}
	}
}
