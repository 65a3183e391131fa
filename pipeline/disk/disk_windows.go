package disk

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// syncFolder does nothing: a rename is durable with the file system's own
// journal, and folders cannot be opened for syncing.
func syncFolder(string) error { return nil }

// renameExclusive gives temp the name path unless that exists.
func renameExclusive(temp, path string) error {
	from, err := windows.UTF16PtrFromString(temp)
	if err != nil {
		return err
	}
	to, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return err
	}
	if err := windows.MoveFileEx(from, to, windows.MOVEFILE_WRITE_THROUGH); err != nil {
		return &os.LinkError{Op: "rename", Old: temp, New: path, Err: err}
	}
	return nil
}

// lockedByte lies far behind any content, so that readers are not disturbed.
const lockedByte = 1 << 30

func lock(f *os.File) error { return lockFile(f, windows.LOCKFILE_EXCLUSIVE_LOCK) }

func tryLock(f *os.File) error {
	err := lockFile(f, windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrHeld
	}
	return err
}

func lockFile(f *os.File, flags uint32) error {
	return windows.LockFileEx(windows.Handle(f.Fd()), flags, 0, 1, 0, &windows.Overlapped{OffsetHigh: lockedByte})
}

func unlock(f *os.File) error {
	return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &windows.Overlapped{OffsetHigh: lockedByte})
}
