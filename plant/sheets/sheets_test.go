package sheets_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	"github.com/bothy-mesh/bothy/plant/sheets"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

const small = `# a comment
id: roller.weekly.2
machine_type: roller
purpose: WEEKLY
edition: 2
title: Roller
cautions: ["read the manual"]
options:
  - {id: cab, title: Cab}
stages:
  - id: round
    title: Round
    state: COOLED
    points:
      - id: brake
        title: Brake
        look_for: wear
        defect_when: worn
        default_class: HAZARD
        basis: [common practice]
        with_options: [cab]
        hold_seconds: 5
        always_hazard: true
      - id: level
        title: Level
        look_for: level
        defect_when: low
        default_class: CONDITION
        basis:
          - common practice
        may_be_absent: false
        reading:
          unit: "%"
          physical_min: -0.5
          physical_max: 100
          limit_min: 10
          required: true
`

func TestEmbeddedSheetsAreValid(t *testing.T) {
	all, err := sheets.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, s := range all {
		ids = append(ids, s.GetId())
		if v := plant.ValidSheet(s); len(v) > 0 {
			t.Errorf("%s: %v", s.GetId(), v)
		}
	}
	if strings.Join(ids, " ") != "wheeled-site-dumper.pre-use.1 wheeled-site-dumper.weekly.1" {
		t.Errorf("sheets %v", ids)
	}
}

// Machines have one set of options, so the sheets of a type must agree on them.
func TestSheetsOfATypeHaveTheSameOptions(t *testing.T) {
	all, err := sheets.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for i, o := range all[0].GetOptions() {
		if !proto.Equal(o, all[1].GetOptions()[i]) || len(all[0].GetOptions()) != len(all[1].GetOptions()) {
			t.Errorf("option %v is %v in %s", o, all[1].GetOptions()[i], all[1].GetId())
		}
	}
}

func TestParse(t *testing.T) {
	got, err := sheets.Parse("small.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	want := &bothyv1.Sheet{
		Id: "roller.weekly.2", MachineType: "roller", Purpose: bothyv1.Purpose_WEEKLY, Edition: 2, Title: "Roller",
		Cautions: []string{"read the manual"}, Options: []*bothyv1.Option{{Id: "cab", Title: "Cab"}},
		Stages: []*bothyv1.Stage{{Id: "round", Title: "Round", State: bothyv1.MachineState_COOLED, Points: []*bothyv1.Point{
			{Id: "brake", Title: "Brake", LookFor: "wear", DefectWhen: "worn", DefaultClass: bothyv1.Class_HAZARD, Basis: []string{"common practice"}, WithOptions: []string{"cab"}, HoldSeconds: 5, AlwaysHazard: true},
			{Id: "level", Title: "Level", LookFor: "level", DefectWhen: "low", DefaultClass: bothyv1.Class_CONDITION, Basis: []string{"common practice"},
				Reading: &bothyv1.Reading{Unit: "%", PhysicalMin: -0.5, PhysicalMax: 100, LimitMin: proto.Float64(10), Required: true}},
		}}},
	}
	if !proto.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

func TestParseNamesLinePointAndKey(t *testing.T) {
	for _, c := range []struct {
		old, new string
		words    string
	}{
		{"edition: 2", "edition: two", `line 5: edition: "two" is not allowed; it must be a whole number`},
		{"edition: 2", "edition: 2.0", `line 5: edition: "2.0" is not allowed; it must be a whole number`},
		{"edition: 2", "edition: 99999999999", `line 5: edition: "99999999999" is not allowed; it must be a whole number`},
		{"edition: 2", "editoin: 2", `line 5: "editoin" is not a key; allowed are id, machine_type, purpose, edition, title, cautions, stages, options`},
		{"edition: 2", "edition: 2\nedition: 2", `line 6: "edition" stands there twice`},
		{"edition: 2\n", "", `line 2: edition: is 0; the first edition is 1`},
		{"edition: 2", "edition: 3", `line 2: id: is "roller.weekly.2"`},
		{"purpose: WEEKLY", "purpose: MONTHLY", `line 4: purpose: "MONTHLY" is not allowed; allowed are PRE_USE, WEEKLY`},
		{"purpose: WEEKLY", "purpose: PURPOSE_UNSPECIFIED", `line 4: purpose: "PURPOSE_UNSPECIFIED" is not allowed`},
		{"purpose: WEEKLY", "purpose: 2", `line 4: purpose: "2" is not allowed`},
		{"title: Roller", "title: 7", `line 6: title: must be text; a figure or a word like true needs quotes`},
		{"title: Roller", "title: [Roller]", `line 6: title: must be text`},
		{"title: Roller", "title: null", `line 6: title: must be text`},
		{`cautions: ["read the manual"]`, "cautions: read", `line 7: cautions: must be a list`},
		{`cautions: ["read the manual"]`, "cautions: [1]", `line 7: cautions: must be text`},
		{"  - {id: cab, title: Cab}", "  - cab", `line 9: options: must be a mapping with the keys id, title, group`},
		{"always_hazard: true", "always_hazard: yes", `line 23: point "brake": always_hazard: must be true or false`},
		{"hold_seconds: 5", "hold_seconds: 4", `line 22: point "brake": hold_seconds: is 4; allowed are 0 for no timed test, or 5 to 3600`},
		{"default_class: HAZARD", "default_class: HAZZARD", `line 19: point "brake": default_class: "HAZZARD" is not allowed; allowed are HAZARD, SAFETY, CONDITION`},
		{"        look_for: wear\n", "", `line 15: point "brake": look_for: is missing`},
		{"with_options: [cab]", "with_options: [cap]", `line 21: point "brake": with_options: "cap" is not an option of this sheet; allowed are cab`},
		{"physical_min: -0.5", "physical_min: .nan", `line 34: point "level": physical_min: ".nan" is not allowed; it must be a figure`},
		{"physical_min: -0.5", "physical_min: 100", `line 35: point "level": physical_max: the physical range is 100 to 100`},
		{"physical_min: -0.5", "physical_min: low", `line 34: point "level": physical_min: "low" is not allowed; it must be a figure`},
		{"physical_max: 100", "phys_max: 100", `line 35: point "level": reading: "phys_max" is not a key`},
		{"limit_min: 10", "limit_min: 101", `line 32: point "level": reading: the limits are 101`},
		{"title: Roller", "title: &t Roller", ``},
		{"title: Level", "title: *t", `is not YAML`},
		{"id: roller.weekly.2", "---\na: b\n---\nid: roller.weekly.2", `has more than one document`},
		{"id: roller.weekly.2", "id: [", `is not YAML`},
	} {
		text := strings.Replace(small, c.old, c.new, 1)
		if text == small {
			t.Fatalf("%q is not in the text", c.old)
		}
		_, err := sheets.Parse("small.yaml", []byte(text))
		if c.words == "" {
			if err != nil {
				t.Error(err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), "sheet small.yaml: "+c.words) {
			t.Errorf("%q for %q: got %v\nwant %q", c.new, c.old, err, c.words)
		}
	}
}

func TestParseRefusesAliases(t *testing.T) {
	text := strings.Replace(small, "title: Roller", "title: &t Roller", 1)
	text = strings.Replace(text, "title: Level", "title: *t", 1)
	_, err := sheets.Parse("small.yaml", []byte(text))
	if err == nil || !strings.Contains(err.Error(), `point "level": title: must be text`) {
		t.Error(err)
	}
}

func TestParseNamesAllFaults(t *testing.T) {
	text := strings.NewReplacer("title: Roller", "title: 1", "hold_seconds: 5", "hold_seconds: x").Replace(small)
	_, err := sheets.Parse("small.yaml", []byte(text))
	if err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Error(err)
	}
}

func TestParseRefusesWhatIsNoSheet(t *testing.T) {
	for text, words := range map[string]string{
		"":                             "is empty",
		"# nothing":                    "is empty",
		"---\n":                        "must be a mapping",
		"- a":                          "must be a mapping",
		strings.Repeat("#", 256<<10+1): "at most 262144",
		"{}":                           "machine_type: is missing",
		"title: \"\xff\"":              "is not YAML",
	} {
		if _, err := sheets.Parse("x.yaml", []byte(text)); err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%.20q: %v, want %q", text, err, words)
		}
	}
}

