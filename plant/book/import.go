package book

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// The files that a register consists of, in the order in which they are loaded.
const (
	sitesFile    = "sites.csv"
	peopleFile   = "people.csv"
	machinesFile = "machines.csv"
)

// ImportRegister loads files of the register, which only the office may; while
// nobody of the office is on the register, anybody may, because somebody has to
// be first. All
// files are checked first: if one row is wrong, nothing of its file is loaded
// and every wrong row is named. What a row does not have keeps its value where
// the column is missing, and is cleared where the cell is empty. A row that
// says what is on the register writes nothing, so that loading a file twice
// changes nothing. Nothing is ever taken off the register. A machine that a
// cabin registered is confirmed by its row.
func (b *Book) ImportRegister(ctx context.Context, req *bothyv1.ImportRegisterRequest) (*bothyv1.ImportRegisterResponse, error) {
	id, err := acting(ctx)
	if err != nil {
		return nil, err
	}
	return b.load(ctx, id, req.GetFiles(), func(w store.Writer) error {
		by, err := actorOf(w, id)
		if err != nil || by.isOffice() {
			return err
		}
		founded, err := hasOffice(w)
		if err == nil && founded {
			err = forbidden(by, "load the register", bothyv1.Role_OFFICE)
		}
		return err
	})
}

// hasOffice says whether anybody of the office is on the register.
func hasOffice(r store.Reader) (bool, error) {
	for p, err := range each[*bothyv1.Person](r.List((*bothyv1.Person)(nil), "")) {
		if err != nil || p.GetRole() == bothyv1.Role_OFFICE {
			return err == nil, err
		}
	}
	return false, nil
}

// LoadRegister is ImportRegister for whoever has the replica itself in their
// hands: the first register comes before anybody is on it. It is written by the
// program and not by a person.
func (b *Book) LoadRegister(ctx context.Context, files []*bothyv1.RegisterFile) (*bothyv1.ImportRegisterResponse, error) {
	return b.load(ctx, "", files, func(store.Writer) error { return nil })
}

func (b *Book) load(ctx context.Context, person string, files []*bothyv1.RegisterFile, may func(store.Writer) error) (*bothyv1.ImportRegisterResponse, error) {
	if v := validFiles(files); len(v) > 0 {
		return nil, refusal(v)
	}
	var results map[string]*bothyv1.FileResult
	err := b.store.Write(ctx, person, func(w store.Writer) error {
		if err := may(w); err != nil {
			return err
		}
		var err error
		results, err = b.lookup(w).loadAll(w, files)
		return err
	})
	if err != nil {
		return nil, refusal(err)
	}
	resp := new(bothyv1.ImportRegisterResponse)
	for _, f := range files {
		resp.Files = append(resp.Files, results[f.GetName()])
	}
	return resp, nil
}

func validFiles(files []*bothyv1.RegisterFile) plant.Violations {
	var v violations
	if len(files) == 0 {
		v.add("files", "is empty; send %s, %s or %s", sitesFile, peopleFile, machinesFile)
	}
	seen := map[string]bool{}
	for i, f := range files {
		field := fmt.Sprintf("files[%d].name", i)
		switch f.GetName() {
		case sitesFile, peopleFile, machinesFile:
			if seen[f.GetName()] {
				v.add(field, "%s is there twice", f.GetName())
			}
		default:
			v.add(field, "%q is not a file of the register; allowed are %s, %s and %s", f.GetName(), sitesFile, peopleFile, machinesFile)
		}
		seen[f.GetName()] = true
	}
	return plant.Violations(v)
}

