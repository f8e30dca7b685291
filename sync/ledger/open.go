package ledger

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Options set up a ledger. The zero value is right for a node.
type Options struct {
	// SegmentBytes is the size at which a new segment begins, in bytes; 0 means
	// DefaultSegmentBytes, at most MaxSegmentBytes.
	SegmentBytes int64
}

func (o Options) segmentSize() (int64, error) {
	switch {
	case o.SegmentBytes == 0:
		return DefaultSegmentBytes, nil
	case o.SegmentBytes < 0 || o.SegmentBytes > MaxSegmentBytes:
		return 0, fmt.Errorf("segment size of %d bytes: allowed are 1 to %d", o.SegmentBytes, MaxSegmentBytes)
	}
	return o.SegmentBytes, nil
}

// Open opens a ledger's directory, or makes it. It verifies every byte of it,
// mends what can be mended without loss, and reports all that it found.
//
// What it finds is no error: the ledger is open and accepts frames. Errors are
// ErrInUse, ErrNoIdentity, files of a later version, ErrFull where mending needs
// room, and failures of the operating system.
func Open(dir string, options Options) (*Ledger, Report, error) {
	return open(dir, options, realDisk())
}

func open(dir string, options Options, d disk) (_ *Ledger, _ Report, err error) {
	size, err := options.segmentSize()
	if err != nil {
		return nil, Report{}, err
	}
	if err := d.makeDir(dir); err != nil {
		return nil, Report{}, err
	}
	l := &Ledger{dir: dir, segmentSize: size, disk: d, restored: map[uint64][]byte{}}
	if l.locked, err = lock(dir); err != nil {
		return nil, Report{}, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("open ledger: %w", err), l.release())
		}
	}()
	if err := l.sweep(); err != nil {
		return nil, Report{}, err
	}
	s, err := inspect(dir, size)
	if err != nil {
		return nil, Report{}, err
	}
	if err := l.mend(s); err != nil {
		if noRoom(err) {
			err = fmt.Errorf("%w: %w", ErrFull, err)
		}
		return nil, Report{}, err
	}
	return l, s.report, nil
}

// sweep removes files that were never put in their place.
func (l *Ledger) sweep() error {
	entries, err := os.ReadDir(l.dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		name, spare := strings.CutSuffix(e.Name(), spareExt)
		if _, isSegment := parseSegmentName(name); spare && (isSegment || name == headName) {
			if err := l.disk.remove(filepath.Join(l.dir, e.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}

// mend brings the files to the state that the survey concluded. Cut short at any
// point, it leaves files from which the next Open concludes the same.
func (l *Ledger) mend(s *survey) error {
	l.id, l.head, l.segments = s.id, s.now, s.segments
	if l.id == (ID{}) {
		if _, err := l.disk.random(l.id[:]); err != nil {
			return err
		}
		l.head.id, l.head.chain = l.id, l.id.origin()
	}
	for _, path := range s.stale {
		if err := l.disk.remove(path); err != nil {
			return err
		}
	}
	for _, seg := range s.heal {
		p := plan{old: seg, first: seg.first, end: seg.end(), before: seg.before}
		if err := l.build(p); err != nil {
			return err
		}
	}
	if len(l.segments) > 0 {
		if err := l.mendTail(s); err != nil {
			return err
		}
	}
	if err := l.mendHead(s); err != nil {
		return err
	}
	if len(l.segments) == 0 {
		return l.roll()
	}
	return nil
}

// mendTail cuts a torn tail off and makes durable what the head does not know of
// yet. Those frames are written once more: after a failed sync, the operating
// system may hold them in memory only and believe that they are on disk.
func (l *Ledger) mendTail(s *survey) error {
	if err := l.openActive(); err != nil {
		return err
	}
	tail := l.tail()
	if s.cut > 0 {
		tail.size = s.cut
		if err := l.disk.truncate(l.active, tail.size); err != nil {
			return err
		}
	}
	for n := max(s.old.last+1, tail.first); n < tail.end(); n++ {
		if !tail.holds(n) {
			continue
		}
		at := tail.frames[n-tail.first]
		frame, err := readFrame(l.active, at, l.id.salt(), n)
		if err != nil {
			return err
		}
		if _, err := l.disk.write(l.active, frame, int64(at.offset)); err != nil {
			return err
		}
	}
	return l.disk.sync(l.active)
}

// mendHead writes the head as it should be, after what it speaks of is durable.
func (l *Ledger) mendHead(s *survey) (err error) {
	whole := s.state == headWhole && s.known()
	if !whole {
		if err := l.makeHead(l.head); err != nil {
			return err
		}
	}
	l.headFile, err = os.OpenFile(filepath.Join(l.dir, headName), os.O_RDWR, 0)
	if err != nil || !whole || s.now == s.old {
		return err
	}
	return l.writeHead(l.head, true)
}
