// Package caller carries who acts: the person that a request names, from the
// edge of the server to the code that writes the record. It imports nothing, so
// that the trade can ask it without knowing of gRPC or HTTP.
//
// The name is a claim of whoever sent the request. What that person may do, and
// whether anybody knows them, is for the trade to judge.
package caller

import "context"

type personKey struct{}

// WithPerson gives a context in which that person acts. The id is a person's
// id; empty means that nobody is named.
func WithPerson(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, personKey{}, id)
}

// Person is the id of the person who acts, empty if nobody is named.
func Person(ctx context.Context) string {
	id, _ := ctx.Value(personKey{}).(string)
	return id
}
