package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

const benchText = `It measures this machine, in one run: checks saved through the JSON API of a node
beside small synced writes on the same disk; bytes on the link for a backlog of checks;
changes joined by a hub; the opening of a large node; memory. Processes and disk are
real, the link is this machine's loopback, without TLS. Compare figures of one run
only.`

func benchCommand() command {
	return command{
		name: "bench",
		line: "measure this machine: saving, sending, joining, opening, memory",
		text: benchText,
		run:  runBench,
	}
}

func runBench(ctx context.Context, c call) (err error) {
	dir, err := os.MkdirTemp(".", "bothy-bench-")
	if err != nil {
		return fmt.Errorf("make a folder for the measurements: %w", err)
	}
	if dir, err = filepath.Abs(dir); err != nil {
		return err
	}
	b := &bench{demo: demo{out: c.stdout, dir: dir, began: time.Now(), lasting: 9 * time.Minute, patience: 6 * time.Minute}, rng: rand.New(rand.NewPCG(1, 46))}
	defer func() { err = errors.Join(err, b.end(), os.RemoveAll(dir)) }()
	for _, part := range []func(context.Context) error{b.setUp, b.saving, b.backlogs, b.joining, b.opening} {
		if err := part(ctx); err != nil {
			return unlessStopped(ctx, err)
		}
	}
	return nil
}

// bench is the demo's scheme with a stop-watch.
type bench struct {
	demo
	rng *rand.Rand
}

// row prints one figure.
func (b *bench) row(what, format string, args ...any) {
	fmt.Fprintf(b.out, "%-58s %s\n", what, fmt.Sprintf(format, args...))
}

func (b *bench) setUp(ctx context.Context) error {
	register := filepath.Join(b.dir, "register")
	if err := os.CopyFS(register, demoFiles); err != nil {
		return err
	}
	var err error
	b.hub, err = b.start(ctx, "hub", "--dir", filepath.Join(b.dir, "hub"), "--http", local, "--grpc", local, "--nats", local, "--free-space", "0")
	if err != nil {
		return err
	}
	if err := b.runOnce(ctx, "import", "--hub", b.hub.url(), "--person", "oona", filepath.Join(register, "demo")); err != nil {
		return err
	}
	if err := b.addCabin(ctx, "raven"); err != nil {
		return err
	}
	if err := b.await(ctx, "the cabin has the register", func() (bool, error) { return b.allHold(ctx, "machines", 7) }); err != nil {
		return err
	}
	b.cabin("raven").cut()
	return b.memory("idle node: resident, of it anonymous", b.cabin("raven"))
}

// memory prints a process's resident memory.
func (b *bench) memory(what string, s *server) error {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		return fmt.Errorf("read the memory of %s: %w", s.name, err)
	}
	kB := func(name string) float64 {
		for line := range strings.Lines(string(status)) {
			if rest, ok := strings.CutPrefix(line, name+":"); ok {
				n, _ := strconv.ParseFloat(strings.Fields(rest)[0], 64)
				return n
			}
		}
		return 0
	}
	b.row(what, "%.1f MiB, %.1f MiB", kB("VmRSS")/1024, kB("RssAnon")/1024)
	return nil
}

// measured is how long each rate is measured.
const measured = 3 * time.Second

// saving compares checks through the API with small synced writes.
func (b *bench) saving(ctx context.Context) error {
	raw, err := b.syncedWrites()
	if err != nil {
		return err
	}
	b.row("synced writes of 300 bytes on this disk, one writer", "%.0f /s", raw)
	c := b.cabin("raven")
	body, err := b.checkBody(ctx, c, "isla", "d-11", "PRE_USE", nil)
	if err != nil {
		return err
	}
	for _, writers := range []int{1, 32} {
		rate, err := b.savedBy(ctx, c, writers, body)
		if err != nil {
			return err
		}
		b.row(fmt.Sprintf("checks saved through the JSON API, %d writers", writers), "%.0f /s, %.2f of the synced writes", rate, rate/raw)
	}
	return b.memory("node under that load: resident, of it anonymous", c)
}

func (b *bench) syncedWrites() (perSecond float64, err error) {
	f, err := os.Create(filepath.Join(b.dir, "raw"))
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	block := make([]byte, 300)
	n := 0
	for began := time.Now(); time.Since(began) < measured; n++ {
		if _, err := f.Write(block); err != nil {
			return 0, err
		}
		if err := f.Sync(); err != nil {
			return 0, err
		}
	}
	return float64(n) / measured.Seconds(), nil
}

