// Package sheets holds the sheets that the program comes with, and reads others
// from YAML.
//
// A sheet in YAML is the message bothyv1.Sheet with the field names of the proto
// file as keys and its enumeration words as they are:
//
//	id: wheeled-site-dumper.pre-use.1
//	machine_type: wheeled-site-dumper
//	purpose: PRE_USE
//	edition: 1
//	title: Wheeled site dumper, before every shift
//	stages:
//	  - id: walk-round
//	    title: Walk round, engine off
//	    state: ISOLATED
//	    points:
//	      - id: tyres
//	        title: Tyres
//	        look_for: Cuts, bulges, cords that show.
//	        defect_when: Cords show, a bulge, a flat tyre.
//	        default_class: HAZARD
//	        basis: ["29 CFR 1926.601(b)(14) tires"]
//
// Nothing is guessed: a key that is not known, a key that stands there twice, a
// figure where text is wanted, an alias or a second document is refused, and
// then the whole sheet is held against plant.ValidSheet. Every fault is named
// with its line, its point and its key, and with what is allowed.
//
// An edition never changes once it is published: a correction is a new file with
// the next edition.
package sheets

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// SizeMax is how long the text of a sheet may be, in bytes: four times the
// longest of ours.
const SizeMax = 256 << 10

//go:embed *.yaml
var embedded embed.FS

// Embedded is the sheets that the program comes with, by id. An error is a
// fault of the program.
func Embedded() ([]*bothyv1.Sheet, error) { return Load(embedded) }

// Load reads every *.yaml file at the top of a directory as a sheet. All faults
// of all files are in the one error. Two files with the same sheet id are a
// fault.
func Load(dir fs.FS) ([]*bothyv1.Sheet, error) {
	files, err := fs.Glob(dir, "*.yaml")
	if err != nil {
		return nil, fmt.Errorf("list sheets: %w", err)
	}
	var sheets []*bothyv1.Sheet
	var faults []error
	for _, file := range files {
		text, err := fs.ReadFile(dir, file)
		if err != nil {
			return nil, fmt.Errorf("read sheet: %w", err)
		}
		sheet, err := Parse(file, text)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		if slices.ContainsFunc(sheets, func(s *bothyv1.Sheet) bool { return s.GetId() == sheet.GetId() }) {
			faults = append(faults, fmt.Errorf("sheet %s: the id %q is taken by another file", file, sheet.GetId()))
		}
		sheets = append(sheets, sheet)
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	slices.SortFunc(sheets, func(a, b *bothyv1.Sheet) int { return strings.Compare(a.GetId(), b.GetId()) })
	return sheets, nil
}

// Parse reads one sheet. The name is for errors, of which each line names the
// file, the line, the point and the key.
func Parse(name string, text []byte) (*bothyv1.Sheet, error) {
	if len(text) > SizeMax {
		return nil, fmt.Errorf("sheet %s: has %d bytes; at most %d are allowed", name, len(text), SizeMax)
	}
	root, err := document(text)
	if err != nil {
		return nil, fmt.Errorf("sheet %s: %w", name, err)
	}
	sheet := &bothyv1.Sheet{}
	d := decoder{spots: map[string]spot{}}
	d.message("", root, sheet.ProtoReflect())
	if len(d.problems) == 0 {
		for _, v := range plant.ValidSheet(sheet) {
			d.problems = append(d.problems, problem{path: v.Field, text: v.Problem})
		}
	}
	faults := make([]error, len(d.problems))
	for i, p := range d.problems {
		faults[i] = fmt.Errorf("sheet %s: %s", name, d.describe(sheet, p))
	}
	if len(faults) > 0 {
		return nil, errors.Join(faults...)
	}
	return sheet, nil
}

// document is the root of the one YAML document in a text.
func document(text []byte) (*yaml.Node, error) {
	in := yaml.NewDecoder(strings.NewReader(string(text)))
	var doc, next yaml.Node
	if err := in.Decode(&doc); errors.Is(err, io.EOF) {
		return nil, errors.New("is empty")
	} else if err != nil {
		return nil, fmt.Errorf("is not YAML: %w", err)
	}
	if err := in.Decode(&next); !errors.Is(err, io.EOF) {
		return nil, errors.New("has more than one document; one is allowed")
	}
	return doc.Content[0], nil
}

// describe says where a problem stands: its line, its point and its key.
func (d *decoder) describe(sheet *bothyv1.Sheet, p problem) string {
	at := d.spots[p.path]
	var b strings.Builder
	fmt.Fprintf(&b, "line %d: ", max(cmp.Or(p.line, at.line), 1))
	if point := pointAt(sheet, p.path); point != "" {
		fmt.Fprintf(&b, "point %q: ", point)
	}
	if at.key != "" {
		b.WriteString(at.key + ": ")
	}
	b.WriteString(p.text)
	return b.String()
}

// pointAt is the id of the point that a path leads to; empty if to none.
func pointAt(sheet *bothyv1.Sheet, path string) string {
	var stage, point int
	if n, _ := fmt.Sscanf(path, "stages[%d].points[%d]", &stage, &point); n != 2 {
		return ""
	}
	return sheet.GetStages()[stage].GetPoints()[point].GetId()
}
