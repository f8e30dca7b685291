package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// opens checks that a piece of the changes opens to the same changes.
func opens(t rapid.TB, p *record.Packer, changes []record.Change) []byte {
	t.Helper()
	piece, err := p.Pack(changes)
	if err != nil {
		t.Fatal(err)
	}
	got, err := p.Open(piece)
	if err != nil {
		t.Fatalf("%x: %v", piece, err)
	}
	sameChanges(t, got, changes)
	return piece
}

func sameChanges(t rapid.TB, got, want []record.Change) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d changes of %d", len(got), len(want))
	}
	for i := range got {
		sameChange(t, got[i], want[i])
	}
}

func TestAPieceOpensToItsChanges(t *testing.T) {
	p, schema := newPacker(t), bothySchema(t)
	rapid.Check(t, func(t *rapid.T) {
		var changes []record.Change
		for range rapid.IntRange(0, 12).Draw(t, "changes") {
			changes = append(changes, drawChange(t, schema))
		}
		piece := opens(t, p, changes)
		if again, err := p.Pack(changes); err != nil || !bytes.Equal(again, piece) {
			t.Fatalf("packed again:\n got %x\nwant %x (%v)", again, piece, err)
		}
	})
}

func valueOf(tb rapid.TB, m proto.Message) []byte {
	tb.Helper()
	b, err := proto.Marshal(m)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// Every form of a column is used, and its edges are met: a column of one kind of
// value with one among them that does not fit keeps another form, to the byte.
func TestAColumnKeepsEveryValueToTheByte(t *testing.T) {
	p := newPacker(t)
	at := func(seconds int64, nanos int32) []byte {
		return valueOf(t, &bothyv1.Check{StartedAt: &timestamppb.Timestamp{Seconds: seconds, Nanos: nanos}})
	}
	hours := func(h float64) []byte { return valueOf(t, &bothyv1.Check{MeterHours: h}) }
	answers := func(notes ...string) []byte {
		var c bothyv1.Check
		for _, n := range notes {
			c.Answers = append(c.Answers, &bothyv1.Answer{Point: "p1", State: 2, Note: n})
		}
		return valueOf(t, &c)
	}
	nested := func(depth int) []byte {
		b := []byte("end")
		for range depth {
			b = bytesField(1, b)
		}
		return bytesField(9, b)
	}
	for _, column := range []struct {
		name   string
		number uint32
		common [][]byte
		odd    [][]byte
	}{
		{"words", 2, [][]byte{bytesField(2, []byte("d-14")), bytesField(2, []byte("d-15"))}, [][]byte{nil, varintField(2, 7)}},
		{"author", 5, [][]byte{bytesField(5, []byte("ewa"))}, [][]byte{nil, bytesField(5, []byte("tom"))}},
		{"seconds", 6, [][]byte{at(1e9, 0), at(0, 0), at(-1, 0), at(math.MaxInt64, 0), at(math.MinInt64, 0)},
			[][]byte{nil, at(5, 1), append(at(5, 0), at(6, 0)...), bytesField(6, nil), bytesField(6, []byte{8}), bytesField(6, []byte{8, 0x85, 0})}},
		{"tenths", 8, [][]byte{hours(0.1), hours(1234.5), hours(-7.3), hours(1<<52/10 - 1)},
			[][]byte{nil, hours(0.15), hours(math.Inf(1)), hours(math.NaN()), hours(math.Copysign(0, -1)), hours(1 << 60), append(hours(1), hours(2)...)}},
		{"messages", 9, [][]byte{answers("oil", "horn dead"), answers("cut"), nested(2), nested(12), bytesField(9, nil)},
			[][]byte{nil, bytesField(9, []byte("no message")), append(answers("x"), bytesField(9, []byte{0xff})...), {9<<3 | 2, 0x81, 0, 8}}},
		{"a tag in two bytes", 2000, [][]byte{bytesField(2000, []byte("a")), bytesField(2000, []byte("b"))}, [][]byte{nil, varintField(2000, 7)}},
		{"a tag longer than need be", 1, [][]byte{{0x8a, 0, 1, 'x'}}, [][]byte{{0x8a, 0, 1, 'y'}, bytesField(1, []byte("z"))}},
	} {
		for _, odd := range append(column.odd, column.common[0]) {
			for _, n := range []int{0, 1, 2, 7, 300} {
				var changes []record.Change
				for i := range n {
					changes = append(changes, oneWrite(uint64(i+1), column.number, column.common[i%len(column.common)]))
				}
				changes = append(changes, oneWrite(uint64(n+1), column.number, odd))
				opens(t, p, changes)
				slices.Reverse(changes)
				opens(t, p, changes)
			}
		}
	}
}

func oneWrite(seq uint64, number uint32, value []byte) record.Change {
	return record.Change{
		Replica: 3, Seq: seq, N: 1, Key: record.Key{Kind: 6, ID: record.OwnID(3, seq)}, Lane: 2,
		Origin: record.Origin{At: clock.HybridAt(1e12+int64(seq), 0), Author: "ewa"},
		Writes: []record.Write{{Number: number, Value: value}},
	}
}

func TestAFleetsChecksOpen(t *testing.T) {
	p := newPacker(t)
	changes := fleetChecks(t, bothySchema(t), 1000)
	for _, n := range pieceSizes {
		opens(t, p, changes[:n])
	}
}

// A check of this invented fleet holds about 7 bytes of news besides its texts,
// and 10 bytes of words drawn at random. The limit leaves a compressor room to
// change.
func TestAFleetsChecksTakeFewBytes(t *testing.T) {
	piece := opens(t, newPacker(t), fleetChecks(t, bothySchema(t), 1000))
	if perCheck := float64(len(piece)) / 1000; perCheck > 26 {
		t.Errorf("%.2f bytes for a check with its share of texts, want at most 26", perCheck)
	}
}

func goldenChanges(tb rapid.TB) []record.Change {
	return append(fleetChecks(tb, bothySchema(tb), 20), goldenChange(tb))
}

// A compressor may find a shorter piece some day; the old one must open for ever.
func TestGoldenPiece(t *testing.T) {
	p, changes := newPacker(t), goldenChanges(t)
	got, err := p.Open(golden(t, "piece.hex", opens(t, p, changes)))
	if err != nil {
		t.Fatal(err)
	}
	sameChanges(t, got, changes)
}

func TestAPackerServesManyAtOnce(t *testing.T) {
	p, changes := newPacker(t), goldenChanges(t)
	want := opens(t, p, changes)
	done := make(chan error)
	for range 8 {
		go func() {
			piece, err := p.Pack(changes)
			if err == nil && !bytes.Equal(piece, want) {
				err = fmt.Errorf("packed as %x", piece)
			}
			_, openErr := p.Open(want)
			done <- errors.Join(err, openErr)
		}()
	}
	for range 8 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func TestDamagedPiecesAreRefused(t *testing.T) {
	p := newPacker(t)
	packed, stored := opens(t, p, goldenChanges(t)), opens(t, p, goldenChanges(t)[20:])
	if packed[1] == stored[1] {
		t.Fatal("one of the two should be stored as it is")
	}
	for _, piece := range [][]byte{packed, stored} {
		for n := range piece {
			if _, err := p.Open(piece[:n]); !errors.Is(err, record.ErrMalformed) {
				t.Errorf("a piece cut at byte %d: %v", n, err)
			}
		}
		if _, err := p.Open(append(slices.Clone(piece), 0)); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("a piece with a byte behind it: %v", err)
		}
		flipBits(piece, 7, func(b []byte) {
			if _, err := p.Open(b); !errors.Is(err, record.ErrMalformed) {
				t.Errorf("a piece with a flipped bit: %v", err)
			}
		})
	}
}

func TestPiecesTooLargeAreRefused(t *testing.T) {
	p := newPacker(t)
	large := bytesField(text, bytes.Repeat([]byte("oil "), record.MaxValue/4-2))
	for _, row := range []struct {
		name    string
		count   int
		writes  []record.Write
		refused bool
	}{
		{"as many changes as may be", record.MaxPieceChanges, []record.Write{{Number: 1}}, false},
		{"one change more", record.MaxPieceChanges + 1, []record.Write{{Number: 1}}, true},
		{"almost as many bytes as may be", record.MaxPieceRaw/len(large) - 1, []record.Write{{Number: text, Value: large}}, false},
		{"more bytes", record.MaxPieceRaw/len(large) + 1, []record.Write{{Number: text, Value: large}}, true},
		{"as many writes as may be", record.MaxPieceWrites / record.MaxFields, manyWrites(record.MaxFields), false},
		{"more writes", record.MaxPieceWrites/record.MaxFields + 1, manyWrites(record.MaxFields), true},
	} {
		var changes []record.Change
		for i := range row.count {
			c := oneWrite(uint64(i+1), 1, nil)
			c.Writes = row.writes
			changes = append(changes, c)
		}
		if !row.refused {
			opens(t, p, changes)
		} else if _, err := p.Pack(changes); err == nil {
			t.Errorf("%s: packed", row.name)
		}
	}
}

func ExampleOwnID() {
	fmt.Println(record.OwnID(0x0123456789abcdef, 300))
	// Output: 04hmasw9nf6yy-8c
}