// loadAll loads the files, sites before the machines that stand there. Machines
// may stand at sites that are loaded with them, but not at those of a file that
// is refused.
func (l *lookup) loadAll(w store.Writer, files []*bothyv1.RegisterFile) (map[string]*bothyv1.FileResult, error) {
	content := map[string]*bothyv1.RegisterFile{}
	for _, f := range files {
		content[f.GetName()] = f
	}
	sites, err := l.allSites()
	if err != nil {
		return nil, err
	}
	results := map[string]*bothyv1.FileResult{}
	if f := content[sitesFile]; f != nil {
		loaded, result, err := load(w, f, siteTable(l))
		if err != nil {
			return nil, err
		}
		results[sitesFile] = result
		for _, s := range loaded {
			sites = append(sites, s.GetId())
		}
	}
	if f := content[peopleFile]; f != nil {
		if _, results[peopleFile], err = load(w, f, personTable(l)); err != nil {
			return nil, err
		}
	}
	if f := content[machinesFile]; f != nil {
		if _, results[machinesFile], err = load(w, f, l.machineTable(sites)); err != nil {
			return nil, err
		}
	}
	return results, nil
}

func siteTable(l *lookup) table[*bothyv1.Site] {
	return table[*bothyv1.Site]{columns: siteColumns(), now: now[*bothyv1.Site](l), judge: judgeSite}
}

func personTable(l *lookup) table[*bothyv1.Person] {
	return table[*bothyv1.Person]{columns: personColumns(), now: now[*bothyv1.Person](l), judge: func(p *bothyv1.Person) (plant.Violations, error) {
		return plant.ValidPerson(p), nil
	}}
}

// machineTable is for machines that stand at one of the sites. The office's own
// file confirms what a cabin registered.
func (l *lookup) machineTable(sites []string) table[*bothyv1.Machine] {
	judge := func(m *bothyv1.Machine) (plant.Violations, error) {
		v, err := l.machineRules(m)
		if !slices.Contains(sites, m.GetSite()) {
			more := violations(v)
			more.add("machine.site", "%q is neither on the register nor in %s", m.GetSite(), sitesFile)
			v = plant.Violations(more)
		}
		return v, err
	}
	return table[*bothyv1.Machine]{columns: machineColumns(), cleared: []string{"unlisted"}, now: now[*bothyv1.Machine](l), judge: judge}
}

func now[T record](l *lookup) func(id string) (T, error) {
	return func(id string) (T, error) { return get[T](l, id) }
}

// load loads one file and gives its records, unless a row is wrong.
func load[T record](w store.Writer, f *bothyv1.RegisterFile, t table[T]) ([]T, *bothyv1.FileResult, error) {
	read, err := t.read(f.GetContent())
	if err != nil {
		return nil, nil, fmt.Errorf("read %s: %w", f.GetName(), err)
	}
	result := &bothyv1.FileResult{Name: f.GetName(), Rows: int32(read.count), Problems: read.problems}
	if len(read.problems) > 0 {
		return nil, result, nil
	}
	var loaded []T
	for _, r := range read.rows {
		what, err := loadRow(w, r.record, read.fields)
		if err != nil {
			return nil, nil, fmt.Errorf("load line %d of %s: %w", r.line, f.GetName(), err)
		}
		switch what {
		case rowCreated:
			result.Created++
		case rowChanged:
			result.Changed++
		case rowUnchanged:
			result.Unchanged++
		}
		loaded = append(loaded, r.record)
	}
	return loaded, result, nil
}

// outcome is what came of one row.
type outcome int

const (
	rowUnchanged outcome = iota
	rowCreated
	rowChanged
)

// loadRow writes the fields of a record that differ from what is on the
// register, or that two people wrote apart: the register settles that.
func loadRow[T record](w store.Writer, m T, fields []string) (outcome, error) {
	e, ok, err := w.Get(m, m.GetId())
	if err != nil {
		return 0, err
	}
	if !ok {
		_, err := w.Create(m, store.Calm)
		return rowCreated, err
	}
	changed := slices.DeleteFunc(slices.Clone(fields), func(name string) bool {
		return sameField(m, e.Message, name) && !slices.Contains(e.Conflicting, name)
	})
	if len(changed) == 0 {
		return rowUnchanged, nil
	}
	return rowChanged, w.Change(m, changed, "", store.Calm)
}

// sameField says whether two records have the same value in a field.
func sameField(a, b proto.Message, name string) bool {
	fd := a.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(name))
	return a.ProtoReflect().Get(fd).Equal(b.ProtoReflect().Get(fd))
}
