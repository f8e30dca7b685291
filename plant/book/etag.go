package book

import (
	"encoding/base64"
	"encoding/binary"
	"hash/crc32"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// etag is what a reader of a record had seen of it.
type etag struct {
	// class and progress of a defect as it read then; unset for other kinds.
	class    bothyv1.Class
	progress bothyv1.Progress
	// store is the store's own etag.
	store string
}

// etagOf is the etag of a record as it reads now.
func etagOf(e store.Entry) etag {
	t := etag{store: e.Etag}
	if d, ok := e.Message.(*bothyv1.Defect); ok {
		t.class, t.progress = d.GetClass(), plant.ProgressOf(d)
	}
	return t
}

// text is the etag as callers get it, bound to its record: a checksum of four
// bytes, class and progress as varints, the store's etag; all in base64.
func (t etag) text(record proto.Message) string {
	body := binary.AppendUvarint(nil, uint64(t.class))
	body = binary.AppendUvarint(body, uint64(t.progress))
	body = append(body, t.store...)
	return base64.RawURLEncoding.EncodeToString(append(sumOf(keyText(record), body), body...))
}

// parseEtag reads the etag of a record; false if it was not given for it.
func parseEtag(text string, record proto.Message) (etag, bool) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(text)
	if err != nil || len(b) < 4 || string(sumOf(keyText(record), b[4:])) != string(b[:4]) {
		return etag{}, false
	}
	body := b[4:]
	class, n := binary.Uvarint(body)
	if n <= 0 {
		return etag{}, false
	}
	progress, m := binary.Uvarint(body[n:])
	if m <= 0 || len(body) == n+m {
		return etag{}, false
	}
	return etag{bothyv1.Class(class), bothyv1.Progress(progress), string(body[n+m:])}, true
}

// sumOf is a checksum against mistakes: a token for one thing used for another,
// or cut short. It keeps nobody from making one up, who could only say that
// they had seen what they had not.
func sumOf(of string, body []byte) []byte {
	sum := crc32.ChecksumIEEE([]byte(of))
	return binary.BigEndian.AppendUint32(nil, crc32.Update(sum, crc32.IEEETable, body))
}
