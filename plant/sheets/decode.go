package sheets

import (
	"fmt"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// spot is where in a text a field stands, or would.
type spot struct {
	line int
	key  string
}

// decoder fills a message from YAML. Keys are the field names of the proto
// file, enumerations are their words. It knows nothing of sheets.
type decoder struct {
	spots    map[string]spot // by path in JSON names
	problems []problem
}

// problem is one thing that is wrong with the text.
type problem struct {
	path string
	line int
	text string
}

func (d *decoder) add(path string, node *yaml.Node, format string, args ...any) {
	d.problems = append(d.problems, problem{path, node.Line, fmt.Sprintf(format, args...)})
}

func (d *decoder) message(path string, node *yaml.Node, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	if node.Kind != yaml.MappingNode {
		d.add(path, node, "must be a mapping with the keys %s", names(fields))
		return
	}
	for i := range fields.Len() {
		d.spots[join(path, fields.Get(i).JSONName())] = spot{node.Line, fields.Get(i).TextName()}
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(node.Content); i += 2 {
		key, value := node.Content[i], node.Content[i+1]
		field := fields.ByTextName(key.Value)
		switch {
		case field == nil:
			d.add(path, key, "%q is not a key; allowed are %s", key.Value, names(fields))
		case seen[key.Value]:
			d.add(path, key, "%q stands there twice", key.Value)
		default:
			d.spots[join(path, field.JSONName())] = spot{key.Line, key.Value}
			d.field(join(path, field.JSONName()), value, m, field)
		}
		seen[key.Value] = true
	}
}

func (d *decoder) field(path string, node *yaml.Node, m protoreflect.Message, field protoreflect.FieldDescriptor) {
	if field.IsList() {
		d.list(path, node, m.Mutable(field).List(), field)
		return
	}
	if field.Message() != nil {
		d.message(path, node, m.Mutable(field).Message())
		return
	}
	if value, ok := d.scalar(path, node, field); ok {
		m.Set(field, value)
	}
}

func (d *decoder) list(path string, node *yaml.Node, list protoreflect.List, field protoreflect.FieldDescriptor) {
	if node.Kind != yaml.SequenceNode {
		d.add(path, node, "must be a list")
		return
	}
	for i, item := range node.Content {
		at := fmt.Sprintf("%s[%d]", path, i)
		d.spots[at] = spot{item.Line, field.TextName()}
		if field.Message() != nil {
			d.message(at, item, list.AppendMutable().Message())
		} else if value, ok := d.scalar(at, item, field); ok {
			list.Append(value)
		}
	}
}

// scalar reads what sheets are made of: text, words, yes or no, and figures.
func (d *decoder) scalar(path string, node *yaml.Node, field protoreflect.FieldDescriptor) (protoreflect.Value, bool) {
	tag := node.ShortTag()
	if node.Kind != yaml.ScalarNode {
		tag = ""
	}
	switch field.Kind() {
	case protoreflect.StringKind:
		if tag == "!!str" {
			return protoreflect.ValueOfString(node.Value), true
		}
		d.add(path, node, "must be text; a figure or a word like true needs quotes")
	case protoreflect.BoolKind:
		if tag == "!!bool" {
			return protoreflect.ValueOfBool(strings.EqualFold(node.Value, "true")), true
		}
		d.add(path, node, "must be true or false")
	case protoreflect.EnumKind:
		if word := field.Enum().Values().ByName(protoreflect.Name(node.Value)); tag == "!!str" && word != nil && word.Number() != 0 {
			return protoreflect.ValueOfEnum(word.Number()), true
		}
		d.add(path, node, "%q is not allowed; allowed are %s", node.Value, words(field.Enum()))
	case protoreflect.Int32Kind:
		if n, err := strconv.ParseInt(node.Value, 10, 32); tag == "!!int" && err == nil {
			return protoreflect.ValueOfInt32(int32(n)), true
		}
		d.add(path, node, "%q is not allowed; it must be a whole number", node.Value)
	case protoreflect.DoubleKind:
		if x, err := strconv.ParseFloat(node.Value, 64); (tag == "!!int" || tag == "!!float") && err == nil {
			return protoreflect.ValueOfFloat64(x), true
		}
		d.add(path, node, "%q is not allowed; it must be a figure", node.Value)
	default:
		d.add(path, node, "cannot be given in a sheet")
	}
	return protoreflect.Value{}, false
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func names(fields protoreflect.FieldDescriptors) string {
	all := make([]string, fields.Len())
	for i := range all {
		all[i] = fields.Get(i).TextName()
	}
	return strings.Join(all, ", ")
}

// words is the words of an enumeration but for the one that means "not set".
func words(enum protoreflect.EnumDescriptor) string {
	var all []string
	for i := range enum.Values().Len() {
		if v := enum.Values().Get(i); v.Number() != 0 {
			all = append(all, string(v.Name()))
		}
	}
	return strings.Join(all, ", ")
}
