package record_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// An invented fleet: 20 machines, 8 people, one sheet of 46 points. Of all
// answers 97 % are OK, 1.5 % DEFECT with a text, 1.5 % NOT_CHECKED with a reason.
const (
	fleetMachines = 20
	fleetPeople   = 8
	sheetPoints   = 46
)

// words are what the invented finders write their texts with.
var words = strings.Fields(`hydraulic hose weeping at the left front ram union damp with oil slow drip pool under
	skip pivot pin worn play in bush right rear tyre cut on inner wall cord showing low about half pressure wheel nut
	pointer moved rust streak brake pedal long travel soft pumps up park lever will not hold on ramp horn weak dead
	beacon lens cracked bulb out wiper blade torn washer empty mirror loose glass missing arm bent seat belt frayed
	buckle stiff catch does lock step plate lifting handrail bracket broken weld crack near cross member guard off
	engine noise rattle smoke blue white cold start coolant below mark stain round cap fan split belt squeal battery
	lid gone terminal green lead chafed wire bare behind panel reversing alarm quiet camera dirty screen dark stay
	cylinder scored wiper seal blowing bucket tooth quick hitch indicator green not seen greased dry nipple blocked
	track slack idler leaking roller flat spot pad bolt sheared again since last week tightened by hand needs parts`)

// reasons are why a point was not looked at.
var reasons = []string{"no access", "too dark", "under load", "snow cover", "gauge not at hand", "ground too soft"}

func draw[T any](r *rand.Rand, list []T) T { return list[r.IntN(len(list))] }

// findersText is 20 to 80 characters long.
func findersText(r *rand.Rand) string {
	length := 20 + r.IntN(61)
	text := draw(r, words)
	for len(text) < length {
		text += " " + draw(r, words)
	}
	return text[:length]
}

// fleetAnswers are the stored answers of one check: those that are not a plain
// OK.
func fleetAnswers(r *rand.Rand) []*bothyv1.Answer {
	var out []*bothyv1.Answer
	for point := range sheetPoints {
		a := &bothyv1.Answer{Point: fmt.Sprintf("point-%d", point+1)}
		switch p := r.Float64(); {
		case p < 0.015:
			a.State, a.Note = bothyv1.AnswerState_DEFECT, findersText(r)
		case p < 0.03:
			a.State, a.Note = bothyv1.AnswerState_NOT_CHECKED, draw(r, reasons)
		default:
			continue
		}
		out = append(out, a)
	}
	return out
}

// fleetChecks are the changes by which one cabin stores n checks, half a minute
// to ten minutes apart.
func fleetChecks(tb rapid.TB, schema *record.Schema, n int) []record.Change {
	tb.Helper()
	r := rand.New(rand.NewPCG(14, 3))
	replica := clock.Replica(0x5ca1ab1e0ddba11)
	now := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	var meter [fleetMachines]int
	for i := range meter {
		meter[i] = 1000 + r.IntN(80000)
	}
	var out []record.Change
	for seq := range uint64(n) {
		now = now.Add(time.Duration(30+r.IntN(570)) * time.Second)
		machine := r.IntN(fleetMachines)
		meter[machine] += 1 + r.IntN(100)
		answers := fleetAnswers(r)
		check := &bothyv1.Check{
			Machine:    fmt.Sprintf("d-%d", machine+1),
			Site:       "ravens-quarry",
			Sheet:      "wheeled-site-dumper.pre-use.1",
			Person:     fmt.Sprintf("person-%d", r.IntN(fleetPeople)+1),
			StartedAt:  timestamppb.New(now.Add(-time.Duration(180+r.IntN(600)) * time.Second)),
			FinishedAt: timestamppb.New(now.Add(-time.Duration(1+r.IntN(8)) * time.Second)),
			MeterHours: float64(meter[machine]) / 10,
			Answers:    answers,
			PointsOk:   int32(sheetPoints - len(answers)),
			Options:    []string{"cab", "swivel-skip"}[:1+machine%2],
		}
		out = append(out, checkChange(tb, schema, check, record.Change{
			Replica: replica,
			Seq:     seq + 1,
			Origin: record.Origin{
				At:     clock.HybridAt(now.UnixMilli()+int64(r.IntN(1000)), 0),
				Ahead:  120,
				Author: check.Person,
			},
		}))
	}
	return out
}

// checkChange is the change that stores a check as the record that the change
// itself names.
func checkChange(tb rapid.TB, schema *record.Schema, check *bothyv1.Check, c record.Change) record.Change {
	tb.Helper()
	kind := schema.Of(check)
	c.N, c.Lane = 1, 2
	c.Key = record.Key{Kind: kind.Number, ID: record.OwnID(c.Replica, c.Seq)}
	c.Writes = writesOf(tb, kind, check)
	return c
}

// writesOf are blind writes of every stored field that is set in m.
func writesOf(tb rapid.TB, kind *record.Kind, m proto.Message) []record.Write {
	tb.Helper()
	var values []record.Value
	for _, f := range kind.Fields {
		b, err := f.Encode(m)
		if err != nil {
			tb.Fatal(err)
		}
		if len(b) > 0 {
			values = append(values, record.Value{Number: f.Number, Bytes: b})
		}
	}
	return record.Record{}.Edit(clock.Context{}, values)
}

func bothySchema(tb rapid.TB) *record.Schema {
	tb.Helper()
	schema, err := record.SchemaOf(bothyv1.Files()...)
	if err != nil {
		tb.Fatal(err)
	}
	return schema
}
