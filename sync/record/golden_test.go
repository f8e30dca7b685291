package record_test

import (
	"encoding/hex"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files in testdata anew")

// golden gives the bytes of a golden file, 32 to a line in hexadecimal. With
// -update it is written first: read what has changed before it is committed,
// because replicas in cabins hold the old bytes.
func golden(t *testing.T, name string, now []byte) []byte {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		var text strings.Builder
		for b := now; len(b) > 0; b = b[min(len(b), 32):] {
			text.WriteString(hex.EncodeToString(b[:min(len(b), 32)]) + "\n")
		}
		if err := os.WriteFile(path, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b, err := hex.DecodeString(strings.Join(strings.Fields(string(text)), ""))
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return b
}
