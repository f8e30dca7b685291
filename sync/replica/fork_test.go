package replica

import (
	"slices"
	"testing"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// The dots of an id under which two histories were written say nothing of what a
// writer had seen, so a parted change replaces none of them; those of others stay.
func TestAPartedChangeReplacesNothingOfItsOldID(t *testing.T) {
	old, other := clock.Replica(5), clock.Replica(9)
	c := record.Change{
		Replica: old, Seq: 4, N: 2, Key: record.Key{Kind: 8, ID: "x"}, Origin: record.Origin{Ahead: clock.UnknownAhead},
		Writes: []record.Write{{Number: 5, Replaces: []clock.Dot{{Replica: old, N: 1}, {Replica: other, N: 3}}}},
	}
	parted := underOwnHash(c)
	if got, want := parted.Writes[0].Replaces, []clock.Dot{{Replica: other, N: 3}}; !slices.Equal(got, want) {
		t.Errorf("replaces %v, want %v", got, want)
	}
	if parted.Replica == old || parted.Seq != 1 || parted.N != 1 || parted.Validate() != nil {
		t.Errorf("parted as %v, change %d, number %d: %v", parted.Replica, parted.Seq, parted.N, parted.Validate())
	}
	if len(c.Writes[0].Replaces) != 2 {
		t.Error("the change itself was altered")
	}
	if again := underOwnHash(c); again.Replica != parted.Replica {
		t.Error("the same change is parted under two ids")
	}
	c.Author = "somebody else"
	if underOwnHash(c).Replica == parted.Replica {
		t.Error("two changes are parted under one id")
	}
}
