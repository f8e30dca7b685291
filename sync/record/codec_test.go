package record_test

import (
	"bytes"
	"errors"
	"slices"
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

func TestAChangeSurvivesItsBinaryForm(t *testing.T) {
	schema := bothySchema(t)
	rapid.Check(t, func(t *rapid.T) {
		c := drawChange(t, schema)
		if err := c.Validate(); err != nil {
			t.Fatal(err)
		}
		b := c.Append(nil)
		got, rest, err := record.DecodeChange(append(slices.Clone(b), 0xAB))
		if err != nil || len(rest) != 1 {
			t.Fatalf("%x: rest %x, %v", b, rest, err)
		}
		sameChange(t, got, c)
	})
}

// sameChange compares field by field, so that a mistake that Append and
// DecodeChange share is not the measure.
func sameChange(t rapid.TB, got, want record.Change) {
	t.Helper()
	same := got.Replica == want.Replica && got.Seq == want.Seq && got.N == want.N &&
		got.Key == want.Key && got.Lane == want.Lane && got.Origin == want.Origin &&
		slices.EqualFunc(got.Writes, want.Writes, func(a, b record.Write) bool {
			return a.Number == b.Number && bytes.Equal(a.Value, b.Value) && slices.Equal(a.Replaces, b.Replaces)
		})
	if !same {
		t.Fatalf("got  %+v\nwant %+v", got, want)
	}
}

func TestARecordSurvivesItsBinaryForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		if len(h.changes) == 0 {
			return
		}
		r := joinAll(defectKey, append(drawPart(t, h.changes, "part"), h.changes[0]))
		got, err := record.DecodeRecord(r.Append(nil))
		if err != nil {
			t.Fatalf("%+v: %v", r, err)
		}
		sameRecord(t, got, r)
		if _, err := record.DecodeRecord(append(r.Append(nil), 0)); !errors.Is(err, record.ErrMalformed) {
			t.Fatalf("a record with a byte behind it: %v", err)
		}
	})
}

func sameRecord(t rapid.TB, got, want record.Record) {
	t.Helper()
	same := got.Key == want.Key && got.Seen.Equal(want.Seen) && slices.EqualFunc(got.Fields, want.Fields, func(a, b record.Field) bool {
		return a.Number == b.Number && slices.Equal(a.Gone, b.Gone) && slices.EqualFunc(a.Versions, b.Versions, func(a, b record.Version) bool {
			return a.Dot == b.Dot && a.Origin == b.Origin && bytes.Equal(a.Value, b.Value)
		})
	})
	if !same {
		t.Fatalf("got  %+v\nwant %+v", got, want)
	}
}

// goldenChange has something in every part of a change.
func goldenChange(tb rapid.TB) record.Change {
	kind := defects(tb)
	c := record.Change{
		Replica: 0x0123456789abcdef, Seq: 300, N: 7, Key: record.Key{Kind: kind.Number, ID: "d-14-oil"}, Lane: 1,
		Origin: record.Origin{At: clock.HybridAt(1930284061123, 4), Ahead: -250, Author: "ewa"},
		Writes: writesOf(tb, kind, &bothyv1.Defect{
			Machine: "d-14", Site: "ravens-quarry", Text: "hose weeping at the left ram", Class: bothyv1.Class_SAFETY,
			Progress:   bothyv1.Progress_REPORTED,
			Findings:   []*bothyv1.Finding{{Check: "c1", Person: "ewa"}, {Person: "tom", Note: "worse"}},
			LimitUntil: &timestamppb.Timestamp{Seconds: 1930320000},
		}),
	}
	c.Writes[2].Replaces = []clock.Dot{{Replica: 5, N: 1}, {Replica: 5, N: 300}, {Replica: 6, N: 2}}
	return c
}

// goldenRecord has several versions, dots that went before they came, a field
// that was cleared and one that nobody here knows.
func goldenRecord(tb rapid.TB) record.Record {
	c := goldenChange(tb)
	r := c.Delta()
	r = record.Join(r, write(r, 8, nothing, text, "oil on the hose").Delta())
	clearing := write(r, 9, r.Seen, limitUntil, "")
	return record.Join(record.Join(r, clearing.Delta()), write(r, 10, nothing, unknown, "new").Delta())
}

func TestGoldenChange(t *testing.T) {
	c := goldenChange(t)
	want := golden(t, "change.hex", c.Append(nil))
	if got := c.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("the binary form of a change has changed:\n got %x\nwant %x", got, want)
	}
	got, rest, err := record.DecodeChange(want)
	if err != nil || len(rest) > 0 {
		t.Fatalf("the golden change: rest %x, %v", rest, err)
	}
	sameChange(t, got, c)
}

func TestGoldenRecord(t *testing.T) {
	r := goldenRecord(t)
	want := golden(t, "record.hex", r.Append(nil))
	if got := r.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("the binary form of a record has changed:\n got %x\nwant %x", got, want)
	}
	got, err := record.DecodeRecord(want)
	if err != nil {
		t.Fatalf("the golden record: %v", err)
	}
	sameRecord(t, got, r)
}

