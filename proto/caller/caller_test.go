package caller_test

import (
	"context"
	"testing"

	"github.com/bothy-mesh/bothy/proto/caller"
)

func TestPersonIsTheLastOneNamed(t *testing.T) {
	ctx := context.Background()
	if got := caller.Person(ctx); got != "" {
		t.Errorf("nobody was named, got %q", got)
	}
	ctx = caller.WithPerson(ctx, "a.bell")
	inner := caller.WithPerson(ctx, "")
	if got := caller.Person(ctx); got != "a.bell" {
		t.Errorf("got %q, want a.bell", got)
	}
	if got := caller.Person(inner); got != "" {
		t.Errorf("the inner context names nobody, got %q", got)
	}
}
