// Package disk is the one way to write a file so that it survives. A file is
// written under a temporary name in its own folder, synced, closed, renamed, and
// the folder is synced: at any instant the old content or the new one is there,
// never half of one.
//
// All writing of the program goes through a Disk, which counts its operations;
// a test can make the n-th one fail or be the last (Options.Fault). A sync that
// failed is never tried again on the same file: the kernel may have dropped the
// pages, so the temporary file is abandoned.
package disk

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
)

// ErrFull says that there is no space left for a file.
var ErrFull = syscall.ENOSPC

// TempMark is in the name of every temporary file, so that leftovers of a killed
// run can be told from anything else.
const TempMark = ".trammel-tmp-"

// Fault is asked before every operation (the n-th, counted from 1) and may
// refuse it with an error, which then is what the operation returns.
type Fault func(n int64, operation, path string) error

// Disk writes files. The nil Disk works and injects no faults. A Disk may be
// used from several goroutines.
type Disk struct {
	fault Fault
	count atomic.Int64
}

// New returns a Disk that asks fault before each operation; nil asks nobody.
func New(fault Fault) *Disk { return &Disk{fault: fault} }

// Operations returns how many operations were begun.
func (d *Disk) Operations() int64 {
	if d == nil {
		return 0
	}
	return d.count.Load()
}

func (d *Disk) begin(operation, path string) error {
	if d == nil {
		return nil
	}
	n := d.count.Add(1)
	if d.fault == nil {
		return nil
	}
	if err := d.fault(n, operation, path); err != nil {
		return &fs.PathError{Op: operation, Path: path, Err: err}
	}
	return nil
}

// Write replaces the file at path by what fill writes, whole or not at all. The
// folder must exist.
func (d *Disk) Write(path string, fill func(io.Writer) error) error {
	return d.write(path, fill, func(temp string) error {
		if err := d.begin("rename", path); err != nil {
			return err
		}
		return os.Rename(temp, path)
	})
}

// Create writes a new file at path, whole or not at all, and never replaces
// one: where path exists already, also as a folder, the error satisfies
// errors.Is(err, fs.ErrExist) and nothing changes.
func (d *Disk) Create(path string, fill func(io.Writer) error) error {
	return d.write(path, fill, func(temp string) error {
		if err := d.begin("link", path); err != nil {
			return err
		}
		return renameExclusive(temp, path)
	})
}

func (d *Disk) write(path string, fill func(io.Writer) error, publish func(temp string) error) (err error) {
	if err := d.begin("create", path); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(clip(path))+TempMark+"*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, ignoreMissing(os.Remove(f.Name())))
		}
	}()
	if err := d.fillAndSync(f, path, fill); err != nil {
		return errors.Join(err, f.Close())
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Chmod(f.Name(), 0o644); err != nil {
		return err
	}
	if err := publish(f.Name()); err != nil {
		return err
	}
	return d.syncDir(filepath.Dir(path))
}

// clip shortens a file name so that the temporary name stays within 255 bytes.
func clip(path string) string {
	base := filepath.Base(path)
	if len(base) > 200 {
		base = base[:200]
	}
	return base
}

func (d *Disk) fillAndSync(f *os.File, path string, fill func(io.Writer) error) error {
	b := bufio.NewWriterSize(&counted{d: d, f: f, path: path}, 1<<20)
	if err := fill(b); err != nil {
		return err
	}
	if err := b.Flush(); err != nil {
		return err
	}
	if err := d.begin("sync", path); err != nil {
		return err
	}
	return f.Sync()
}

// counted passes writes on to a file, each of them an operation.
type counted struct {
	d    *Disk
	f    *os.File
	path string
}

func (c *counted) Write(p []byte) (int, error) {
	if err := c.d.begin("write", c.path); err != nil {
		return 0, err
	}
	return c.f.Write(p)
}

func (d *Disk) syncDir(dir string) error {
	if err := d.begin("sync-folder", dir); err != nil {
		return err
	}
	return syncFolder(dir)
}

// Mkdir makes a folder and those above it; it may exist already.
func (d *Disk) Mkdir(path string) error {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return nil
	}
	if err := d.begin("mkdir", path); err != nil {
		return err
	}
	if err := os.MkdirAll(path, 0o755); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

// Remove deletes a file or a whole folder; a missing one is no error.
func (d *Disk) Remove(path string) error {
	if err := d.begin("remove", path); err != nil {
		return err
	}
	return os.RemoveAll(path)
}

// Append opens the file at path for reading and appending, creating it if need
// be, under an exclusive lock that other processes honour, hands it to work and
// syncs it. What work wrote before an error stays: the caller's format must tell
// a torn end.
func (d *Disk) Append(path string, work func(f *os.File) error) (err error) {
	if err := d.begin("append", path); err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := lock(f); err != nil {
		return fmt.Errorf("lock %s: %w", path, err)
	}
	defer func() { err = errors.Join(err, unlock(f)) }()
	if err := work(f); err != nil {
		return err
	}
	if err := d.begin("sync", path); err != nil {
		return err
	}
	return f.Sync()
}

// ErrHeld says that another process holds a lock.
var ErrHeld = errors.New("held by another process")

// Hold takes the lock file at path for as long as the process lives or until
// release is called. Where another process has it, the error is ErrHeld and
// holder is what that one wrote into the file. The system drops the lock of a
// killed process, so none is ever stale.
func (d *Disk) Hold(path, note string) (release func() error, holder string, err error) {
	if err := d.begin("hold", path); err != nil {
		return nil, "", err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, "", err
	}
	if err := tryLock(f); err != nil {
		text, readErr := io.ReadAll(io.LimitReader(f, 4096))
		return nil, strings.TrimSpace(string(text)), errors.Join(err, readErr, f.Close())
	}
	if err := errors.Join(f.Truncate(0), writeAt(f, note)); err != nil {
		return nil, "", errors.Join(err, f.Close())
	}
	return func() error { return errors.Join(f.Truncate(0), unlock(f), f.Close()) }, "", nil
}

func writeAt(f *os.File, s string) error {
	_, err := f.WriteAt([]byte(s), 0)
	return err
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
