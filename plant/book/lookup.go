package book

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// lookup is one consistent state with what was looked up in it already: a board
// asks for the same sheets and sites again and again.
type lookup struct {
	store.Reader
	book     *Book
	now      time.Time
	sheets   map[string][]*bothyv1.Sheet  // by machine type
	editions map[string]*bothyv1.Sheet    // by id
	brought  map[string]bool              // ids of sheets that are not published
	sites    map[string]*bothyv1.Site     // by id
	defects  map[string][]*bothyv1.Defect // by machine
	machines map[string]*bothyv1.Machine  // by id
	verdicts map[string]*bothyv1.Verdict  // by machine, at now
}

func (b *Book) lookup(r store.Reader) *lookup {
	return &lookup{
		Reader: r, book: b, now: b.options.Clock(),
		sheets: map[string][]*bothyv1.Sheet{}, editions: map[string]*bothyv1.Sheet{}, brought: map[string]bool{}, sites: map[string]*bothyv1.Site{}, defects: map[string][]*bothyv1.Defect{},
		machines: map[string]*bothyv1.Machine{}, verdicts: map[string]*bothyv1.Verdict{},
	}
}

// kept gives what a table has for a key, or looks it up and keeps it.
func kept[V any](table map[string]V, key string, look func() (V, error)) (V, error) {
	if v, ok := table[key]; ok {
		return v, nil
	}
	v, err := look()
	if err == nil {
		table[key] = v
	}
	return v, err
}

// machine is the machine with an id or a fleet number in any spelling; nil if
// there is none. The error names the field that it stands in.
func (l *lookup) machine(field, fleetNumber string) (*bothyv1.Machine, error) {
	id, err := plant.MachineID(fleetNumber)
	if err != nil {
		return nil, wrong(field, "%v", err)
	}
	return l.machineByID(id)
}

func (l *lookup) machineByID(id string) (*bothyv1.Machine, error) {
	return kept(l.machines, id, func() (*bothyv1.Machine, error) { return get[*bothyv1.Machine](l, id) })
}

// knownMachine is the machine, or the fault that says that there is none.
func (l *lookup) knownMachine(field, fleetNumber string) (*bothyv1.Machine, error) {
	m, err := l.machine(field, fleetNumber)
	if err == nil && m == nil {
		err = unlisted(fleetNumber)
	}
	return m, err
}

// site is the site with an id; nil if there is none. One of the node's own that
// the register has not reached yet has nothing but its id.
func (l *lookup) site(id string) (*bothyv1.Site, error) {
	return kept(l.sites, id, func() (*bothyv1.Site, error) {
		s, err := get[*bothyv1.Site](l, id)
		if err == nil && s == nil && slices.Contains(l.book.options.Sites, id) {
			s = &bothyv1.Site{Id: id}
		}
		return s, err
	})
}

// allSites is the ids of every site that anything is known of, in order: those
// on the register, those that a cabin carries, and the node's own.
func (l *lookup) allSites() ([]string, error) {
	sites, err := list[*bothyv1.Site](l)
	if err != nil {
		return nil, err
	}
	cabins, err := list[*bothyv1.Cabin](l)
	if err != nil {
		return nil, err
	}
	ids := map[string]bool{}
	for _, s := range sites {
		ids[s.GetId()] = true
	}
	for _, c := range cabins {
		for _, id := range c.GetSites() {
			ids[id] = true
		}
	}
	for _, id := range l.book.options.Sites {
		ids[id] = true
	}
	return slices.Sorted(maps.Keys(ids)), nil
}

// someSites is the sites that a request asks for, all if it names none. The
// error names one that nothing is known of.
func (l *lookup) someSites(field string, asked []string) ([]string, error) {
	known, err := l.allSites()
	if err != nil || len(asked) == 0 {
		return known, err
	}
	for _, id := range asked {
		if !slices.Contains(known, id) {
			return nil, unknownSite(field, id, known)
		}
	}
	return slices.Compact(slices.Sorted(slices.Values(asked))), nil
}

// sheetsOf is every edition for a machine type.
func (l *lookup) sheetsOf(machineType string) ([]*bothyv1.Sheet, error) {
	return kept(l.sheets, machineType, func() ([]*bothyv1.Sheet, error) {
		sheets, err := listBy[*bothyv1.Sheet](l, "machine_type", machineType)
		for _, s := range l.book.options.Sheets {
			published := slices.ContainsFunc(sheets, func(p *bothyv1.Sheet) bool { return p.GetId() == s.GetId() })
			if s.GetMachineType() == machineType && !published {
				l.brought[s.GetId()] = true
				sheets = append(sheets, s)
			}
		}
		return sheets, err
	})
}

// sheet is an edition by its id; nil if there is none.
func (l *lookup) sheet(id string) (*bothyv1.Sheet, error) {
	for _, sheets := range l.sheets {
		if i := slices.IndexFunc(sheets, func(s *bothyv1.Sheet) bool { return s.GetId() == id }); i >= 0 {
			return sheets[i], nil
		}
	}
	return kept(l.editions, id, func() (*bothyv1.Sheet, error) {
		published, err := get[*bothyv1.Sheet](l, id)
		if err != nil || published != nil {
			return published, err
		}
		for _, s := range l.book.options.Sheets {
			if s.GetId() == id {
				l.brought[id] = true
				return s, nil
			}
		}
		return nil, nil
	})
}

// publishBrought publishes a sheet that only this program brings, because a
// record now refers to it.
func (l *lookup) publishBrought(w store.Writer, s *bothyv1.Sheet) error {
	if !l.brought[s.GetId()] {
		return nil
	}
	_, err := w.Create(proto.CloneOf(s), store.Calm)
	return err
}

// optionSheet is the edition that says which options machines of a type have:
// the pre-use sheet in force, else the weekly one; nil if there is neither.
func (l *lookup) optionSheet(machineType string) (*bothyv1.Sheet, error) {
	sheets, err := l.sheetsOf(machineType)
	return cmp.Or(
		plant.InForce(sheets, machineType, bothyv1.Purpose_PRE_USE),
		plant.InForce(sheets, machineType, bothyv1.Purpose_WEEKLY),
	), err
}

// point is a point of a machine type's sheets, from the greatest edition that
// has it; nil if none has.
func (l *lookup) point(machineType, id string) (*bothyv1.Point, error) {
	sheets, err := l.sheetsOf(machineType)
	if err != nil {
		return nil, err
	}
	newestFirst := slices.SortedFunc(slices.Values(sheets), func(a, b *bothyv1.Sheet) int {
		return cmp.Compare(b.GetEdition(), a.GetEdition())
	})
	for _, s := range newestFirst {
		if p, ok := plant.FindPoint(s, id); ok {
			return p, nil
		}
	}
	return nil, nil
}

// defectsOf is every defect of a machine, open or closed, oldest first.
func (l *lookup) defectsOf(machine string) ([]*bothyv1.Defect, error) {
	return kept(l.defects, machine, func() ([]*bothyv1.Defect, error) {
		return listBy[*bothyv1.Defect](l, "machine", machine)
	})
}

// asOf is the time up to which a site's records are known to be complete; the
// zero time if that is not known.
func (l *lookup) asOf(site string) time.Time {
	if slices.Contains(l.book.options.Sites, site) {
		return l.now
	}
	t, ok := l.book.options.AsOf(site)
	if !ok {
		return time.Time{}
	}
	return t
}
