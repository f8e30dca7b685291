package plant

import (
	"fmt"
	"math"
	"slices"
	"strings"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Units is the units that a reading may have.
func Units() []string { return []string{"kPa", "degC", "mm", "h", "%", "l"} }

// ValidSheet says what is wrong with a sheet, with paths such as
// "stages[2].points[0].lookFor". Beside the form of each part it looks at what
// the rules want:
//
//   - a pre-use sheet covers [PreUseItems], and [ShiftCheckItems] if its machine
//     type begins with "wheeled-";
//   - a point that covers an item whose failure is always a hazard, or that
//     rests on ISO 3450 (brakes), is marked so, and such a point can neither
//     open with a lower class nor be answered NOT_FITTED.
func ValidSheet(sheet *bothyv1.Sheet) Violations {
	c := sheetCheck{sheet: sheet}
	c.head()
	c.options()
	c.stages()
	c.coverage()
	return c.v
}

type sheetCheck struct {
	sheet  *bothyv1.Sheet
	points int
	v      Violations
}

func (c *sheetCheck) head() {
	s := c.sheet
	c.v.id("machine_type", s.GetMachineType())
	if strings.Contains(s.GetMachineType(), ".") {
		c.v.add("machine_type", "has a dot; dots part a sheet's id")
	}
	if PurposeWord(s.GetPurpose()) == "" {
		c.v.add("purpose", "is missing or not known; allowed are PRE_USE and WEEKLY")
	}
	if s.GetEdition() < 1 {
		c.v.add("edition", "is %d; the first edition is 1", s.GetEdition())
	}
	if want := SheetID(s.GetMachineType(), s.GetPurpose(), s.GetEdition()); s.GetId() != want {
		c.v.add("id", "is %q; it must be made of machine type, purpose and edition: %q", s.GetId(), want)
	}
	c.v.needText("title", s.GetTitle(), TitleMax, "name the sheet")
	c.texts("cautions", s.GetCautions())
}

func (c *sheetCheck) options() {
	seen := map[string]bool{}
	for i, o := range c.sheet.GetOptions() {
		field := fmt.Sprintf("options[%d]", i)
		c.unique(field+".id", o.GetId(), seen)
		c.v.needText(field+".title", o.GetTitle(), TitleMax, "say what the machine has")
		c.v.text(field+".group", o.GetGroup(), IDMax)
	}
}

func (c *sheetCheck) stages() {
	if len(c.sheet.GetStages()) == 0 {
		c.v.add("stages", "is empty; a sheet has at least one stage")
	}
	stages, points := map[string]bool{}, map[string]bool{}
	for i, st := range c.sheet.GetStages() {
		field := fmt.Sprintf("stages[%d]", i)
		c.unique(field+".id", st.GetId(), stages)
		c.v.needText(field+".title", st.GetTitle(), TitleMax, "name the stage")
		if st.GetState() < bothyv1.MachineState_ISOLATED || st.GetState() > bothyv1.MachineState_MOVING {
			c.v.add(field+".state", "is missing or not known; allowed are ISOLATED, COOLED, RUNNING and MOVING")
		}
		c.texts(field+".cautions", st.GetCautions())
		if len(st.GetPoints()) == 0 {
			c.v.add(field+".points", "is empty; a stage has at least one point")
		}
		for j, p := range st.GetPoints() {
			c.points++
			c.unique(fmt.Sprintf("%s.points[%d].id", field, j), p.GetId(), points)
			c.point(fmt.Sprintf("%s.points[%d]", field, j), p)
		}
	}
	if c.points > PointsMax {
		c.v.add("stages", "have %d points; at most %d are allowed", c.points, PointsMax)
	}
}

func (c *sheetCheck) point(field string, p *bothyv1.Point) {
	c.v.needText(field+".title", p.GetTitle(), TitleMax, "name what is looked at")
	c.v.needText(field+".look_for", p.GetLookFor(), NoteMax, "say what to look at or do")
	c.v.needText(field+".defect_when", p.GetDefectWhen(), NoteMax, "say what counts as a defect")
	if p.GetDefaultClass() != known(p.GetDefaultClass()) {
		c.v.add(field+".default_class", "is missing or not known; allowed are HAZARD, SAFETY and CONDITION")
	}
	if len(p.GetBasis()) == 0 {
		c.v.add(field+".basis", `is empty; name a clause, a standard or "common practice"`)
	}
	c.texts(field+".basis", p.GetBasis())
	c.texts(field+".cautions", p.GetCautions())
	c.known(field+".with_options", p.GetWithOptions())
	c.known(field+".without_options", p.GetWithoutOptions())
	c.hazard(field, p)
	if s := p.GetHoldSeconds(); s != 0 && (s < HoldMin || s > HeldMax) {
		c.v.add(field+".hold_seconds", "is %d; allowed are 0 for no timed test, or %d to %d", s, HoldMin, HeldMax)
	}
	if p.GetReading() != nil {
		c.reading(field+".reading", p.GetReading())
	}
}

// hazard looks at points whose failure is a HAZARD whatever anyone says.
func (c *sheetCheck) hazard(field string, p *bothyv1.Point) {
	if why := hazardBasis(p); why != "" && !p.GetAlwaysHazard() {
		c.v.add(field+".always_hazard", "must be true on a point that rests on %s", why)
	}
	if p.GetAlwaysHazard() && p.GetDefaultClass() != bothyv1.Class_HAZARD {
		c.v.add(field+".default_class", "is %s; a point that is always a hazard must have HAZARD", p.GetDefaultClass())
	}
	if p.GetAlwaysHazard() && p.GetMayBeAbsent() {
		c.v.add(field+".may_be_absent", "must be false on a point that is always a hazard; use with_options for machines that do not have it")
	}
}

// hazardBasis is the basis that makes a point always a hazard; empty if none.
func hazardBasis(p *bothyv1.Point) string {
	for _, basis := range p.GetBasis() {
		if strings.HasPrefix(basis, "ISO 3450") {
			return basis
		}
		if slices.ContainsFunc(ShiftCheckItems(), func(it Item) bool { return it.Hazard && it.Basis == basis }) {
			return basis
		}
	}
	return ""
}

func (c *sheetCheck) reading(field string, r *bothyv1.Reading) {
	if !slices.Contains(Units(), r.GetUnit()) {
		c.v.add(field+".unit", "is %q; allowed are %s", r.GetUnit(), strings.Join(Units(), ", "))
	}
	low, high := r.GetPhysicalMin(), r.GetPhysicalMax()
	if !finite(low) || !finite(high) || low >= high {
		c.v.add(field+".physical_max", "the physical range is %v to %v; it needs two figures, the greater one last", low, high)
		return
	}
	from, to := limits(r)
	if (r.LimitMin != nil && !within(r.GetLimitMin(), low, high)) || (r.LimitMax != nil && !within(r.GetLimitMax(), low, high)) || from > to {
		c.v.add(field, "the limits are %v to %v; they must lie in the physical range %v to %v, the greater one last", from, to, low, high)
	}
}

func (c *sheetCheck) coverage() {
	if c.sheet.GetPurpose() != bothyv1.Purpose_PRE_USE {
		return
	}
	items := PreUseItems()
	if strings.HasPrefix(c.sheet.GetMachineType(), "wheeled-") {
		items = append(items, ShiftCheckItems()...)
	}
	for _, it := range Uncovered(c.sheet, items) {
		c.v.add("stages", "no point covers %q; a point covers it by naming it in its basis, on every machine unless the rule says where necessary", it.Basis)
	}
}

func (c *sheetCheck) unique(field, id string, seen map[string]bool) {
	c.v.id(field, id)
	if seen[id] && id != "" {
		c.v.add(field, "%q stands there twice", id)
	}
	seen[id] = true
}

func (c *sheetCheck) known(field string, options []string) {
	for i, o := range options {
		if ids := optionIDs(c.sheet, ""); !slices.Contains(ids, o) {
			c.v.add(fmt.Sprintf("%s[%d]", field, i), "%q is not an option of this sheet; allowed are %s", o, strings.Join(ids, ", "))
		}
	}
}

func (c *sheetCheck) texts(field string, texts []string) {
	for i, t := range texts {
		c.v.needText(fmt.Sprintf("%s[%d]", field, i), t, NoteMax, "a list has no empty lines")
	}
}

// limits is what a reading must lie within to be in order; infinite where the
// sheet sets no limit.
func limits(r *bothyv1.Reading) (from, to float64) {
	from, to = math.Inf(-1), math.Inf(1)
	if r.LimitMin != nil {
		from = r.GetLimitMin()
	}
	if r.LimitMax != nil {
		to = r.GetLimitMax()
	}
	return from, to
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// within is false for NaN.
func within(x, from, to float64) bool { return from <= x && x <= to }
