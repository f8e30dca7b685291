package record_test

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

func readDefect(tb rapid.TB, r record.Record) *bothyv1.Defect {
	tb.Helper()
	var m bothyv1.Defect
	if err := defects(tb).Read(r, &m); err != nil {
		tb.Fatal(err)
	}
	return &m
}

// timestamps are values of a time field, the more cautious, the earlier, first.
func timestamps(number uint32) (out [][]byte) {
	for _, at := range []*timestamppb.Timestamp{{}, {Seconds: 1}, {Seconds: 1, Nanos: 5}, {Seconds: 2}, {Seconds: 1 << 33}} {
		b, _ := proto.Marshal(at)
		out = append(out, bytesField(number, b))
	}
	return out
}

func enums[E ~int32](number uint32, words ...E) (out [][]byte) {
	for _, e := range words {
		out = append(out, varintField(number, uint64(e)))
	}
	return out
}

type cautiousField struct {
	name   string
	record proto.Message
	number uint32
	values [][]byte
}

// cautious lists the values of each field that must read as the word that keeps
// people safer, that word first. The order is the trade's, written here a second
// time: a hazard before a lesser defect, reported before repaired, held before
// lifted, the earlier end of a limit, the role that may do less, the sooner
// doubt about a silent site or a cloned replica.
var cautious = []cautiousField{
	{"class", &bothyv1.Defect{}, class, enums(class, bothyv1.Class_HAZARD, bothyv1.Class_SAFETY, bothyv1.Class_CONDITION)},
	{"progress", &bothyv1.Defect{}, progress, enums(progress, bothyv1.Progress_REPORTED, bothyv1.Progress_TAKEN, bothyv1.Progress_WAITING,
		bothyv1.Progress_REPAIRED, bothyv1.Progress_DISMISSED, bothyv1.Progress_PROVED)},
	{"limit until", &bothyv1.Defect{}, limitUntil, timestamps(limitUntil)},
	{"due at", &bothyv1.Defect{}, 12, timestamps(12)},
	{"hold", &bothyv1.Hold{}, 3, enums(3, bothyv1.HoldState_HELD, bothyv1.HoldState_LIFTED)},
	{"role", &bothyv1.Person{}, 3, enums(3, bothyv1.Role_OPERATOR, bothyv1.Role_SUPERVISOR, bothyv1.Role_FITTER, bothyv1.Role_OFFICE)},
	{"silent after", &bothyv1.Site{}, 6, enums[int32](6, 1, 2, 48)},
	{"fork", &bothyv1.Fork{}, 2, enums[int32](2, 1, 2, 300)},
}

func TestACautiousFieldReadsAsTheSaferOfConcurrentWords(t *testing.T) {
	schema := bothySchema(t)
	for _, field := range cautious {
		t.Run(field.name, func(t *testing.T) {
			kind := schema.Of(field.record)
			rapid.Check(t, func(t *rapid.T) {
				ranks := rapid.SliceOfN(rapid.IntRange(0, len(field.values)), 2, 5).Draw(t, "ranks")
				var f record.Field
				for i, rank := range ranks {
					f.Versions = append(f.Versions, drawVersion(t, i, append(field.values, nil)[rank]))
				}
				f.Number = field.number
				want := append(field.values, nil)[slices.Min(ranks)]
				if got := kind.Resolve(f); string(got) != string(want) {
					t.Fatalf("reads as %x, want %x", got, want)
				}
			})
		})
	}
}

func TestEqualCautiousWordsReadLikeTheLatest(t *testing.T) {
	long := []byte{class << 3, 0x81, 0} // HAZARD in two bytes
	f := record.Field{Number: class, Versions: []record.Version{
		{Dot: dot(repA, 1), Origin: record.Origin{At: clock.HybridAt(1e12, 0)}, Value: varintField(class, 1)},
		{Dot: dot(repB, 1), Origin: record.Origin{At: clock.HybridAt(2e12, 0)}, Value: long},
	}}
	if got := defects(t).Resolve(f); string(got) != string(long) {
		t.Errorf("reads as %x, want the later %x", got, long)
	}
}

