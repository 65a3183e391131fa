//go:build unix

package par

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestFileThatIsGoneIsAnError: a mapped file that was cut short by somebody else, or whose
// disk fails, ends the work with an error and not the program.
func TestFileThatIsGoneIsAnError(t *testing.T) {
	path := filepath.Join(t.TempDir(), "mapped")
	size := 16 * os.Getpagesize()
	if err := os.WriteFile(path, make([]byte, size), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	content, err := unix.Mmap(int(f.Fd()), 0, size, unix.PROT_READ, unix.MAP_SHARED)
	if err := errors.Join(err, f.Close(), os.Truncate(path, 0)); err != nil {
		t.Fatal(err)
	}
	sums := make([]int, 4)
	err = Blocks(context.Background(), size, size/4, func(block, lo, hi int) error {
		for _, b := range content[lo:hi] {
			sums[block] += int(b)
		}
		return nil
	})
	if _, ok := errors.AsType[*Panic](err); !ok {
		t.Errorf("got %v", err)
	}
	if err := unix.Munmap(content); err != nil {
		t.Error(err)
	}
}
