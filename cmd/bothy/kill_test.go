package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

var (
	killCycles = flag.Int("kill.cycles", 50, "how often a process is killed while handhelds write")
	killSeed   = flag.Uint64("kill.seed", 0, "seed of the kills; 0 draws one")
)

// TestNothingAcknowledgedIsLostToAKill kills the node, or the hub, at a random
// moment, again and again, while handhelds report defects. Whatever they were
// told is saved must be at the node and at the hub in the end, once; what they
// were told nothing of they send again, under the same request id.
func TestNothingAcknowledgedIsLostToAKill(t *testing.T) {
	cycles := *killCycles
	if testing.Short() {
		cycles = min(cycles, 5)
	}
	seed := *killSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("again: go test ./cmd/bothy -run %s -kill.seed=%d -kill.cycles=%d", t.Name(), seed, cycles)
	rng := rand.New(rand.NewPCG(seed, 2))

	hubDir, nodeDir := hubWithRegister(t), filepath.Join(t.TempDir(), "node")
	hub := startHub(t, hubDir)
	node := startNode(t, nodeDir, hub)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })

	crowd := newCrowd(t, 6)
	crowd.turnTo(node.http)
	for range cycles {
		crowd.letWrite(1 + rng.IntN(12))
		if rng.IntN(3) == 0 {
			hub.kill(t)
			hub = startHubAt(t, hubDir, hub.nats)
			continue
		}
		node.kill(t)
		node = startNode(t, nodeDir, hub)
		crowd.turnTo(node.http)
	}
	crowd.finish()

	saved := crowd.saved()
	if len(saved) < cycles {
		t.Fatalf("only %d defects were saved in %d cycles", len(saved), cycles)
	}
	for _, at := range []*process{node, hub} {
		eventually(t, func() string { return lacksSaved(t, at, saved) })
	}
	eventually(t, func() string { return notClear(t, node) })
	t.Logf("%d defects were acknowledged over %d kills; all are at node and hub, each once", len(saved), cycles)
}

// startHubAt starts a hub again where its nodes look for it.
func startHubAt(t *testing.T, dir, nats string) *process {
	t.Helper()
	return start(t, "hub", "--dir", dir, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--nats", strings.TrimPrefix(nats, "nats://"), "--free-space", "0")
}

func lacksMachine(t *testing.T, p *process, id string) string {
	if code, body := p.get(t, "/v1/machines/"+id); code != http.StatusOK {
		return body
	}
	return ""
}

func notClear(t *testing.T, node *process) string {
	_, body := node.get(t, "/v1/link")
	var link struct{ MayBeWiped bool }
	if err := json.Unmarshal([]byte(body), &link); err != nil || !link.MayBeWiped {
		return body
	}
	return ""
}

// lacksSaved compares a process's defects with what the crowd was told is saved,
// by the unique text of each.
func lacksSaved(t *testing.T, p *process, saved map[string]string) string {
	held := map[string][]string{}
	for token := ""; ; {
		code, body := p.get(t, "/v1/defects?machine=d-14&includeClosed=true&pageSize=500&pageToken="+token)
		if code != http.StatusOK {
			return body
		}
		var page struct {
			Defects       []struct{ ID, Text string }
			NextPageToken string
		}
		if err := json.Unmarshal([]byte(body), &page); err != nil {
			t.Fatal(err)
		}
		for _, d := range page.Defects {
			held[d.Text] = append(held[d.Text], d.ID)
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	for text, id := range saved {
		if len(held[text]) == 0 {
			return fmt.Sprintf("defect %s (%q) is missing", id, text)
		}
	}
	for text, ids := range held {
		if len(ids) > 1 {
			t.Fatalf("defect %q is there %d times: %v", text, len(ids), ids)
		}
		if id, ok := saved[text]; ok && ids[0] != id {
			t.Fatalf("defect %q has id %s, and its writer was told %s", text, ids[0], id)
		}
	}
	return ""
}

// crowd is some handhelds that report one defect after the other, each sent
// until it is answered.
type crowd struct {
	t       *testing.T
	cancel  context.CancelFunc
	done    sync.WaitGroup
	mu      sync.Mutex
	node    string            // where to send, guarded by mu
	told    map[string]string // id by text, guarded by mu
	answers chan struct{}
}

func newCrowd(t *testing.T, handhelds int) *crowd {
	ctx, cancel := context.WithCancel(t.Context())
	c := &crowd{t: t, cancel: cancel, told: map[string]string{}, answers: make(chan struct{})}
	for h := range handhelds {
		c.done.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				c.report(ctx, fmt.Sprintf("handheld %d, finding %d", h, i), fmt.Sprintf("kill-%d-%d", h, i))
			}
		})
	}
	t.Cleanup(c.finish)
	return c
}

func (c *crowd) turnTo(node string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.node = node
}

// letWrite waits for some more answers.
func (c *crowd) letWrite(answers int) {
	for range answers {
		select {
		case <-c.answers:
		case <-time.After(deadline):
			c.t.Fatal("no handheld gets an answer")
		}
	}
}

func (c *crowd) finish() {
	c.cancel()
	c.done.Wait()
}

func (c *crowd) saved() map[string]string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.told
}

// report sends one defect until it is answered.
func (c *crowd) report(ctx context.Context, text, requestID string) {
	body := fmt.Sprintf(`{"machine": "d-14", "text": %q, "class": "CONDITION"}`, text)
	for ctx.Err() == nil {
		c.mu.Lock()
		node := c.node
		c.mu.Unlock()
		id, ok := c.send(ctx, node+"/v1/defects?requestId="+requestID, body)
		if !ok {
			time.Sleep(5 * time.Millisecond) // the node is being started
			continue
		}
		c.mu.Lock()
		c.told[text] = id
		c.mu.Unlock()
		select {
		case c.answers <- struct{}{}:
		default:
		}
		return
	}
}

func (c *crowd) send(ctx context.Context, url, body string) (id string, ok bool) {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, url, strings.NewReader(body))
	if err != nil {
		return "", false
	}
	request.Header.Set("Bothy-Person", "ada-flint")
	request.Header.Set("Content-Type", "application/json")
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return "", false
	}
	defer answer.Body.Close()
	content, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != http.StatusOK {
		if err == nil && answer.StatusCode != http.StatusServiceUnavailable {
			c.t.Errorf("a handheld was answered %d: %s", answer.StatusCode, content)
		}
		return "", false
	}
	var saved struct{ ID string }
	if err := json.Unmarshal(content, &saved); err != nil {
		c.t.Error(err)
		return "", false
	}
	return saved.ID, saved.ID != ""
}
