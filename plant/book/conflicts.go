package book

import (
	"cmp"
	"context"
	"slices"

	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// ListConflicts is every field that people wrote without having seen each
// other's word, by kind, id and field.
func (b *Book) ListConflicts(ctx context.Context, req *bothyv1.ListConflictsRequest) (*bothyv1.ListConflictsResponse, error) {
	resp := new(bothyv1.ListConflictsResponse)
	p, v := pageOf(req)
	if len(v) > 0 {
		return nil, refusal(v)
	}
	err := b.read(ctx, req, func(l *lookup) (err error) {
		var conflicts []*bothyv1.Conflict
		for c, err := range l.Conflicts() {
			if err != nil {
				return err
			}
			conflicts = append(conflicts, c)
		}
		slices.SortFunc(conflicts, compareConflicts)
		resp.Conflicts, resp.NextPageToken, err = cut(p, conflicts, compareConflicts, func(c *bothyv1.Conflict) *bothyv1.Conflict {
			return &bothyv1.Conflict{Kind: c.GetKind(), Id: c.GetId(), Field: c.GetField()}
		})
		return err
	})
	return resp, err
}

func compareConflicts(a, b *bothyv1.Conflict) int {
	return cmp.Or(cmp.Compare(a.GetKind(), b.GetKind()), cmp.Compare(a.GetId(), b.GetId()), cmp.Compare(a.GetField(), b.GetField()))
}
