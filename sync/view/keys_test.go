package view

import (
	"bytes"
	"encoding/hex"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// What is on a disk must be read by all later programs: these bytes do not change
// without a new format number.
func TestKeysHaveTheirGoldenBytes(t *testing.T) {
	id := record.ID{Replica: 0x1122334455667788, Seq: 3}
	d14 := record.Key{Kind: 2, ID: "d-14"}
	at := clock.HybridAt(0x018bcfe56800, 7)
	long := strings.Repeat("x", maxListed+1)
	for name, c := range map[string]struct {
		key  []byte
		want string
	}{
		"format":             {formatKey, "01"},
		"lists":              {listsKey, "02"},
		"count":              {countKey{prefixRecord, 6}.bytes(), "03 12 00000006"},
		"log end":            {logEndKey(4), "04 04"},
		"held":               {heldKey(id.Replica), "05 1122334455667788"},
		"change":             {changeKey(id), "10 1122334455667788 0000000000000003"},
		"history":            {historyKey{d14, at, id}.bytes(), "11 00000002 04 642d3134 018bcfe568000007 1122334455667788 0000000000000003"},
		"record":             {recordKey(d14), "12 00000002 642d3134"},
		"list":               {listKey{6, 2, listed("d-14"), at, "c"}.bytes(), "13 00000006 00000002 04 642d3134 018bcfe568000007 63"},
		"list, empty value":  {listKey{6, 2, listed(""), at, "c"}.bytes(), "13 00000006 00000002 00 018bcfe568000007 63"},
		"list, hashed value": {listKey{6, 2, listed(long), at, "c"}.bytes(), "13 00000006 00000002 ff 0ec9eb33e74510bcdd1f2ea55206e82f21649c5c2becbf2b433eb475b34c01bd 018bcfe568000007 63"},
		"log":                {logKey(1, 258), "14 01 0000000000000102"},
		"local":              {localKey("receipt"), "20 72656365697074"},
	} {
		want, err := hex.DecodeString(strings.ReplaceAll(c.want, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(c.key, want) {
			t.Errorf("%s: got %x, want %x", name, c.key, want)
		}
	}
}

func TestRowsHaveTheirGoldenBytes(t *testing.T) {
	id := record.ID{Replica: 0x1122334455667788, Seq: 3}
	chain := chainStart(id.Replica)
	for name, c := range map[string]struct {
		row  []byte
		want string
	}{
		"format":  {formatRow{1, 0x0102030405060708}.bytes(), "00000001 0102030405060708"},
		"count":   {countRow(300), "ac02"},
		"log end": {logEnd{5, 0xfeed}.bytes(), "0000000000000005 000000000000feed"},
		"held": {held{[]span{{1, 3}, {7, 7}}, chain}.bytes(),
			"02 01 02 04 00" + hex.EncodeToString(chain[:])},
		"history": {historyRow{lane: 2, from: Hub, size: 300}.bytes(), "02 01 ac02"},
		"record": {recordRow{created: 9, slowest: 2, canonical: []byte{0xaa}}.bytes(),
			"0000000000000009 02 aa"},
		"log": {Entry{ID: id, Key: record.Key{Kind: 2, ID: "d-14"}, Size: 300, At: 9, From: Peer, Mark: 0xfeed}.bytes(),
			"1122334455667788 0000000000000003 0000000000000009 000000000000feed 02 02 ac02 04 642d3134"},
		// The check value of CRC-32C is e3069283 for "123456789" (RFC 7143, and
		// the catalogue of parametrised CRC algorithms, CRC-32/ISCSI).
		"envelope": {seal([]byte("1234"), []byte("56789")), "05 e3069283 3536373839"},
	} {
		want, err := hex.DecodeString(strings.ReplaceAll(c.want, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(c.row, want) {
			t.Errorf("%s: got %x, want %x", name, c.row, want)
		}
	}
}

// The first hash of a chain, worked out with another program:
// printf '\x11\x22\x33\x44\x55\x66\x77\x88' | sha256sum
func TestChainStartsWithTheReplicasID(t *testing.T) {
	got := chainStart(0x1122334455667788)
	const want = "1dce6604591efb439d5e87418a1d00dbfd014327d8c4dea862815714b76ae9a5"
	if hex.EncodeToString(got[:]) != want {
		t.Errorf("got %x, want %s", got, want)
	}
}

// Any parts go into a key and come out of it again, and keys are in the order of
// their parts.
func TestKeysRoundTripInOrder(t *testing.T) {
	texts := rapid.StringOfN(rapid.SampledFrom([]rune("\x00\x01ab\xff")), 1, 4, -1)
	recordKeys := rapid.Custom(func(t *rapid.T) record.Key {
		return record.Key{Kind: rapid.Uint32Range(1, 3).Draw(t, "kind"), ID: texts.Draw(t, "id")}
	})
	ids := rapid.Custom(func(t *rapid.T) record.ID {
		return record.ID{Replica: clock.Replica(rapid.Uint64().Draw(t, "replica")), Seq: rapid.Uint64().Draw(t, "seq")}
	})
	hybrids := rapid.Custom(func(t *rapid.T) clock.Hybrid { return clock.Hybrid(rapid.Uint64().Draw(t, "at")) })
	lanes := rapid.Custom(func(t *rapid.T) record.Lane {
		return record.Lane(rapid.Uint8Range(0, record.Lanes-1).Draw(t, "lane"))
	})

	t.Run("count", func(t *testing.T) {
		roundTrip(t, rapid.Custom(func(t *rapid.T) countKey {
			return countKey{rapid.Byte().Draw(t, "prefix"), rapid.Uint32().Draw(t, "kind")}
		}), countKey.bytes, decodeCountKey, func(a, b countKey) int {
			return or(int(a.prefix)-int(b.prefix), compare(a.kind, b.kind))
		})
	})
	t.Run("log end", func(t *testing.T) {
		roundTrip(t, lanes, logEndKey, decodeLogEndKey, compare)
	})
	t.Run("held", func(t *testing.T) {
		roundTrip(t, rapid.Custom(func(t *rapid.T) clock.Replica { return ids.Draw(t, "id").Replica }),
			heldKey, decodeHeldKey, compare)
	})
	t.Run("change", func(t *testing.T) {
		roundTrip(t, ids, changeKey, decodeChangeKey, compareIDs)
	})
	t.Run("history", func(t *testing.T) {
		roundTrip(t, rapid.Custom(func(t *rapid.T) historyKey {
			return historyKey{recordKeys.Draw(t, "key"), hybrids.Draw(t, "at"), ids.Draw(t, "id")}
		}), historyKey.bytes, decodeHistoryKey, func(a, b historyKey) int {
			return or(compare(a.key.Kind, b.key.Kind), compare(len(a.key.ID), len(b.key.ID)), compare(a.key.ID, b.key.ID),
				compare(a.at, b.at), compareIDs(a.id, b.id))
		})
	})
	t.Run("record", func(t *testing.T) {
		roundTrip(t, recordKeys, recordKey, decodeRecordKey, record.Key.Compare)
	})
	t.Run("list", func(t *testing.T) {
		roundTrip(t, rapid.Custom(func(t *rapid.T) listKey {
			value := rapid.StringN(0, 2*maxListed, -1).Draw(t, "value")
			return listKey{rapid.Uint32Range(1, 2).Draw(t, "kind"), rapid.Uint32Range(1, 2).Draw(t, "field"),
				listed(value), hybrids.Draw(t, "created"), texts.Draw(t, "id")}
		}), listKey.bytes, decodeListKey, func(a, b listKey) int {
			return or(compare(a.kind, b.kind), compare(a.field, b.field), bytes.Compare(a.value, b.value),
				compare(a.created, b.created), compare(a.id, b.id))
		})
	})
	t.Run("log", func(t *testing.T) {
		type place struct {
			lane record.Lane
			pos  uint64
		}
		roundTrip(t, rapid.Custom(func(t *rapid.T) place {
			return place{lanes.Draw(t, "lane"), rapid.Uint64().Draw(t, "pos")}
		}), func(p place) []byte { return logKey(p.lane, p.pos) }, func(b []byte) (p place, ok bool) {
			p.lane, p.pos, ok = decodeLogKey(b)
			return p, ok
		}, func(a, b place) int { return or(compare(a.lane, b.lane), compare(a.pos, b.pos)) })
	})
	t.Run("local", func(t *testing.T) {
		roundTrip(t, texts, localKey, decodeLocalKey, compare)
	})
}

func roundTrip[T any](t *testing.T, parts *rapid.Generator[T], encode func(T) []byte, decode func([]byte) (T, bool), order func(a, b T) int) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := parts.Draw(t, "a"), parts.Draw(t, "b")
		back, ok := decode(encode(a))
		if !ok || !reflect.DeepEqual(back, a) {
			t.Fatalf("%v came back as %v (%v)", a, back, ok)
		}
		if got, want := bytes.Compare(encode(a), encode(b)), order(a, b); sign(got) != sign(want) {
			t.Fatalf("order of %v and %v: keys %d, parts %d", a, b, got, want)
		}
	})
}

func sign(n int) int { return min(max(n, -1), 1) }

func or(orders ...int) int {
	for _, o := range orders {
		if o != 0 {
			return o
		}
	}
	return 0
}

func compare[T ~string | ~uint8 | ~uint32 | ~uint64 | ~int](a, b T) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func compareIDs(a, b record.ID) int {
	return or(compare(a.Replica, b.Replica), compare(a.Seq, b.Seq))
}

// A walk in reverse starts beyond every key of its prefix, however full of 0xff.
func TestLastOfIsBeyondAllKeys(t *testing.T) {
	list := listPrefix(6, 2, listed("d-14"))
	full := listKey{6, 2, listed("d-14"), ^clock.Hybrid(0), strings.Repeat("\xff", record.MaxID)}.bytes()
	if bytes.Compare(lastOf(list), full) <= 0 {
		t.Error("a list has a key beyond the start of its walk in reverse")
	}
	if bytes.Compare(lastOf([]byte{prefixLocal}), localKey(strings.Repeat("\xff", MaxName))) <= 0 {
		t.Error("a local name is beyond the start of its walk in reverse")
	}
}

// held against a plain set.
func TestHeldIsASetOfSeqs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var h held
		model := map[uint64]bool{}
		for _, seq := range rapid.SliceOfN(rapid.Uint64Range(1, 12), 0, 40).Draw(t, "seqs") {
			if model[seq] {
				h.drop(seq)
			} else {
				h.add(seq)
			}
			model[seq] = !model[seq]
		}
		agrees(t, h, model)
		if len(h.ranges) > 0 {
			back, ok := decodeHeld(h.bytes())
			if !ok || !slices.Equal(back.ranges, h.ranges) {
				t.Fatalf("%v came back as %v", h.ranges, back.ranges)
			}
		}
		from := rapid.Uint64Range(0, 13).Draw(t, "from")
		due := h.from(from)
		for seq := from; seq < 14; seq++ {
			if model[seq] && !due.next(seq) {
				t.Fatalf("%v from %d: %d was not expected", h.ranges, from, seq)
			}
		}
		if len(due) > 0 {
			t.Fatalf("%v from %d: still expected %v", h.ranges, from, due)
		}
	})
}

