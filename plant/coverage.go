package plant

import (
	"slices"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Item is something that a rule wants looked at. A point covers it by naming
// it, word for word, in its basis.
type Item struct {
	// Basis is the clause and the thing: "29 CFR 1926.601(b)(14) horn".
	Basis string
	// WhereFitted means that a point may be left off some machines, or be
	// answered NOT_FITTED; otherwise a point must be asked on every machine.
	WhereFitted bool
	// Hazard means that its failure is a HAZARD whatever anyone says.
	Hazard bool
}

// PreUseItems is what every pre-use sheet must cover: the ground that the
// machine is going to work on.
func PreUseItems() []Item {
	return []Item{{Basis: "Alberta OHS Code s.257(1) surrounding area"}}
}

// ShiftCheckItems is what the pre-use sheet of a vehicle must cover: the parts
// and accessories of 29 CFR 1926.601(b)(14), which are looked at before every
// shift. The ten that are always looked at come first, then the five that the
// rule names for where they are necessary.
//
// That a failed brake is always a HAZARD follows the advice that ISO 3450 wants
// in the maker's manual (out of service at once if a brake fails the daily
// check). For steering and seat belts it is common practice. A machine may be
// built without a coupling, so that point may be answered NOT_FITTED.
func ShiftCheckItems() []Item {
	const rule = "29 CFR 1926.601(b)(14) "
	return []Item{
		{Basis: rule + "service brakes", Hazard: true},
		{Basis: rule + "parking system", Hazard: true},
		{Basis: rule + "emergency stopping system", Hazard: true},
		{Basis: rule + "tires"},
		{Basis: rule + "horn"},
		{Basis: rule + "steering mechanism", Hazard: true},
		{Basis: rule + "coupling devices"},
		{Basis: rule + "seat belts", Hazard: true},
		{Basis: rule + "operating controls"},
		{Basis: rule + "safety devices"},
		{Basis: rule + "lights", WhereFitted: true},
		{Basis: rule + "reflectors", WhereFitted: true},
		{Basis: rule + "windshield wipers", WhereFitted: true},
		{Basis: rule + "defrosters", WhereFitted: true},
		{Basis: rule + "fire extinguishers", WhereFitted: true},
	}
}

// Uncovered is the items that no point of the sheet covers.
func Uncovered(sheet *bothyv1.Sheet, items []Item) []Item {
	points := allPoints(sheet)
	return slices.DeleteFunc(slices.Clone(items), func(it Item) bool {
		return slices.ContainsFunc(points, func(p *bothyv1.Point) bool { return covers(p, it) })
	})
}

func covers(p *bothyv1.Point, it Item) bool {
	onEveryMachine := len(p.GetWithOptions()) == 0 && len(p.GetWithoutOptions()) == 0
	return slices.Contains(p.GetBasis(), it.Basis) && (onEveryMachine || it.WhereFitted)
}

// allPoints is every point of a sheet, whatever the options.
func allPoints(sheet *bothyv1.Sheet) []*bothyv1.Point {
	var points []*bothyv1.Point
	for _, st := range sheet.GetStages() {
		points = append(points, st.GetPoints()...)
	}
	return points
}
