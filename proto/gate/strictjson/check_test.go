package strictjson_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/wrapperspb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/gate/strictjson"
)

func descriptor(m proto.Message) protoreflect.MessageDescriptor { return m.ProtoReflect().Descriptor() }

func TestWhatIsRightPasses(t *testing.T) {
	check := descriptor(new(bothyv1.Check))
	for name, text := range map[string]string{
		"empty":                    `{}`,
		"white space":              " \t\r\n{ \"machine\" :\n\"d-14\" } \n",
		"names as in the proto":    `{"meter_hours": 12.5, "seen_defects": ["a"]}`,
		"null for every kind":      `{"machine":null,"answers":null,"startedAt":null,"meterHours":null,"marking":null,"doubts":null}`,
		"line feed and tab":        `{"note":"wet\n\tcold"}`,
		"a whole surrogate pair":   `{"note":"\ud83d\ude9c"}`,
		"an escaped backslash u":   `{"note":"\\ud83d"}`,
		"other languages":          "{\"note\":\"Łódź 土 \u202e\"}",
		"a number as a string":     `{"meterHours":"12.5","pointsOk":"3"}`,
		"a whole number, exponent": `{"pointsOk":1e2}`,
		"a word that says nothing": `{"marking":"MARKING_UNSPECIFIED"}`,
		"enumerations":             `{"answers":[{"state":"DEFECT","class":"HAZARD"}],"doubts":["SENT_LATE"]}`,
		"time with an offset":      `{"startedAt":"2031-04-05T06:07:08.123456789+02:00"}`,
		"as deep as allowed":       `{"answers":[{}]}`,
	} {
		if err := strictjson.Check([]byte(text), strictjson.Target{Message: check, At: "check"}); err != nil {
			t.Errorf("%s: %s: %v", name, text, err)
		}
	}
	metadata := []byte(`{"metadata":{"a":"b","c":"d"}}`)
	if err := strictjson.Check(metadata, strictjson.Target{Message: descriptor(new(errdetails.ErrorInfo))}); err != nil {
		t.Errorf("a map: %v", err)
	}
}

// Unreadable texts, most of them by RFC 8259: section 2 (one value), 6 (numbers),
// 7 (strings), 8.1 (UTF-8, no byte order mark), 8.2 (surrogates).
func TestWhatIsNotReadableIsRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"nothing":            {"", "is empty"},
		"white space":        {" \n", "is empty"},
		"a list":             {"[]", "is a list; it must be a JSON object"},
		"null":               {"null", "is null"},
		"a string":           {`"d-14"`, "is a string"},
		"a number":           {"14", "is a number"},
		"a second value":     {`{} {}`, "at byte 4"},
		"a second list":      {`{"machine":"a"}[]`, "at byte 16"},
		"byte order mark":    {"\uFEFF{}", "byte order mark"},
		"UTF-16":             {"\xff\xfe{\x00}\x00", "not valid UTF-8"},
		"bad UTF-8":          {"{\"note\":\"\xc3\x28\"}", "not valid UTF-8"},
		"a surrogate, raw":   {"{\"note\":\"\xed\xa0\xbd\"}", "not valid UTF-8"},
		"cut":                {`{"note":"a`, "unexpected end"},
		"trailing comma":     {`{"note":"a",}`, "at byte 13"},
		"comment":            {`{} // all good`, "at byte 4"},
		"single quotes":      {`{'note':'a'}`, "at byte 2"},
		"NaN":                {`{"meterHours":NaN}`, "at byte 15"},
		"infinity":           {`{"meterHours":-Infinity}`, "at byte 16"},
		"leading zero":       {`{"pointsOk":01}`, "at byte 14"},
		"hexadecimal":        {`{"pointsOk":0x1}`, "at byte 14"},
		"raw control":        {"{\"note\":\"a\x01\"}", "at byte 11"},
		"raw line feed":      {"{\"note\":\"a\n\"}", "at byte 11"},
		"nested 33":          {strings.Repeat(`{"a":`, 32) + "[]" + strings.Repeat("}", 32), "nested 33 deep; at most 32"},
		"nested 9999":        {`{"note":` + strings.Repeat("[", 9998) + strings.Repeat("]", 9998) + "}", "nested 9999 deep"},
		"nested beyond all":  {strings.Repeat("[", 200_000), "not one JSON value"},
		"mixed nested lists": {`{"a":` + strings.Repeat(`[{"a":`, 16) + "1" + strings.Repeat("}]", 16) + "}", "nested 33 deep"},
	} {
		err := strictjson.Check([]byte(c.text), strictjson.Target{Message: descriptor(new(bothyv1.Check))})
		var refused *fault.Error
		if !errors.As(err, &refused) || refused.Kind != fault.KindInvalid || refused.Reason != "UNREADABLE" {
			t.Errorf("%s: got %v, want a fault that it is unreadable", name, err)
		} else if !strings.Contains(refused.Text, c.says) {
			t.Errorf("%s: it says %q, want %q", name, refused.Text, c.says)
		}
	}
}

