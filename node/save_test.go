package node

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// dumper is a machine of the scheme.
var dumper = map[string]any{
	"fleetNumber": "D 11", "machineType": "wheeled-site-dumper", "site": "ravens-quarry", "options": []string{"straight-skip", "frame"}, "meterHours": 10,
}

// live is a node that runs.
type live struct {
	*Node
	stop func()
}

// running starts a node without a hub, with one machine.
func running(tb testing.TB) *Node {
	tb.Helper()
	n := runningAt(tb, filepath.Join(tb.TempDir(), "node"), time.Now)
	call(tb, n.Node, "POST", "/v1/machines", dumper)
	return n.Node
}

// runningAt starts a node by a clock.
func runningAt(tb testing.TB, dir string, now func() time.Time) live {
	tb.Helper()
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	n, err := Open(tb.Context(), Config{
		Name: "raven", Sites: []string{"ravens-quarry"}, Dir: dir,
		HTTP: "127.0.0.1:0", GRPC: "127.0.0.1:0", AskEvery: time.Minute, Now: now, Log: log,
	})
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- n.Run(ctx) }()
	stop := sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Error(err)
		}
	})
	tb.Cleanup(stop)
	return live{n, stop}
}

func call(tb testing.TB, n *Node, method, path string, body any) (answer []byte) {
	tb.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		tb.Fatal(err)
	}
	req, err := http.NewRequest(method, "http://"+n.HTTPAddr()+path, bytes.NewReader(b))
	if err != nil {
		tb.Fatal(err)
	}
	req.Header.Set("Bothy-Person", "isla")
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		tb.Fatal(err)
	}
	defer resp.Body.Close()
	if answer, err = io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusOK {
		tb.Fatalf("%s %s: %s %s %v", method, path, resp.Status, answer, err)
	}
	return answer
}

// checkInOrder is a pre-use check of D 11 with every point in order.
func checkInOrder(tb testing.TB, n *Node) map[string]any {
	tb.Helper()
	var sheets struct {
		Sheets []struct {
			ID, Purpose string
			Stages      []struct {
				Points []struct {
					ID          string
					HoldSeconds float64
				}
			}
		}
	}
	resp, err := http.Get("http://" + n.HTTPAddr() + "/v1/machines/d-11/sheets")
	if err != nil {
		tb.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&sheets); err != nil {
		tb.Fatal(err)
	}
	now := time.Now().UTC().Truncate(time.Second)
	check := map[string]any{"machine": "d-11", "meterHours": 10, "startedAt": now.Add(-time.Minute), "finishedAt": now}
	for _, s := range sheets.Sheets {
		if s.Purpose != "PRE_USE" {
			continue
		}
		var answers []map[string]any
		for _, stage := range s.Stages {
			for _, p := range stage.Points {
				a := map[string]any{"point": p.ID, "state": "OK"}
				if p.HoldSeconds > 0 {
					a["heldSeconds"] = p.HoldSeconds
				}
				answers = append(answers, a)
			}
		}
		check["sheet"], check["answers"] = s.ID, answers
	}
	return check
}

// BenchmarkSaveCheck saves checks through the JSON API, durably; the raw case
// beside it appends and syncs 300 bytes to a file on the same disk.
func BenchmarkSaveCheck(b *testing.B) {
	b.Run("raw", func(b *testing.B) {
		f, err := os.Create(filepath.Join(b.TempDir(), "raw"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		for b.Loop() {
			if _, err := f.Write(make([]byte, 300)); err != nil {
				b.Fatal(err)
			}
			if err := f.Sync(); err != nil {
				b.Fatal(err)
			}
		}
	})
	for _, writers := range []int{1, 32} {
		b.Run(fmt.Sprintf("writers=%d", writers), func(b *testing.B) {
			n := running(b)
			check := checkInOrder(b, n)
			var next atomic.Int64
			b.SetParallelism(writers)
			b.ResetTimer()
			if writers == 1 {
				for range b.N {
					call(b, n, "POST", fmt.Sprintf("/v1/checks?requestId=b-%d", next.Add(1)), check)
				}
				return
			}
			b.RunParallel(func(pb *testing.PB) {
				for pb.Next() {
					call(b, n, "POST", fmt.Sprintf("/v1/checks?requestId=b-%d", next.Add(1)), check)
				}
			})
		})
	}
}

// A cabin whose clock battery is dead starts in the past. It must go on saving
// checks, and say that it doubts its clock.
func TestADeadClockBatteryKeepsNobodyFromSaving(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "node")
	healthy := runningAt(t, dir, time.Now)
	call(t, healthy.Node, "POST", "/v1/machines", dumper)
	healthy.stop()
	dead := runningAt(t, dir, func() time.Time { return time.Date(1970, 1, 1, 0, 0, 7, 0, time.UTC) })
	check := checkInOrder(t, dead.Node)
	later := time.Now().Add(2 * time.Hour).UTC().Truncate(time.Second)
	check["startedAt"], check["finishedAt"] = later.Add(-10*time.Minute), later
	var saved struct{ Doubts []string }
	if err := json.Unmarshal(call(t, dead.Node, "POST", "/v1/checks?requestId=dead", check), &saved); err != nil {
		t.Fatal(err)
	}
	if !slices.Contains(saved.Doubts, "CLOCK_DIFFERS") {
		t.Errorf("doubts %v, want CLOCK_DIFFERS among them", saved.Doubts)
	}
}
