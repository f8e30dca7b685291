package book

import (
	"cmp"
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Board is every machine on the node's sites, or on one of them, with its
// verdict: the gravest first. On a hub it is every machine.
func (b *Book) Board(ctx context.Context, req *bothyv1.GetBoardRequest) (*bothyv1.Board, error) {
	var board *bothyv1.Board
	err := b.read(ctx, req, func(l *lookup) error {
		asked := b.options.Sites
		if req.GetSite() != "" {
			asked = []string{req.GetSite()}
		}
		machines, err := l.standingAt("site", asked)
		if err != nil {
			return err
		}
		rows, err := l.rows(machines)
		board = &bothyv1.Board{Machines: rows, AsOf: timestamppb.New(l.now)}
		return err
	})
	return board, err
}

// Fleet is every machine of some sites, or of all if none is asked for, the
// gravest first, with what is known of each site. When a site was last heard of
// is for the hub to fill in.
func (b *Book) Fleet(ctx context.Context, req *bothyv1.GetFleetRequest) (*bothyv1.Fleet, error) {
	var fleet *bothyv1.Fleet
	err := b.read(ctx, req, func(l *lookup) error {
		machines, err := l.standingAt("site", req.GetSite())
		if err != nil {
			return err
		}
		rows, err := l.rows(machines)
		if err != nil {
			return err
		}
		sites, err := l.siteRows(req.GetSite())
		fleet = &bothyv1.Fleet{Sites: sites, Machines: rows, AsOf: timestamppb.New(l.now)}
		return err
	})
	return fleet, err
}

// Queue is one queue of the open defects of some sites, or of all if none is
// asked for, in the order in which they should be worked: class, out of
// service, due, age. A defect belongs to the site where its machine stands, and
// as long as its machine has not reached this replica, to the one where it was
// found.
func (b *Book) Queue(ctx context.Context, req *bothyv1.ListQueueRequest) (*bothyv1.ListQueueResponse, error) {
	resp := new(bothyv1.ListQueueResponse)
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, refusal(v)
	}
	err := b.read(ctx, req, func(l *lookup) error {
		if _, err := l.someSites("site", req.GetSite()); err != nil {
			return err
		}
		rows, err := l.queue(req.GetSite())
		if err != nil {
			return err
		}
		slices.SortFunc(rows, plant.CompareForQueue)
		resp.Rows, resp.NextPageToken, err = cut(p, rows, plant.CompareForQueue, func(q *bothyv1.QueueRow) *bothyv1.QueueRow {
			return &bothyv1.QueueRow{Defect: defectKey(q.GetDefect()), OutOfService: q.GetOutOfService()}
		})
		return err
	})
	return resp, err
}

func (l *lookup) queue(sites []string) ([]*bothyv1.QueueRow, error) {
	var rows []*bothyv1.QueueRow
	for d, err := range each[*bothyv1.Defect](l.List((*bothyv1.Defect)(nil), "")) {
		if err != nil {
			return nil, err
		}
		if !plant.Open(d) {
			continue
		}
		row, err := l.queueRow(d)
		if err != nil {
			return nil, err
		}
		if at := cmp.Or(row.GetMachine().GetSite(), d.GetSite()); len(sites) == 0 || slices.Contains(sites, at) {
			rows = append(rows, row)
		}
	}
	return rows, nil
}

func (l *lookup) queueRow(d *bothyv1.Defect) (*bothyv1.QueueRow, error) {
	m, err := l.machineByID(d.GetMachine())
	if err != nil {
		return nil, err
	}
	row := &bothyv1.QueueRow{Defect: d, Machine: m}
	if m == nil { // its record is on the way
		m = &bothyv1.Machine{Id: d.GetMachine(), Site: d.GetSite()}
	}
	verdict, err := l.verdictNow(m)
	row.OutOfService = verdict.GetStanding() == bothyv1.Standing_OUT_OF_SERVICE
	row.AsOf = verdict.GetAsOf()
	return row, err
}

