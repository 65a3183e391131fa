package watch

import (
	"crypto/sha256"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"trammel/watch/arrivals"
)

// fingerprint identifies the settled files of a job by name, size and time.
type fingerprint [sha256.Size]byte

// fingerprintOf returns the fingerprint of the job in dir, and whether any of
// its files still changes.
func fingerprintOf(dir string, state arrivals.State) (print fingerprint, moving bool) {
	below := dir + string(filepath.Separator)
	for path := range state.Moving {
		if strings.HasPrefix(path, below) {
			return print, true
		}
	}
	var lines []string
	for path, info := range state.Settled {
		if strings.HasPrefix(path, below) {
			lines = append(lines, fmt.Sprintf("%q %d %d", path, info.Size(), info.ModTime().UnixNano()))
		}
	}
	slices.Sort(lines)
	return sha256.Sum256([]byte(strings.Join(lines, "\n"))), false
}
