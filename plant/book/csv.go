package book

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/bothy-mesh/bothy/plant"
	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Limits on a file of the register.
const (
	// fileMax is the length of a file in bytes: a line of 200 for every row.
	fileMax = 4 << 20
	// rowsMax is how many rows a file may have: more machines than a fleet has.
	rowsMax = 20_000
	// problemsMax is how many problems of a file are named, so that the answer has
	// room in one message.
	problemsMax = 5000
)

// column is one column of a file.
type column[T record] struct {
	// name stands in the header.
	name string
	// field is the proto name of the record's field that the column writes; several
	// columns may write one.
	field string
	// needed columns must be there.
	needed bool
	// read takes a cell, without blanks around it, into the record.
	read func(m T, cell string) error
}

// table is a kind of file.
type table[T record] struct {
	columns []column[T]
	// cleared are fields, named as in proto, that every row clears.
	cleared []string
	// now gives the record with an id as the register has it, nil if it has none.
	// What no column writes stays as it is there.
	now func(id string) (T, error)
	// judge says what is wrong with a record by the rules of the trade. Fields are
	// named as in a request, from the record on, such as "machine.options[0]".
	judge func(m T) (plant.Violations, error)
}

// row is one row of a file that is in order.
type row[T record] struct {
	line   int
	record T
}

// reading is what was read from a file.
type reading[T record] struct {
	rows []row[T]
	// count is of all rows, right or wrong.
	count int
	// fields are those that the file writes.
	fields   []string
	problems []*bothyv1.RowProblem
}

func (r *reading[T]) add(line int, field, problem string, args ...any) {
	if len(r.problems) == problemsMax {
		return
	}
	text := fmt.Sprintf(problem, args...)
	if len(r.problems) == problemsMax-1 {
		field, text = "", "there are more problems after this line; put those right that are named and load the file again"
	}
	r.problems = append(r.problems, &bothyv1.RowProblem{Line: int32(line), Field: field, Problem: text})
}

// read reads a file: a header that names the columns in any order, then a row
// for each record. Every row that is wrong is named. A byte order mark in front
// is taken, and so are blanks around a cell and empty lines.
func (t table[T]) read(content []byte) (*reading[T], error) {
	out := &reading[T]{fields: slices.Clone(t.cleared)}
	content = bytes.TrimPrefix(content, []byte("\uFEFF"))
	switch {
	case len(content) > fileMax:
		out.add(1, "", "the file has %d bytes; at most %d are allowed", len(content), fileMax)
		return out, nil
	case !utf8.Valid(content):
		out.add(1, "", "the file is not UTF-8; save it as CSV in UTF-8")
		return out, nil
	}
	in := csv.NewReader(bytes.NewReader(content))
	in.FieldsPerRecord = -1
	header, err := in.Read()
	if err != nil {
		out.add(1, "", "the file has no header; allowed columns are %s", t.names())
		return out, nil
	}
	columns := t.header(out, header)
	if len(out.problems) > 0 {
		return out, nil
	}
	return out, t.rows(out, in, columns)
}

func (t table[T]) rows(out *reading[T], in *csv.Reader, columns []column[T]) error {
	lines := map[string]int{} // where each id stands first
	for out.count < rowsMax {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		out.count++
		var broken *csv.ParseError
		if errors.As(err, &broken) {
			out.add(broken.StartLine, "", "cannot be read: %v; a cell with a comma or a quote stands in quotes, and a quote in it is doubled", broken.Err)
			continue
		}
		if err != nil {
			return err
		}
		line, _ := in.FieldPos(0)
		if err := t.row(out, line, cells, columns, lines); err != nil {
			return err
		}
	}
	if _, err := in.Read(); !errors.Is(err, io.EOF) {
		line, _ := in.FieldPos(0)
		out.add(line, "", "the file has more than %d rows; split it", rowsMax)
	}
	return nil
}

// header finds the column of each cell of the header.
func (t table[T]) header(out *reading[T], cells []string) []column[T] {
	columns := make([]column[T], len(cells))
	seen := map[string]bool{}
	for i, cell := range cells {
		name := strings.ToLower(strings.TrimSpace(cell))
		at := slices.IndexFunc(t.columns, func(c column[T]) bool { return c.name == name })
		switch {
		case at < 0:
			out.add(1, "", "%q is not a column; allowed are %s", name, t.names())
		case seen[name]:
			out.add(1, name, "the column is there twice")
		default:
			columns[i] = t.columns[at]
			if f := t.columns[at].field; !slices.Contains(out.fields, f) && f != "id" {
				out.fields = append(out.fields, f)
			}
		}
		seen[name] = true
	}
	for _, c := range t.columns {
		if c.needed && !seen[c.name] {
			out.add(1, c.name, "the column is missing; needed are %s", t.neededNames())
		}
	}
	return columns
}

// row takes one row, or says what is wrong with it.
func (t table[T]) row(out *reading[T], line int, cells []string, columns []column[T], lines map[string]int) error {
	if len(cells) != len(columns) {
		out.add(line, "", "has %d cells, but the header has %d columns", len(cells), len(columns))
		return nil
	}
	var none T
	m := none.ProtoReflect().New().Interface().(T)
	before := len(out.problems)
	for i, c := range columns {
		if err := c.read(m, strings.TrimSpace(cells[i])); err != nil {
			out.add(line, c.name, "%v", err)
		}
	}
	if len(out.problems) > before {
		return nil
	}
	m, err := t.onto(m, out.fields)
	if err != nil {
		return err
	}
	violations, err := t.judge(m)
	if err != nil {
		return err
	}
	for _, v := range violations {
		out.add(line, t.columnOf(m, v.Field), "%s", v.Problem)
	}
	if first, twice := lines[m.GetId()]; twice && m.GetId() != "" {
		out.add(line, t.columns[0].name, "%q stands in line %d already", m.GetId(), first)
	}
	lines[m.GetId()] = line
	out.rows = append(out.rows, row[T]{line, m})
	return nil
}

// onto is a row's record with what the file does not write as the register has
// it.
func (t table[T]) onto(m T, fields []string) (T, error) {
	now, err := t.now(m.GetId())
	if err != nil || !now.ProtoReflect().IsValid() {
		return m, err
	}
	merged := proto.CloneOf(now)
	copyFields(merged, m, fields)
	return merged, nil
}

// columnOf is the first column that writes the field of a violation; empty if
// none does.
func (t table[T]) columnOf(m T, path string) string {
	_, path, _ = strings.Cut(path, ".")
	name := path[:len(path)-len(strings.TrimLeft(path, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"))]
	fd := m.ProtoReflect().Descriptor().Fields().ByJSONName(name)
	for _, c := range t.columns {
		if fd != nil && c.field == string(fd.Name()) {
			return c.name
		}
	}
	return ""
}

func (t table[T]) names() string {
	var names []string
	for _, c := range t.columns {
		names = append(names, c.name)
	}
	return strings.Join(names, ", ")
}

func (t table[T]) neededNames() string {
	var names []string
	for _, c := range t.columns {
		if c.needed {
			names = append(names, c.name)
		}
	}
	return strings.Join(names, ", ")
}
