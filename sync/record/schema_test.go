package record_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/record"
)

func TestEveryRecordHasARuleOnEveryField(t *testing.T) {
	schema := bothySchema(t)
	for i, name := range []string{"sites", "machines", "people", "cabins", "sheets", "checks", "amendments", "defects", "holds", "forks"} {
		k := schema.Kind(uint32(i + 1))
		if k == nil || k.Collection != name || schema.Collection(name) != k || schema.Kinds()[i] != k {
			t.Errorf("kind %d: %+v, want %q", i+1, k, name)
		}
	}
	check := schema.Of(&bothyv1.Check{})
	if !check.WrittenOnce || check.Site != check.FieldNamed("site") || check.Follows != check.FieldNamed("machine") || check.FollowsKind != 2 || check.Home != nil {
		t.Errorf("checks: %+v", check)
	}
	if machine := schema.Of(&bothyv1.Machine{}); machine.Home != machine.FieldNamed("site") || machine.Site != nil || machine.WrittenOnce {
		t.Errorf("machines: %+v", machine)
	}
	if schema.Of(&bothyv1.Answer{}) != nil || schema.Kind(99) != nil || schema.Collection("answers") != nil {
		t.Error("something that is no record has a kind")
	}
}

// Files must name all of the package's files, or a record could be left out.
func TestFilesAreAllOfThePackagesFiles(t *testing.T) {
	const dir = "../../proto"
	found, err := filepath.Glob(filepath.Join(dir, "bothy/v1/*.proto"))
	if err != nil || len(found) == 0 {
		t.Fatalf("%d files, %v", len(found), err)
	}
	listed := map[string]bool{}
	for _, f := range bothyv1.Files() {
		listed[f.Path()] = true
		if _, err := os.Stat(filepath.Join(dir, f.Path())); err != nil {
			t.Error(err)
		}
	}
	for _, path := range found {
		if name, _ := filepath.Rel(dir, path); !listed[filepath.ToSlash(name)] {
			t.Errorf("%s is not in bothyv1.Files", name)
		}
	}
}

func field(name string, number int32, kind descriptorpb.FieldDescriptorProto_Type, merge *bothyv1.Merge) *descriptorpb.FieldDescriptorProto {
	f := &descriptorpb.FieldDescriptorProto{
		Name: proto.String(name), Number: proto.Int32(number), Type: kind.Enum(),
		Label:   descriptorpb.FieldDescriptorProto_LABEL_OPTIONAL.Enum(),
		Options: &descriptorpb.FieldOptions{},
	}
	if merge != nil {
		proto.SetExtension(f.Options, bothyv1.E_Merge, merge)
	}
	return f
}

func repeated(f *descriptorpb.FieldDescriptorProto) *descriptorpb.FieldDescriptorProto {
	f.Label = descriptorpb.FieldDescriptorProto_LABEL_REPEATED.Enum()
	return f
}

func ofType(f *descriptorpb.FieldDescriptorProto, name string) *descriptorpb.FieldDescriptorProto {
	f.TypeName = proto.String(name)
	return f
}

const (
	tString  = descriptorpb.FieldDescriptorProto_TYPE_STRING
	tBytes   = descriptorpb.FieldDescriptorProto_TYPE_BYTES
	tInt32   = descriptorpb.FieldDescriptorProto_TYPE_INT32
	tMessage = descriptorpb.FieldDescriptorProto_TYPE_MESSAGE
)

var (
	key      = &bothyv1.Merge{Rule: bothyv1.Rule_KEY}
	latest   = &bothyv1.Merge{Rule: bothyv1.Rule_LATEST}
	union    = &bothyv1.Merge{Rule: bothyv1.Rule_UNION}
	greatest = &bothyv1.Merge{Rule: bothyv1.Rule_GREATEST}
)

// thing is a record with an id and the given fields.
func thing(name string, options *bothyv1.Record, fields ...*descriptorpb.FieldDescriptorProto) *descriptorpb.DescriptorProto {
	m := &descriptorpb.DescriptorProto{Name: proto.String(name), Options: &descriptorpb.MessageOptions{}}
	proto.SetExtension(m.Options, bothyv1.E_Record, options)
	m.Field = append([]*descriptorpb.FieldDescriptorProto{field("id", 1, tString, key)}, fields...)
	return m
}

func things() *bothyv1.Record { return &bothyv1.Record{Kind: 1, Collection: "things"} }

func fileOf(tb testing.TB, messages ...*descriptorpb.DescriptorProto) protoreflect.FileDescriptor {
	tb.Helper()
	file, err := protodesc.NewFile(&descriptorpb.FileDescriptorProto{
		Name: proto.String("thing.proto"), Package: proto.String("t"), Syntax: proto.String("proto3"),
		Dependency:  []string{"bothy/v1/merge.proto", "google/protobuf/timestamp.proto"},
		MessageType: messages,
	}, protoregistry.GlobalFiles)
	if err != nil {
		tb.Fatal(err)
	}
	return file
}