func agrees(t *rapid.T, h held, model map[uint64]bool) {
	dots := h.context(9)
	size, base := uint64(0), uint64(0)
	for seq := uint64(1); seq < 14; seq++ {
		if h.has(seq) != model[seq] || dots.Has(clock.Dot{Replica: 9, N: seq}) != model[seq] {
			t.Fatalf("%v: seq %d: model says %v", h.ranges, seq, model[seq])
		}
		if model[seq] {
			size++
			if base == seq-1 {
				base = seq
			}
		}
	}
	if h.size() != size || h.base() != base {
		t.Fatalf("%v: size %d base %d, want %d and %d", h.ranges, h.size(), h.base(), size, base)
	}
	for i, r := range h.ranges {
		if r.first > r.last || i > 0 && r.first <= h.ranges[i-1].last+1 {
			t.Fatalf("%v: range %v", h.ranges, r)
		}
	}
}

// Whatever a decoder takes, the encoder gives back: there is one form.
func FuzzRows(f *testing.F) {
	f.Add([]byte{0, 0, 0, 1, 1, 2, 3, 4, 5, 6, 7, 8})
	f.Add(held{[]span{{1, 3}, {7, 7}}, chainStart(1)}.bytes())
	f.Add(historyRow{lane: 2, from: Hub, size: 300}.bytes())
	f.Add(Entry{ID: record.ID{Replica: 1, Seq: 1}, Key: record.Key{Kind: 2, ID: "d-14"}, Size: 1}.bytes())
	c := record.Change{Replica: 1, Seq: 1, N: 1, Key: record.Key{Kind: 2, ID: "d"}, Writes: []record.Write{{Number: 5}}}
	row, _ := recordRow{}.with(c)
	f.Add(row.bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		same := func(what string, ok bool, back func() []byte) {
			if ok && !bytes.Equal(back(), b) {
				t.Errorf("%s: %x came back as %x", what, b, back())
			}
		}
		format, ok := decodeFormatRow(b)
		same("format", ok, format.bytes)
		n, ok := decodeCountRow(b)
		same("count", ok, func() []byte { return countRow(n) })
		end, ok := decodeLogEnd(b)
		same("log end", ok, end.bytes)
		h, ok := decodeHeld(b)
		same("held", ok, h.bytes)
		history, ok := decodeHistoryRow(b)
		same("history", ok, history.bytes)
		entry, ok := decodeEntry(1, b)
		same("log", ok, entry.bytes)
		r, ok := decodeRecordRow(b)
		same("record", ok, r.bytes)
	})
}

