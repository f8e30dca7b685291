package book

import (
	"context"
	"iter"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/bothy-mesh/bothy/plant"
	bothyv1 "github.com/bothy-mesh/bothy/proto/bothy/v1"
)

// GetCheck is a check with all its answers, its amendments and its defects.
func (b *Book) GetCheck(ctx context.Context, req *bothyv1.GetCheckRequest) (*bothyv1.Check, error) {
	var check *bothyv1.Check
	err := b.read(ctx, req, func(l *lookup) error {
		c, err := known[*bothyv1.Check](l, "check", "check", req.GetCheck())
		if err != nil {
			return err
		}
		check, err = l.whole(c)
		return err
	})
	return check, err
}

// whole is a check with all its answers, its amendments and its defects. Where
// its sheet has not reached this replica, or does not fit it, the answers are
// as they are stored, and points_ok says how many are not listed.
func (l *lookup) whole(c *bothyv1.Check) (*bothyv1.Check, error) {
	sheet, err := l.sheet(c.GetSheet())
	if err != nil {
		return nil, err
	}
	if expanded, err := plant.Expand(c, sheet); sheet != nil && err == nil {
		c = expanded
	}
	if c.Amendments, err = listBy[*bothyv1.Amendment](l, "check", c.GetId()); err != nil {
		return nil, err
	}
	defects, err := l.defectsOf(c.GetMachine())
	if err != nil {
		return nil, err
	}
	for _, d := range defects {
		if slices.ContainsFunc(d.GetFindings(), func(f *bothyv1.Finding) bool { return f.GetCheck() == c.GetId() }) {
			c.Defects = append(c.Defects, d.GetId())
		}
	}
	slices.Sort(c.Defects)
	return c, nil
}

// ListChecks is the checks of a machine, of a site, or all: newest first.
func (b *Book) ListChecks(ctx context.Context, req *bothyv1.ListChecksRequest) (*bothyv1.ListChecksResponse, error) {
	p, v := pageOf(req)
	last := new(bothyv1.Check)
	if err := proto.Unmarshal(p.after, last); err != nil {
		v = append(v, plant.Violation{Field: "pageToken", Problem: "cannot be read; leave it out to begin at the first page"})
	}
	if len(v) > 0 {
		return nil, refusal(v)
	}
	resp := new(bothyv1.ListChecksResponse)
	err := b.read(ctx, req, func(l *lookup) error {
		seq, err := l.checks(req)
		if err != nil {
			return err
		}
		for c, err := range after(last, seq) {
			switch {
			case err != nil:
				return err
			case req.GetSite() != "" && c.GetSite() != req.GetSite():
				continue
			case len(resp.Checks) == p.size:
				key, err := proto.Marshal(checkKey(resp.Checks[p.size-1]))
				resp.NextPageToken = p.token(key)
				return err
			}
			whole, err := l.whole(c)
			if err != nil {
				return err
			}
			resp.Checks = append(resp.Checks, whole)
		}
		return nil
	})
	return resp, err
}

// after is what follows a check in a sequence that is newest first; all of it
// if the check is none. Of checks that were accepted at the same time, the order
// of the sequence counts.
func after(last *bothyv1.Check, seq iter.Seq2[*bothyv1.Check, error]) iter.Seq2[*bothyv1.Check, error] {
	return func(yield func(*bothyv1.Check, error) bool) {
		passed := last.GetId() == ""
		for c, err := range seq {
			if err == nil && !passed {
				passed = c.GetId() == last.GetId()
				if passed || !accepted(c).Before(accepted(last)) {
					continue
				}
				passed = true
			}
			if !yield(c, err) {
				return
			}
		}
	}
}

func accepted(c *bothyv1.Check) time.Time { return c.GetAcceptedAt().AsTime() }

func checkKey(c *bothyv1.Check) *bothyv1.Check {
	return &bothyv1.Check{Id: c.GetId(), AcceptedAt: c.GetAcceptedAt()}
}

// checks is the checks that a list is made of, newest first.
func (l *lookup) checks(req *bothyv1.ListChecksRequest) (iter.Seq2[*bothyv1.Check, error], error) {
	var sites []string
	if req.GetSite() != "" || req.GetMachine() == "" {
		asked := slices.DeleteFunc([]string{req.GetSite()}, func(s string) bool { return s == "" })
		var err error
		if sites, err = l.someSites("site", asked); err != nil {
			return nil, err
		}
	}
	if req.GetMachine() != "" {
		id, err := plant.MachineID(req.GetMachine())
		if err != nil {
			return nil, wrong("machine", "%v", err)
		}
		if _, err := l.knownMachine("machine", id); err != nil {
			return nil, err
		}
		return each[*bothyv1.Check](l.ListBy((*bothyv1.Check)(nil), "machine", id, true)), nil
	}
	var bySite []iter.Seq2[*bothyv1.Check, error]
	for _, s := range sites {
		bySite = append(bySite, each[*bothyv1.Check](l.ListBy((*bothyv1.Check)(nil), "site", s, true)))
	}
	return merged(bySite), nil
}

// merged is sequences of checks, each newest first, as one.
func merged(seqs []iter.Seq2[*bothyv1.Check, error]) iter.Seq2[*bothyv1.Check, error] {
	return func(yield func(*bothyv1.Check, error) bool) {
		type head struct {
			check *bothyv1.Check
			next  func() (*bothyv1.Check, error, bool)
		}
		var heads []head
		for _, seq := range seqs {
			next, stop := iter.Pull2(seq)
			defer stop()
			c, err, ok := next()
			if err != nil {
				yield(nil, err)
				return
			}
			if ok {
				heads = append(heads, head{c, next})
			}
		}
		for len(heads) > 0 {
			first := 0
			for i := range heads {
				if accepted(heads[i].check).After(accepted(heads[first].check)) {
					first = i
				}
			}
			if !yield(heads[first].check, nil) {
				return
			}
			c, err, ok := heads[first].next()
			switch {
			case err != nil:
				yield(nil, err)
				return
			case ok:
				heads[first].check = c
			default:
				heads = slices.Delete(heads, first, first+1)
			}
		}
	}
}