// The first bytes of a change, by hand from the table in Append's comment.
func TestAChangeIsLaidOutAsDocumented(t *testing.T) {
	c := record.Change{
		Replica: 0x0102030405060708, Seq: 300, N: 2, Key: record.Key{Kind: 9, ID: "h1"}, Lane: 0,
		Origin: record.Origin{At: 0x1112131415161718, Ahead: -3, Author: "al"},
		Writes: []record.Write{{Number: 3, Value: []byte{0x18, 2}, Replaces: []clock.Dot{{Replica: 5, N: 1}}}, {Number: 8}},
	}
	want := []byte{
		1,                      // format
		1, 2, 3, 4, 5, 6, 7, 8, // replica
		0xAC, 2, // seq
		2,           // n
		9,           // kind
		2, 'h', '1', // id
		0,                                              // lane
		0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18, // at
		1, 5, // ahead
		2, 'a', 'l', // author
		2,             // writes
		3, 2, 0x18, 2, // number, value
		1, 0, 0, 0, 0, 0, 0, 0, 5, 1, // replaced
		8, 0, 0,
	}
	if got := c.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("\n got %x\nwant %x", got, want)
	}
	c.Ahead = clock.UnknownAhead
	want = slices.Delete(want, 26, 27)
	want[25] = 0
	if got := c.Append(nil); !bytes.Equal(got, want) {
		t.Errorf("offset unknown:\n got %x\nwant %x", got, want)
	}
}

// takenChange checks that what was accepted is what was read.
func takenChange(t *testing.T, b []byte) {
	t.Helper()
	c, rest, err := record.DecodeChange(b)
	if err != nil {
		if !errors.Is(err, record.ErrMalformed) {
			t.Fatalf("%x: %v is no ErrMalformed", b, err)
		}
		return
	}
	if again := c.Append(nil); !bytes.Equal(again, b[:len(b)-len(rest)]) {
		t.Fatalf("%x decodes to what encodes as %x", b, again)
	}
}

func takenRecord(t *testing.T, b []byte) {
	t.Helper()
	r, err := record.DecodeRecord(b)
	if err != nil {
		if !errors.Is(err, record.ErrMalformed) {
			t.Fatalf("%x: %v is no ErrMalformed", b, err)
		}
		return
	}
	if again := r.Append(nil); !bytes.Equal(again, b) {
		t.Fatalf("%x decodes to what encodes as %x", b, again)
	}
}

func TestDamagedBytesAreRefusedOrReadAsTheyStand(t *testing.T) {
	change, rec := goldenChange(t).Append(nil), goldenRecord(t).Append(nil)
	for n := range change {
		if _, _, err := record.DecodeChange(change[:n]); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("a change cut at byte %d: %v", n, err)
		}
	}
	for n := range rec {
		if _, err := record.DecodeRecord(rec[:n]); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("a record cut at byte %d: %v", n, err)
		}
	}
	flipBits(change, 1, func(b []byte) { takenChange(t, b) })
	flipBits(rec, 1, func(b []byte) { takenRecord(t, b) })
}

// flipBits gives copies of b in which one bit is flipped: each bit in turn, or
// each so many-th.
func flipBits(b []byte, step int, use func([]byte)) {
	for i := 0; i < len(b)*8; i += step {
		flipped := slices.Clone(b)
		flipped[i/8] ^= 1 << (i % 8)
		use(flipped)
	}
}

func FuzzDecodeChange(f *testing.F) {
	f.Add(goldenChange(f).Append(nil))
	f.Add(write(record.Record{}, 1, nothing, text, "leak").Append(nil))
	f.Add([]byte{1})
	f.Fuzz(takenChange)
}

func FuzzDecodeRecord(f *testing.F) {
	f.Add(goldenRecord(f).Append(nil))
	f.Add(write(record.Record{}, 1, nothing, text, "leak").Delta().Append(nil))
	f.Add([]byte{1})
	f.Fuzz(takenRecord)
}