func FuzzKeys(f *testing.F) {
	id := record.ID{Replica: 7, Seq: 3}
	d14 := record.Key{Kind: 2, ID: "d-14"}
	for _, k := range [][]byte{
		{prefixCount, prefixRecord, 0, 0, 0, 6}, logEndKey(1), heldKey(7), changeKey(id), historyKey{d14, 9, id}.bytes(),
		recordKey(d14), listKey{6, 2, listed("d-14"), 9, "c"}.bytes(), logKey(2, 9), localKey("x"),
	} {
		f.Add(k)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		var back [][]byte
		if k, ok := decodeCountKey(b); ok {
			back = append(back, k.bytes())
		}
		if lane, ok := decodeLogEndKey(b); ok {
			back = append(back, logEndKey(lane))
		}
		if r, ok := decodeHeldKey(b); ok {
			back = append(back, heldKey(r))
		}
		if id, ok := decodeChangeKey(b); ok {
			back = append(back, changeKey(id))
		}
		if k, ok := decodeHistoryKey(b); ok {
			back = append(back, k.bytes())
		}
		if k, ok := decodeRecordKey(b); ok {
			back = append(back, recordKey(k))
		}
		if k, ok := decodeListKey(b); ok {
			back = append(back, k.bytes())
		}
		if lane, pos, ok := decodeLogKey(b); ok {
			back = append(back, logKey(lane, pos))
		}
		if name, ok := decodeLocalKey(b); ok {
			back = append(back, localKey(name))
		}
		if len(back) > 1 || len(back) == 1 && !bytes.Equal(back[0], b) {
			t.Errorf("%x came back as %x", b, back)
		}
	})
}

// A value that is not the one that was sealed under this key is damage, whatever
// single byte differs, and so is an empty one.
func TestEnvelopeShowsDamage(t *testing.T) {
	key, row := recordKey(record.Key{Kind: 2, ID: "d-14"}), []byte("what the record says")
	value := seal(key, row)
	if b, err := unseal(key, value); err != nil || !bytes.Equal(b, row) {
		t.Fatalf("sealed and unsealed: %q, %v", b, err)
	}
	damaged := [][]byte{nil, {}, value[:len(value)-1], append(slices.Clone(value), 0)}
	for i := range value {
		for bit := range 8 {
			b := slices.Clone(value)
			b[i] ^= 1 << bit
			damaged = append(damaged, b)
		}
	}
	for _, b := range damaged {
		checkDamage(t, key, b)
	}
	checkDamage(t, recordKey(record.Key{Kind: 2, ID: "d-15"}), value)
}

func checkDamage(t *testing.T, key, value []byte) {
	t.Helper()
	_, err := unseal(key, value)
	if err == nil || !strings.Contains(err.Error(), "record row") {
		t.Errorf("value %x: got %v, want damage of a record row", value, err)
	}
}
