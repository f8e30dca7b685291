// Package store is the seam between the trade and the engine: how records are
// read and written by those who know nothing of replicas, and kept by those who
// know nothing of machines. Messages are the records of package bothyv1; which
// fields they have, and how each merges, stands on the messages themselves.
package store

import (
	"context"
	"iter"
	"time"

	"google.golang.org/protobuf/proto"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// Entry is one record as it reads now.
type Entry struct {
	// Message is a fresh message of the kind that was asked for, its id set and
	// no COMPUTED field.
	Message proto.Message
	// Etag says, opaquely, which changes the reader has seen.
	Etag string
	// Conflicting are the proto names of fields that hold differing values which
	// people wrote without having seen each other's word.
	Conflicting []string
	// CreatedAt and ChangedAt are the times of its first and latest change, as
	// the writing replica's hybrid clock had them.
	CreatedAt, ChangedAt time.Time
	// CreatedBy is the person of its first change.
	CreatedBy string
}

// Reader reads one consistent state.
type Reader interface {
	// Get reads the record of m's kind with that id; ok is false if there is
	// none. m itself is only asked for its type.
	Get(m proto.Message, id string) (e Entry, ok bool, err error)
	// List gives the records of m's kind by id, after an id. An error ends it.
	List(m proto.Message, afterID string) iter.Seq2[Entry, error]
	// ListBy gives the records of m's kind whose field, named as in proto and
	// declared listed_by, reads as value, by time of creation.
	ListBy(m proto.Message, field, value string, newestFirst bool) iter.Seq2[Entry, error]
	// Conflicts gives every field of every record that people wrote without
	// having seen each other's word.
	Conflicts() iter.Seq2[*bothyv1.Conflict, error]
	// Remembered gives what a request id was used for; ok is false if it was
	// not, or too long ago.
	Remembered(requestID string) (m Memory, ok bool, err error)
}

// Memory is what a replica keeps of a request, so that the same one is done
// once.
type Memory struct {
	// Print of the request: a hash of all that was asked.
	Print [32]byte
	// IDs of the records that it made or changed.
	IDs []string
	At  time.Time
}

// Lane says how urgent a write is on a thin link.
type Lane uint8

// The lanes that the trade writes in.
const (
	// Urgent: a hazard, a hold, or the lifting of one.
	Urgent Lane = 0
	// Soon: other defects and their progress.
	Soon Lane = 1
	// Calm: everything else.
	Calm Lane = 2
)

// Writer collects what one transaction writes. Its reads do not see that.
type Writer interface {
	Reader
	// Create makes a new record of all set, stored fields of m. If m has no id,
	// one is given and set in m; otherwise the record takes m's.
	Create(m proto.Message, lane Lane) (id string, err error)
	// Change writes the named fields of the record with m's id, cleared where m
	// has them unset. The etag says what the writer had seen; empty means all
	// that the Reader shows. A version that was not seen is kept beside.
	Change(m proto.Message, fields []string, etag string, lane Lane) error
	// Remember keeps what the request did, in the same step.
	Remember(requestID string, m Memory) error
}

// Store keeps records.
type Store interface {
	// Read runs f on one consistent state.
	Read(ctx context.Context, f func(Reader) error) error
	// Write runs f alone, on the newest state. When it returns nil, all that f
	// wrote is durable; on an error, nothing happened.
	Write(ctx context.Context, person string, f func(Writer) error) error
}
