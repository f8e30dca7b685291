package plant

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// The reasons of a verdict: what each says, what would clear it, and the rule
// behind it.

func (r *reader) held(h *bothyv1.Hold) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_OUT_OF_SERVICE,
		Text:     fmt.Sprintf("Held out of service by %s since %s: %s", h.GetPerson(), r.clock(h.GetHeldAt()), h.GetReason()),
		Clears:   "A supervisor or a fitter lifts the hold, with a reason.",
		Basis:    "29 CFR 1926.20(b)(3)",
		Source:   "holds/" + h.GetId(),
	}
}

func (r *reader) hazard(d *bothyv1.Defect) *bothyv1.Reason {
	text := fmt.Sprintf("HAZARD at %s, reported: %s", place(d), d.GetText())
	if d.GetProgress() >= bothyv1.Progress_REPAIRED {
		text += ". " + r.notCovered(d)
	}
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_OUT_OF_SERVICE,
		Text:     text,
		Clears:   "A fitter certifies by name that it is mended, and the next check finds it in order; or a competent person certifies that it needs no repair.",
		Basis:    "30 CFR 56.14100(c); 49 CFR 396.11(a)(3), 398.8(c)(3)",
		Source:   "defects/" + d.GetId(),
		Class:    bothyv1.Class_HAZARD,
	}
}

// notCovered says why a defect that was closed reads as open.
func (r *reader) notCovered(d *bothyv1.Defect) string {
	c := d.GetCertificate()
	if c.GetClass() == bothyv1.Class_CLASS_UNSPECIFIED {
		return fmt.Sprintf("It says %s, but nobody certified that", d.GetProgress())
	}
	return fmt.Sprintf("%s certified it as a %s; that does not cover a %s", c.GetPerson(), c.GetClass(), known(d.GetClass()))
}

func (r *reader) unlimited(d *bothyv1.Defect) *bothyv1.Reason {
	text := fmt.Sprintf("A defect that affects safety at %s, with no limit stated: %s", place(d), d.GetText())
	if d.GetProgress() >= bothyv1.Progress_REPAIRED {
		text += ". " + r.notCovered(d)
	}
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_OUT_OF_SERVICE,
		Text:     text,
		Clears:   "A supervisor states within what limit the machine may work and until when, or a fitter certifies that the defect is mended.",
		Basis:    "29 CFR 1926.601(b)(14); LOLER 1998 reg. 10(3)",
		Source:   "defects/" + d.GetId(),
		Class:    bothyv1.Class_SAFETY,
	}
}

func (r *reader) limitPast(d *bothyv1.Defect) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_OUT_OF_SERVICE,
		Text:     fmt.Sprintf("A defect that affects safety at %s was to be mended by %s: %s", place(d), r.clock(d.GetLimitUntil()), d.GetText()),
		Clears:   "A fitter certifies that the defect is mended, or a supervisor states a new limit, with the reason.",
		Basis:    "LOLER 1998 reg. 10(3); 30 CFR 56.14100(b)",
		Source:   "defects/" + d.GetId(),
		Class:    bothyv1.Class_SAFETY,
	}
}

func (r *reader) limited(d *bothyv1.Defect) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_LIMITED,
		Text:     fmt.Sprintf("May work only within this limit until %s: %s (%s: %s)", r.clock(d.GetLimitUntil()), d.GetLimit(), place(d), d.GetText()),
		Clears:   "A fitter certifies that the defect is mended, and the next check finds it in order.",
		Basis:    "30 CFR 56.14100(b)",
		Source:   "defects/" + d.GetId(),
		Class:    bothyv1.Class_SAFETY,
	}
}

func (r *reader) unproved(d *bothyv1.Defect) *bothyv1.Reason {
	c := d.GetCertificate()
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("Repaired at %s, certified by %s on %s; no check has looked at it since: %s", place(d), c.GetPerson(), r.clock(c.GetSignedAt()), d.GetText()),
		Clears:   "A check that is begun after the certificate finds the point in order.",
		Basis:    "49 CFR 396.13",
		Source:   "defects/" + d.GetId(),
		Class:    known(d.GetClass()),
	}
}

func (r *reader) condition(d *bothyv1.Defect) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_FIT,
		Text:     fmt.Sprintf("Wear or damage to watch at %s: %s", place(d), d.GetText()),
		Clears:   "A fitter certifies that it is mended, and the next check finds it in order.",
		Basis:    "common practice",
		Source:   "defects/" + d.GetId(),
		Class:    bothyv1.Class_CONDITION,
	}
}

