package plant_test

import (
	"fmt"
	"slices"
	"strconv"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// merged is a deliberately dumb model of how a defect reads after writes that
// were made without having seen each other, all on the same base: a field that
// one write sets reads as that, one that several set reads by the rule that the
// field declares. LATEST takes the last write given.
func merged(base *bothyv1.Defect, writes ...plant.DefectWrite) *bothyv1.Defect {
	read := proto.CloneOf(base).ProtoReflect()
	fields := read.Descriptor().Fields()
	for i := range fields.Len() {
		field := fields.Get(i)
		rule := proto.GetExtension(field.Options(), bothyv1.E_Merge).(*bothyv1.Merge).GetRule()
		set := false
		for _, w := range writes {
			if !slices.Contains(w.Fields, field.TextName()) {
				continue
			}
			other := w.Defect.ProtoReflect()
			if !set || prefer(rule, field, other, read) {
				read.Clear(field)
				if other.Has(field) {
					read.Set(field, other.Get(field))
				}
			}
			if set && rule == bothyv1.Rule_UNION {
				panic("the model has no union of two writes; give the test one")
			}
			set = true
		}
	}
	return proto.CloneOf(read.Interface().(*bothyv1.Defect))
}

// prefer says whether a later write of a field is read rather than an earlier.
func prefer(rule bothyv1.Rule, field protoreflect.FieldDescriptor, later, earlier protoreflect.Message) bool {
	if rule != bothyv1.Rule_CAUTIOUS {
		return true
	}
	if field.Enum() != nil {
		return later.Get(field).Enum() < earlier.Get(field).Enum()
	}
	a := later.Get(field).Message().Interface().(*timestamppb.Timestamp)
	b := earlier.Get(field).Message().Interface().(*timestamppb.Timestamp)
	return a.AsTime().Before(b.AsTime())
}

func index(c *bothyv1.Check, point string) string {
	return strconv.Itoa(slices.IndexFunc(c.GetAnswers(), func(a *bothyv1.Answer) bool { return a.GetPoint() == point }))
}

func at(c *bothyv1.Check, point, field string) string {
	return fmt.Sprintf("check.answers[%s].%s", index(c, point), field)
}
