package view

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// MaxSetAside is how many damaged views are kept: the last, and the one before
// in case it explains it. Each may be as large as the view itself.
const MaxSetAside = 2

const asideMark = ".damaged-"

// SetAside moves a damaged view out of the way, to its name and ".damaged-1",
// "-2" and so on, for people to study, and removes older ones beyond
// MaxSetAside. The view must not be open.
func SetAside(dir string) (movedTo string, err error) {
	dir = filepath.Clean(dir)
	if _, err := os.Stat(dir); err != nil {
		return "", fmt.Errorf("set a damaged view aside: %w", err)
	}
	numbers, err := setAside(dir)
	if err != nil {
		return "", err
	}
	next := 1
	if len(numbers) > 0 {
		next = numbers[len(numbers)-1] + 1
	}
	for len(numbers) >= MaxSetAside { // first, because the disk may be full
		if err := os.RemoveAll(asideName(dir, numbers[0])); err != nil {
			return "", fmt.Errorf("set a damaged view aside: %w", err)
		}
		numbers = numbers[1:]
	}
	movedTo = asideName(dir, next)
	if err := os.Rename(dir, movedTo); err != nil {
		return "", fmt.Errorf("set a damaged view aside: %w", err)
	}
	return movedTo, syncFile(filepath.Dir(dir))
}

func asideName(dir string, n int) string { return dir + asideMark + strconv.Itoa(n) }

// setAside lists the numbers of the views that stand aside, the oldest first.
func setAside(dir string) ([]int, error) {
	entries, err := os.ReadDir(filepath.Dir(dir))
	if err != nil {
		return nil, fmt.Errorf("set a damaged view aside: %w", err)
	}
	var out []int
	for _, e := range entries {
		text, ok := strings.CutPrefix(e.Name(), filepath.Base(dir)+asideMark)
		if n, err := strconv.Atoi(text); ok && err == nil && n > 0 {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out, nil
}
