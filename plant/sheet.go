package plant

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// PurposeWord is the purpose as it stands in a sheet's id: "pre-use" or
// "weekly"; empty for a purpose that this program does not know.
func PurposeWord(p bothyv1.Purpose) string {
	switch p {
	case bothyv1.Purpose_PRE_USE:
		return "pre-use"
	case bothyv1.Purpose_WEEKLY:
		return "weekly"
	}
	return ""
}

// SheetID is the id of an edition: "wheeled-site-dumper.pre-use.1".
func SheetID(machineType string, p bothyv1.Purpose, edition int32) string {
	return fmt.Sprintf("%s.%s.%d", machineType, PurposeWord(p), edition)
}

// InForce is the edition in force for a machine type and a purpose: the
// greatest one. Nil if there is none. The sheet is one of those given.
func InForce(sheets []*bothyv1.Sheet, machineType string, p bothyv1.Purpose) *bothyv1.Sheet {
	var found *bothyv1.Sheet
	for _, s := range sheets {
		if s.GetMachineType() == machineType && s.GetPurpose() == p && s.GetEdition() > found.GetEdition() {
			found = s
		}
	}
	return found
}

// FindPoint is the point of a sheet with an id. The point is the sheet's own.
func FindPoint(sheet *bothyv1.Sheet, id string) (*bothyv1.Point, bool) {
	for _, st := range sheet.GetStages() {
		for _, p := range st.GetPoints() {
			if p.GetId() == id {
				return p, true
			}
		}
	}
	return nil, false
}

// Applied is a copy of a sheet with the points that a machine's options leave.
// A stage that is left without points is dropped. [ValidOptions] says whether
// the options suit the sheet.
func Applied(sheet *bothyv1.Sheet, options []string) *bothyv1.Sheet {
	applied := proto.CloneOf(sheet)
	for _, st := range applied.GetStages() {
		st.Points = slices.DeleteFunc(st.Points, func(p *bothyv1.Point) bool { return !asked(p, options) })
	}
	if applied != nil {
		applied.Stages = slices.DeleteFunc(applied.Stages, func(st *bothyv1.Stage) bool { return len(st.GetPoints()) == 0 })
	}
	return applied
}

// pointsFor is every point of a sheet that options leave, in order.
func pointsFor(sheet *bothyv1.Sheet, options []string) []*bothyv1.Point {
	var points []*bothyv1.Point
	for _, st := range sheet.GetStages() {
		for _, p := range st.GetPoints() {
			if asked(p, options) {
				points = append(points, p)
			}
		}
	}
	return points
}

func asked(p *bothyv1.Point, options []string) bool {
	has := func(option string) bool { return slices.Contains(options, option) }
	if len(p.GetWithOptions()) > 0 && !slices.ContainsFunc(p.GetWithOptions(), has) {
		return false
	}
	return !slices.ContainsFunc(p.GetWithoutOptions(), has)
}

// ValidOptions says what is wrong with the options of a machine that is to be
// checked by a sheet: each must be one of the sheet's, at most once, with
// exactly one of each group.
func ValidOptions(sheet *bothyv1.Sheet, options []string) Violations {
	var v Violations
	seen := map[string]bool{}
	for i, o := range options {
		field := fmt.Sprintf("machine.options[%d]", i)
		switch {
		case seen[o]:
			v.add(field, "%q stands there twice", o)
		case !slices.ContainsFunc(sheet.GetOptions(), func(known *bothyv1.Option) bool { return known.GetId() == o }):
			v.add(field, "%q is not an option of %s; allowed are %s", o, sheet.GetMachineType(), strings.Join(optionIDs(sheet, ""), ", "))
		}
		seen[o] = true
	}
	for _, group := range groups(sheet) {
		members := optionIDs(sheet, group)
		chosen := slices.DeleteFunc(slices.Clone(members), func(id string) bool { return !seen[id] })
		if len(chosen) != 1 {
			v.add("machine.options", "exactly one of %s (%s) is needed; there are %d", strings.Join(members, ", "), group, len(chosen))
		}
	}
	return v
}

// optionIDs is the ids of a group's options, or of all if the group is empty.
func optionIDs(sheet *bothyv1.Sheet, group string) []string {
	var ids []string
	for _, o := range sheet.GetOptions() {
		if group == "" || o.GetGroup() == group {
			ids = append(ids, o.GetId())
		}
	}
	return ids
}

// groups is the names of a sheet's option groups, in order of appearance.
func groups(sheet *bothyv1.Sheet) []string {
	var names []string
	for _, o := range sheet.GetOptions() {
		if o.GetGroup() != "" && !slices.Contains(names, o.GetGroup()) {
			names = append(names, o.GetGroup())
		}
	}
	return names
}

// cautious is the more cautious of two classes, of which each may be unset.
func cautious(a, b bothyv1.Class) bothyv1.Class {
	if a == bothyv1.Class_CLASS_UNSPECIFIED || b == bothyv1.Class_CLASS_UNSPECIFIED {
		return cmp.Or(a, b)
	}
	return min(a, b)
}

// pointClass is the class that a defect of a point opens with: the more
// cautious of the point's own and what the person says. A point that is always
// a hazard, and one whose class is not known, is a HAZARD.
func pointClass(p *bothyv1.Point, said bothyv1.Class) bothyv1.Class {
	if p.GetAlwaysHazard() {
		return bothyv1.Class_HAZARD
	}
	return known(cautious(p.GetDefaultClass(), said))
}

// known reads a class that is unset, or that this program does not know, as
// the most cautious one.
func known(c bothyv1.Class) bothyv1.Class {
	if c < bothyv1.Class_HAZARD || c > bothyv1.Class_CONDITION {
		return bothyv1.Class_HAZARD
	}
	return c
}