func TestLoad(t *testing.T) {
	second := strings.Replace(strings.Replace(small, "roller.weekly.2", "roller.weekly.1", 1), "edition: 2", "edition: 1", 1)
	dir := fstest.MapFS{"a.yaml": {Data: []byte(small)}, "b.yaml": {Data: []byte(second)}, "readme.md": {Data: []byte("x")}}
	got, err := sheets.Load(dir)
	if err != nil || len(got) != 2 || got[0].GetId() != "roller.weekly.1" {
		t.Errorf("got %v, %v", got, err)
	}
	dir["b.yaml"].Data = []byte(small)
	if _, err := sheets.Load(dir); err == nil || !strings.Contains(err.Error(), `b.yaml: the id "roller.weekly.2" is taken by another file`) {
		t.Error(err)
	}
	dir["b.yaml"].Data = []byte("x: y")
	if _, err := sheets.Load(dir); err == nil || !strings.Contains(err.Error(), `sheet b.yaml: line 1: "x" is not a key`) {
		t.Error(err)
	}
	if _, err := sheets.Load(fstest.MapFS{"d.yaml/x": {Data: nil}}); err == nil {
		t.Error("a directory was read as a sheet")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(small))
	f.Add([]byte("stages: [{points: [{reading: {}}]}]"))
	f.Add([]byte("a: &a [*a]"))
	f.Add([]byte("---\n...\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		sheet, err := sheets.Parse("x.yaml", text)
		if (sheet == nil) == (err == nil) {
			t.Fatalf("sheet %v with %v", sheet, err)
		}
		if err == nil && len(plant.ValidSheet(sheet)) > 0 {
			t.Fatalf("a sheet that is not valid was taken: %v", sheet)
		}
		if err != nil && !strings.Contains(err.Error(), "sheet x.yaml: ") {
			t.Fatalf("error %v", err)
		}
	})
}
