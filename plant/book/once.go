package book

import (
	"context"
	"crypto/sha256"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/fault"
	"github.com/bothy-mesh/bothy/proto/store"
)

// requestIDMax is the length of a request id: a UUID with a word before it has
// room.
const requestIDMax = 64

// request is a request to write.
type request interface {
	proto.Message
	GetRequestId() string
}

// actor is who acts.
type actor struct {
	id string
	// person as the register has them; nil if it does not.
	person *bothyv1.Person
}

func actorOf(r store.Reader, id string) (actor, error) {
	p, err := get[*bothyv1.Person](r, id)
	return actor{id, p}, err
}

// asOperator is the actor for what everybody may do.
func (a actor) asOperator() *bothyv1.Person {
	if a.person == nil {
		return &bothyv1.Person{Id: a.id, Role: bothyv1.Role_OPERATOR}
	}
	return a.person
}

func (a actor) isOffice() bool { return a.person.GetRole() == bothyv1.Role_OFFICE }

// once does what a request of the acting person asks for, in one transaction,
// or finds that it was done before. It gives the ids of the records that the
// answer consists of, as do gave them the first time.
func (b *Book) once(ctx context.Context, req request, do func(w store.Writer, by actor) ([]string, error)) ([]string, error) {
	id, err := acting(ctx)
	if err != nil {
		return nil, err
	}
	if v := append(sane(req), validRequestID(req)...); len(v) > 0 {
		return nil, refusal(v)
	}
	print, err := printOf(id, req)
	if err != nil {
		return nil, err
	}
	var ids []string
	err = b.store.Write(ctx, id, func(w store.Writer) error {
		done, err := remembered(w, req.GetRequestId(), print)
		if err != nil || done != nil {
			ids = done
			return err
		}
		by, err := actorOf(w, id)
		if err != nil {
			return err
		}
		if ids, err = do(w, by); err != nil || req.GetRequestId() == "" {
			return err
		}
		return w.Remember(req.GetRequestId(), store.Memory{Print: print, IDs: ids, At: b.options.Clock()})
	})
	if err != nil {
		return nil, refusal(err)
	}
	return ids, nil
}

// remembered is the ids of the records that the same request made; nil if the
// request id is new.
func remembered(r store.Reader, requestID string, print [32]byte) ([]string, error) {
	if requestID == "" {
		return nil, nil
	}
	m, ok, err := r.Remembered(requestID)
	switch {
	case err != nil || !ok:
		return nil, err
	case m.Print != print:
		return nil, fault.Clash(requestID)
	}
	return append([]string{}, m.IDs...), nil
}

// printOf tells requests apart: by kind, person, and everything that is asked.
func printOf(person string, req request) ([32]byte, error) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return [32]byte{}, fmt.Errorf("print of %s: %w", req.ProtoReflect().Descriptor().Name(), err)
	}
	head := fmt.Sprintf("%s\n%s\n", req.ProtoReflect().Descriptor().FullName(), person)
	return sha256.Sum256(append([]byte(head), b...)), nil
}

// needsRequestID holds for requests whose repetition would make a second record.
func needsRequestID(req request) bool {
	switch req.(type) {
	case *bothyv1.CreateCheckRequest, *bothyv1.AmendCheckRequest, *bothyv1.CreateDefectRequest, *bothyv1.HoldMachineRequest:
		return true
	}
	return false
}

func validRequestID(req request) plant.Violations {
	id := req.GetRequestId()
	var v violations
	switch {
	case id == "" && needsRequestID(req):
		v.add("requestId", "is missing; make up one for every request, so that repeating it does no harm")
	case len(id) > requestIDMax:
		v.add("requestId", "has %d bytes; at most %d are allowed", len(id), requestIDMax)
	case strings.ContainsFunc(id, func(r rune) bool { return r < ' ' || r > '~' }):
		v.add("requestId", "is %q; only printable ASCII characters are allowed", id)
	}
	return plant.Violations(v)
}
