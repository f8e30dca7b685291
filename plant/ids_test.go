package plant_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/plant"
)

func TestMachineIDIsOneForAllSpellings(t *testing.T) {
	for fleet, want := range map[string]string{
		"D 14":                         "d-14",
		"d/14":                         "d-14",
		" D_14 ":                       "d-14",
		"D - 14":                       "d-14",
		"D  / _ 14":                    "d-14",
		"D\u00a014":                    "d-14",
		"14":                           "14",
		"EX.3-B":                       "ex.3-b",
		strings.Repeat("a", 40):        strings.Repeat("a", 40),
		"/" + strings.Repeat("A/", 20): strings.TrimSuffix(strings.Repeat("a-", 20), "-"),
	} {
		if got, err := plant.MachineID(fleet); err != nil || got != want {
			t.Errorf("MachineID(%q) = %q, %v; want %q", fleet, got, err, want)
		}
	}
}

func TestMachineIDNamesWhatIsWrong(t *testing.T) {
	for fleet, words := range map[string]string{
		"":                      "is missing",
		" / ":                   "is missing",
		"D#14":                  `'#'`,
		"Dü14":                  `'ü'`,
		"..":                    "begin and end",
		"d14.":                  "begin and end",
		strings.Repeat("a", 41): "at most 40",
		"\xff":                  "allowed are",
	} {
		if got, err := plant.MachineID(fleet); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("MachineID(%q) = %q, %v; want an error that says %q", fleet, got, err, words)
		}
	}
}

func TestMachineIDOfAnIDIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id, err := plant.MachineID(rapid.StringMatching(`[a-zA-Z0-9 /_.-]{0,50}`).Draw(t, "fleet number"))
		if err != nil {
			return
		}
		if again, err := plant.MachineID(id); err != nil || again != id {
			t.Fatalf("%q became %q, %v", id, again, err)
		}
		if plant.ValidID(id) != nil {
			t.Fatalf("%q is not valid", id)
		}
	})
}

func TestValidID(t *testing.T) {
	for _, id := range []string{"a", "ravens-quarry", "north.pit-2", "0"} {
		if err := plant.ValidID(id); err != nil {
			t.Errorf("%q: %v", id, err)
		}
	}
	for _, id := range []string{"", "-a", "a-", ".", "A", "a b", "a/b", "a_b", "é", strings.Repeat("a", 41)} {
		if plant.ValidID(id) == nil {
			t.Errorf("%q is taken", id)
		}
	}
	if err := plant.ValidRecordID(strings.Repeat("a", 120)); err != nil {
		t.Error(err)
	}
}