// standingAt is the machines that stand at some sites; all that are on the
// register if no site is asked for.
func (l *lookup) standingAt(field string, sites []string) ([]*bothyv1.Machine, error) {
	if len(sites) == 0 {
		return list[*bothyv1.Machine](l)
	}
	known, err := l.someSites(field, sites)
	if err != nil {
		return nil, err
	}
	var machines []*bothyv1.Machine
	for _, s := range known {
		there, err := l.machinesAt(s)
		if err != nil {
			return nil, err
		}
		machines = append(machines, there...)
	}
	return machines, nil
}

func (l *lookup) rows(machines []*bothyv1.Machine) ([]*bothyv1.MachineRow, error) {
	rows := make([]*bothyv1.MachineRow, 0, len(machines))
	for _, m := range machines {
		row, err := l.row(m)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	slices.SortFunc(rows, gravestFirst)
	return rows, nil
}

func (l *lookup) row(m *bothyv1.Machine) (*bothyv1.MachineRow, error) {
	verdict, err := l.verdictNow(m)
	if err != nil {
		return nil, err
	}
	row := &bothyv1.MachineRow{Machine: m, Verdict: verdict}
	defects, err := l.defectsOf(m.GetId())
	if err != nil {
		return nil, err
	}
	for _, d := range defects {
		if plant.Open(d) {
			row.OpenDefects++
		}
	}
	last, err := l.previous(m.GetId())
	row.LastCheckAt = last.GetFinishedAt()
	return row, err
}

// gravestFirst orders machines by standing, then by the class of the gravest
// reason, then by fleet number.
func gravestFirst(a, b *bothyv1.MachineRow) int {
	return cmp.Or(
		cmp.Compare(a.GetVerdict().GetStanding(), b.GetVerdict().GetStanding()),
		cmp.Compare(classOf(a.GetVerdict()), classOf(b.GetVerdict())),
		compareIDs(a.GetMachine(), b.GetMachine()),
	)
}

func classOf(v *bothyv1.Verdict) bothyv1.Class {
	if len(v.GetReasons()) == 0 {
		return bothyv1.Class_CLASS_UNSPECIFIED
	}
	return v.GetReasons()[0].GetClass()
}

// siteRows is what is known of some sites, or of all.
func (l *lookup) siteRows(asked []string) ([]*bothyv1.SiteRow, error) {
	ids, err := l.someSites("site", asked)
	if err != nil {
		return nil, err
	}
	cabins, err := list[*bothyv1.Cabin](l)
	if err != nil {
		return nil, err
	}
	rows := make([]*bothyv1.SiteRow, 0, len(ids))
	for _, id := range ids {
		site, err := l.site(id)
		if err != nil {
			return nil, err
		}
		if site == nil { // a cabin carries it, and its entry is on the way
			site = &bothyv1.Site{Id: id}
		}
		row := &bothyv1.SiteRow{Site: site, Cabin: cabinOf(cabins, id)}
		asOf := l.asOf(id)
		if !asOf.IsZero() {
			row.AsOf = timestamppb.New(asOf)
		}
		row.Silent = asOf.IsZero() || l.now.Sub(asOf) > l.silentAfter(site)
		rows = append(rows, row)
	}
	return rows, nil
}

// silentAfter is how old a site's records may be: its own setting, then the
// book's.
func (l *lookup) silentAfter(s *bothyv1.Site) time.Duration {
	if own := s.GetSilentAfterHours(); own > 0 {
		return time.Duration(own) * time.Hour
	}
	return cmp.Or(l.book.options.SilentAfter, plant.DefaultSilentAfter)
}

// cabinOf is the node that carries a site; the first by name of several.
func cabinOf(cabins []*bothyv1.Cabin, site string) string {
	i := slices.IndexFunc(cabins, func(c *bothyv1.Cabin) bool { return slices.Contains(c.GetSites(), site) })
	if i < 0 {
		return ""
	}
	return cabins[i].GetId()
}
