package record_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// The known answers are of values under dots, so that they are written here as
// the sources do: "a1:v1 b1:v3" are the versions v1 by a's first change and v3 by
// b's first.

var nothing clock.Context

const (
	repA clock.Replica = iota + 1
	repB
	repC
)

// write is a change of one field to a string, or to nothing, by somebody who had
// seen the given dots of the record.
func write(now record.Record, by clock.Replica, seen clock.Context, number uint32, value string) record.Change {
	v := record.Value{Number: number}
	if value != "" {
		v.Bytes = bytesField(number, []byte(value))
	}
	n := now.Seen.Next(by).N
	return record.Change{
		Replica: by, Seq: n, N: n, Key: defectKey,
		Origin: record.Origin{At: clock.HybridAt(1e12, 0)},
		Writes: now.Edit(seen, []record.Value{v}),
	}
}

// put is write, joined.
func put(now record.Record, by clock.Replica, seen clock.Context, value string) record.Record {
	now.Key = defectKey
	return record.Join(now, write(now, by, seen, text, value).Delta())
}

// show writes a field's versions as the sources do; "a3" is one that clears the
// field.
func show(r record.Record, number uint32) string {
	var out []string
	for _, v := range r.Field(number).Versions {
		word := fmt.Sprintf("%c%d", 'a'+byte(v.Dot.Replica-1), v.Dot.N)
		if len(v.Value) > 0 {
			_, _, n := protowire.ConsumeTag(v.Value)
			content, _ := protowire.ConsumeString(v.Value[n:])
			word += ":" + content
		}
		out = append(out, word)
	}
	return strings.Join(out, " ")
}

func dot(r clock.Replica, n uint64) clock.Dot { return clock.Dot{Replica: r, N: n} }

// Source: ricardobcl/Dotted-Version-Vectors, README and the tests of dvvset.erl.
// An entry a:2[v2,v1] of theirs is "a1:v1 a2:v2" here; a:2[] is no version, and
// dots a1 and a2 seen.
func TestWritesFollowDottedVersionVectors(t *testing.T) {
	v1 := put(record.Record{}, repA, nothing, "v1")
	v2 := put(v1, repA, clock.Upto(repA, 1), "v2")
	blind2 := put(v1, repA, nothing, "v2")
	blind3 := put(blind2, repA, clock.Upto(repA, 1), "v3")
	v3AtB := put(v2, repB, clock.Upto(repA, 2), "v3")
	v3AtC := put(v2, repC, clock.Upto(repA, 2), "v3")
	for _, row := range []struct {
		name string
		got  record.Record
		want string
	}{
		{"v1 by a, blind", v1, "a1:v1"},
		{"v2 with context a1 at a", v2, "a2:v2"},
		{"then v3 with a2 at b", v3AtB, "b1:v3"},
		{"instead v4 with a1 at b", put(v2, repB, clock.Upto(repA, 1), "v4"), "a2:v2 b1:v4"},
		{"instead v5 with a1 at a: a conflict at one replica", put(v2, repA, clock.Upto(repA, 1), "v5"), "a2:v2 a3:v5"},
		{"v1 blind, v2 blind", blind2, "a1:v1 a2:v2"},
		{"then v3 with a1: only v1 goes", blind3, "a2:v2 a3:v3"},
		{"then read all, write v4", put(blind3, repA, blind3.Seen, "v4"), "a4:v4"},
		{"a1 known and gone joins a1 v1, a2 v2", record.Join(gone(repA, 1), blind2), "a2:v2"},
		{"the same, other order", record.Join(blind2, gone(repA, 1)), "a2:v2"},
		{"a v1 with b v2", record.Join(v1, put(record.Record{}, repB, nothing, "v2")), "a1:v1 b1:v2"},
		{"the same value from b and c over a2", record.Join(v3AtB, v3AtC), "b1:v3 c1:v3"},
		{"the same, other order", record.Join(v3AtC, v3AtB), "b1:v3 c1:v3"},
	} {
		if got := show(row.got, text); got != row.want {
			t.Errorf("%s: got %q, want %q", row.name, got, row.want)
		}
	}
	if seen := record.Join(v3AtB, v3AtC).Seen; !seen.Equal(clock.ContextOf(dot(repA, 1), dot(repA, 2), dot(repB, 1), dot(repC, 1))) {
		t.Errorf("seen after both: %x, want a2 b1 c1", seen.Append(nil))
	}
}

// gone is a state in which the replica's first n changes were seen and left no
// version.
func gone(r clock.Replica, n uint64) record.Record {
	return record.Record{Key: defectKey, Seen: clock.Upto(r, n)}
}

