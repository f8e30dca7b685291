package book

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// ListSites is the sites of the register, by id.
func (b *Book) ListSites(ctx context.Context, req *bothyv1.ListSitesRequest) (*bothyv1.ListSitesResponse, error) {
	resp := new(bothyv1.ListSitesResponse)
	var err error
	resp.Sites, resp.NextPageToken, err = listByID[*bothyv1.Site](ctx, b, req)
	return resp, err
}

// ListPeople is the people of the register, by id.
func (b *Book) ListPeople(ctx context.Context, req *bothyv1.ListPeopleRequest) (*bothyv1.ListPeopleResponse, error) {
	resp := new(bothyv1.ListPeopleResponse)
	var err error
	resp.People, resp.NextPageToken, err = listByID[*bothyv1.Person](ctx, b, req)
	return resp, err
}

// listByID is one page of all records of a kind.
func listByID[T record](ctx context.Context, b *Book, req pageRequest) (rows []T, next string, err error) {
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, "", refusal(v)
	}
	var kind T
	err = b.read(ctx, req, func(l *lookup) error {
		for m, err := range each[T](l.List(kind, string(p.after))) {
			if err != nil {
				return err
			}
			if len(rows) == p.size {
				next = p.token([]byte(rows[len(rows)-1].GetId()))
				return nil
			}
			rows = append(rows, m)
		}
		return nil
	})
	return rows, next, err
}

// ListMachines is the machines of the register, or of one site, by id.
func (b *Book) ListMachines(ctx context.Context, req *bothyv1.ListMachinesRequest) (*bothyv1.ListMachinesResponse, error) {
	resp := new(bothyv1.ListMachinesResponse)
	if req.GetSite() == "" {
		var err error
		resp.Machines, resp.NextPageToken, err = listByID[*bothyv1.Machine](ctx, b, req)
		return resp, err
	}
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, refusal(v)
	}
	err := b.read(ctx, req, func(l *lookup) error {
		machines, err := l.machinesAt(req.GetSite())
		if err != nil {
			return err
		}
		if len(machines) == 0 {
			if _, err := l.someSites("site", []string{req.GetSite()}); err != nil {
				return err
			}
		}
		resp.Machines, resp.NextPageToken, err = cut(p, machines, compareIDs, func(m *bothyv1.Machine) *bothyv1.Machine {
			return &bothyv1.Machine{Id: m.GetId()}
		})
		return err
	})
	return resp, err
}

// machinesAt is the machines that stand at a site, by id.
func (l *lookup) machinesAt(site string) ([]*bothyv1.Machine, error) {
	machines, err := listBy[*bothyv1.Machine](l, "site", site)
	slices.SortFunc(machines, compareIDs)
	return machines, err
}

func compareIDs(a, b *bothyv1.Machine) int { return strings.Compare(a.GetId(), b.GetId()) }

// GetMachine is a machine by its id or by its fleet number in any spelling.
func (b *Book) GetMachine(ctx context.Context, req *bothyv1.GetMachineRequest) (*bothyv1.Machine, error) {
	var m *bothyv1.Machine
	err := b.read(ctx, req, func(l *lookup) (err error) {
		m, err = l.knownMachine("machine", req.GetMachine())
		return err
	})
	return m, err
}

// CreateMachine registers a machine. Anybody may, so that a machine which the
// register has not heard of can be checked; until the office confirms it, it
// is unlisted.
func (b *Book) CreateMachine(ctx context.Context, req *bothyv1.CreateMachineRequest) (*bothyv1.Machine, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		l := b.lookup(w)
		m, err := l.newMachine(req.GetMachine(), by)
		if err != nil {
			return nil, err
		}
		id, err := w.Create(m, store.Calm)
		return []string{id}, err
	})
	if err != nil {
		return nil, err
	}
	return b.GetMachine(ctx, &bothyv1.GetMachineRequest{Machine: ids[0]})
}

