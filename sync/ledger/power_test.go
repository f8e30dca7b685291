package ledger

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
)

// A platter keeps what a power cut leaves in the worst case: of each file what was
// synced, under the names that were synced.
type platter struct {
	dir      string
	contents map[uint64][]byte // by inode
	names    map[string]uint64
}

func inode(path string) uint64 {
	stat, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return stat.Sys().(*syscall.Stat_t).Ino
}

func (p *platter) disk(d disk) disk {
	plain := d
	d.create = func(name string) (*os.File, error) {
		f, err := plain.create(name)
		if err == nil {
			delete(p.contents, inode(name))
		}
		return f, err
	}
	d.sync = func(f *os.File) error {
		if f.Name() == p.dir {
			p.syncNames()
		} else if stat, err := f.Stat(); err == nil && !stat.IsDir() {
			b := make([]byte, stat.Size())
			f.ReadAt(b, 0)
			p.contents[stat.Sys().(*syscall.Stat_t).Ino] = b
		}
		return plain.sync(f)
	}
	return d
}

func (p *platter) syncNames() {
	p.names = map[string]uint64{}
	entries, _ := os.ReadDir(p.dir)
	for _, e := range entries {
		p.names[e.Name()] = inode(filepath.Join(p.dir, e.Name()))
	}
}

func (p *platter) files() map[string][]byte {
	all := map[string][]byte{}
	for name, i := range p.names {
		all[name] = p.contents[i]
	}
	return all
}

// TestWhatOpenAndCloseDidIsOnThePlatter compares the platter with the directory after
// Open, which may have mended something, and after Close.
func TestWhatOpenAndCloseDidIsOnThePlatter(t *testing.T) {
	for name, files0 := range spoiled(t) {
		dir := place(t, t.TempDir(), files0)
		p := platter{dir: dir, contents: map[uint64][]byte{}}
		p.syncNames()
		for file, i := range p.names {
			p.contents[i] = files0[file]
		}
		same := func(when string) {
			t.Helper()
			there, now := p.files(), files(t, dir)
			delete(there, lockName)
			if !maps.EqualFunc(there, now, slices.Equal) {
				t.Errorf("%s, %s: on the platter %v, in the directory %v", name, when, sizes(there), sizes(now))
			}
		}
		l, _ := mustOpen(t, dir, tiny, p.disk(quickDisk()))
		same("after open")
		mustAppend(t, l, []byte("x"))
		mustClose(t, l)
		same("after close")
	}
}

func sizes(all map[string][]byte) map[string]int {
	sizes := map[string]int{}
	for name, b := range all {
		sizes[name] = len(b)
	}
	return sizes
}

// TestAPowerCutBeforeAnyCallLosesNothingAcknowledged examines the platter before
// every call of a life, and with every prefix of the unsynced bytes of a segment.
func TestAPowerCutBeforeAnyCallLosesNothingAcknowledged(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "led")
	p := platter{dir: dir, contents: map[uint64][]byte{}}
	a := life{dir: dir}
	below, n := t.TempDir(), 0
	a.disk = p.disk(quickDisk())
	a.disk = gated(a.disk, func(call, name string) error {
		n++
		where := fmt.Sprintf("before %s %s (call %d)", call, filepath.Base(name), n)
		a.examine(prefix{t, where}, place(t, below, p.files()))
		if _, ok := parseSegmentName(filepath.Base(name)); ok && call == "sync" {
			whole := files(t, dir)[filepath.Base(name)]
			synced := p.contents[inode(name)]
			for size := len(synced); size < len(whole); size += 5 {
				torn := p.files()
				torn[filepath.Base(name)] = whole[:size]
				a.examine(prefix{t, fmt.Sprintf("%s, torn at %d", where, size)}, place(t, below, torn))
			}
		}
		return nil
	})
	// spoil works below the disk: what it does must count as on the platter.
	if err := a.run(func(error) bool { return false }); err != nil {
		t.Fatal(err)
	}
}

// spoiled gives directories that Open mends, each in another way.
func spoiled(t *testing.T) map[string]map[string][]byte {
	t.Helper()
	_, all := damages(t)
	names := segmentsOf(all)
	last := names[len(names)-1]
	dirs := map[string]map[string][]byte{}
	for name, spoil := range map[string]func(map[string][]byte){
		"new":      func(f map[string][]byte) { clear(f) },
		"in order": func(f map[string][]byte) {},
		"older head": func(f map[string][]byte) {
			f[headName] = make([]byte, headSize)
			h := head{id: testID, chain: testID.origin()}
			copy(f[headName], h.encode())
			h.counter++
			copy(f[headName][slotStride:], h.encode())
		},
		"no head": func(f map[string][]byte) { delete(f, headName) },
		"one slot": func(f map[string][]byte) {
			f[headName] = slices.Concat(f[headName][:slotStride], make([]byte, slotStride))
		},
		"torn tail":      func(f map[string][]byte) { f[last] = append(slices.Clone(f[last]), "torn"...) },
		"damaged header": func(f map[string][]byte) { f[names[1]] = slices.Concat([]byte("noise!"), f[names[1]][6:]) },
		"cut":            func(f map[string][]byte) { f[last] = f[last][:len(f[last])-1] },
		"no segments":    func(f map[string][]byte) { maps.DeleteFunc(f, func(n string, _ []byte) bool { return n != headName }) },
	} {
		dirs[name] = maps.Clone(all)
		spoil(dirs[name])
	}
	return dirs
}

// TestAnInterruptedOpenConcludesTheSame fails every call of an Open in turn, and opens
// again: what is missing, and whether the ledger may have gone back, is still said.
func TestAnInterruptedOpenConcludesTheSame(t *testing.T) {
	for name, all := range spoiled(t) {
		whole, want := mustOpen(t, place(t, t.TempDir(), all), tiny, quickDisk())
		last := whole.Last()
		mustClose(t, whole)
		for n := 1; ; n++ {
			calls := 0
			dir := place(t, t.TempDir(), all)
			l, _, err := open(dir, tiny, gated(quickDisk(), func(string, string) error {
				if calls++; calls == n {
					return syscall.EIO
				}
				return nil
			}))
			if calls < n {
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				calls = n // the rest works
				mustClose(t, l)
				break
			}
			if !errors.Is(err, syscall.EIO) {
				t.Fatalf("%s, call %d: %v", name, n, err)
			}
			l, got := mustOpen(t, dir, tiny, quickDisk())
			if got.MayHaveGoneBack() != want.MayHaveGoneBack() || !slices.Equal(got.Missing(), want.Missing()) || l.Last() != last {
				t.Errorf("%s, call %d: last %d, %v; want last %d, %v", name, n, l.Last(), got, last, want)
			}
			mustClose(t, l)
		}
	}
}
