//go:build unix

package disk

import (
	"errors"
	"os"
	"syscall"
)

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// renameExclusive gives temp the name path unless that exists: a hard link is
// refused by the file system where a rename would replace.
func renameExclusive(temp, path string) error {
	if err := os.Link(temp, path); err != nil {
		return err
	}
	return os.Remove(temp)
}

func lock(f *os.File) error { return flock(f, syscall.LOCK_EX) }

func unlock(f *os.File) error { return flock(f, syscall.LOCK_UN) }

func tryLock(f *os.File) error {
	err := flock(f, syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return ErrHeld
	}
	return err
}

func flock(f *os.File, how int) error {
	for {
		err := syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}