func TestWhatIsWrongIsNamedByItsField(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []string // "field: beginning of the problem"
	}{
		"unknown":                {`{"machin":"a"}`, []string{"check.machin: is not a field of Check; allowed are acceptedAt, amendments, answers,"}},
		"unknown in a list":      {`{"answers":[{},{"heldSecond":1}]}`, []string{"check.answers[1].heldSecond: is not a field of Answer; allowed are class, heldSeconds, note, point, reading, state"}},
		"unknown, nested":        {`{"foo":{"a":[1,"b",{"c":null}]},"bar":2}`, []string{"check.foo: is not", "check.bar: is not"}},
		"another case":           {`{"Machine":"a"}`, []string{"check.Machine: is not a field"}},
		"an odd name":            {`{"a.b\"":1,"":2}`, []string{`check."a.b\"": is not`, `check."": is not`}},
		"an extension":           {`{"[bothy.v1.record]":{}}`, []string{`check."[bothy.v1.record]": is not`}},
		"twice":                  {`{"machine":"a","machine":"a"}`, []string{"check.machine: is given twice"}},
		"twice in both names":    {`{"meterHours":1,"meter_hours":1}`, []string{"check.meterHours: is given twice"}},
		"twice, null first":      {`{"machine":null,"machine":"a"}`, []string{"check.machine: is given twice"}},
		"twice, by an escape":    {`{"machine":"a","m\u0061chine":"b"}`, []string{"check.machine: is given twice"}},
		"enum, misspelt":         {`{"marking":"TAGED"}`, []string{"check.marking: is \"TAGED\"; allowed are TAGGED, POSTED_AREA, CONTROLS_LOCKED, REMOVED_FROM_SITE"}},
		"enum, lower case":       {`{"marking":"tagged"}`, []string{"check.marking: is \"tagged\"; allowed are TAGGED"}},
		"enum, empty":            {`{"marking":""}`, []string{`check.marking: is ""; allowed`}},
		"enum by number":         {`{"marking":1}`, []string{"check.marking: is a number; allowed are the names TAGGED,"}},
		"enum by unknown number": {`{"answers":[{"class":99}]}`, []string{"check.answers[0].class: is a number"}},
		"enum in a list":         {`{"doubts":["SENT_LATE","LATE"]}`, []string{"check.doubts[1]: is \"LATE\"; allowed are PERSON_UNLISTED"}},
		"NUL":                    {`{"note":"a\u0000"}`, []string{`check.note: has the control character '\x00'`}},
		"carriage return":        {`{"note":"a\r\n"}`, []string{`check.note: has the control character '\r'`}},
		"escape":                 {`{"note":"\u001b[2J"}`, []string{`check.note: has the control character '\x1b'`}},
		"delete and C1":          {`{"note":"\u007f","id":"\u0085"}`, []string{`check.note: has the control character '\x7f'`, `check.id: has the control character '\u0085'`}},
		"high half":              {`{"note":"\ud83d"}`, []string{"check.note: has half of a UTF-16 surrogate pair"}},
		"low half":               {`{"note":"\ude9c\ud83d"}`, []string{"check.note: has half"}},
		"high half and a letter": {`{"note":"\ud83d\u0041"}`, []string{"check.note: has half"}},
		"high half, backslash":   {`{"note":"\ud83d\\ude9c"}`, []string{"check.note: has half"}},
		"a pair and a half":      {`{"note":"\ud83d\ude9c\ud83d"}`, []string{"check.note: has half"}},
		"half in a name":         {`{"\ud83d":1}`, []string{"check.\ufffd: has half", "check.\ufffd: is not a field"}},
		"string for an object":   {`{"answers":["OK"]}`, []string{"check.answers[0]: is a string; allowed is an object"}},
		"object for a list":      {`{"answers":{}}`, []string{"check.answers: is an object; allowed is a list"}},
		"null in a list":         {`{"answers":[null],"seenDefects":[null],"doubts":[null]}`, []string{"check.answers[0]: is null", "check.seenDefects[0]: is null", "check.doubts[0]: is null"}},
		"number for a text":      {`{"machine":14}`, []string{"check.machine: is a number; allowed is a string"}},
		"boolean for a text":     {`{"machine":true}`, []string{"check.machine: is a boolean"}},
		"too great":              {`{"meterHours":1e999}`, []string{"check.meterHours: is 1e999; allowed is a finite number"}},
		"NaN in quotes":          {`{"meterHours":"NaN"}`, []string{`check.meterHours: is "NaN"; allowed is a finite number`}},
		"infinity by escapes":    {`{"meterHours":"\u0049nfinity"}`, []string{"check.meterHours: is"}},
		"minus infinity":         {`{"answers":[{"reading":"-Infinity"}]}`, []string{"check.answers[0].reading: is"}},
		"a part of a whole":      {`{"pointsOk":1.5}`, []string{"check.pointsOk: is 1.5; allowed is a whole number of 32 bits"}},
		"2^31":                   {`{"pointsOk":2147483648}`, []string{"check.pointsOk: is 2147483648"}},
		"no number":              {`{"pointsOk":"three"}`, []string{"check.pointsOk: is"}},
		"no time":                {`{"startedAt":"yesterday"}`, []string{`check.startedAt: is "yesterday"; allowed is a time as in RFC 3339`}},
		"30 February":            {`{"startedAt":"2031-02-30T00:00:00Z"}`, []string{"check.startedAt: is"}},
		"time as a number":       {`{"startedAt":1933138800}`, []string{"check.startedAt: is 1933138800"}},
		"time as an object":      {`{"startedAt":{"seconds":1}}`, []string{"check.startedAt: is"}},
		"all of it":              {`{"a":1,"marking":"b","note":5}`, []string{"check.a: is not", "check.marking: is \"b\"", "check.note: is a number"}},
	} {
		err := strictjson.Check([]byte(c.text), strictjson.Target{Message: descriptor(new(bothyv1.Check)), At: "check"})
		compare(t, name, err, c.want)
	}
}

