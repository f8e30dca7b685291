package book

import (
	"context"
	"errors"
	"slices"
	"strings"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/caller"
	"github.com/bothy-mesh/bothy/proto/fault"
)

// acting is the id of the person who acts.
func acting(ctx context.Context) (string, error) {
	id := caller.Person(ctx)
	if id == "" {
		return "", fault.Unnamed()
	}
	if err := plant.ValidID(id); err != nil {
		return "", fault.Invalid(fault.Violation{Field: "person", Problem: err.Error()})
	}
	return id, nil
}

// refusal is an error of the trade as the fault that a caller sees. Others stay
// what they are.
func refusal(err error) error {
	var wrong plant.Violations
	var denied *plant.Denied
	switch {
	case errors.As(err, &wrong):
		violations := make([]fault.Violation, len(wrong))
		for i, w := range wrong {
			violations[i] = fault.Violation(w)
		}
		return fault.Invalid(violations...)
	case errors.As(err, &denied):
		return fault.Forbidden("%s", denied.Problem).With("field", denied.Field)
	}
	return err
}

// also adds violations of fields that v does not name yet.
func also(v, more plant.Violations) plant.Violations {
	out := slices.Clone(v)
	for _, w := range more {
		if !slices.ContainsFunc(v, func(o plant.Violation) bool { return o.Field == w.Field }) {
			out = append(out, w)
		}
	}
	return out
}

// orNil is v as an error, nil if nothing is wrong.
func orNil(v plant.Violations) error {
	if len(v) == 0 {
		return nil
	}
	return v
}

// wrong is one violation as an error.
func wrong(field, problem string, args ...any) error {
	var v violations
	v.add(field, problem, args...)
	return plant.Violations(v)
}

// unlisted says that there is no such machine, and what can be done about it: a
// cabin registers it and goes on.
func unlisted(machine string) error {
	e := fault.Missing("machine", machine)
	e.Text += "; register it first by POST /v1/machines"
	return e.WithReason("MACHINE_UNLISTED").With("register", "POST /v1/machines")
}

func exists(what, id string) error { return fault.Exists(what, id) }

// unknownSite says which sites there are.
func unknownSite(field, id string, known []string) error {
	return wrong(field, "%q is not a known site; known are %s", id, strings.Join(known, ", "))
}

// forbidden says who may do something and who asked.
func forbidden(by actor, what string, roles ...bothyv1.Role) error {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = r.String()
	}
	who := "is not on the register"
	if by.person != nil {
		who = "has the role " + by.person.GetRole().String()
	}
	return fault.Forbidden("only a person with the role %s may %s; %q %s", strings.Join(words, " or "), what, by.id, who)
}

// collected adds the violations that an error of the trade consists of; any
// other error stays one.
func collected(v plant.Violations, err error) (plant.Violations, error) {
	var more plant.Violations
	if errors.As(err, &more) {
		return also(v, more), nil
	}
	return v, err
}

// unfit says that a machine's entry must be put right before it can be checked.
func unfit(m *bothyv1.Machine, err error) error {
	return fault.Precondition("the options of machine %q do not fit its sheet: %v; the office corrects them", m.GetId(), err).
		WithReason("MACHINE_OPTIONS")
}
