package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/bothy-mesh/bothy/plant"
	"github.com/bothy-mesh/bothy/plant/book"
	"github.com/bothy-mesh/bothy/sync/replica"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// registerFiles are the files of the register, in the order in which one needs
// the other.
var registerFiles = [...]string{"sites.csv", "people.csv", "machines.csv"}

// importSettings is where the register goes, and who says so.
type importSettings struct{ hub, dir, person string }

func importCommand() command {
	s := &importSettings{}
	return command{
		name: "import", args: "DIR",
		line: "load the register (sites, people, machines) into a hub",
		text: importText,
		settings: []setting{
			{name: "hub", fallback: "http://127.0.0.1:8090", help: "address of the hub's pages", set: checked(&s.hub, webURL)},
			{name: "person", help: "id of the person of the office who acts", set: checked(&s.person, plant.ValidID)},
			{name: "dir", help: "data directory of a hub that does not run, in place of --hub and --person", set: text(&s.dir)},
		},
		check: s.check,
		run:   func(ctx context.Context, c call) error { return importRegister(ctx, c, s) },
	}
}

const importText = `It sends those of sites.csv, people.csv and machines.csv that stand in DIR. A file
with anything wrong in it is not loaded at all, and every wrong row is named. Loading
the same files again changes nothing.

Only a person of the office may load the register; while nobody of the office is on
it, anybody may. With --dir it is loaded into a hub that does not run.`

func (s *importSettings) check(where origins) (bad misuse) {
	for _, other := range []string{"hub", "person"} {
		if where["dir"] != "" && where[other] != "" {
			bad.add("--dir and --%s are both given; a hub that does not run is loaded by the program itself, a running one in a person's name.", other)
		}
	}
	if where["dir"] == "" && where["person"] == "" {
		bad.add("person is missing; name the person of the office who acts with --person.")
	}
	return bad
}

func importRegister(ctx context.Context, c call, s *importSettings) error {
	files, err := readRegister(c.args[0])
	if err != nil {
		return err
	}
	answer, err := s.load(ctx, c, files)
	if err != nil {
		return err
	}
	problems := 0
	for _, f := range answer.GetFiles() {
		fmt.Fprintf(c.stdout, "%s: %d rows, %d created, %d changed, %d unchanged\n", f.GetName(), f.GetRows(), f.GetCreated(), f.GetChanged(), f.GetUnchanged())
		for _, p := range f.GetProblems() {
			fmt.Fprintln(c.stderr, placed(f.GetName(), p))
		}
		problems += len(f.GetProblems())
	}
	if problems > 0 {
		return fmt.Errorf("%d problems; nothing was loaded from the files that have them", problems)
	}
	return nil
}

// placed is a problem with where it stands: file, line and column, if it is of
// one column.
func placed(file string, p *bothyv1.RowProblem) string {
	at := fmt.Sprintf("%s line %d", file, p.GetLine())
	if p.GetField() != "" {
		at += ", " + p.GetField()
	}
	return at + ": " + p.GetProblem()
}

// load has a running hub load the files, or loads them into a stopped one.
func (s *importSettings) load(ctx context.Context, c call, files []*bothyv1.RegisterFile) (answer *bothyv1.ImportRegisterResponse, err error) {
	if s.dir == "" {
		answer = new(bothyv1.ImportRegisterResponse)
		return answer, ask(ctx, s.hub, "/v1/register:import", s.person, &bothyv1.ImportRegisterRequest{Files: files}, answer)
	}
	err = withStopped(ctx, s.dir, c.stderr, func(r *replica.Replica) (err error) {
		answer, err = book.New(r, book.Options{}).LoadRegister(ctx, files)
		return err
	})
	return answer, err
}

// readRegister reads those files of the register that stand in a directory.
func readRegister(dir string) (files []*bothyv1.RegisterFile, err error) {
	for _, name := range registerFiles {
		content, err := os.ReadFile(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("read the register: %w", err)
		}
		files = append(files, &bothyv1.RegisterFile{Name: name, Content: content})
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("there is none of %s in %s", strings.Join(registerFiles[:], ", "), dir)
	}
	return files, nil
}