// drawVersion is a version by the i-th replica at any time.
func drawVersion(t *rapid.T, i int, value []byte) record.Version {
	return record.Version{
		Dot:    clock.Dot{Replica: clock.Replica(i/2 + 1), N: uint64(i%2 + 1)},
		Origin: drawOrigin(t),
		Value:  value,
	}
}

func drawField(t *rapid.T, number uint32) record.Field {
	f := record.Field{Number: number}
	for i := range rapid.IntRange(1, 6).Draw(t, "versions") {
		f.Versions = append(f.Versions, drawVersion(t, i, drawValue(t, number)))
	}
	return f
}

func TestNoCautiousFieldIsForgottenHere(t *testing.T) {
	for _, kind := range bothySchema(t).Kinds() {
		for _, f := range kind.Fields {
			tested := slices.ContainsFunc(cautious, func(c cautiousField) bool {
				return c.number == f.Number && kind.Message == c.record.ProtoReflect().Descriptor()
			})
			if f.Rule == bothyv1.Rule_CAUTIOUS && !tested {
				t.Errorf("%s is CAUTIOUS, and no test says which word is the safer one", f.Descriptor.FullName())
			}
		}
	}
}

func TestHowAFieldReadsDoesNotDependOnTheOrderOfItsVersions(t *testing.T) {
	kind := defects(t)
	for _, number := range []uint32{text, class, progress, findings, limitUntil, unknown} {
		rapid.Check(t, func(t *rapid.T) {
			f := drawField(t, number)
			want := kind.Resolve(f)
			f.Versions = rapid.Permutation(f.Versions).Draw(t, "order")
			if got := kind.Resolve(f); string(got) != string(want) {
				t.Fatalf("field %d reads as %x or %x", number, got, want)
			}
		})
	}
}

// byTime is the order of versions, oldest first, written a second time: the
// time as the hub would have told it, the writer's own time, replica, number.
func byTime(a, b record.Version) int {
	told := func(v record.Version) int64 {
		if v.Ahead == clock.UnknownAhead {
			return v.At.Millis()
		}
		return v.At.Millis() - int64(v.Ahead)
	}
	return cmp.Or(cmp.Compare(told(a), told(b)), cmp.Compare(a.At, b.At),
		cmp.Compare(a.Dot.Replica, b.Dot.Replica), cmp.Compare(a.Dot.N, b.Dot.N))
}

func TestLatestIsTheLastByTheHubsTime(t *testing.T) {
	kind := defects(t)
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.SampledFrom([]uint32{text, unknown}).Draw(t, "field")
		f := drawField(t, number)
		if want := slices.MaxFunc(f.Versions, byTime).Value; string(kind.Resolve(f)) != string(want) {
			t.Fatalf("reads as %q, want %q", kind.Resolve(f), want)
		}
		newest := record.NewestFirst(f.Versions)
		slices.Reverse(newest)
		if !slices.IsSortedFunc(newest, byTime) || len(newest) != len(f.Versions) {
			t.Fatalf("newest first, reversed: %+v", newest)
		}
	})
}

func TestAKnownOffsetPutsAFastClockInItsPlace(t *testing.T) {
	const hour = 3600 * 1000
	fast := record.Version{Dot: dot(repA, 1), Origin: record.Origin{At: clock.HybridAt(1e12+hour, 0), Ahead: hour}, Value: bytesField(text, []byte("old"))}
	right := record.Version{Dot: dot(repB, 1), Origin: record.Origin{At: clock.HybridAt(1e12+1, 0)}, Value: bytesField(text, []byte("new"))}
	f := record.Field{Number: text, Versions: []record.Version{fast, right}}
	if got := defects(t).Resolve(f); string(got) != string(right.Value) {
		t.Errorf("reads as %q, want what was written later", got)
	}
}

