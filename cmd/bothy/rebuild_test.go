package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
)

// TestAHubBuildsItsViewFromItsLedgerAlone deletes the hub's Badger while no node
// is there to help.
func TestAHubBuildsItsViewFromItsLedgerAlone(t *testing.T) {
	hubDir := hubWithRegister(t)
	hub := startHub(t, hubDir)
	node := startNode(t, filepath.Join(t.TempDir(), "node"), hub)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })
	saved := reportSome(t, node, "found", 20)
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	before := digestOf(t, hub)
	node.stop(t)
	hub.stop(t)
	if err := os.RemoveAll(filepath.Join(hubDir, "view")); err != nil {
		t.Fatal(err)
	}
	hub = startHub(t, hubDir)
	eventually(t, func() string { return lacksSaved(t, hub, saved) })
	eventually(t, func() string {
		if now := digestOf(t, hub); now != before {
			return "digest " + now + ", before " + before
		}
		return ""
	})
}

// TestANodeBuildsItsViewFromItsLedgersAlone deletes a node's Badger while there
// is no hub.
func TestANodeBuildsItsViewFromItsLedgersAlone(t *testing.T) {
	nodeDir := filepath.Join(t.TempDir(), "node")
	hub := startHub(t, hubWithRegister(t))
	node := startNode(t, nodeDir, hub)
	eventually(t, func() string { return lacksMachine(t, node, "d-14") })
	saved := reportSome(t, node, "found", 20)
	before := digestOf(t, node)
	node.kill(t)
	hub.kill(t)
	if err := os.RemoveAll(filepath.Join(nodeDir, "view")); err != nil {
		t.Fatal(err)
	}
	node = startNode(t, nodeDir, nil)
	if lacks := lacksSaved(t, node, saved); lacks != "" {
		t.Error(lacks)
	}
	if after := digestOf(t, node); after != before {
		t.Errorf("digest %s, before %s", after, before)
	}
}

// digestOf is the print of all records of a process.
func digestOf(t *testing.T, p *process) string {
	t.Helper()
	for _, path := range []string{"/v1/link", "/v1/links"} {
		if code, body := p.get(t, path); code == 200 {
			return member(t, body, "digest")
		}
	}
	t.Fatal("neither a node nor a hub")
	return ""
}

// member is a string of a JSON object.
func member(t *testing.T, body, name string) string {
	t.Helper()
	var object map[string]any
	if err := json.Unmarshal([]byte(body), &object); err != nil {
		t.Fatal(err)
	}
	text, _ := object[name].(string)
	return text
}
