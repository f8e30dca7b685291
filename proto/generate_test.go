package proto_test

import (
	"io/fs"
	"os"
	"os/exec"
	"strings"
	"testing"
)

func TestGeneratedCodeIsFresh(t *testing.T) {
	needGenerators(t)
	// The generators run in a process of their own. Reading what they read
	// keeps the go command from giving an old result of this test again.
	readAll(t, "../tools")
	committed := readAll(t, ".")

	dir := t.TempDir()
	generate := exec.Command("go", "-C", "../tools", "run", ".", "generate", dir)
	if out, err := generate.CombinedOutput(); err != nil {
		t.Fatalf("generating: %v\n%s", err, out)
	}
	fresh := readAll(t, dir)

	for path, want := range fresh {
		if got, ok := committed[path]; !ok {
			t.Errorf("%s is missing: run go generate ./proto", path)
		} else if got != want {
			t.Errorf("%s is stale: run go generate ./proto", path)
		}
	}
	for path := range committed {
		if _, ok := fresh[path]; !ok && isGenerated(path) {
			t.Errorf("%s is made from nothing any more: run go generate ./proto", path)
		}
	}
}

// needGenerators skips the test where making the generators would take minutes
// or a network; never in CI.
func needGenerators(t *testing.T) {
	if os.Getenv("CI") == "true" {
		return
	}
	if testing.Short() {
		t.Skip("the code generators are not built under -short")
	}
	list := exec.Command("go", "-C", "../tools", "list", "-deps", ".", "tool")
	list.Env = append(os.Environ(), "GOPROXY=off")
	if list.Run() != nil {
		t.Skip("the code generators are not on this machine: run go generate ./proto once")
	}
}

func isGenerated(path string) bool {
	return strings.HasSuffix(path, ".pb.go") || strings.HasSuffix(path, ".pb.gw.go") || strings.HasSuffix(path, ".openapi.json")
}

// readAll gives the text of the files below dir by their path in it.
func readAll(t *testing.T, dir string) map[string]string {
	t.Helper()
	files := make(map[string]string)
	root := os.DirFS(dir)
	err := fs.WalkDir(root, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		text, err := fs.ReadFile(root, path)
		files[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}