func TestSchemaNamesWhatIsWrong(t *testing.T) {
	cautiously := func(order bothyv1.Caution) *bothyv1.Merge {
		return &bothyv1.Merge{Rule: bothyv1.Rule_CAUTIOUS, Cautious: order}
	}
	record1 := func(fields ...*descriptorpb.FieldDescriptorProto) []*descriptorpb.DescriptorProto {
		return []*descriptorpb.DescriptorProto{thing("Thing", things(), fields...)}
	}
	withMap := thing("Thing", things(), ofType(repeated(field("words", 2, tMessage, latest)), ".t.Thing.WordsEntry"))
	withMap.NestedType = []*descriptorpb.DescriptorProto{{
		Name:    proto.String("WordsEntry"),
		Field:   []*descriptorpb.FieldDescriptorProto{field("key", 1, tString, nil), field("value", 2, tString, nil)},
		Options: &descriptorpb.MessageOptions{MapEntry: proto.Bool(true)},
	}}
	withOneof := thing("Thing", things(), field("a", 2, tString, latest))
	withOneof.OneofDecl = []*descriptorpb.OneofDescriptorProto{{Name: proto.String("choice")}}
	withOneof.Field[1].OneofIndex = proto.Int32(0)
	withoutID := thing("Thing", things(), field("a", 2, tString, latest))
	withoutID.Field = withoutID.Field[1:]

	for _, row := range []struct {
		name     string
		messages []*descriptorpb.DescriptorProto
		want     string // part of the error; empty if there is none
	}{
		{"a text", record1(field("a", 2, tString, latest)), ""},
		{"a field without a rule", record1(field("a", 2, tString, nil)), "t.Thing.a has no merge rule"},
		{"a rule that says nothing", record1(field("a", 2, tString, &bothyv1.Merge{})), "t.Thing.a has no merge rule"},
		{"a rule of a newer program", record1(field("a", 2, tString, &bothyv1.Merge{Rule: 99})), "t.Thing.a has no merge rule"},
		{"a map", []*descriptorpb.DescriptorProto{withMap}, "t.Thing.words: a map"},
		{"a oneof", []*descriptorpb.DescriptorProto{withOneof}, "t.Thing.a: fields of a oneof"},
		{"listed by a text", record1(field("a", 2, tString, &bothyv1.Merge{Rule: bothyv1.Rule_LATEST, ListedBy: true})), ""},
		{"listed by a number", record1(field("a", 2, tInt32, &bothyv1.Merge{Rule: bothyv1.Rule_LATEST, ListedBy: true})), "t.Thing.a: only a string"},
		{"listed by a list", record1(repeated(field("a", 2, tString, &bothyv1.Merge{Rule: bothyv1.Rule_LATEST, ListedBy: true}))), "t.Thing.a: only a string"},
		{"cautious with an order", record1(field("a", 2, tInt32, cautiously(bothyv1.Caution_LEAST_FIRST))), ""},
		{"cautious about a time", record1(ofType(field("a", 2, tMessage, cautiously(bothyv1.Caution_LEAST_FIRST)), ".google.protobuf.Timestamp")), ""},
		{"cautious without an order", record1(field("a", 2, tInt32, cautiously(0))), "t.Thing.a: CAUTIOUS"},
		{"an order without cautious", record1(field("a", 2, tInt32, &bothyv1.Merge{Rule: bothyv1.Rule_LATEST, Cautious: bothyv1.Caution_LEAST_FIRST})), "t.Thing.a: CAUTIOUS"},
		{"cautious about a text", record1(field("a", 2, tString, cautiously(bothyv1.Caution_LEAST_FIRST))), "t.Thing.a: CAUTIOUS needs"},
		{"cautious about a list", record1(repeated(field("a", 2, tInt32, cautiously(bothyv1.Caution_LEAST_FIRST)))), "t.Thing.a: CAUTIOUS needs"},
		{"cautious about a message", record1(ofType(field("a", 2, tMessage, cautiously(bothyv1.Caution_LEAST_FIRST)), ".t.Thing")), "t.Thing.a: CAUTIOUS needs"},
		{"the greatest of bytes", record1(field("a", 2, tBytes, greatest)), "t.Thing.a: GREATEST needs"},
		{"a union of texts", record1(repeated(field("a", 2, tString, union))), ""},
		{"a union of one text", record1(field("a", 2, tString, union)), "t.Thing.a: UNION"},
		{"a union of numbers", record1(repeated(field("a", 2, tInt32, union))), "t.Thing.a: UNION"},
		{"no id", []*descriptorpb.DescriptorProto{withoutID}, "t.Thing has no field id"},
		{"an id that is no key", record1(field("a", 2, tString, key)), "t.Thing.a: only the string field id"},
		{"no kind", []*descriptorpb.DescriptorProto{thing("Thing", &bothyv1.Record{Collection: "things"})}, "t.Thing: kind 0"},
		{"a kind beyond the format", []*descriptorpb.DescriptorProto{thing("Thing", &bothyv1.Record{Kind: 1 << 30, Collection: "things"})}, "t.Thing: kind 1073741824"},
		{"a kind twice", []*descriptorpb.DescriptorProto{thing("Thing", things()), thing("Other", &bothyv1.Record{Kind: 1, Collection: "others"})}, "t.Other: kind 1"},
		{"no collection", []*descriptorpb.DescriptorProto{thing("Thing", &bothyv1.Record{Kind: 1})}, "t.Thing: collection"},
		{"a collection twice", []*descriptorpb.DescriptorProto{thing("Thing", things()), thing("Other", &bothyv1.Record{Kind: 2, Collection: "things"})}, "t.Other: collection"},
		{"a site that is no field", []*descriptorpb.DescriptorProto{thing("Thing", &bothyv1.Record{Kind: 1, Collection: "things", SiteField: "site"})}, `t.Thing: "site" is not`},
		{"a home that is a number", []*descriptorpb.DescriptorProto{thing("Thing", &bothyv1.Record{Kind: 1, Collection: "things", HomeField: "a"}, field("a", 2, tInt32, latest))}, `t.Thing: "a" is not`},
		{"follows what has no home", []*descriptorpb.DescriptorProto{
			thing("Thing", &bothyv1.Record{Kind: 1, Collection: "things", FollowsField: "a", FollowsKind: 1}, field("a", 2, tString, latest)),
		}, "t.Thing follows kind 1"},
	} {
		_, err := record.SchemaOf(fileOf(t, row.messages...))
		switch {
		case row.want == "" && err != nil:
			t.Errorf("%s: %v", row.name, err)
		case row.want != "" && (err == nil || !strings.HasPrefix(err.Error(), row.want)):
			t.Errorf("%s: %v, want %q", row.name, err, row.want)
		}
	}
}

