package strictjson_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/gate/strictjson"
)

// FuzzCheck holds Check against a second, dumb reading of the same rules, which
// is made of encoding/json and protojson: both must accept the same texts. Of
// what is accepted, the message must have everything that the text says.
func FuzzCheck(f *testing.F) {
	for _, seed := range []string{
		`{}`, `[]`, `{"machine":"d-14","machine":"d-15"}`, `{"meter_hours":"1e3","meterHours":null}`,
		`{"id":"c1","machine":"d-14","startedAt":"2031-04-05T06:07:08Z","meterHours":812.4,"answers":[{"point":"brakes","state":"DEFECT","class":"HAZARD","heldSeconds":3.5},{"point":"tyres","state":"OK"}],"doubts":["SENT_LATE"],"seenDefects":["d1"],"marking":"TAGGED","note":"a\nb\t\ud83d\ude9c"}`,
		`{"note":"\u0000"}`, `{"note":"\ud83d"}`, "\uFEFF{}", `{"marking":1}`, `{"meterHours":1e999}`, `{"meterHours":"NaN"}`, `{} {}`,
		`{"certificate":{"outcome":"MENDED","signedAt":"2031-04-05T06:07:08.5+01:00"},"notes":[{"text":"\\u"}]}`,
		`{"machine":"d-14","reason":"tip","marking":"CONTROLS_LOCKED","requestId":"r1"}`,
		`{"files":[{"name":"sites.csv","content":"aWQK"},{"content":"-_-_"}]}`,
		`{"defect":{"class":"HAZARD","etag":"x"},"updateMask":"class,dueAt","requestId":"1"}`,
		strings.Repeat(`{"answers":[`, 17), strings.Repeat("[", 40) + strings.Repeat("]", 40),
	} {
		for target := range targets() {
			f.Add(uint8(target), []byte(seed))
		}
	}
	f.Fuzz(func(t *testing.T, target uint8, text []byte) {
		all := targets()
		message := all[int(target)%len(all)]
		err := strictjson.Check(text, strictjson.Target{Message: message.ProtoReflect().Descriptor()})
		var refused *fault.Error
		if err != nil && !errors.As(err, &refused) {
			t.Fatalf("the refusal is no fault: %v", err)
		}
		if refused != nil && (refused.Kind != fault.KindInvalid || refused.Text == "" || refused.Reason == "INVALID" && len(refused.Violations) == 0) {
			t.Fatalf("the refusal says too little: %+v", refused)
		}
		if dumb := dumbCheck(text, message); (dumb == nil) != (err == nil) {
			t.Fatalf("%q: Check says %v, the dumb one %v", text, err, dumb)
		}
		if err == nil {
			nothingDropped(t, text, message)
		}
	})
}

func targets() []proto.Message {
	return []proto.Message{new(bothyv1.Check), new(bothyv1.Defect), new(bothyv1.HoldMachineRequest),
		new(bothyv1.ImportRegisterRequest), new(bothyv1.UpdateDefectRequest), new(bothyv1.Link)}
}

// dumbCheck reads text into message by the rules of the package doc, one after
// the other.
func dumbCheck(text []byte, message proto.Message) error {
	if !utf8.Valid(text) || !json.Valid(text) || bytes.TrimSpace(text)[0] != '{' {
		return errors.New("not an object in UTF-8")
	}
	depth := 0
	for tokens := json.NewDecoder(bytes.NewReader(text)); ; {
		token, err := tokens.Token()
		if err != nil {
			break
		}
		switch token {
		case json.Delim('{'), json.Delim('['):
			depth++
		case json.Delim('}'), json.Delim(']'):
			depth--
		}
		if depth > strictjson.DepthMax {
			return errors.New("too deep")
		}
	}
	if err := protojson.Unmarshal(text, message); err != nil {
		return err
	}
	var generic any
	if err := json.Unmarshal(text, &generic); err != nil {
		return err
	}
	if hasControls(generic) {
		return errors.New("control character")
	}
	return dumbValues(generic, message.ProtoReflect())
}

func hasControls(value any) bool {
	switch value := value.(type) {
	case string:
		return strings.ContainsFunc(value, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' })
	case []any:
		for _, one := range value {
			if hasControls(one) {
				return true
			}
		}
	case map[string]any:
		for name, one := range value {
			if hasControls(name) || hasControls(one) {
				return true
			}
		}
	}
	return false
}

// dumbValues refuses enumerations by number and numbers that are none, in JSON and
// the message that was made of it.
func dumbValues(generic any, message protoreflect.Message) error {
	for name, value := range generic.(map[string]any) {
		field := fieldOf(message, name)
		if value == nil {
			continue
		}
		values, messages := []any{value}, []protoreflect.Value{message.Get(field)}
		if field.IsList() {
			values, messages = value.([]any), nil
			for i := range message.Get(field).List().Len() {
				messages = append(messages, message.Get(field).List().Get(i))
			}
		}
		for i := range values {
			_, isNumber := values[i].(float64)
			switch {
			case field.Kind() == protoreflect.EnumKind && isNumber:
				return errors.New("enumeration by number")
			case field.Kind() == protoreflect.DoubleKind && (math.IsNaN(messages[i].Float()) || math.IsInf(messages[i].Float(), 0)):
				return errors.New("not a finite number")
			case field.Message() != nil && field.Message().ParentFile().Package() == "bothy.v1":
				if err := dumbValues(values[i], messages[i].Message()); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// nothingDropped holds a text against what the message that was made of it says.
func nothingDropped(t *testing.T, text []byte, message proto.Message) {
	t.Helper()
	again, err := protojson.MarshalOptions{EmitUnpopulated: true}.Marshal(message)
	if err != nil {
		t.Fatalf("%q was accepted and cannot be written: %v", text, err)
	}
	var said, kept map[string]any
	if err := errors.Join(json.Unmarshal(text, &said), json.Unmarshal(again, &kept)); err != nil {
		t.Fatal(err)
	}
	sameThings(t, said, kept, message.ProtoReflect())
}

func sameThings(t *testing.T, said, kept map[string]any, message protoreflect.Message) {
	t.Helper()
	for name, value := range said {
		field := fieldOf(message, name)
		other := kept[field.JSONName()]
		if value == nil {
			continue
		}
		switch {
		case field.IsList():
			if len(value.([]any)) != len(other.([]any)) {
				t.Fatalf("%s: %v became %v", name, value, other)
			}
		case field.Kind() == protoreflect.StringKind, field.Kind() == protoreflect.EnumKind, field.Kind() == protoreflect.BoolKind:
			if value != other {
				t.Fatalf("%s: %v became %v", name, value, other)
			}
		case field.Message() == nil:
			if number, ok := value.(float64); ok && field.Kind() == protoreflect.DoubleKind && number != other {
				t.Fatalf("%s: %v became %v", name, value, other)
			}
		case field.Message().ParentFile().Package() == "bothy.v1":
			sameThings(t, value.(map[string]any), other.(map[string]any), message.Get(field).Message())
		case other == nil:
			t.Fatalf("%s: %v was dropped", name, value)
		}
	}
}

func fieldOf(message protoreflect.Message, name string) protoreflect.FieldDescriptor {
	if field := message.Descriptor().Fields().ByJSONName(name); field != nil {
		return field
	}
	return message.Descriptor().Fields().ByTextName(name)
}