func TestUnionHasEachElementOnceOldestFirst(t *testing.T) {
	kind := defects(t)
	rapid.Check(t, func(t *rapid.T) {
		f := drawField(t, findings)
		if len(f.Versions) == 1 {
			return
		}
		var want []byte
		var seen []string
		for _, v := range slices.SortedFunc(slices.Values(f.Versions), byTime) {
			for b := v.Value; len(b) > 0; {
				_, _, n := protowire.ConsumeField(b)
				if !slices.Contains(seen, string(b[:n])) {
					seen = append(seen, string(b[:n]))
					want = append(want, b[:n]...)
				}
				b = b[n:]
			}
		}
		if got := kind.Resolve(f); string(got) != string(want) {
			t.Fatalf("reads as %q, want %q", got, want)
		}
	})
}

func TestGreatestIsTheGreatestMeterReading(t *testing.T) {
	const meter = 7
	kind := bothySchema(t).Of(&bothyv1.Machine{})
	rapid.Check(t, func(t *rapid.T) {
		hours := rapid.SliceOfN(rapid.Float64Range(0.1, 1e6), 2, 5).Draw(t, "hours")
		f := record.Field{Number: meter, Versions: []record.Version{drawVersion(t, 0, nil)}}
		for i, h := range hours {
			b, err := kind.FieldNumbered(meter).Encode(&bothyv1.Machine{MeterHours: h})
			if err != nil {
				t.Fatal(err)
			}
			f.Versions = append(f.Versions, drawVersion(t, i+1, b))
		}
		var m bothyv1.Machine
		if err := proto.Unmarshal(kind.Resolve(f), &m); err != nil || m.GetMeterHours() != slices.Max(hours) {
			t.Fatalf("reads as %v, want %v (%v)", m.GetMeterHours(), slices.Max(hours), err)
		}
	})
}

// A value of the right field that is no value of its type is never what a
// cautious field reads as, while there is another.
func TestAnUnreadableWordIsNotTheCautiousOne(t *testing.T) {
	lesser := varintField(class, uint64(bothyv1.Class_CONDITION))
	for _, unreadable := range [][]byte{bytesField(class, []byte("x")), varintField(class, 0)} {
		f := record.Field{Number: class, Versions: []record.Version{
			{Dot: dot(repA, 1), Value: lesser},
			{Dot: dot(repB, 1), Origin: record.Origin{At: clock.HybridAt(1e12, 0)}, Value: unreadable},
		}}
		if got := defects(t).Resolve(f); string(got) != string(lesser) {
			t.Errorf("%x beside CONDITION: reads as %x", unreadable, got)
		}
	}
}

func TestConflictsAreWhatARuleHasToDecide(t *testing.T) {
	two := func(number uint32, a, b []byte) record.Record {
		return record.Record{Key: defectKey, Fields: []record.Field{{Number: number, Versions: []record.Version{
			{Dot: dot(repA, 1), Value: a}, {Dot: dot(repB, 1), Value: b},
		}}}}
	}
	for _, row := range []struct {
		name string
		r    record.Record
		want int
	}{
		{"two texts", two(text, bytesField(text, []byte("a")), bytesField(text, []byte("b"))), 1},
		{"a text and its clearing", two(text, bytesField(text, []byte("a")), nil), 1},
		{"twice the same text", two(text, bytesField(text, []byte("a")), bytesField(text, []byte("a"))), 0},
		{"two classes", two(class, varintField(class, 1), varintField(class, 2)), 1},
		{"two lists that unite", two(findings, bytesField(findings, nil), nil), 0},
		{"an unknown field", two(unknown, bytesField(unknown, nil), nil), 0},
	} {
		got := defects(t).Conflicts(row.r)
		if len(got) != row.want {
			t.Errorf("%s: %d conflicts, want %d", row.name, len(got), row.want)
		}
		for _, c := range got {
			f := row.r.Fields[0]
			if c.Field.Number != f.Number || string(c.ReadsAs) != string(defects(t).Resolve(f)) || len(c.Versions) != 2 || c.Versions[0].Dot.Replica != repB {
				t.Errorf("%s: %+v", row.name, c)
			}
		}
	}
}