func TestOtherKindsOfFields(t *testing.T) {
	for name, c := range map[string]struct {
		message proto.Message
		text    string
		want    []string
	}{
		"true and false":    {new(bothyv1.Machine), `{"unlisted":"true"}`, []string{`unlisted: is "true"; allowed is true or false`}},
		"base64":            {new(bothyv1.RegisterFile), `{"content":"a b"}`, []string{`content: is "a b"; allowed is a string in base64`}},
		"64 bits":           {new(bothyv1.Lane), `{"bytesWaiting":9223372036854775808}`, []string{"bytesWaiting: is 9223372036854775808; allowed is a whole number of 64 bits"}},
		"64 bits, unsigned": {new(bothyv1.Link), `{"written":-1}`, []string{"written: is -1; allowed is a whole number from 0 to"}},
		"32 bits, unsigned": {new(bothyv1.Record), `{"kind":4294967296}`, []string{"kind: is 4294967296; allowed is a whole number from 0 to 4294967295"}},
		"field mask":        {new(bothyv1.UpdateDefectRequest), `{"updateMask":["class"]}`, []string{`updateMask: is ["class"]; allowed is a string of field names`}},
		"deeper":            {new(bothyv1.ListDefectsResponse), `{"defects":[{"certificate":{"outcom":"MENDED"}}]}`, []string{"defects[0].certificate.outcom: is not a field of Certificate"}},
		"map, twice":        {new(errdetails.ErrorInfo), `{"metadata":{"a":"b","a":"c"}}`, []string{"metadata.a: is given twice"}},
		"map, wrong value":  {new(errdetails.ErrorInfo), `{"metadata":{"a":1}}`, []string{"metadata.a: is a number; allowed is a string"}},
		"map, list":         {new(errdetails.ErrorInfo), `{"metadata":[]}`, []string{"metadata: is a list; allowed is an object"}},
		"null in numbers":   {new(bothyv1.Shift), `{"weekdays":[1,null]}`, []string{"weekdays[1]: is null; allowed is a whole number"}},
		"null in times":     {new(bothyv1.Person), `{"tickets":[null,{"expiresAt":null}]}`, []string{"tickets[0]: is null; allowed is an object"}},
	} {
		compare(t, name, strictjson.Check([]byte(c.text), strictjson.Target{Message: descriptor(c.message)}), c.want)
	}
}

