package record_test

import (
	"bytes"
	"slices"

	"google.golang.org/protobuf/encoding/protowire"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// The field numbers of a Defect that the tests write, and one that no program
// of today knows.
const (
	text       = 5
	class      = 6
	progress   = 7
	findings   = 8
	limitUntil = 10
	unknown    = 900
)

var defectKey = record.Key{Kind: 8, ID: "d1"}

// model is the dumb second implementation. It keeps every change for ever and
// looks at all of them again for each question.
type model struct{ changes []record.Change }

// live says which versions a field has: those written by a change that is here
// and not replaced in that field by any change that is here.
func (m model) live(number uint32) (out []record.Version) {
	for _, c := range m.changes {
		for _, w := range c.Writes {
			if w.Number == number && !slices.Contains(m.replaced(number), c.Dot()) {
				out = append(out, record.Version{Dot: c.Dot(), Origin: c.Origin, Value: w.Value})
			}
		}
	}
	slices.SortFunc(out, func(a, b record.Version) int { return a.Dot.Compare(b.Dot) })
	return slices.CompactFunc(out, func(a, b record.Version) bool { return a.Dot == b.Dot })
}

func (m model) replaced(number uint32) (out []clock.Dot) {
	for _, c := range m.changes {
		for _, w := range c.Writes {
			if w.Number == number {
				out = append(out, w.Replaces...)
			}
		}
	}
	return out
}

func (m model) here(d clock.Dot) bool {
	return slices.ContainsFunc(m.changes, func(c record.Change) bool { return c.Dot() == d })
}

// record is the state that the changes that are here must join to.
func (m model) record(key record.Key) record.Record {
	r := record.Record{Key: key}
	var numbers []uint32
	for _, c := range m.changes {
		r.Seen = r.Seen.With(c.Dot())
		for _, w := range c.Writes {
			numbers = append(numbers, w.Number)
		}
	}
	slices.Sort(numbers)
	for _, n := range slices.Compact(numbers) {
		f := record.Field{Number: n, Versions: m.live(n)}
		for _, d := range m.replaced(n) {
			if !m.here(d) && !slices.Contains(f.Gone, d) {
				f.Gone = append(f.Gone, d)
			}
		}
		slices.SortFunc(f.Gone, clock.Dot.Compare)
		if len(f.Versions)+len(f.Gone) > 0 {
			r.Fields = append(r.Fields, f)
		}
	}
	return r
}

// history is all that several replicas ever wrote to one record.
type history struct {
	changes []record.Change
	// saw has, for each change, what its writer had seen.
	saw []clock.Context
}

// drawHistory lets up to four replicas write a defect and hear of each other's
// writes in any order, whole states and single deltas alike. A writer may have
// read this replica or another one, just now or long ago, or nothing at all.
func drawHistory(t *rapid.T) history {
	var h history
	replicas := make([]record.Record, rapid.IntRange(1, 4).Draw(t, "replicas"))
	read := []clock.Context{{}}
	for i := range replicas {
		replicas[i].Key = defectKey
	}
	any := rapid.IntRange(0, len(replicas)-1)
	for range rapid.IntRange(1, 16).Draw(t, "steps") {
		here := any.Draw(t, "here")
		switch rapid.SampledFrom([]string{"write", "write", "join", "hear"}).Draw(t, "step") {
		case "write":
			seen := rapid.SampledFrom(append(read, replicas[here].Seen, replicas[here].Seen)).Draw(t, "seen")
			c := drawWrite(t, replicas[here], clock.Replica(here+1), seen)
			h.changes, h.saw = append(h.changes, c), append(h.saw, seen)
			replicas[here] = record.Join(replicas[here], c.Delta())
			read = append(read, replicas[here].Seen)
		case "join":
			replicas[here] = record.Join(replicas[here], replicas[any.Draw(t, "there")])
		case "hear":
			if len(h.changes) > 0 {
				c := rapid.SampledFrom(h.changes).Draw(t, "heard")
				replicas[here] = record.Join(replicas[here], c.Delta())
			}
		}
	}
	return h
}

func drawWrite(t *rapid.T, now record.Record, self clock.Replica, seen clock.Context) record.Change {
	numbers := rapid.SliceOfNDistinct(rapid.SampledFrom([]uint32{text, class, progress, findings, limitUntil, unknown}), 1, 4, rapid.ID).Draw(t, "numbers")
	var values []record.Value
	for _, n := range numbers {
		values = append(values, record.Value{Number: n, Bytes: drawValue(t, n)})
	}
	n := now.Seen.Next(self).N
	return record.Change{
		Replica: self,
		Seq:     n + 3,
		N:       n,
		Key:     now.Key,
		Lane:    1,
		Origin:  drawOrigin(t),
		Writes:  now.Edit(seen, values),
	}
}

// drawOrigin gives times that are often equal, sometimes a year ahead, from
// clocks whose offset is known or not.
func drawOrigin(t *rapid.T) record.Origin {
	const year = 365 * 24 * 3600 * 1000
	return record.Origin{
		At:     clock.HybridAt(1e12+rapid.SampledFrom([]int64{0, 0, 1, 2, year}).Draw(t, "millis"), rapid.Uint16Range(0, 1).Draw(t, "counter")),
		Ahead:  rapid.SampledFrom([]clock.Ahead{clock.UnknownAhead, 0, 1, -1, year}).Draw(t, "ahead"),
		Author: rapid.SampledFrom([]string{"", "ewa", "tom"}).Draw(t, "author"),
	}
}

// drawValue is a value for a field of a Defect; sometimes it clears it.
func drawValue(t *rapid.T, number uint32) []byte {
	if rapid.IntRange(0, 7).Draw(t, "cleared") == 0 {
		return nil
	}
	small := rapid.Uint64Range(1, 3).Draw(t, "value")
	switch number {
	case class, progress:
		return varintField(number, small)
	case limitUntil:
		return bytesField(number, varintField(1, 1e9+small))
	case findings:
		var out []byte
		for _, n := range rapid.SliceOfN(rapid.Uint64Range(1, 4), 0, 3).Draw(t, "elements") {
			out = append(out, bytesField(number, bytesField(4, []byte{'a' + byte(n)}))...)
		}
		return out
	}
	return bytesField(number, []byte{'a' + byte(small)})
}

func varintField(number uint32, n uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(nil, protowire.Number(number), protowire.VarintType), n)
}

func bytesField(number uint32, content []byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(nil, protowire.Number(number), protowire.BytesType), content)
}

// drawPart is any part of the changes, in any order, some of them twice.
func drawPart(t *rapid.T, changes []record.Change, label string) []record.Change {
	return rapid.SliceOfN(rapid.SampledFrom(changes), 0, 2*len(changes)).Draw(t, label)
}

func joinAll(key record.Key, changes []record.Change) record.Record {
	r := record.Record{Key: key}
	for _, c := range changes {
		r = record.Join(r, c.Delta())
	}
	return r
}

func mustEqual(t interface{ Fatalf(string, ...any) }, what string, got, want record.Record) {
	if a, b := got.Append(nil), want.Append(nil); !bytes.Equal(a, b) {
		t.Fatalf("%s:\n got %+v\nwant %+v\nbytes %x\nwant  %x", what, got, want, a, b)
	}
}

// defects is the kind that most tests write.
func defects(tb rapid.TB) *record.Kind {
	tb.Helper()
	return bothySchema(tb).Of(&bothyv1.Defect{})
}