func (r *reader) silent(allowed time.Duration) *bothyv1.Reason {
	text := "It is not known how complete these records are."
	if !r.AsOf.IsZero() {
		text = fmt.Sprintf("Nothing is known after %s; records older than %d h say nothing of today.", r.clock(timestamppb.New(r.AsOf)), int(allowed.Hours()))
	}
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_UNKNOWN,
		Text:     text,
		Clears:   "The site's records arrive. Until then, ask at the site.",
		Basis:    "common practice",
	}
}

func (r *reader) noZone() *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("The shift cannot be told at the site %q: %v.", cmp.Or(r.Site.GetId(), r.Machine.GetSite()), r.unzoned),
		Clears:   "The office enters the site at which the machine stands, with its time zone.",
		Basis:    "30 CFR 56.14100(a)",
	}
}

func (r *reader) noShift() *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("No shift is under way, and none starts within %d h.", int(NextShiftWithin.Hours())),
		Clears:   "The machine is checked for the shift in which it is to be used.",
		Basis:    "30 CFR 56.14100(a)",
	}
}

func (r *reader) noSheet() *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("There is no pre-use sheet for machines of the type %q.", r.Machine.GetMachineType()),
		Clears:   "The office gives the machine a type that has a sheet.",
		Basis:    "30 CFR 56.14100(a)",
	}
}

func (r *reader) unchecked() *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("No check has been made for the shift %s.", r.shiftText()),
		Clears:   "The plant operator checks the machine before it is put to work on that shift.",
		Basis:    "30 CFR 56.14100(a); 29 CFR 1926.601(b)(14)",
	}
}

func (r *reader) incomplete(c *bothyv1.Check, missed []string) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("The check that was finished at %s did not look at %s.", r.clock(c.GetFinishedAt()), strings.Join(missed, ", ")),
		Clears:   "A check looks at every point whose failure is a HAZARD.",
		Basis:    "29 CFR 1926.601(b)(14)",
		Source:   "checks/" + c.GetId(),
	}
}

func (r *reader) weeklyNever() *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     "No weekly check of this machine is known.",
		Clears:   "The weekly check is made.",
		Basis:    "PUWER 1998 reg. 6(2); common practice",
	}
}

func (r *reader) weeklyOverdue(c *bothyv1.Check, due time.Time) *bothyv1.Reason {
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_CHECK_DUE,
		Text:     fmt.Sprintf("The weekly check was due on %s.", due.Format("2 January 2006")),
		Clears:   "The weekly check is made.",
		Basis:    "PUWER 1998 reg. 6(2); common practice",
		Source:   "checks/" + c.GetId(),
	}
}

func (r *reader) fit() *bothyv1.Reason {
	text := fmt.Sprintf("Checked by %s at %s for the shift %s, and no record speaks against its use. "+
		"This is a reading of records: the maker's manual and the plant operator's own look come first.",
		r.checked.GetPerson(), r.clock(r.checked.GetFinishedAt()), r.shiftText())
	if doubts := doubtTexts(r.checked); len(doubts) > 0 {
		text += " Look twice at the check: " + strings.Join(doubts, "; ") + "."
	}
	return &bothyv1.Reason{
		Standing: bothyv1.Standing_FIT,
		Text:     text,
		Clears:   "It holds until the end of the shift, a defect or a hold, whichever is first.",
		Basis:    "30 CFR 56.14100(a)",
		Source:   "checks/" + r.checked.GetId(),
	}
}

// doubtTexts is the doubts of a check in words.
func doubtTexts(c *bothyv1.Check) []string {
	words := map[bothyv1.Doubt]string{
		bothyv1.Doubt_PERSON_UNLISTED:  "the person is not on the register",
		bothyv1.Doubt_MACHINE_UNLISTED: "the office has not confirmed the machine",
		bothyv1.Doubt_CLOCK_DIFFERS:    "the handheld's clock was ahead",
		bothyv1.Doubt_TICKET_MISSING:   "the person has no ticket in date for this machine type",
		bothyv1.Doubt_SENT_LATE:        "it was sent long after it was finished",
	}
	var texts []string
	for _, d := range c.GetDoubts() {
		texts = append(texts, cmp.Or(words[d], d.String()))
	}
	return texts
}

// place is where on the machine a defect is.
func place(d *bothyv1.Defect) string { return cmp.Or(d.GetPoint(), "no point of the sheet") }

func (r *reader) shiftText() string {
	return fmt.Sprintf("%q from %s to %s", r.shift.GetTitle(), r.clock(r.shift.GetStartAt()), r.clock(r.shift.GetEndAt()))
}

// clock is a time as the site's clock shows it.
func (r *reader) clock(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "an unknown time"
	}
	return ts.AsTime().In(r.zone).Format("2 January 2006 15:04 MST")
}
