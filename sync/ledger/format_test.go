package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"flag"
	"hash/crc32"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files again")

// goldenModel fills two segments of 150 bytes, with writes of one and two frames.
var goldenModel = model{[]byte("A"), []byte("brake hold 5 s"), bytes.Repeat([]byte{0, 0xff}, 40), []byte("last")}

func golden(t *testing.T) map[string][]byte {
	t.Helper()
	dir := t.TempDir()
	l := openClean(t, dir, tiny, quickDisk())
	mustAppend(t, l, goldenModel[0])
	mustAppend(t, l, goldenModel[1], goldenModel[2])
	if err := l.Pledge(2); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, l, goldenModel[3])
	mustClose(t, l)
	return files(t, dir)
}

func TestFilesAreTheGoldenOnes(t *testing.T) {
	all := golden(t)
	if *update {
		for name, b := range all {
			if err := os.WriteFile(filepath.Join("testdata", "golden", name), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(all) != 3 {
		t.Errorf("%d files", len(all))
	}
	for name, b := range all {
		want, err := os.ReadFile(filepath.Join("testdata", "golden", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b, want) {
			t.Errorf("%s:\n%x, want\n%x", name, b, want)
		}
	}
}

func TestGoldenFilesAreReadable(t *testing.T) {
	l := openClean(t, place(t, t.TempDir(), files(t, filepath.Join("testdata", "golden"))), tiny, quickDisk())
	defer l.Close()
	checkWhole(t, l, goldenModel)
	if l.ID() != testID || l.Pledged() != 2 {
		t.Errorf("id %v, pledged %d", l.ID(), l.Pledged())
	}
}

// TestGoldenFilesHoldWhatTheDocSays reads the golden files by the table of the
// package doc alone.
func TestGoldenFilesHoldWhatTheDocSays(t *testing.T) {
	all, big := files(t, filepath.Join("testdata", "golden")), binary.BigEndian
	sum := func(parts ...[]byte) uint32 {
		return crc32.Checksum(slices.Concat(parts...), crc32.MakeTable(crc32.Castagnoli))
	}
	number, chain := uint64(1), sha256.Sum256(testID[:])
	starts := map[uint64]bool{1: true, 2: true, 4: true}
	for _, name := range segmentsOf(all) {
		b := all[name]
		if string(b[:8]) != "bothy-L\x01" || !bytes.Equal(b[8:24], testID[:]) ||
			big.Uint64(b[24:]) != number || !bytes.Equal(b[32:64], chain[:]) || big.Uint32(b[64:]) != sum(b[:64]) {
			t.Fatalf("%s: header %x", name, b[:68])
		}
		for b = b[68:]; len(b) > 0; number++ {
			word := big.Uint32(b)
			frame := b[:16+word&0x7fffffff]
			if big.Uint32(frame[4:]) != sum(testID[:], frame[:4], frame[8:]) || big.Uint64(frame[8:]) != number ||
				(word>>31 == 1) != starts[number] || !bytes.Equal(frame[16:], goldenModel[number-1]) {
				t.Fatalf("frame %d: %x", number, frame)
			}
			chain = sha256.Sum256(slices.Concat(chain[:], frame[16:]))
			b = b[len(frame):]
		}
	}
	if number != 5 {
		t.Fatalf("%d frames", number-1)
	}
	slots := all["head"]
	if len(slots) != 8192 {
		t.Fatalf("head of %d bytes", len(slots))
	}
	newest := slots[:104]
	if other := slots[4096:4200]; big.Uint64(other[24:]) > big.Uint64(newest[24:]) {
		newest = other
	}
	want := slices.Concat([]byte("bothy-H\x01"), testID[:], newest[24:32], []byte{31: 0}, chain[:], make([]byte, 4))
	big.PutUint64(want[32:], 4)
	big.PutUint64(want[40:], 2)
	if !bytes.Equal(newest[:100], want) || big.Uint32(newest[100:]) != sum(newest[:100]) {
		t.Errorf("head slot %x, want %x", newest, want)
	}
}

// The check value of CRC-32C for the digits 1 to 9, and the sum of 32 zero bytes
// from RFC 3720 appendix B.4. Both from memory.
func TestTheChecksumIsCRC32C(t *testing.T) {
	for want, b := range map[uint32][]byte{
		0xe3069283: []byte("123456789"),
		0x8a9136aa: make([]byte, 32),
	} {
		if got := crc32.Checksum(b, castagnoli); got != want {
			t.Errorf("%q: %08x, want %08x", b, got, want)
		}
	}
}

func TestFilesOfALaterVersionAreRefusedNotMended(t *testing.T) {
	for name, size := range map[string]int{"head": slotSize, segmentName(1): headerSize, segmentName(4): headerSize} {
		all := golden(t)
		b := all[name]
		b[7] = 2
		binary.BigEndian.PutUint32(b[size-4:], crc32.Checksum(b[:size-4], castagnoli))
		dir := place(t, t.TempDir(), all)
		if _, _, err := open(dir, tiny, quickDisk()); !errors.Is(err, errVersion) {
			t.Errorf("%s: %v", name, err)
		}
		for other, want := range files(t, dir) {
			if !bytes.Equal(want, all[other]) {
				t.Errorf("%s of a later version: %s was changed", name, other)
			}
		}
	}
}

func TestSegmentNamesSortAsNumbersAndComeBack(t *testing.T) {
	numbers := []uint64{1, 9, 10, 99999, 1 << 40, maxNumber}
	var names []string
	for _, n := range numbers {
		names = append(names, segmentName(n))
		if got, ok := parseSegmentName(segmentName(n)); !ok || got != n {
			t.Errorf("%s came back as %d", segmentName(n), got)
		}
	}
	if !slices.IsSorted(names) {
		t.Errorf("order of %v", names)
	}
	for _, name := range []string{
		"", ".led", "1.led", "00000000000000000000.led", "99999999999999999999.led", "18446744073709551617.led",
		"0000000000000000001a.led", "00000000000000000001.led.tmp", "000000000000000000001.led", "+0000000000000000001.led",
	} {
		if n, ok := parseSegmentName(name); ok {
			t.Errorf("%q is taken for segment %d", name, n)
		}
	}
}

func FuzzHead(f *testing.F) {
	f.Add(head{}.encode())
	f.Add(head{id: testID, counter: 7, last: 9, pledged: 8, dropped: 3, settled: 4, unsettled: true}.encode())
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) >= slotSize { // let mutations through to what the checksum guards
			body := b[:slotSize-4]
			binary.BigEndian.PutUint32(b[slotSize-4:], crc32.Checksum(body, castagnoli))
		}
		h, err := decodeHead(b)
		if err != nil {
			return
		}
		again, err := decodeHead(h.encode())
		if err != nil || again != h {
			t.Fatalf("%+v came back as %+v, %v", h, again, err)
		}
	})
}

func FuzzHeader(f *testing.F) {
	f.Add(header{}.encode())
	f.Add(header{id: testID, first: 9, before: testID.origin()}.encode())
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) >= headerSize {
			body := b[:headerSize-4]
			binary.BigEndian.PutUint32(b[headerSize-4:], crc32.Checksum(body, castagnoli))
		}
		h, err := decodeHeader(b)
		if err == nil && !bytes.Equal(h.encode(), b[:headerSize]) {
			t.Fatalf("%+v is not %x", h, b[:headerSize])
		}
	})
}
