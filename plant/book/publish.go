package book

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
	"github.com/bothy-mesh/bothy/proto/store"
)

// PublishSheets writes those sheets that are not there yet, as the program
// itself. A sheet is a record whose id and content are fixed by the sheet, so
// that replicas which publish the same one without having heard of each other
// have one record that reads the same. One that is there with other content is
// left as it is and named in the error: an edition never changes once it is
// published. So is one that is no valid sheet. The others are published all the
// same.
func (b *Book) PublishSheets(ctx context.Context, sheets []*bothyv1.Sheet) error {
	var refused error
	err := b.store.Write(ctx, "", func(w store.Writer) error {
		refused = nil
		published := map[string]bool{}
		for _, s := range sheets {
			there, err := get[*bothyv1.Sheet](w, s.GetId())
			if err != nil {
				return err
			}
			if why := unpublishable(s, there, published); why != nil {
				refused = errors.Join(refused, why)
				continue
			}
			if there != nil {
				continue
			}
			published[s.GetId()] = true
			if _, err := w.Create(proto.CloneOf(s), store.Calm); err != nil {
				return fmt.Errorf("publish sheet %q: %w", s.GetId(), err)
			}
		}
		return nil
	})
	return errors.Join(err, refused)
}

// unpublishable says why a sheet cannot be published beside the one that is
// there and those that were just published.
func unpublishable(s, there *bothyv1.Sheet, published map[string]bool) error {
	switch v := plant.ValidSheet(s); {
	case len(v) > 0:
		return fmt.Errorf("sheet %q is not published: %w", s.GetId(), v)
	case published[s.GetId()]:
		return fmt.Errorf("sheet %q is there twice; one of each edition is published", s.GetId())
	case there != nil && !proto.Equal(there, s):
		return fmt.Errorf("sheet %q is published with other content; a correction is a new edition", s.GetId())
	}
	return nil
}