// savedBy has some handhelds save checks for a while.
func (b *bench) savedBy(ctx context.Context, c *server, writers int, body map[string]any) (perSecond float64, err error) {
	var saved atomic.Int64
	var failure atomic.Pointer[error]
	var wg sync.WaitGroup
	until := time.Now().Add(measured)
	for w := range writers {
		wg.Go(func() {
			for i := 0; time.Now().Before(until) && failure.Load() == nil; i++ {
				path := fmt.Sprintf("/v1/checks?requestId=bench-%d-%d-%d-%d", b.began.UnixNano(), writers, w, i)
				if err := c.post(ctx, "isla", path, body, nil); err != nil {
					failure.Store(&err)
					return
				}
				saved.Add(1)
			}
		})
	}
	wg.Wait()
	if err := failure.Load(); err != nil {
		return 0, *err
	}
	return float64(saved.Load()) / measured.Seconds(), nil
}

// backlog is how many checks wait for the link.
const backlog = 1000

// backlogs counts the bytes on the link, both ways and everything included.
func (b *bench) backlogs(ctx context.Context) error {
	c := b.cabin("raven")
	c.cutter.Restore()
	if err := b.awaitSynced(ctx, c); err != nil {
		return err
	}
	if err := b.onTheLink(ctx, c, "one check alone, link up", 1, false); err != nil {
		return err
	}
	for _, kind := range []struct {
		what  string
		mixed bool
	}{
		{"checks in order, backlog of 1,000, new connection", false},
		{"checks of the mix, with the defects they open, same", true},
	} {
		c.cut()
		if err := b.onTheLink(ctx, c, kind.what, backlog, kind.mixed); err != nil {
			return err
		}
	}
	return nil
}

// onTheLink saves checks, lets them through, and prints the bytes for each.
func (b *bench) onTheLink(ctx context.Context, c *server, what string, checks int, mixed bool) error {
	up, down := c.cutter.Bytes()
	machines := []struct{ id, person string }{{"d-11", "isla"}, {"d-14", "bron"}, {"d-15", "tomasz"}}
	defects := 0
	for i := range checks {
		m := machines[i%len(machines)]
		found := map[string]answer{}
		if mixed {
			found = b.drawFindings()
		}
		for _, a := range found {
			if a.State == "DEFECT" {
				defects++
			}
		}
		if _, err := b.check(ctx, c, m.person, m.id, found); err != nil {
			return err
		}
	}
	c.cutter.Restore()
	if err := b.awaitSynced(ctx, c); err != nil {
		return err
	}
	nowUp, nowDown := c.cutter.Bytes()
	total := nowUp - up + nowDown - down
	b.row(what, "%.1f bytes each (%d up, %d down, %d findings)", float64(total)/float64(checks), nowUp-up, nowDown-down, defects)
	return nil
}

// words make up what people write of a defect.
var words = strings.Fields(`oil water leak leaking at the hose near rear front left right loose worn cracked bent missing guard bolt nut
	plate step mirror glass lamp cable tyre wall rim seal pin grease dry bracket rubber mount hinge edge sharp dented rust hole small
	large drips overnight when hot when turning since yesterday needs looking`)

// benchPoints can be found wanting again and again without stopping the machine
// for good.
var benchPoints = strings.Fields(`surrounding-area ground-leaks chassis skip-body guards reflectors engine-bay seat station-clear mirrors
	gauges-and-lamps lights battery-and-wiring fuel engine-oil coolant hydraulic-oil steps-and-handrails`)

// drawFindings draws answers other than OK: of 46 points 1.5 % defects, with 20
// to 80 characters of text, and 1.5 % not checked.
func (b *bench) drawFindings() map[string]answer {
	out := map[string]answer{}
	for range 46 {
		state := ""
		switch p := b.rng.Float64(); {
		case p < 0.015:
			state = "DEFECT"
		case p < 0.03:
			state = "NOT_CHECKED"
		}
		if state == "" {
			continue
		}
		length := 20 + b.rng.IntN(61)
		text := ""
		for len(text) < length {
			text += words[b.rng.IntN(len(words))] + " "
		}
		out[benchPoints[b.rng.IntN(len(benchPoints))]] = answer{State: state, Note: strings.TrimSpace(text[:length])}
	}
	return out
}
