package main

import (
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// flipsPerFile is how many places of each file get one flipped byte, each in a
// copy of its own.
const flipsPerFile = 2

// TestOneFlippedByteInANode flips one byte in each kind of file of a stopped
// node. The node starts, or says plainly why not; after contact with the hub
// nothing acknowledged is missing on either side, and nothing is shown that
// nobody wrote.
func TestOneFlippedByteInANode(t *testing.T) {
	hubDir, nodeDir := hubWithRegister(t), filepath.Join(t.TempDir(), "node")
	hub := startHub(t, hubDir)
	node := startNode(t, nodeDir, hub)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })
	saved := reportSome(t, node, "synced", 12)
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	node.stop(t)
	// What the hub has never heard of is only in this directory, but in it twice.
	alone := startNode(t, nodeDir, nil)
	for text, id := range reportSome(t, alone, "only here", 6) {
		saved[text] = id
	}
	alone.stop(t)

	eachFlip(t, nodeDir, func(t *testing.T, damaged, what string) {
		again := tryStart(t, "node", "--name", "ravens-1", "--sites", "ravens-quarry", "--dir", damaged, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0",
			"--ask-every", "1s", "--free-space", "0", "--hub", hub.nats)
		if again == nil {
			return
		}
		for _, at := range []*process{again, hub} {
			eventually(t, func() string { return lacksSaved(t, at, saved) })
		}
		noneInvented(t, again, saved)
		again.stop(t)
	})
}

// TestOneFlippedByteInAHub does the same to a stopped hub, its JetStream store
// included, while the node still has everything.
func TestOneFlippedByteInAHub(t *testing.T) {
	hubDir, nodeDir := hubWithRegister(t), filepath.Join(t.TempDir(), "node")
	hub := startHub(t, hubDir)
	node := startNode(t, nodeDir, hub)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })
	saved := reportSome(t, node, "synced", 12)
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	hub.stop(t)

	eachFlip(t, hubDir, func(t *testing.T, damaged, what string) {
		again := tryStart(t, "hub", "--dir", damaged, "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--nats", strings.TrimPrefix(hub.nats, "nats://"), "--free-space", "0")
		if again == nil {
			return
		}
		eventually(t, func() string { return lacksSaved(t, again, saved) })
		eventually(t, func() string { return lacksMachine(t, again, "d-30") })
		noneInvented(t, again, saved)
		again.stop(t)
	})
}

// reportSome reports defects, and gives their ids by text.
func reportSome(t *testing.T, p *process, what string, n int) map[string]string {
	t.Helper()
	c := &crowd{t: t}
	out := map[string]string{}
	for i := range n {
		text := fmt.Sprintf("%s, number %d", what, i)
		id, ok := c.send(t.Context(), fmt.Sprintf("%s/v1/defects?requestId=%s-%d", p.http, strings.ReplaceAll(what, " ", "-"), i),
			fmt.Sprintf(`{"machine": "d-14", "text": %q, "class": "CONDITION"}`, text))
		if !ok {
			t.Fatalf("defect %q was not saved", text)
		}
		out[text] = id
	}
	return out
}

func noneInvented(t *testing.T, p *process, saved map[string]string) {
	t.Helper()
	_, body := p.get(t, "/v1/defects?machine=d-14&includeClosed=true&pageSize=500")
	for _, part := range strings.Split(body, `"text":"`)[1:] {
		text, _, _ := strings.Cut(part, `"`)
		if _, ok := saved[text]; !ok && text != "" {
			t.Errorf("a defect reads %q, which nobody wrote", text)
		}
	}
}

// eachFlip runs a test for each flipped byte, on a copy of the directory.
func eachFlip(t *testing.T, dir string, test func(t *testing.T, damaged, what string)) {
	seed := rand.Uint64()
	t.Logf("places drawn with seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	for _, name := range filesBelow(t, dir) {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		flips := flipsPerFile
		if testing.Short() {
			flips = 1
		}
		for range flips {
			at := placeIn(rng, content)
			t.Run(fmt.Sprintf("%s@%d", filepath.ToSlash(name), at), func(t *testing.T) {
				damaged := filepath.Join(t.TempDir(), "damaged")
				if err := os.CopyFS(damaged, os.DirFS(dir)); err != nil {
					t.Fatal(err)
				}
				flipped := slices.Clone(content)
				flipped[at] ^= 1 << rng.IntN(8)
				if err := os.WriteFile(filepath.Join(damaged, name), flipped, 0o600); err != nil {
					t.Fatal(err)
				}
				test(t, damaged, name)
			})
		}
	}
}

// placeIn draws a place, among what is written: the store's files are mostly
// empty space.
func placeIn(rng *rand.Rand, content []byte) int {
	written := len(content)
	for written > 1 && content[written-1] == 0 {
		written--
	}
	return rng.IntN(written)
}

// filesBelow lists the files that hold anything.
func filesBelow(t *testing.T, dir string) (out []string) {
	t.Helper()
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Size() > 0 {
			out = append(out, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// tryStart starts a process that may refuse to: then it must say why, in a
// sentence, and nil is given.
func tryStart(t *testing.T, args ...string) *process {
	t.Helper()
	p, listening := launch(t, args...)
	select {
	case line := <-listening:
		p.open(t, line)
		return p
	case <-p.exited:
		said := p.stderr.String()
		if !strings.Contains(said, "bothy "+args[0]+": ") || strings.Contains(said, "panic") || strings.Contains(said, "goroutine ") {
			t.Errorf("it does not start, and does not say why:\n%s", said)
		}
		t.Logf("it does not start: %s", said)
		return nil
	case <-time.After(deadline):
		t.Fatal("it neither starts nor ends")
		return nil
	}
}