func TestARecordReadsAsWhatWasWritten(t *testing.T) {
	schema := bothySchema(t)
	rapid.Check(t, func(t *rapid.T) {
		m := drawMessage(t)
		c := record.Change{
			Replica: 1, Seq: 1, N: 1, Key: record.Key{Kind: schema.Of(m).Number, ID: "r1"}, Origin: drawOrigin(t),
			Writes: append(writesOf(t, schema.Of(m), m), record.Write{Number: unknown, Value: bytesField(unknown, []byte("new"))}),
		}
		got := m.ProtoReflect().New().Interface()
		if err := schema.Of(m).Read(c.Delta(), got); err != nil {
			t.Fatal(err)
		}
		r := m.ProtoReflect()
		r.Set(r.Descriptor().Fields().ByName("id"), protoreflect.ValueOfString("r1"))
		r.SetUnknown(bytesField(unknown, []byte("new")))
		if !proto.Equal(got, m) {
			t.Fatalf("got  %v\nwant %v", got, m)
		}
	})
}

// Nobody can put a value into a field that the server works out.
func TestComputedFieldsAreNeverRead(t *testing.T) {
	const etag = 17
	c := write(record.Record{}, repA, nothing, etag, "forged")
	if got := readDefect(t, c.Delta()); got.GetEtag() != "" || got.GetId() != defectKey.ID {
		t.Errorf("etag %q, id %q", got.GetEtag(), got.GetId())
	}
	if err := bothySchema(t).Validate(c); err == nil {
		t.Error("a change that writes a computed field is valid")
	}
}

// Every type that a rule can order, in both directions: the values from the
// least to the greatest.
func TestRulesOrderEveryTypeTheyTake(t *testing.T) {
	double := func(n float64) []byte {
		return protowire.AppendFixed64(protowire.AppendTag(nil, 2, protowire.Fixed64Type), math.Float64bits(n))
	}
	for _, row := range []struct {
		name   string
		kind   descriptorpb.FieldDescriptorProto_Type
		values [][]byte
	}{
		{"bool", descriptorpb.FieldDescriptorProto_TYPE_BOOL, [][]byte{varintField(2, 0), varintField(2, 1)}},
		{"int64", descriptorpb.FieldDescriptorProto_TYPE_INT64, [][]byte{varintField(2, 1<<64-5), varintField(2, 0), varintField(2, 7)}},
		{"uint64", descriptorpb.FieldDescriptorProto_TYPE_UINT64, [][]byte{varintField(2, 0), varintField(2, 7), varintField(2, 1<<64-5)}},
		{"double", descriptorpb.FieldDescriptorProto_TYPE_DOUBLE, [][]byte{double(math.Inf(-1)), double(-0.5), double(0.5)}},
	} {
		for _, rule := range []struct {
			merge *bothyv1.Merge
			want  int
		}{
			{&bothyv1.Merge{Rule: bothyv1.Rule_GREATEST}, len(row.values) - 1},
			{&bothyv1.Merge{Rule: bothyv1.Rule_CAUTIOUS, Cautious: bothyv1.Caution_GREATEST_FIRST}, len(row.values) - 1},
			{&bothyv1.Merge{Rule: bothyv1.Rule_CAUTIOUS, Cautious: bothyv1.Caution_LEAST_FIRST}, 0},
		} {
			a := field("a", 2, row.kind, rule.merge)
			a.Proto3Optional, a.OneofIndex = proto.Bool(true), proto.Int32(0)
			m := thing("Thing", things(), a)
			m.OneofDecl = []*descriptorpb.OneofDescriptorProto{{Name: proto.String("_a")}}
			schema, err := record.SchemaOf(fileOf(t, m))
			if err != nil {
				t.Fatal(err)
			}
			var f record.Field
			for i, value := range row.values {
				f.Versions = append(f.Versions, record.Version{Dot: dot(repA, uint64(i+1)), Value: value})
			}
			f.Number = 2
			for range row.values {
				f.Versions = append(f.Versions[1:], f.Versions[0])
				if got := schema.Kind(1).Resolve(f); string(got) != string(row.values[rule.want]) {
					t.Errorf("%s, %v: reads as %x", row.name, rule.merge, got)
				}
			}
		}
	}
}
