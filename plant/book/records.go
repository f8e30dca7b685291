package book

import (
	"errors"
	"fmt"
	"iter"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// record is a message that has an id of its own.
type record interface {
	proto.Message
	GetId() string
}

func keyText(m proto.Message) string {
	id := m.ProtoReflect().Descriptor().Fields().ByName("id")
	return string(m.ProtoReflect().Descriptor().Name()) + "/" + m.ProtoReflect().Get(id).String()
}

// get reads a record, with what its entry says filled in. The record is nil if
// there is none.
func get[T record](r store.Reader, id string) (T, error) {
	var none T
	if id == "" {
		return none, nil
	}
	e, ok, err := r.Get(none, id)
	if err != nil || !ok {
		return none, err
	}
	return filled[T](e)
}

// all reads a sequence to its end. Records in it are filled in like by get.
func all[T record](seq iter.Seq2[store.Entry, error]) ([]T, error) {
	var out []T
	for m, err := range each[T](seq) {
		if err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, nil
}

func each[T record](seq iter.Seq2[store.Entry, error]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for e, err := range seq {
			var m T
			if err == nil {
				m, err = filled[T](e)
			}
			if !yield(m, err) || err != nil {
				return
			}
		}
	}
}

// listBy reads the records of a kind by a field, oldest first.
func listBy[T record](r store.Reader, field, value string) ([]T, error) {
	var kind T
	return all[T](r.ListBy(kind, field, value, false))
}

// list reads all records of a kind by id.
func list[T record](r store.Reader) ([]T, error) {
	var kind T
	return all[T](r.List(kind, ""))
}

// filled sets the computed fields that an entry tells.
func filled[T record](e store.Entry) (T, error) {
	m, ok := e.Message.(T)
	if !ok {
		return m, fmt.Errorf("the store gave %T where %T was asked for", e.Message, m)
	}
	if m.GetId() == "" {
		return m, errors.New("the store gave a record without an id")
	}
	tag := etagOf(e).text(m)
	switch m := any(m).(type) {
	case *bothyv1.Site:
		m.Etag = tag
	case *bothyv1.Person:
		m.Etag = tag
	case *bothyv1.Machine:
		m.Etag = tag
	case *bothyv1.Hold:
		m.Etag = tag
	case *bothyv1.Check:
		m.AcceptedAt = timestamppb.New(e.CreatedAt)
	case *bothyv1.Amendment:
		m.AcceptedAt = timestamppb.New(e.CreatedAt)
	case *bothyv1.Defect:
		m.Etag = tag
		m.ReportedAt = timestamppb.New(e.CreatedAt)
		m.ConflictingFields = jsonNames(m, e.Conflicting)
	}
	return m, nil
}

// jsonNames turns fields of a message from their proto names.
func jsonNames(m proto.Message, names []string) []string {
	var out []string
	for _, name := range names {
		if fd := m.ProtoReflect().Descriptor().Fields().ByTextName(name); fd != nil {
			out = append(out, fd.JSONName())
		}
	}
	return out
}
