package plant

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// MachineID is the id of the machine with a fleet number: lower case, with
// every run of spaces, slashes, underscores and hyphens turned into one
// hyphen. "D 14", "d/14" and " D_14 " are one machine. The error names the
// fleet number and what is allowed.
func MachineID(fleetNumber string) (string, error) {
	parts := strings.FieldsFunc(strings.ToLower(fleetNumber), func(r rune) bool {
		return unicode.IsSpace(r) || strings.ContainsRune("/_-", r)
	})
	id := strings.Join(parts, "-")
	if err := ValidID(id); err != nil {
		return "", fmt.Errorf("fleet number %q: %w", fleetNumber, err)
	}
	return id, nil
}

// ValidID looks at the id of a site, a person, a machine, a machine type, an
// option or a point: lower-case letters, digits, dots and hyphens, from 1 to
// [IDMax], with a letter or digit first and last.
func ValidID(id string) error { return validID(id, IDMax) }

// ValidRecordID is [ValidID] for an id that a replica makes, of at most
// [RecordIDMax] characters.
func ValidRecordID(id string) error { return validID(id, RecordIDMax) }

func validID(id string, limit int) error {
	const allowed = "allowed are lower-case letters a to z, digits, dots and hyphens"
	switch {
	case id == "":
		return errors.New("is missing; " + allowed)
	case len(id) > limit:
		return fmt.Errorf("has %d bytes; at most %d are allowed", len(id), limit)
	}
	for _, r := range id {
		if !isLetterOrDigit(r) && r != '.' && r != '-' {
			return fmt.Errorf("has %q; %s", r, allowed)
		}
	}
	if !isLetterOrDigit(rune(id[0])) || !isLetterOrDigit(rune(id[len(id)-1])) {
		return fmt.Errorf("%q must begin and end with a letter or a digit", id)
	}
	return nil
}

func isLetterOrDigit(r rune) bool { return 'a' <= r && r <= 'z' || '0' <= r && r <= '9' }

// id adds a violation if the id is not valid.
func (v *Violations) id(field, id string) {
	if err := ValidID(id); err != nil {
		v.add(field, "%v", err)
	}
}
