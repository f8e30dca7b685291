package plant

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// fold takes plain answers of OK out of a check and counts them.
func fold(c *bothyv1.Check) {
	var kept []*bothyv1.Answer
	for _, a := range c.GetAnswers() {
		if plain(a) {
			c.PointsOk++
			continue
		}
		kept = append(kept, a)
	}
	c.Answers = kept
}

// Expand is a copy of a stored check with one answer for every point that the
// sheet had for the machine, in the sheet's order, and nothing counted in
// points_ok. The sheet is the edition that the check names. A check that does
// not fit its sheet is damaged, and an error.
func Expand(stored *bothyv1.Check, sheet *bothyv1.Sheet) (*bothyv1.Check, error) {
	if stored == nil || stored.GetSheet() != sheet.GetId() {
		return nil, fmt.Errorf("expand check %q: it was made by %q, not by %q", stored.GetId(), stored.GetSheet(), sheet.GetId())
	}
	listed := map[string]*bothyv1.Answer{}
	for _, a := range stored.GetAnswers() {
		listed[a.GetPoint()] = a
	}
	points := pointsFor(sheet, stored.GetOptions())
	var answers []*bothyv1.Answer
	used := 0
	for _, p := range points {
		a := listed[p.GetId()]
		if a == nil {
			answers = append(answers, &bothyv1.Answer{Point: p.GetId(), State: bothyv1.AnswerState_OK})
			continue
		}
		used++
		answers = append(answers, proto.CloneOf(a))
	}
	if used != len(stored.GetAnswers()) || used+int(stored.GetPointsOk()) != len(points) {
		return nil, fmt.Errorf("expand check %q: it has %d answers and %d points in order, of which %d belong to the %d points of %q",
			stored.GetId(), len(stored.GetAnswers()), stored.GetPointsOk(), used, len(points), sheet.GetId())
	}
	whole := proto.CloneOf(stored)
	whole.Answers, whole.PointsOk = answers, 0
	return whole, nil
}
