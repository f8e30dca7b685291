package replica

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/bothy-mesh/bothy/proto/store"
	"github.com/bothy-mesh/bothy/sync/clock"
	"github.com/bothy-mesh/bothy/sync/record"
)

// someChanges are changes 1 to n, of about the given size in bytes.
func someChanges(n, size int) (out []record.Change) {
	for i := range n {
		out = append(out, record.Change{
			Replica: 7, Seq: uint64(i + 1), N: 1, Lane: 2, Key: record.Key{Kind: 2, ID: "d-1"},
			Origin: record.Origin{At: 5, Ahead: clock.UnknownAhead, Author: strings.Repeat("a", min(size, record.MaxAuthor))},
			Writes: []record.Write{{Number: 2}},
		})
	}
	return out
}

func frames() [][]byte {
	req := &request{"request-1", store.Memory{Print: [32]byte{9}, IDs: []string{"a", ""}, At: time.UnixMilli(1234).UTC()}}
	return [][]byte{
		identityFrame(5),
		transactionFrame(nil, someChanges(2, 3)),
		transactionFrame(req, someChanges(1, 3)),
		transactionFrame(req, nil),
		receivedFrame(1, someChanges(3, 3)),
	}
}

// again writes an opened frame.
func (f frame) again() []byte {
	switch f.kind {
	case frameIdentity:
		return identityFrame(f.replica)
	case frameTransaction:
		return transactionFrame(f.request, f.changes)
	}
	return receivedFrame(f.source, f.changes)
}

func TestAFrameReadsAsItWasWritten(t *testing.T) {
	for i, b := range frames() {
		f, err := openFrame(b)
		if err != nil || !bytes.Equal(f.again(), b) {
			t.Errorf("frame %d: %v, reads as %x, want %x", i, err, f.again(), b)
		}
	}
}

func TestReceivedChangesAreSplitIntoFramesInOrder(t *testing.T) {
	changes := someChanges(30_000, 100)
	if len(receivedFrames(2, nil)) != 0 {
		t.Error("no change makes a frame")
	}
	next := uint64(1)
	split := receivedFrames(2, changes)
	for _, b := range split {
		f, err := openFrame(b)
		if err != nil || f.source != 2 || len(b) > maxReceived+record.MaxChange {
			t.Fatalf("frame of %d bytes: %v", len(b), err)
		}
		for _, c := range f.changes {
			if c.Seq != next {
				t.Fatalf("change %d, want %d", c.Seq, next)
			}
			next++
		}
	}
	if next != 30_001 || len(split) < 2 {
		t.Errorf("%d frames end before change %d", len(split), next)
	}
}

func FuzzOpenFrame(f *testing.F) {
	for _, b := range frames() {
		f.Add(b)
	}
	f.Add([]byte{frameTransaction, 1, 255, 255, 255, 255, 15})
	f.Fuzz(func(t *testing.T, b []byte) {
		opened, err := openFrame(b)
		if err != nil {
			return
		}
		again, err := openFrame(opened.again())
		if err != nil || !bytes.Equal(again.again(), opened.again()) {
			t.Fatalf("%x opens, and not again: %v", b, err)
		}
	})
}

func FuzzOpenContact(f *testing.F) {
	f.Add(make([]byte, 8+1+1+48))
	f.Add([]byte{1, 2, 3})
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := openContact(b); err == nil && len(c.Sites) > len(b) {
			t.Fatal("more sites than bytes")
		}
	})
}

func FuzzParseEtag(f *testing.F) {
	f.Add(etagOf(clock.Upto(7, 3)))
	f.Add("____________________")
	f.Fuzz(func(t *testing.T, etag string) {
		seen, err := parseEtag(etag)
		if err != nil {
			return
		}
		again, err := parseEtag(etagOf(seen))
		if err != nil || !again.Equal(seen) {
			t.Fatalf("%q reads as %v and then as %v, %v", etag, seen, again, err)
		}
	})
}
