// Command tools turns the project's .proto files into code, and checks them.
//
//	go -C tools run . generate [DIR]   write the generated files below DIR, by default proto
//	go -C tools run . lint             check the .proto files against the house style
//	go -C tools run . breaking REF     check that they still fit those of a git revision
//
// It lays out a workspace for buf, which does the work. buf wants every import
// as a file in the workspace, and google/api/*.proto are not ours to keep: they
// are printed from the descriptors in Google's Go modules, which are the ones
// the generated code is linked with. So a workspace in a temporary directory
// has
//
//	buf.yaml, buf.gen.yaml, go.mod ...   this directory
//	proto                                the project's .proto files
//	googleapis                           what they import
//
// The generators are pinned in go.mod and go.sum here. The module is apart from
// the program's because buf asks for a protobuf that is not released yet.
package main

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "tools:", err)
		os.Exit(1)
	}
}

// run does one command. The current directory must be tools.
func run(args []string) error {
	temp, err := os.MkdirTemp("", "bothy-proto-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	work := filepath.Join(temp, "now")
	if err := layOut(work, os.DirFS("..")); err != nil {
		return fmt.Errorf("laying out a workspace: %w", err)
	}
	switch line := strings.Join(args, " "); {
	case line == "generate":
		return generate(work, filepath.Join("..", "proto"))
	case len(args) == 2 && args[0] == "generate":
		return generate(work, args[1])
	case line == "lint":
		return tool(work, os.Stdout, "buf", "lint", "proto")
	case len(args) == 2 && args[0] == "breaking":
		return breaking(work, filepath.Join(temp, "was"), args[1])
	default:
		return fmt.Errorf("unknown command %q: want generate [DIR], lint or breaking REF", line)
	}
}

// layOut makes work a workspace for the .proto files of project.
func layOut(work string, project fs.FS) error {
	protos, err := fs.Sub(project, "proto")
	if err != nil {
		return err
	}
	return errors.Join(
		os.CopyFS(work, os.DirFS(".")),
		os.CopyFS(filepath.Join(work, "proto"), protos),
		printGoogleAPIs(filepath.Join(work, "googleapis")),
	)
}

// generate replaces the generated files below target: Go beside the .proto
// files, and one OpenAPI document for all services.
func generate(work, target string) error {
	if err := tool(work, os.Stdout, "buf", "generate", "proto"); err != nil {
		return err
	}
	if err := mergeOpenAPI(work); err != nil {
		return err
	}
	for _, pattern := range []string{"bothy/*/*.pb.go", "bothy/*/*.pb.gw.go", "openapi/*.openapi.json"} {
		old, err := filepath.Glob(filepath.Join(target, pattern))
		if err != nil {
			return err
		}
		for _, path := range old {
			if err := os.Remove(path); err != nil {
				return err
			}
		}
	}
	return os.CopyFS(target, os.DirFS(filepath.Join(work, "out")))
}

// mergeOpenAPI makes one document of those that buf left, one for each .proto
// file with a service. What it says of the API as a whole is in openapi.json.
func mergeOpenAPI(work string) error {
	parts, err := filepath.Glob(filepath.Join(work, "openapi", "bothy", "*", "*.openapi.json"))
	if err != nil {
		return err
	}
	dir := filepath.Join(work, "out", "openapi")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	merged, err := os.Create(filepath.Join(dir, "bothy.openapi.json"))
	if err != nil {
		return err
	}
	err = tool(work, merged, "openapiv3-merge", append([]string{"openapi.json"}, parts...)...)
	return errors.Join(err, merged.Close())
}

// breaking checks that data and clients made with the .proto files of the git
// revision ref still fit those in work.
func breaking(work, was, ref string) error {
	archive := was + ".zip"
	git := exec.Command("git", "-C", "..", "archive", "--format=zip", "--output="+archive, ref, "proto")
	if out, err := git.CombinedOutput(); err != nil {
		return fmt.Errorf("reading the .proto files at %s: %w: %s", ref, err, out)
	}
	project, err := zip.OpenReader(archive)
	if err != nil {
		return err
	}
	defer project.Close()
	if err := layOut(was, project); err != nil {
		return fmt.Errorf("laying out a workspace for %s: %w", ref, err)
	}
	return tool(work, os.Stdout, "buf", "breaking", "proto", "--against", filepath.Join(was, "proto"))
}

// tool runs one of the tools listed in go.mod and writes what it prints to
// stdout.
func tool(work string, stdout io.Writer, name string, args ...string) error {
	cmd := exec.Command("go", append([]string{"tool", name}, args...)...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = work, stdout, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}
