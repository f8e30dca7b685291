package book

import (
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/bothy-mesh/bothy/plant"
)

// etagGiven is the etag with which a record was read, which an edit needs.
func etagGiven(field, text string, before proto.Message) (etag, plant.Violations) {
	var v violations
	seen, ok := parseEtag(text, before)
	switch {
	case text == "":
		v.add(field, "is missing; send the etag of what you read, so that nobody's word is lost")
	case !ok:
		v.add(field, "was not given for this record; read it again and send its etag")
	}
	return seen, plant.Violations(v)
}

// copyFields sets fields of a record as another one has them.
func copyFields(to, from proto.Message, fields []string) {
	source := proto.Clone(from).ProtoReflect()
	for _, name := range fields {
		fd := source.Descriptor().Fields().ByName(protoreflect.Name(name))
		to.ProtoReflect().Clear(fd)
		if source.Has(fd) {
			to.ProtoReflect().Set(fd, source.Get(fd))
		}
	}
}

// about is those violations of a record's rules that speak of some fields, which
// are named as in proto; path is the record's own.
func about(rules plant.Violations, path string, m proto.Message, fields []string) plant.Violations {
	names := jsonNames(m, fields)
	var v plant.Violations
	for _, w := range rules {
		first, _, _ := strings.Cut(strings.TrimPrefix(w.Field, path+"."), ".")
		first, _, _ = strings.Cut(first, "[")
		for _, name := range names {
			if name == first {
				v = append(v, w)
			}
		}
	}
	return v
}
