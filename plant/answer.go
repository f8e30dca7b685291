package plant

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// answers looks at each answer against its point, and says which points were
// answered more than once or are not asked. It gives the answers by point.
func (v *Violations) answers(field string, answers []*bothyv1.Answer, points []*bothyv1.Point) map[string]*bothyv1.Answer {
	if len(answers) > PointsMax {
		v.add(field, "has %d answers; at most %d are allowed", len(answers), PointsMax)
		return nil
	}
	byPoint := map[string]*bothyv1.Answer{}
	for i, a := range answers {
		path := fmt.Sprintf("%s[%d]", field, i)
		at := slices.IndexFunc(points, func(p *bothyv1.Point) bool { return p.GetId() == a.GetPoint() })
		switch {
		case at < 0:
			v.add(path+".point", "%q is not a point that the sheet has for this machine", a.GetPoint())
		case byPoint[a.GetPoint()] != nil:
			v.add(path+".point", "%q is answered a second time; one answer is allowed", a.GetPoint())
		default:
			byPoint[a.GetPoint()] = a
			v.answer(path, a, points[at])
		}
	}
	return byPoint
}

func (v *Violations) answer(field string, a *bothyv1.Answer, p *bothyv1.Point) {
	v.answerState(field, a, p)
	v.answerClass(field+".class", a, p)
	v.reading(field+".reading", a, p.GetReading())
	v.held(field+".held_seconds", a, p.GetHoldSeconds())
}

func (v *Violations) answerState(field string, a *bothyv1.Answer, p *bothyv1.Point) {
	switch a.GetState() {
	case bothyv1.AnswerState_OK:
		v.text(field+".note", a.GetNote(), NoteMax)
	case bothyv1.AnswerState_DEFECT:
		v.needText(field+".note", a.GetNote(), NoteMax, "say what was found")
	case bothyv1.AnswerState_NOT_FITTED:
		v.text(field+".note", a.GetNote(), NoteMax)
		if !p.GetMayBeAbsent() {
			v.add(field+".state", "is NOT_FITTED, but every machine with these options has %q; allowed are OK, DEFECT and NOT_CHECKED", p.GetId())
		}
	case bothyv1.AnswerState_NOT_CHECKED:
		v.needText(field+".note", a.GetNote(), NoteMax, "say why it was not checked")
	default:
		v.add(field+".state", "is missing or not known; allowed are OK, DEFECT, NOT_FITTED and NOT_CHECKED")
	}
}

// answerClass lets a person be more cautious than the sheet, never less.
func (v *Violations) answerClass(field string, a *bothyv1.Answer, p *bothyv1.Point) {
	said, least := a.GetClass(), pointClass(p, 0)
	switch {
	case said == bothyv1.Class_CLASS_UNSPECIFIED:
	case said != known(said):
		v.add(field, "is not known; allowed are HAZARD, SAFETY and CONDITION")
	case a.GetState() != bothyv1.AnswerState_DEFECT:
		v.add(field, "is %s on an answer that is not DEFECT; leave it out", said)
	case said > least:
		v.add(field, "is %s, but a defect of %q is at least %s; only a more cautious class is allowed", said, p.GetId(), least)
	}
}

// looked holds for answers of somebody who looked at the point.
func looked(a *bothyv1.Answer) bool {
	return a.GetState() == bothyv1.AnswerState_OK || a.GetState() == bothyv1.AnswerState_DEFECT
}

func (v *Violations) reading(field string, a *bothyv1.Answer, r *bothyv1.Reading) {
	x := a.GetReading()
	switch {
	case a.Reading == nil:
		if r.GetRequired() && looked(a) {
			v.add(field, "is missing; an answer of OK or DEFECT needs the figure in %s", r.GetUnit())
		}
	case r == nil:
		v.add(field, "is %v, but nothing is read at this point; leave it out", x)
	case !looked(a):
		v.add(field, "is %v, but the point was not looked at; leave it out", x)
	case !within(x, r.GetPhysicalMin(), r.GetPhysicalMax()):
		v.add(field, "is %v %s; the instrument shows %v to %v", x, r.GetUnit(), r.GetPhysicalMin(), r.GetPhysicalMax())
	case a.GetState() == bothyv1.AnswerState_OK && !inLimits(x, r):
		v.add(field, "is %v %s, outside the limits %s; the answer must be DEFECT", x, r.GetUnit(), limitText(r))
	}
}

func inLimits(x float64, r *bothyv1.Reading) bool {
	from, to := limits(r)
	return within(x, from, to)
}

func limitText(r *bothyv1.Reading) string {
	switch {
	case r.LimitMin == nil:
		return fmt.Sprintf("(at most %v)", r.GetLimitMax())
	case r.LimitMax == nil:
		return fmt.Sprintf("(at least %v)", r.GetLimitMin())
	}
	return fmt.Sprintf("(%v to %v)", r.GetLimitMin(), r.GetLimitMax())
}

func (v *Violations) held(field string, a *bothyv1.Answer, holdSeconds int32) {
	s := a.GetHeldSeconds()
	switch {
	case a.HeldSeconds == nil:
		if holdSeconds > 0 && a.GetState() == bothyv1.AnswerState_OK {
			v.add(field, "is missing; the test must be held for at least %d s", holdSeconds)
		}
	case holdSeconds == 0:
		v.add(field, "is %v, but this point has no timed test; leave it out", s)
	case !looked(a):
		v.add(field, "is %v, but the point was not tested; leave it out", s)
	case !within(s, 0, HeldMax):
		v.add(field, "is %v s; allowed are 0 to %d", s, HeldMax)
	case a.GetState() == bothyv1.AnswerState_OK && s < float64(holdSeconds):
		v.add(field, "is %v s; the test must be held for at least %d s, or the answer be DEFECT", s, holdSeconds)
	}
}

// plain is an answer of OK that says nothing more.
func plain(a *bothyv1.Answer) bool {
	return a.GetState() == bothyv1.AnswerState_OK && a.GetNote() == "" && a.Reading == nil && a.HeldSeconds == nil
}

// tidied is an answer as it is stored: no blanks around the note, and no class
// that says only what the sheet says.
func tidied(a *bothyv1.Answer, p *bothyv1.Point) *bothyv1.Answer {
	t := &bothyv1.Answer{Point: a.GetPoint(), State: a.GetState(), Note: strings.TrimSpace(a.GetNote()), Class: a.GetClass()}
	if t.Class == pointClass(p, 0) {
		t.Class = bothyv1.Class_CLASS_UNSPECIFIED
	}
	if a.Reading != nil {
		t.Reading = proto.Float64(a.GetReading())
	}
	if a.HeldSeconds != nil {
		t.HeldSeconds = proto.Float64(a.GetHeldSeconds())
	}
	return t
}
