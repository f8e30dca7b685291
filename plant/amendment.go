package plant

import (
	"cmp"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// AmendFacts is what must be known to amend a check.
type AmendFacts struct {
	// Check as it was accepted; nil if there is none with that id.
	Check *bothyv1.Check
	// Sheet is the edition that the check names, whole.
	Sheet *bothyv1.Sheet
	// Defects of the machine.
	Defects []*bothyv1.Defect
	// Person who amends; nil if the register does not have them.
	Person *bothyv1.Person
}

// AcceptAmendment takes an amendment (its answers, meter reading, reason and
// marking; the id is kept) or refuses it. The person who made the check may say
// what they should have answered. Everybody else on the register was not there,
// and may only put caution in: DEFECT or NOT_CHECKED, and a meter reading. The
// error is a [*Denied] if they may not do it, else [Violations].
func AcceptAmendment(a *bothyv1.Amendment, f AmendFacts) (*bothyv1.Amendment, error) {
	if f.Person == nil {
		return nil, &Denied{Field: "person", Problem: "only a person on the register may amend a check"}
	}
	var v Violations
	if a == nil || f.Check == nil || f.Check.GetSheet() != f.Sheet.GetId() {
		v.add("check", "%q is not a check that can be read here", a.GetCheck())
		return nil, v
	}
	if f.Person.GetId() != f.Check.GetPerson() && slices.ContainsFunc(a.GetAnswers(), favours) {
		return nil, &Denied{Field: "answers", Problem: "only the person who made the check may amend an answer to OK or NOT_FITTED"}
	}
	v.needText("reason", a.GetReason(), NoteMax, "say what was wrong")
	if len(a.GetAnswers()) == 0 && a.MeterHours == nil {
		v.add("answers", "is empty, and there is no meter reading; nothing would change")
	}
	if a.MeterHours != nil {
		v.meter("meter_hours", a.GetMeterHours())
	}
	points := pointsFor(f.Sheet, f.Check.GetOptions())
	byPoint := v.answers("answers", a.GetAnswers(), points)
	v.marking("marking", a.GetMarking(), makesHazard(a.GetAnswers(), points, f.Defects))
	if len(v) > 0 {
		return nil, v
	}
	stored := &bothyv1.Amendment{
		Id: a.GetId(), Check: f.Check.GetId(), Site: f.Check.GetSite(), Machine: f.Check.GetMachine(),
		Person: f.Person.GetId(), Reason: strings.TrimSpace(a.GetReason()), MeterHours: a.MeterHours, Marking: a.GetMarking(),
	}
	for _, p := range points {
		if answer := byPoint[p.GetId()]; answer != nil {
			stored.Answers = append(stored.Answers, tidied(answer, p))
		}
	}
	return stored, nil
}

// favours holds for answers that speak for a machine.
func favours(a *bothyv1.Answer) bool {
	return a.GetState() != bothyv1.AnswerState_DEFECT && a.GetState() != bothyv1.AnswerState_NOT_CHECKED
}

// Amended is a copy of an expanded check as its amendments say it should have
// been. Amendments apply in the order of their acceptance, then of their ids;
// those of other checks are left out. An answer of DEFECT that is amended away
// leaves the defect that it opened as it is.
func Amended(check *bothyv1.Check, amendments []*bothyv1.Amendment) *bothyv1.Check {
	amended := proto.CloneOf(check)
	for _, a := range amendmentsOf(check, amendments) {
		for _, answer := range a.GetAnswers() {
			if i := slices.IndexFunc(amended.GetAnswers(), func(b *bothyv1.Answer) bool { return b.GetPoint() == answer.GetPoint() }); i >= 0 {
				amended.Answers[i] = proto.CloneOf(answer)
			}
		}
		if a.MeterHours != nil {
			amended.MeterHours = a.GetMeterHours()
		}
		amended.Marking = cmp.Or(a.GetMarking(), amended.GetMarking())
	}
	return amended
}

// amendmentsOf is the amendments of a check in the order in which they apply.
func amendmentsOf(check *bothyv1.Check, amendments []*bothyv1.Amendment) []*bothyv1.Amendment {
	own := slices.DeleteFunc(slices.Clone(amendments), func(a *bothyv1.Amendment) bool {
		return a == nil || a.GetCheck() != check.GetId()
	})
	slices.SortFunc(own, func(a, b *bothyv1.Amendment) int {
		return cmp.Or(timeOf(a.GetAcceptedAt()).Compare(timeOf(b.GetAcceptedAt())), cmp.Compare(a.GetId(), b.GetId()))
	})
	return own
}