func TestImpossibleChangesAreRefused(t *testing.T) {
	for _, row := range []struct {
		name  string
		spoil func(c *record.Change)
	}{
		{"no replica", func(c *record.Change) { c.Replica = 0 }},
		{"number 0", func(c *record.Change) { c.Seq = 0 }},
		{"number 0 of the record", func(c *record.Change) { c.N = 0 }},
		{"more changes of the record than of all", func(c *record.Change) { c.N = c.Seq + 1 }},
		{"a number that the next would overflow", func(c *record.Change) { c.Seq = clock.MaxN + 1 }},
		{"no kind", func(c *record.Change) { c.Key.Kind = 0 }},
		{"a kind beyond the format", func(c *record.Change) { c.Key.Kind = record.MaxNumber + 1 }},
		{"no id", func(c *record.Change) { c.Key.ID = "" }},
		{"an id too long", func(c *record.Change) { c.Key.ID = string(make([]byte, record.MaxID+1)) }},
		{"an id that is no text", func(c *record.Change) { c.Key.ID = "\xff" }},
		{"an author too long", func(c *record.Change) { c.Author = string(make([]byte, record.MaxAuthor+1)) }},
		{"an author that is no text", func(c *record.Change) { c.Author = "\xff" }},
		{"a lane that is none", func(c *record.Change) { c.Lane = record.Lanes }},
		{"nothing written", func(c *record.Change) { c.Writes = nil }},
		{"too many fields", func(c *record.Change) { c.Writes = manyWrites(record.MaxFields + 1) }},
		{"field number 0", func(c *record.Change) { c.Writes[0] = record.Write{} }},
		{"fields out of order", func(c *record.Change) { slices.Reverse(c.Writes) }},
		{"a field twice", func(c *record.Change) { c.Writes[1] = c.Writes[0] }},
		{"a value of another field", func(c *record.Change) { c.Writes[0].Value = c.Writes[1].Value }},
		{"half a value", func(c *record.Change) { c.Writes[0].Value = c.Writes[0].Value[:3] }},
		{"a value too long", func(c *record.Change) {
			c.Writes[0].Value = bytesField(c.Writes[0].Number, make([]byte, record.MaxValue))
		}},
		{"too much in all", func(c *record.Change) {
			c.Writes = manyWrites(4)
			for i := range c.Writes {
				c.Writes[i].Value = bytesField(c.Writes[i].Number, make([]byte, record.MaxChange/4))
			}
		}},
		{"replaces itself", func(c *record.Change) { c.Writes[0].Replaces = []clock.Dot{c.Dot()} }},
		{"replaces no dot", func(c *record.Change) { c.Writes[0].Replaces = []clock.Dot{{Replica: 5}} }},
		{"replaces a dot of no replica", func(c *record.Change) { c.Writes[0].Replaces = []clock.Dot{{N: 5}} }},
		{"replaces a dot beyond all", func(c *record.Change) { c.Writes[0].Replaces = []clock.Dot{{Replica: 5, N: clock.MaxN + 1}} }},
		{"replaces out of order", func(c *record.Change) { slices.Reverse(c.Writes[2].Replaces) }},
		{"replaces a dot twice", func(c *record.Change) { c.Writes[2].Replaces[1] = c.Writes[2].Replaces[0] }},
		{"replaces too many", func(c *record.Change) {
			c.Writes[0].Replaces = clock.Upto(5, record.MaxVersions+1).Without(clock.Context{})
		}},
	} {
		c := goldenChange(t)
		row.spoil(&c)
		if err := c.Validate(); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: valid (%v)", row.name, err)
		}
		if _, _, err := record.DecodeChange(c.Append(nil)); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: decoded (%v)", row.name, err)
		}
	}
}

func manyWrites(n int) (out []record.Write) {
	for i := range n {
		out = append(out, record.Write{Number: uint32(i + 1)})
	}
	return out
}

func TestImpossibleRecordsAreRefused(t *testing.T) {
	for _, row := range []struct {
		name  string
		spoil func(r *record.Record)
	}{
		{"no kind", func(r *record.Record) { r.Key.Kind = 0 }},
		{"no id", func(r *record.Record) { r.Key.ID = "" }},
		{"nothing seen", func(r *record.Record) { r.Seen = clock.Context{} }},
		{"fields out of order", func(r *record.Record) { slices.Reverse(r.Fields) }},
		{"a field of nothing", func(r *record.Record) { r.Fields[0].Versions = nil }},
		{"a version that was not seen", func(r *record.Record) { r.Fields[0].Versions[0].Dot = dot(99, 1) }},
		{"versions out of order", func(r *record.Record) { slices.Reverse(r.Field(text).Versions) }},
		{"a value of another field", func(r *record.Record) { r.Fields[0].Versions[0].Value = bytesField(99, nil) }},
		{"a dot that went and was seen", func(r *record.Record) { r.Fields[0].Gone = []clock.Dot{dot(8, 1)} }},
		{"too many fields", func(r *record.Record) {
			r.Fields = nil
			for i := range record.MaxFields + 1 {
				r.Fields = append(r.Fields, record.Field{Number: uint32(i + 1), Gone: []clock.Dot{dot(99, 9)}})
			}
		}},
		{"too many versions", func(r *record.Record) {
			r.Seen = clock.Upto(5, record.MaxVersions+1)
			r.Fields = []record.Field{{Number: text}}
			for _, d := range r.Seen.Without(clock.Context{}) {
				r.Fields[0].Versions = append(r.Fields[0].Versions, record.Version{Dot: d})
			}
		}},
		{"too many dots that went", func(r *record.Record) {
			r.Fields[0].Gone = clock.Upto(99, record.MaxVersions+1).Without(clock.Context{})
		}},
	} {
		r := goldenRecord(t)
		if err := r.Validate(); err != nil {
			t.Fatal(err)
		}
		row.spoil(&r)
		if err := r.Validate(); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: valid (%v)", row.name, err)
		}
		if _, err := record.DecodeRecord(r.Append(nil)); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: decoded (%v)", row.name, err)
		}
	}
}
