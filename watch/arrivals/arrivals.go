// Package arrivals tells when the files below a folder have come to rest.
//
// Events from the system only mark that something happened; what is there is
// always found out by listing. So a lost event costs time, never a file, and the
// same list comes out of events, of sweeps and after a restart. A file has
// settled when its size, its time and its identity have been the same for a
// given time as this process saw it: clocks of other machines do not matter.
package arrivals

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
)

// Watcher follows all folders below a root. It must be used from one goroutine.
type Watcher struct {
	root    string
	settle  time.Duration
	files   map[string]*seen
	events  *fsnotify.Watcher // nil where the system has none
	watched map[string]bool
	Polling bool // the system gives no events here; sweeps alone find what arrives
}

// seen is a file as it was at the last sweep.
type seen struct {
	info  fs.FileInfo
	since time.Time // when it was first seen like this
	sweep int
}

// New begins to follow root. Where the system cannot give events, sweeps do all
// the work.
func New(root string, settle time.Duration) *Watcher {
	w := &Watcher{root: root, settle: settle, files: map[string]*seen{}, watched: map[string]bool{}}
	events, err := fsnotify.NewWatcher()
	if err != nil {
		w.Polling = true
		return w
	}
	w.events = events
	return w
}

// Close ends the following.
func (w *Watcher) Close() error {
	if w.events == nil {
		return nil
	}
	return w.events.Close()
}

// Events returns the channel on which something is said to have happened, nil
// where there are no events.
func (w *Watcher) Events() <-chan fsnotify.Event {
	if w.events == nil {
		return nil
	}
	return w.events.Events
}

// Errors returns the channel of trouble with events, such as an overflow: a
// reason to sweep.
func (w *Watcher) Errors() <-chan error {
	if w.events == nil {
		return nil
	}
	return w.events.Errors
}

// State is what a sweep found.
type State struct {
	Settled  map[string]fs.FileInfo // path → what it is
	Moving   map[string]fs.FileInfo // still changing, or not seen for long enough
	NextLook time.Duration          // when the next moving file may have settled; 0 when none moves
}

// Sweep lists everything below the root, except what skip names, and tells what
// has settled. now must come from a monotonic clock.
func (w *Watcher) Sweep(now time.Time, number int, skip func(path string) bool) (State, error) {
	s := State{Settled: map[string]fs.FileInfo{}, Moving: map[string]fs.FileInfo{}}
	err := filepath.WalkDir(w.root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			if errors.Is(err, fs.ErrNotExist) && path != w.root {
				return nil // gone while we looked
			}
			return err
		}
		if path != w.root && skip(path) {
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if d.IsDir() {
			w.follow(path)
			return nil
		}
		info, err := d.Info()
		if err != nil {
			return ignoreGone(err)
		}
		w.look(&s, path, info, now, number)
		return nil
	})
	for path, f := range w.files {
		if f.sweep != number {
			delete(w.files, path)
		}
	}
	return s, err
}

func (w *Watcher) look(s *State, path string, info fs.FileInfo, now time.Time, number int) {
	f := w.files[path]
	if f == nil || f.info.Size() != info.Size() || !f.info.ModTime().Equal(info.ModTime()) || !os.SameFile(f.info, info) {
		f = &seen{info: info, since: now}
		w.files[path] = f
	}
	f.info, f.sweep = info, number
	left := w.settle - now.Sub(f.since)
	if left <= 0 {
		s.Settled[path] = info
		return
	}
	s.Moving[path] = info
	if s.NextLook == 0 || left < s.NextLook {
		s.NextLook = left
	}
}

// follow asks for events of a folder. A limit of the system turns to sweeping.
func (w *Watcher) follow(dir string) {
	if w.events == nil || w.watched[dir] {
		return
	}
	if err := w.events.Add(dir); err != nil {
		w.Polling = true
		return
	}
	w.watched[dir] = true
}

// Forget drops a folder that is gone, so that it is followed again if it returns.
func (w *Watcher) Forget(e fsnotify.Event) {
	if e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename) {
		for dir := range w.watched {
			if dir == e.Name || strings.HasPrefix(dir, e.Name+string(filepath.Separator)) {
				delete(w.watched, dir)
			}
		}
	}
}

func ignoreGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
