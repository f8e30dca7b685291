package view

import (
	"slices"
)

// pending are the writes of a transaction before it commits, by key. Badger's
// own would do but for two things: a transaction that writes can have only one
// walk open, and each walk sorts all writes again.
type pending struct {
	writes map[string]write
	// sorted are the keys in order but for the fresh ones.
	sorted, fresh []string
}

// write is a value in its envelope; nil deletes.
type write struct {
	key, value []byte
}

func newPending() *pending { return &pending{writes: map[string]write{}} }

func (p *pending) set(key, value []byte) {
	name := string(key)
	if _, known := p.writes[name]; !known {
		p.fresh = append(p.fresh, name)
	}
	p.writes[name] = write{key, value}
}

// keys gives all keys in order.
func (p *pending) keys() []string {
	if len(p.fresh) > 0 {
		slices.Sort(p.fresh)
		p.sorted = mergeSorted(p.sorted, p.fresh)
		p.fresh = nil
	}
	return p.sorted
}

// mergeSorted merges two ordered lists that share nothing.
func mergeSorted(a, b []string) []string {
	out := make([]string, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		if a[0] < b[0] {
			out, a = append(out, a[0]), a[1:]
		} else {
			out, b = append(out, b[0]), b[1:]
		}
	}
	return append(append(out, a...), b...)
}

// next gives the first write at or beyond a key in the direction of a walk; past
// leaves the key itself out. ok is false at the end.
func (p *pending) next(key []byte, past, reverse bool) (w write, ok bool) {
	keys := p.keys()
	i, found := slices.BinarySearch(keys, string(key))
	if reverse && !(found && !past) {
		i--
	}
	if !reverse && found && past {
		i++
	}
	if i < 0 || i >= len(keys) {
		return write{}, false
	}
	return p.writes[keys[i]], true
}