// Source: the two scenarios of the same README: 101 writes by two clients leave
// two values, and never more than three, where plain version vectors leave 101.
func TestAlternatingWritersLeaveTwoValues(t *testing.T) {
	t.Run("one is blind, one reads before the other's write", func(t *testing.T) {
		now := put(record.Record{}, repA, nothing, "blind")
		for range 50 {
			read := now.Seen
			now = put(now, repA, nothing, "blind")
			atMostThree(t, now)
			now = put(now, repA, read, "read")
			atMostThree(t, now)
		}
		if got := len(now.Field(text).Versions); got != 2 || now.Seen.Last(repA) != 101 {
			t.Errorf("%d values after %d writes, want 2 after 101", got, now.Seen.Last(repA))
		}
	})
	t.Run("each reads only after its own write", func(t *testing.T) {
		var now record.Record
		var read [2]clock.Context
		for i := range 101 {
			now = put(now, repA, read[i%2], "v")
			read[i%2] = now.Seen
			atMostThree(t, now)
		}
		if got := len(now.Field(text).Versions); got != 2 {
			t.Errorf("%d values after 101 writes, want 2", got)
		}
	})
}

func atMostThree(t *testing.T, r record.Record) {
	t.Helper()
	if len(r.Field(text).Versions) > 3 {
		t.Fatalf("more than three values: %s", show(r, text))
	}
}

// Source: Almeida, Shoker, Baquero (arXiv 1410.2803, 1603.01529); the values
// are those of the authors' own code, CBaquero/delta-enabled-crdts.
func TestRegisterFollowsTheAuthorsOwnCode(t *testing.T) {
	x := put(record.Record{}, repA, nothing, "hello")
	x = put(x, repA, x.Seen, "world")
	y := put(record.Record{}, repB, nothing, "world")
	y = put(y, repB, y.Seen, "hello")
	both := record.Join(x, y)
	if got := show(both, text); got != "a2:world b2:hello" {
		t.Errorf("x writes hello, world; y writes world, hello: got %q", got)
	}
	if !both.Seen.Equal(clock.Upto(repA, 2).Join(clock.Upto(repB, 2))) {
		t.Errorf("context %x, want x2 y2", both.Seen.Append(nil))
	}
	settled := record.Join(y, put(both, repA, both.Seen, "hello world"))
	if got := show(settled, text); got != "a3:hello world" {
		t.Errorf("then x writes and the other copy joins: got %q", got)
	}
	if !settled.Seen.Equal(clock.Upto(repA, 3).Join(clock.Upto(repB, 2))) {
		t.Errorf("context %x, want x3 y2", settled.Seen.Append(nil))
	}
}

// The out-of-order rows are ours, after the join of the same papers: d1 says
// leak, d2 says horn in another field, d3 clears what d1 said, y1 says leak
// again without having seen d3. A field cleared by a write has that write's empty
// version, where their set has none.
func outOfOrder() (d1, d2, d3, y1 record.Change) {
	d1 = write(record.Record{}, repA, nothing, text, "leak")
	d2 = write(d1.Delta(), repA, nothing, unknown, "horn")
	d3 = write(record.Join(d1.Delta(), d2.Delta()), repA, d1.Delta().Seen, text, "")
	y1 = write(record.Record{}, repB, nothing, text, "leak")
	return d1, d2, d3, y1
}

func TestDeltasOutOfOrder(t *testing.T) {
	d1, d2, d3, y1 := outOfOrder()
	for _, row := range []struct {
		name  string
		order []record.Change
		text  string
		other string
		seen  clock.Context
	}{
		{"d2 arrives first", []record.Change{d2}, "", "a2:horn", clock.ContextOf(dot(repA, 2))},
		{"then d1", []record.Change{d2, d1}, "a1:leak", "a2:horn", clock.Upto(repA, 2)},
		{"then d3", []record.Change{d2, d1, d3}, "a3", "a2:horn", clock.Upto(repA, 3)},
		{"d3 before d1 ever came", []record.Change{d3}, "a3", "", clock.ContextOf(dot(repA, 3))},
		{"then d1: it must not appear", []record.Change{d3, d1}, "a3", "", clock.ContextOf(dot(repA, 1), dot(repA, 3))},
		{"all, with y1", []record.Change{d1, d2, d3, y1}, "a3 b1:leak", "a2:horn", clock.Upto(repA, 3).With(dot(repB, 1))},
	} {
		got := joinAll(defectKey, row.order)
		if show(got, text) != row.text || show(got, unknown) != row.other || !got.Seen.Equal(row.seen) {
			t.Errorf("%s: text %q, other %q, seen %x", row.name, show(got, text), show(got, unknown), got.Seen.Append(nil))
		}
	}
}

func TestEveryOrderOfFiveDeltasGivesOneState(t *testing.T) {
	d1, d2, d3, y1 := outOfOrder()
	five := []record.Change{d1, d2, d3, y1, d1}
	want := model{five}.record(defectKey)
	orders := 0
	permute(five, func(order []record.Change) {
		orders++
		mustEqual(t, fmt.Sprintf("order %d", orders), joinAll(defectKey, order), want)
	})
	if orders != 120 {
		t.Fatalf("%d orders were tried, want 120", orders)
	}
}

func permute(list []record.Change, use func([]record.Change)) {
	var rest func(k int)
	list = slices.Clone(list)
	rest = func(k int) {
		if k == len(list) {
			use(list)
			return
		}
		for i := k; i < len(list); i++ {
			list[k], list[i] = list[i], list[k]
			rest(k + 1)
			list[k], list[i] = list[i], list[k]
		}
	}
	rest(0)
}
