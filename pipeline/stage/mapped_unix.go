//go:build unix

package stage

import (
	"os"

	"golang.org/x/sys/unix"
)

func mapFile(f *os.File, size int64) (content []byte, free func() error, err error) {
	content, err = unix.Mmap(int(f.Fd()), 0, int(size), unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return nil, nil, &os.PathError{Op: "map", Path: f.Name(), Err: err}
	}
	return content, func() error { return unix.Munmap(content) }, nil
}
