package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
)

// A survey is what the files of a directory hold. It changes none of them.
type survey struct {
	dir         string
	segmentSize int64 // at which a segment is full

	old    head // the head as it was found; zero if lost or foreign
	state  headState
	id     ID
	stale  []string   // files of segments that were dropped, but not removed
	heal   []*segment // holding all their frames, and more
	cut    int64      // the size of the last segment without its torn tail; 0 if it has none
	now    head       // the head as it should be
	report Report

	segments []*segment
	buffer   []byte
}

// inspect surveys a directory. It fails only where nothing can be said: a format of
// a later version, no identity, a directory that cannot be read.
func inspect(dir string, segmentSize int64) (*survey, error) {
	s := &survey{dir: dir, segmentSize: segmentSize}
	headers, err := s.list()
	if err != nil {
		return nil, err
	}
	if s.old, s.state, err = readHead(dir); err != nil {
		return nil, err
	}
	if err := s.identify(headers); err != nil {
		return nil, err
	}
	s.skipDropped()
	for i := range s.segments {
		if err := s.examine(i); err != nil {
			return nil, err
		}
	}
	s.conclude()
	return s, nil
}

func (s *survey) add(f Finding) { s.report.Findings = append(s.report.Findings, f) }

// fresh tells that there is nothing yet, so that nothing can have been lost.
func (s *survey) fresh() bool { return s.state == headAbsent && len(s.segments) == 0 }

// list finds the segment files by rising number, and reads their headers. A header
// that is not valid is left zero.
func (s *survey) list() (headers []header, err error) {
	entries, err := os.ReadDir(s.dir)
	if err != nil {
		return nil, fmt.Errorf("read the ledger's directory: %w", err)
	}
	for _, e := range entries {
		first, ok := parseSegmentName(e.Name())
		if !ok {
			continue
		}
		seg := &segment{path: filepath.Join(s.dir, e.Name()), first: first}
		b, _, err := readFile(seg.path, headerSize, nil)
		if err != nil {
			return nil, err
		}
		h, err := decodeHeader(b)
		if err != nil && !errors.Is(err, errHeader) {
			return nil, fmt.Errorf("%s: %w", e.Name(), err)
		}
		s.segments = append(s.segments, seg)
		headers = append(headers, h)
	}
	return headers, nil
}

// readFile reads at most limit bytes of a file into b, which it grows, and tells
// how long the file is.
func readFile(path string, limit int64, b []byte) (_ []byte, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return b, 0, fmt.Errorf("open a segment: %w", err)
	}
	defer f.Close()
	stat, err := f.Stat()
	if err != nil {
		return b, 0, fmt.Errorf("open a segment: %w", err)
	}
	b = slices.Grow(b[:0], int(min(stat.Size(), limit)))[:min(stat.Size(), limit)]
	load(f, b)
	return b, stat.Size(), nil
}

// identify settles which ledger this is: the one that the head names, unless no
// segment has that name and some have another. The id stays zero where there is
// neither head nor segment.
func (s *survey) identify(headers []header) error {
	var names []ID
	for i, h := range headers {
		if h.first == s.segments[i].first {
			names = append(names, h.id)
		}
	}
	if s.state <= headLost && !s.fresh() {
		s.add(HeadLost{})
	}
	switch {
	case s.state <= headLost && len(s.segments) == 0:
	case s.state <= headLost && len(names) == 0:
		return fmt.Errorf("%w: %s", ErrNoIdentity, s.dir)
	case s.state <= headLost:
		s.id = names[len(names)-1]
	case len(names) == 0 || slices.Contains(names, s.old.id):
		s.id = s.old.id
	default:
		s.id = names[len(names)-1]
		s.add(ForeignHead{Head: s.old.id, Segments: s.id})
		s.old = head{counter: s.old.counter}
	}
	if s.state == headTorn {
		s.add(HeadTorn{})
	}
	s.now = s.old
	s.now.id = s.id
	for i, h := range headers {
		s.segments[i].sound = h.id == s.id && h.first == s.segments[i].first
		s.segments[i].before = h.before
	}
	return nil
}

// known tells whether the head that was found is this ledger's.
func (s *survey) known() bool { return s.old.id == s.id }

// skipDropped sets aside segments that a Drop had named in the head and not yet
// removed, and finds where the ledger begins.
func (s *survey) skipDropped() {
	for len(s.segments) > 1 && s.segments[1].first <= s.old.dropped+1 {
		s.stale = append(s.stale, s.segments[0].path)
		s.segments = s.segments[1:]
	}
	if len(s.segments) > 0 {
		if first := s.segments[0].first; !s.known() || first <= s.old.dropped {
			s.now.dropped = first - 1
		} else if first > s.old.dropped+1 {
			s.add(MissingSegment{Range{s.old.dropped + 1, first - 1}})
		}
	}
	s.now.last, s.now.chain = s.now.dropped, Hash{}
	if s.now.dropped == 0 {
		s.now.chain = s.id.origin()
	}
}