func TestFixedFieldsCannotSaySomethingElse(t *testing.T) {
	target := strictjson.Target{Message: descriptor(new(bothyv1.Defect)), At: "defect", Fixed: map[string]string{"defect.id": "d1"}}
	for _, text := range []string{`{}`, `{"id":null}`, `{"id":"d1"}`, `{"id":"\u00641","machine":"d2"}`} {
		if err := strictjson.Check([]byte(text), target); err != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
	compare(t, "another id", strictjson.Check([]byte(`{"id":"d2"}`), target), []string{"defect.id: is \"d2\", but the path of the request says \"d1\""})
}

func TestWords(t *testing.T) {
	list := descriptor(new(bothyv1.ListDefectsRequest)).Fields()
	verdict := descriptor(new(bothyv1.GetVerdictRequest)).Fields()
	answer := descriptor(new(bothyv1.Answer)).Fields()
	for name, c := range map[string]struct {
		field protoreflect.FieldDescriptor
		word  string
		want  string // the beginning of the problem; empty if there is none
	}{
		"text":              {list.ByName("machine"), "D 14", ""},
		"text like JSON":    {list.ByName("machine"), `{"a"`, ""},
		"empty text":        {list.ByName("machine"), "", ""},
		"NUL":               {list.ByName("machine"), "a\x00", "has the control character"},
		"bad UTF-8":         {list.ByName("machine"), "\xff", "is not valid UTF-8"},
		"number":            {list.ByName("page_size"), "50", ""},
		"no number":         {list.ByName("page_size"), "many", "is"},
		"empty number":      {list.ByName("page_size"), "", "is"},
		"no word":           {list.ByName("page_size"), "[1]", "is"},
		"two words":         {list.ByName("page_size"), "1 2", "is"},
		"flag":              {list.ByName("include_closed"), "true", ""},
		"flag as a number":  {list.ByName("include_closed"), "1", "is 1; allowed is true or false"},
		"time":              {verdict.ByName("at"), "2031-04-05T06:07:08Z", ""},
		"no time":           {verdict.ByName("at"), "now", "is"},
		"class":             {answer.ByName("class"), "HAZARD", ""},
		"class by a number": {answer.ByName("class"), "1", `is "1"; allowed are HAZARD`},
		"infinity":          {answer.ByName("reading"), "Infinity", "is"},
		"wrapped infinity":  {descriptor(new(wrapped)).Fields().Get(0), "Infinity", "is"},
	} {
		got := strictjson.CheckWord(c.word, c.field)
		if (got == "") != (c.want == "") || !strings.HasPrefix(got, c.want) {
			t.Errorf("%s: %q: got %q, want %q", name, c.word, got, c.want)
		}
	}
}

type wrapped = wrapperspb.DoubleValue

func TestAFloodOfViolationsEnds(t *testing.T) {
	for _, text := range []string{
		`{` + strings.Repeat(`"a":0,`, 40_000) + `"a":0}`,
		`{"answers":[` + strings.Repeat(`0,`, 40_000) + `0]}`,
	} {
		err := strictjson.Check([]byte(text), strictjson.Target{Message: descriptor(new(bothyv1.Check))})
		var refused *fault.Error
		if !errors.As(err, &refused) || len(refused.Violations) != 10*fault.ViolationsMax {
			t.Errorf("%.20s: got %d violations, want %d", text, len(refused.Violations), 10*fault.ViolationsMax)
		}
	}
}

// compare holds a refusal against the beginnings of its violations.
func compare(t *testing.T, name string, err error, want []string) {
	t.Helper()
	var refused *fault.Error
	if !errors.As(err, &refused) {
		t.Errorf("%s: got %v, want %q", name, err, want)
		return
	}
	got := make([]string, len(refused.Violations))
	for i, v := range refused.Violations {
		got[i] = v.String()
	}
	if !slices.EqualFunc(got, want, strings.HasPrefix) {
		t.Errorf("%s: got %q, want %q", name, got, want)
	}
}
