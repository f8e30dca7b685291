package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const module = "github.com/bothy-mesh/bothy/"

// mayImport says, for each part, which other parts it may import. Arrows point
// one way: cmd to node and hub, those to plant and sync, those to proto.
var mayImport = map[string][]string{
	"proto": {},
	"plant": {"proto"},
	"sync":  {"proto"},
	"node":  {"plant", "sync", "proto"},
	"hub":   {"plant", "sync", "proto"},
	"cmd":   {"node", "hub", "plant", "sync", "proto"},
}

// withinSync says the same of the parts of the engine.
var withinSync = map[string][]string{
	"clock":    {},
	"record":   {"clock"},
	"exchange": {"clock", "record"},
	"ledger":   {},
	"view":     {"clock", "record"},
	"replica":  {"clock", "record", "exchange", "ledger", "view"},
	"link":     {"clock", "exchange"},
}

// withinProto keeps the records and the API's edge apart.
var withinProto = map[string][]string{
	"bothy":   {},
	"openapi": {},
	"caller":  {},
	"fault":   {},
	"store":   {"bothy"},
	"gate":    {"bothy", "openapi", "caller", "fault"},
}

func TestImportArrowsPointOneWay(t *testing.T) {
	for _, file := range goFiles(t) {
		parsed, err := parser.ParseFile(token.NewFileSet(), file.path, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, spec := range parsed.Imports {
			path := strings.Trim(spec.Path.Value, `"`)
			if to, ours := strings.CutPrefix(path, module); ours {
				if problem := wrongArrow(file.folder, to, file.test); problem != "" {
					t.Errorf("%s imports %s: %s", file.path, to, problem)
				}
			}
		}
	}
}

// wrongArrow says what is wrong with an import; empty if nothing is. A test may
// look down from anywhere, never up.
func wrongArrow(from, to string, test bool) string {
	a, b := strings.Split(from, "/"), strings.Split(to, "/")
	if a[0] != b[0] {
		if !slices.Contains(mayImport[a[0]], b[0]) {
			return a[0] + " may not import " + b[0]
		}
		return ""
	}
	if len(a) < 2 || len(b) < 2 || a[1] == b[1] {
		return ""
	}
	for part, allowed := range map[string]map[string][]string{"sync": withinSync, "proto": withinProto} {
		if a[0] == part && !test && !slices.Contains(allowed[a[1]], b[1]) {
			return part + "/" + a[1] + " may not import " + part + "/" + b[1]
		}
	}
	return ""
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	documented := map[string]bool{}
	for _, file := range goFiles(t) {
		if file.test || strings.HasPrefix(file.folder, "tools") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file.path, nil, parser.PackageClauseOnly|parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		documented[file.folder] = documented[file.folder] || parsed.Doc.Text() != ""
	}
	for folder, ok := range documented {
		if !ok {
			t.Errorf("package %s has no package comment", folder)
		}
	}
}

func TestTheSyncFolderOnlyGroups(t *testing.T) {
	for _, file := range goFiles(t) {
		if file.folder == "sync" {
			t.Errorf("%s stands in sync/, which only groups packages", file.path)
		}
	}
}

func TestThePlantReadsNoClockAndDoesNoIO(t *testing.T) {
	forbidden := []string{"os", "net", "net/http", "log", "log/slog", "os/exec", "math/rand", "math/rand/v2"}
	for _, file := range goFiles(t) {
		if file.test || file.folder != "plant" {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file.path, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, spec := range parsed.Imports {
			if path := strings.Trim(spec.Path.Value, `"`); slices.Contains(forbidden, path) {
				t.Errorf("%s imports %s: the trade is pure", file.path, path)
			}
		}
	}
}

type goFile struct {
	path   string
	folder string // below the root, with slashes
	test   bool
}

// goFiles lists every Go file of the module.
func goFiles(t *testing.T) (out []goFile) {
	t.Helper()
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (strings.HasPrefix(d.Name(), ".") && len(d.Name()) > 2 || d.Name() == "testdata"):
			return fs.SkipDir
		case d.IsDir() || filepath.Ext(path) != ".go":
			return nil
		}
		folder, err := filepath.Rel(root, filepath.Dir(path))
		out = append(out, goFile{path, filepath.ToSlash(folder), strings.HasSuffix(path, "_test.go")})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 50 {
		t.Fatalf("only %d Go files found: the walk is wrong", len(out))
	}
	return out
}
