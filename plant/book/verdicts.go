package book

import (
	"context"
	"slices"
	"time"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// How far back the checks of a machine are read.
const (
	// recently is what a verdict looks at: the days that a weekly check holds, one
	// for the zone and one for a check that was sent late.
	recently = (plant.WeeklyEvery + 2) * 24 * time.Hour
	// weeklyBack is how far back the latest weekly check is looked for. One from
	// before is as good as none.
	weeklyBack = 366 * 24 * time.Hour
)

// GetVerdict is what the records say of a machine.
func (b *Book) GetVerdict(ctx context.Context, req *bothyv1.GetVerdictRequest) (*bothyv1.Verdict, error) {
	var verdict *bothyv1.Verdict
	err := b.read(ctx, req, func(l *lookup) error {
		m, err := l.knownMachine("machine", req.GetMachine())
		if err != nil {
			return err
		}
		at := l.now
		if req.GetAt() != nil {
			at = req.GetAt().AsTime()
		}
		verdict, err = l.verdict(m, at)
		return err
	})
	return verdict, err
}

// verdictNow is the verdict on a machine now.
func (l *lookup) verdictNow(m *bothyv1.Machine) (*bothyv1.Verdict, error) {
	return kept(l.verdicts, m.GetId(), func() (*bothyv1.Verdict, error) { return l.verdict(m, l.now) })
}

func (l *lookup) verdict(m *bothyv1.Machine, at time.Time) (*bothyv1.Verdict, error) {
	facts := plant.Facts{Machine: m, AsOf: l.asOf(m.GetSite()), SilentAfter: l.book.options.SilentAfter}
	var err error
	if facts.Site, err = l.site(m.GetSite()); err != nil {
		return nil, err
	}
	if facts.Defects, err = l.defectsOf(m.GetId()); err != nil {
		return nil, err
	}
	if facts.Holds, err = listBy[*bothyv1.Hold](l, "machine", m.GetId()); err != nil {
		return nil, err
	}
	if err = l.addChecks(&facts, at); err != nil {
		return nil, err
	}
	return plant.Verdict(facts, at), nil
}

// addChecks adds the recent checks of the machine, their amendments, and the
// sheets that they were made by.
func (l *lookup) addChecks(f *plant.Facts, at time.Time) error {
	inForce, err := l.sheetsOf(f.Machine.GetMachineType())
	if err != nil {
		return err
	}
	f.Sheets = slices.Clone(inForce)
	wantWeekly := plant.InForce(inForce, f.Machine.GetMachineType(), bothyv1.Purpose_WEEKLY) != nil
	for c, err := range each[*bothyv1.Check](l.ListBy((*bothyv1.Check)(nil), "machine", f.Machine.GetId(), true)) {
		if err != nil {
			return err
		}
		age := at.Sub(c.GetAcceptedAt().AsTime())
		if age > recently && (!wantWeekly || age > weeklyBack) {
			return nil
		}
		sheet, err := l.addSheet(f, c.GetSheet())
		if err != nil {
			return err
		}
		weekly := sheet.GetPurpose() == bothyv1.Purpose_WEEKLY
		if age > recently && !weekly {
			continue
		}
		if err := l.addCheck(f, c); err != nil {
			return err
		}
		if weekly && age > recently {
			return nil
		}
		wantWeekly = wantWeekly && !weekly
	}
	return nil
}

// addSheet adds the sheet of a check if it is not there; nil if this replica
// does not have it.
func (l *lookup) addSheet(f *plant.Facts, id string) (*bothyv1.Sheet, error) {
	if i := slices.IndexFunc(f.Sheets, func(s *bothyv1.Sheet) bool { return s.GetId() == id }); i >= 0 {
		return f.Sheets[i], nil
	}
	s, err := l.sheet(id)
	if err == nil && s != nil {
		f.Sheets = append(f.Sheets, s)
	}
	return s, err
}

func (l *lookup) addCheck(f *plant.Facts, c *bothyv1.Check) error {
	amendments, err := listBy[*bothyv1.Amendment](l, "check", c.GetId())
	f.Checks = append(f.Checks, c)
	f.Amendments = append(f.Amendments, amendments...)
	return err
}