// examine reads one segment, notes its frames and judges what is missing.
func (s *survey) examine(i int) (err error) {
	seg := s.segments[i]
	s.buffer, seg.size, err = readFile(seg.path, maxFileSize, s.buffer)
	if err != nil {
		return err
	}
	scan := scanner{b: s.buffer, salt: s.id.salt()}
	// No file of this size, nor one that lost a part, holds higher numbers.
	high := seg.first + uint64(seg.size+s.segmentSize)/smallest
	if i+1 == len(s.segments) {
		synced := s.trim(seg, &scan, high)
		s.judgeLast(seg, s.follow(seg, s.buffer), synced)
		return nil
	}
	until := s.segments[i+1].first - 1
	scan.frames(seg.first, min(high, until), func(f located) { seg.note(f.number, f.span()) })
	end := s.follow(seg, s.buffer)
	seg.sound = seg.sound && end == seg.size
	s.judge(seg, until)
	return nil
}

// trim notes the frames of the last segment and drops those of a torn write. It
// returns the newest frame that is known to have been synced: from the head, or
// because a later write began, which it does only after the sync of the one before.
func (s *survey) trim(seg *segment, scan *scanner, high uint64) (synced uint64) {
	synced = max(s.old.last, seg.first-1)
	scan.frames(seg.first, high, func(f located) {
		seg.note(f.number, f.span())
		if f.first {
			synced = max(synced, f.number-1)
		}
	})
	keep := len(seg.frames)
	for n := synced + 1; n < seg.end(); n++ {
		if !seg.holds(n) {
			keep = int(n - seg.first)
			break
		}
	}
	for keep > 0 && seg.frames[keep-1].size == 0 {
		keep--
	}
	seg.frames = seg.frames[:keep]
	return synced
}

// follow carries the chain over the frames of a segment, checks it against the
// segment's header and the head, and sees whether the frames stand without gaps. It
// returns the offset behind the last frame.
func (s *survey) follow(seg *segment, b []byte) (end int64) {
	// The head has been met at the end of the segment before, if there is one.
	unmet := seg == s.segments[0] || s.now.last != seg.first-1
	if s.now.last != seg.first-1 {
		s.now.last, s.now.chain = seg.first-1, Hash{}
	}
	if seg.sound {
		s.compare(seg.before, s.now.last <= s.old.settled)
	} else {
		seg.before = s.now.chain
	}
	if seg.before.known() {
		s.now.chain = seg.before
	}
	if unmet {
		s.meetHead()
	}
	end = headerSize
	for i, at := range seg.frames {
		s.now.last = seg.first + uint64(i)
		if at.size == 0 {
			s.now.chain, seg.sound = Hash{}, false
		} else {
			s.now.chain = s.now.chain.extend(b[at.offset+FrameOverhead : at.end()])
			seg.sound = seg.sound && int64(at.offset) == end
			end = at.end()
		}
		s.meetHead()
	}
	return end
}

// compare reports where the chain that was computed is not the one on record.
func (s *survey) compare(record Hash, settled bool) {
	if s.now.chain.known() && record.known() && s.now.chain != record {
		s.add(ChainBroken{At: s.now.last, Settled: settled})
	}
}

// meetHead checks the chain where the head has a hash of it, and takes it up
// again from there if it was broken by a missing frame.
func (s *survey) meetHead() {
	if !s.known() || s.now.last != s.old.last {
		return
	}
	s.compare(s.old.chain, false)
	if !s.now.chain.known() {
		s.now.chain = s.old.chain
	}
}

// judge reports what a segment lacks that must hold every frame up to until.
func (s *survey) judge(seg *segment, until uint64) {
	missing := seg.missing(until)
	atEnd := len(missing) == 1 && missing[0].From == seg.end()
	switch {
	case len(missing) == 0 && seg.sound:
	case seg.sound && atEnd && seg.size >= s.segmentSize:
		s.add(MissingSegment{missing[0]})
	default:
		s.add(Damaged{Segment: seg.first, Missing: missing})
		if len(missing) == 0 {
			s.heal = append(s.heal, seg)
		}
	}
}

// judgeLast does the same for the last segment, which may have a torn tail.
func (s *survey) judgeLast(seg *segment, end int64, synced uint64) {
	missing, torn := seg.missing(synced), seg.size-end
	if len(missing) > 0 {
		seg.sound = seg.sound && torn == 0
		s.judge(seg, synced)
		return
	}
	unborn := !seg.sound && len(seg.frames) == 0
	switch {
	case unborn:
		s.add(TornTail{From: seg.first, Bytes: seg.size})
		s.heal = append(s.heal, seg)
	case torn > 0:
		s.add(TornTail{From: seg.end(), Bytes: torn})
		if seg.sound {
			s.cut = end // else the segment is written again without it
		}
	}
	if !unborn {
		s.judge(seg, synced)
	}
}

// conclude compares the end of the files with what the head knows.
func (s *survey) conclude() {
	files, high := s.now.last, s.old.last
	if files < high {
		s.add(WentBack{Files: files, Head: high})
		if len(s.segments) == 0 {
			s.add(MissingSegment{Range{files + 1, high}})
		}
		s.now.last, s.now.chain = high, Hash{}
		s.meetHead()
	}
	if !s.known() {
		s.now.pledged = s.now.last // what was shown to others is not known: perhaps all
	}
	if s.old.unsettled {
		s.add(Unsettled{})
	}
	s.now.unsettled = s.report.MayHaveGoneBack()
}
