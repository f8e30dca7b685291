package record_test

import (
	"math"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// word is a short string of which the same come often.
var word = rapid.OneOf(
	rapid.SampledFrom([]string{"", "d-14", "d-15", "ravens-quarry", "ewa", "tom", "oil"}),
	rapid.StringN(0, 20, -1),
)

func drawTime(t *rapid.T) *timestamppb.Timestamp {
	at := &timestamppb.Timestamp{Seconds: rapid.Int64Range(-10, 2e9).Draw(t, "seconds")}
	if rapid.IntRange(0, 3).Draw(t, "has nanos") == 0 {
		at.Nanos = rapid.Int32Range(0, 999999999).Draw(t, "nanos")
	}
	return at
}

func drawHours(t *rapid.T) float64 {
	return rapid.OneOf(
		rapid.Map(rapid.IntRange(-5, 1e6), func(n int) float64 { return float64(n) / 10 }),
		rapid.Float64(),
	).Draw(t, "hours")
}

func sliceOf[T any](t *rapid.T, draw func(*rapid.T) T) []T {
	return rapid.SliceOfN(rapid.Custom(draw), 0, 4).Draw(t, "list")
}

// drawMessage is a Check, a Defect or a Machine with any of its stored fields
// set to anything that their types can hold.
func drawMessage(t *rapid.T) proto.Message {
	switch rapid.SampledFrom([]string{"check", "defect", "machine"}).Draw(t, "kind") {
	case "check":
		return drawCheck(t)
	case "defect":
		return drawDefect(t)
	}
	return &bothyv1.Machine{
		FleetNumber:   word.Draw(t, "fleet number"),
		MachineType:   word.Draw(t, "machine type"),
		Options:       rapid.SliceOfN(word, 0, 3).Draw(t, "options"),
		Site:          word.Draw(t, "site"),
		MeterHours:    drawHours(t),
		Unlisted:      rapid.Bool().Draw(t, "unlisted"),
		TyrePressures: sliceOf(t, func(t *rapid.T) *bothyv1.AxlePressure { return &bothyv1.AxlePressure{Axle: 1, ColdKpa: drawHours(t)} }),
	}
}

func drawCheck(t *rapid.T) *bothyv1.Check {
	return &bothyv1.Check{
		Machine:    word.Draw(t, "machine"),
		Site:       word.Draw(t, "site"),
		Person:     word.Draw(t, "person"),
		StartedAt:  drawTime(t),
		FinishedAt: drawTime(t),
		MeterHours: drawHours(t),
		PointsOk:   rapid.Int32().Draw(t, "points ok"),
		Doubts:     []bothyv1.Doubt{1, 3}[:rapid.IntRange(0, 2).Draw(t, "doubts")],
		Answers: sliceOf(t, func(t *rapid.T) *bothyv1.Answer {
			a := &bothyv1.Answer{
				Point: word.Draw(t, "point"),
				State: bothyv1.AnswerState(rapid.Int32Range(-1, 9).Draw(t, "state")),
				Note:  word.Draw(t, "note"),
			}
			if rapid.Bool().Draw(t, "has reading") {
				a.Reading = proto.Float64(drawHours(t))
			}
			return a
		}),
	}
}

func drawDefect(t *rapid.T) *bothyv1.Defect {
	return &bothyv1.Defect{
		Machine:    word.Draw(t, "machine"),
		Text:       word.Draw(t, "text"),
		Class:      bothyv1.Class(rapid.Int32Range(0, 3).Draw(t, "class")),
		LimitUntil: drawTime(t),
		Findings: sliceOf(t, func(t *rapid.T) *bothyv1.Finding {
			return &bothyv1.Finding{Person: word.Draw(t, "person"), FoundAt: drawTime(t), Note: word.Draw(t, "note")}
		}),
		Certificate: &bothyv1.Certificate{Person: word.Draw(t, "person"), SignedAt: drawTime(t)},
	}
}

// drawChange is any valid change: of a record of today, or of a kind and with
// bytes that no program of today would write.
func drawChange(t *rapid.T, schema *record.Schema) record.Change {
	var c record.Change
	if rapid.IntRange(0, 3).Draw(t, "of a newer program") == 0 {
		c.Key.Kind = rapid.Uint32Range(1, record.MaxNumber).Draw(t, "kind")
		c.Writes = drawForeignWrites(t)
	} else {
		m := drawMessage(t)
		c.Key.Kind = schema.Of(m).Number
		if c.Writes = writesOf(t, schema.Of(m), m); len(c.Writes) == 0 {
			c.Writes = []record.Write{{Number: 2}}
		}
	}
	c.Replica = clock.Replica(rapid.OneOf(rapid.Uint64Range(1, 3), rapid.Uint64Range(1, math.MaxUint64)).Draw(t, "replica"))
	c.Seq = rapid.OneOf(rapid.Uint64Range(1, 50), rapid.Uint64Range(1, clock.MaxN)).Draw(t, "seq")
	c.N = rapid.OneOf(rapid.Just(uint64(1)), rapid.Uint64Range(1, c.Seq)).Draw(t, "n")
	c.Key.ID = record.OwnID(c.Replica, c.Seq)
	if rapid.Bool().Draw(t, "other id") {
		c.Key.ID = "r" + word.Draw(t, "id")
	}
	c.Lane = record.Lane(rapid.IntRange(0, record.Lanes-1).Draw(t, "lane"))
	c.Origin = record.Origin{
		At:     clock.Hybrid(rapid.Uint64().Draw(t, "at")),
		Ahead:  clock.Ahead(rapid.OneOf(rapid.Just(int64(clock.UnknownAhead)), rapid.Int64()).Draw(t, "ahead")),
		Author: word.Draw(t, "author"),
	}
	for i := range c.Writes {
		c.Writes[i].Replaces = drawDots(t, c.Dot())
	}
	return c
}

func drawDots(t *rapid.T, not clock.Dot) []clock.Dot {
	var set clock.Context
	for range rapid.IntRange(0, 3).Draw(t, "replaced") {
		d := clock.Dot{
			Replica: clock.Replica(rapid.Uint64Range(1, 4).Draw(t, "replica")),
			N:       rapid.OneOf(rapid.Uint64Range(1, 4), rapid.Uint64Range(1, clock.MaxN)).Draw(t, "n"),
		}
		if d != not {
			set = set.With(d)
		}
	}
	return set.Without(clock.Context{})
}

// drawForeignWrites are fields of every wire type, in forms that an encoder of
// ours would not choose.
func drawForeignWrites(t *rapid.T) []record.Write {
	var out []record.Write
	for _, number := range []uint32{1, 2, 3, 2000, record.MaxNumber} {
		if rapid.Bool().Draw(t, "absent") {
			continue
		}
		w := record.Write{Number: number}
		for range rapid.IntRange(0, 2).Draw(t, "fields") {
			w.Value = append(w.Value, drawForeignField(t, protowire.Number(number))...)
		}
		out = append(out, w)
	}
	if len(out) == 0 {
		return []record.Write{{Number: 7}}
	}
	return out
}

func drawForeignField(t *rapid.T, number protowire.Number) []byte {
	switch rapid.IntRange(0, 5).Draw(t, "wire type") {
	case 0:
		return protowire.AppendVarint(protowire.AppendTag(nil, number, protowire.VarintType), rapid.Uint64().Draw(t, "varint"))
	case 1:
		return protowire.AppendFixed32(protowire.AppendTag(nil, number, protowire.Fixed32Type), rapid.Uint32().Draw(t, "fixed32"))
	case 2:
		return protowire.AppendFixed64(protowire.AppendTag(nil, number, protowire.Fixed64Type), rapid.Uint64().Draw(t, "fixed64"))
	case 3:
		return protowire.AppendGroup(protowire.AppendTag(nil, number, protowire.StartGroupType), number, nil)
	case 4: // a length in two bytes where one would do
		return append(protowire.AppendTag(nil, number, protowire.BytesType), 0x81, 0x00, 'x')
	}
	return bytesField(uint32(number), rapid.SliceOfN(rapid.Byte(), 0, 12).Draw(t, "bytes"))
}