// newMachine judges a machine that is to be registered.
func (l *lookup) newMachine(asked *bothyv1.Machine, by actor) (*bothyv1.Machine, error) {
	if asked == nil {
		return nil, wrong("machine", "is missing; send the machine that is to be registered")
	}
	m := proto.CloneOf(asked)
	id, err := plant.MachineID(m.GetFleetNumber())
	if err == nil {
		m.Id = id
	}
	site, v, err := l.workplace("machine.site", m.GetSite(), "")
	if err != nil {
		return nil, err
	}
	if site != nil {
		m.Site = site.GetId()
	}
	m.Unlisted = m.GetUnlisted() || !by.isOffice()
	rules, err := l.machineRules(m)
	if err != nil {
		return nil, err
	}
	if v = also(append(computed("machine", asked), v...), rules); len(v) > 0 {
		return nil, v
	}
	before, err := l.machineByID(id)
	if err == nil && before != nil {
		err = exists("machine", id)
	}
	return m, err
}

// machineRules is what is wrong with a machine's entry.
func (l *lookup) machineRules(m *bothyv1.Machine) (plant.Violations, error) {
	sheet, err := l.optionSheet(m.GetMachineType())
	return plant.ValidMachine(m, sheet), err
}

// workplace is the site at which something is done: the one that is asked for,
// else the node's only one, else the one where the machine stands. At a node it
// is one of the node's own, since the people who send it are there. It is empty
// if there are violations.
func (l *lookup) workplace(field, asked, machineAt string) (*bothyv1.Site, plant.Violations, error) {
	var v violations
	own := l.book.options.Sites
	switch {
	case asked == "" && len(own) == 1:
		asked = own[0]
	case asked == "" && (len(own) == 0 || slices.Contains(own, machineAt)):
		asked = machineAt
	}
	if len(own) > 0 && !slices.Contains(own, asked) {
		v.add(field, "%q is not a site of this node; allowed are %s", asked, strings.Join(own, ", "))
		return nil, plant.Violations(v), nil
	}
	site, err := l.site(asked)
	if err == nil && site == nil {
		v.add(field, "%q is not a site on the register", asked)
	}
	return site, plant.Violations(v), err
}

// UpdateMachine corrects the register, which only the office may. It needs the
// etag that its caller read.
func (b *Book) UpdateMachine(ctx context.Context, req *bothyv1.UpdateMachineRequest) (*bothyv1.Machine, error) {
	ids, err := b.once(ctx, req, func(w store.Writer, by actor) ([]string, error) {
		l := b.lookup(w)
		if !by.isOffice() {
			return nil, forbidden(by, "keep the register", bothyv1.Role_OFFICE)
		}
		before, err := l.knownMachine("machine.id", req.GetMachine().GetId())
		if err != nil {
			return nil, err
		}
		seen, v := etagGiven("machine.etag", req.GetMachine().GetEtag(), before)
		fields, more := masked("machine", req.GetMachine(), req.GetUpdateMask())
		if v = append(v, more...); len(v) > 0 {
			return nil, v
		}
		m := proto.CloneOf(before)
		copyFields(m, req.GetMachine(), fields)
		if err := l.judgeEdit(m, fields); err != nil {
			return nil, err
		}
		return []string{m.GetId()}, w.Change(m, fields, seen.store, store.Calm)
	})
	if err != nil {
		return nil, err
	}
	return b.GetMachine(ctx, &bothyv1.GetMachineRequest{Machine: ids[0]})
}

// judgeEdit judges a machine as it reads after an edit of some fields. Of what
// is wrong with it only what the edit touches counts: a machine can be moved
// though a new edition of its sheet wants an option more.
func (l *lookup) judgeEdit(m *bothyv1.Machine, fields []string) error {
	rules, err := l.machineRules(m)
	if err != nil {
		return err
	}
	touched := slices.Clone(fields)
	if slices.Contains(fields, "machine_type") {
		touched = append(touched, "options")
	}
	if slices.Contains(fields, "fleet_number") {
		touched = append(touched, "id")
	}
	if slices.Contains(fields, "site") {
		if _, err := l.someSites("machine.site", []string{m.GetSite()}); err != nil {
			return err
		}
	}
	return orNil(about(rules, "machine", m, touched))
}
