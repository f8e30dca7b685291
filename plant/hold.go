package plant

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Held holds until a hold is lifted. A state that is not known reads as HELD.
func Held(h *bothyv1.Hold) bool { return h.GetState() != bothyv1.HoldState_LIFTED }

// HoldFields is the fields that a new hold sets.
func HoldFields() []string {
	return []string{"machine", "state", "person", "reason", "marking", "held_at"}
}

// LiftFields is the fields that lifting a hold sets.
func LiftFields() []string { return []string{"state", "lifted_by", "lifted_reason", "lifted_at"} }

// NewHold is a person's order that a machine is out of service, under an id of
// the caller's making. Anybody on the register may give it, with a reason, and
// must say how the machine is marked so that nobody uses it (29 CFR
// 1926.20(b)(3): tagged, controls locked, or removed). The error is a [*Denied]
// if the person is not on the register (nil), else [Violations].
func NewHold(id string, machine *bothyv1.Machine, reason string, marking bothyv1.Marking, by *bothyv1.Person, now time.Time) (*bothyv1.Hold, error) {
	if by == nil {
		return nil, &Denied{Field: "person", Problem: "only a person on the register may hold a machine"}
	}
	var v Violations
	if machine == nil {
		v.add("machine", "is not a machine on the register")
	}
	v.needText("reason", reason, NoteMax, "say why the machine is out of service")
	v.marking("marking", marking, true)
	if err := v.err(); err != nil {
		return nil, err
	}
	return &bothyv1.Hold{
		Id: id, Machine: machine.GetId(), State: bothyv1.HoldState_HELD, Person: by.GetId(),
		Reason: strings.TrimSpace(reason), Marking: marking, HeldAt: seconds(now),
	}, nil
}

// LiftHold lifts a hold by name, with a reason. Only those with the authority
// to correct may (29 CFR 1926.32(f)): a supervisor or a fitter. The office is
// not at the machine, and whoever gave the order may have seen what others
// have not. The error is a [*Denied] for everybody else, and [Violations] if the
// hold does not stand or there is no reason.
func LiftHold(hold *bothyv1.Hold, reason string, by *bothyv1.Person, now time.Time) (*bothyv1.Hold, error) {
	if roles := []bothyv1.Role{bothyv1.Role_SUPERVISOR, bothyv1.Role_FITTER}; !slices.Contains(roles, by.GetRole()) {
		return nil, deny("person", by, "lift a hold", roles...)
	}
	var v Violations
	if hold == nil || !Held(hold) {
		v.add("hold", "%q does not stand; only one that stands can be lifted", hold.GetId())
	}
	v.needText("reason", reason, NoteMax, "say why the machine may be used again")
	if err := v.err(); err != nil {
		return nil, err
	}
	lifted := proto.CloneOf(hold)
	lifted.State, lifted.LiftedBy = bothyv1.HoldState_LIFTED, by.GetId()
	lifted.LiftedReason, lifted.LiftedAt = strings.TrimSpace(reason), seconds(now)
	return lifted, nil
}
