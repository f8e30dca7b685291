package book

import (
	"encoding/base64"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
)

// Sizes of a page.
const (
	pageDefault = 100
	// pageMax is what a handheld can still show; more is cut down to it (AIP-158).
	pageMax = 500
)

// pageRequest is a request for one page of a list.
type pageRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// page is one page of a list. Its place is not a count but the key of the last
// row before it: a row that comes or goes meanwhile moves no other off a page.
type page struct {
	size int
	// after is the key of the last row of the page before; nil on the first.
	after []byte
	// list is all that makes this list another than the next: kind and filters.
	list string
}

func pageOf(req pageRequest) (page, plant.Violations) {
	p := page{size: int(req.GetPageSize()), list: listText(req)}
	var v plant.Violations
	if p.size < 0 {
		v = append(v, plant.Violation{Field: "pageSize", Problem: "is negative; allowed are 0 for 100 rows, or 1 to 500"})
	}
	if p.size == 0 {
		p.size = pageDefault
	}
	p.size = min(p.size, pageMax)
	if token := req.GetPageToken(); token != "" {
		b, err := base64.RawURLEncoding.Strict().DecodeString(token)
		if err != nil || len(b) <= 4 || string(sumOf(p.list, b[4:])) != string(b[:4]) {
			v = append(v, plant.Violation{Field: "pageToken", Problem: "was not given for this list; leave it out to begin at the first page"})
			return p, v
		}
		p.after = b[4:]
	}
	return p, v
}

func listText(req pageRequest) string {
	filters := proto.Clone(req).ProtoReflect()
	for _, name := range []string{"page_size", "page_token"} {
		filters.Clear(filters.Descriptor().Fields().ByTextName(name))
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(filters.Interface())
	if err != nil {
		return "" // not UTF-8: such a request was refused before
	}
	return string(filters.Descriptor().Name()) + " " + string(b)
}

// token leads to the page after the row with a key.
func (p page) token(key []byte) string {
	return base64.RawURLEncoding.EncodeToString(append(sumOf(p.list, key), key...))
}

// cut gives this page's part of all rows, which are in order, and the token of
// the next page, empty after the last row. A row's key is a message of its own
// type that compares like the row itself.
func cut[T proto.Message](p page, rows []T, compare func(a, b T) int, key func(T) T) ([]T, string, error) {
	if p.after != nil {
		var none T
		last := none.ProtoReflect().New().Interface().(T)
		if err := proto.Unmarshal(p.after, last); err != nil {
			return nil, "", plant.Violations{{Field: "pageToken", Problem: "cannot be read; leave it out to begin at the first page"}}
		}
		i, found := slices.BinarySearchFunc(rows, last, compare)
		if found {
			i++
		}
		rows = rows[i:]
	}
	if len(rows) <= p.size {
		return rows, "", nil
	}
	rows = rows[:p.size]
	b, err := proto.Marshal(key(rows[p.size-1]))
	if err != nil {
		return nil, "", err
	}
	return rows, p.token(b), nil
}