func TestAnIDIsOneTextAndTheKey(t *testing.T) {
	for _, id := range []*descriptorpb.FieldDescriptorProto{
		field("id", 1, tInt32, key),
		repeated(field("id", 1, tString, key)),
		field("id", 1, tString, latest),
		field("id", 1, tString, nil),
	} {
		m := thing("Thing", things())
		m.Field[0] = id
		if _, err := record.SchemaOf(fileOf(t, m)); err == nil || !strings.HasPrefix(err.Error(), "t.Thing") {
			t.Errorf("%v: %v", id, err)
		}
	}
}

// One field may name both the site of interest and the home.
func TestSiteAndHomeMayBeOneField(t *testing.T) {
	schema, err := record.SchemaOf(fileOf(t, thing("Thing", &bothyv1.Record{Kind: 1, Collection: "things", SiteField: "a", HomeField: "a"}, field("a", 2, tString, latest))))
	if err != nil {
		t.Fatal(err)
	}
	if k := schema.Kind(1); k.Site == nil || k.Site != k.Home {
		t.Errorf("site %v, home %v", k.Site, k.Home)
	}
}

func TestSchemaRefusesWhatWouldMakeARecordUnreadable(t *testing.T) {
	schema := bothySchema(t)
	good := goldenChange(t)
	if err := schema.Validate(good); err != nil {
		t.Fatal(err)
	}
	with := func(number uint32, value []byte) record.Change {
		c := write(record.Record{}, 1, nothing, number, "")
		c.Writes[0].Value = value
		return c
	}
	again := oneWrite(2, 2, bytesField(2, []byte("d-14")))
	again.N = 2
	for _, row := range []struct {
		name string
		c    record.Change
		ok   bool
	}{
		{"a field of a newer program", with(unknown, varintField(unknown, 1)), true},
		{"a kind of a newer program", record.Change{Replica: 1, Seq: 1, N: 1, Key: record.Key{Kind: 99, ID: "x"}, Writes: []record.Write{{Number: 1}}}, true},
		{"a value cleared", with(text, nil), true},
		{"a class of a newer program", with(class, varintField(class, 77)), true},
		{"a text that is none", with(text, bytesField(text, []byte{0xff})), false},
		{"a time that is none", with(limitUntil, bytesField(limitUntil, []byte{0xff})), false},
		{"the key", with(1, bytesField(1, []byte("other"))), false},
		{"a second change of what is written once", again, false},
		{"no change at all", record.Change{}, false},
	} {
		if err := schema.Validate(row.c); (err == nil) != row.ok || err != nil && !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: %v", row.name, err)
		}
	}
}

func TestAValueTooLongIsNotEncoded(t *testing.T) {
	f := defects(t).FieldNamed("text")
	if _, err := f.Encode(&bothyv1.Defect{Text: strings.Repeat("x", record.MaxValue)}); err == nil || !strings.Contains(err.Error(), "bothy.v1.Defect.text has") {
		t.Errorf("%v", err)
	}
}
