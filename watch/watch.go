// Package watch is the daemon: it finds out which jobs below a folder are due and
// works on them in order, one at a time.
//
// A job is due when its settled files or its sheet differ from what was last
// worked on, or when its capture has ended since. Nothing is done inside an
// event: events only bring the next sweep forward. A job that fails or panics is
// put aside with the reason in the log and the others go on; it is tried again
// after a time that doubles from a minute to an hour, or when its files change.
package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/rs/zerolog"

	"trammel/package/handoff"
	"trammel/pipeline/disk"
	"trammel/pipeline/job"
	"trammel/watch/arrivals"
)

// Extent says how far a job is worked on.
type Extent int

// The extents of work.
const (
	CheckOnly Extent = iota // inspect and tie: the capture goes on
	Whole                   // build and pack
)

// Build works on a job.
type Build func(ctx context.Context, dir string, sheet *job.Sheet, text []byte, extent Extent) (handoff.Outcome, error)

// Options of Run.
type Options struct {
	Root   string
	Once   bool
	Settle time.Duration // how long a file must not have changed
	Sweep  time.Duration // how often to list, whatever events say
	Quiet  time.Duration // see pipeline.Options
	Disk   *disk.Disk
	Log    zerolog.Logger
	Now    func() time.Time
	Build  Build
	Said   func(dir string, out handoff.Outcome) // is told every outcome
}

// lockName is the file in ROOT that keeps a second daemon away.
const lockName = ".trammel-watch"

// ErrRunning says that another daemon watches the same folder.
var ErrRunning = errors.New("another trammel watches this folder")

// Run watches until ctx is done, or once. held reports whether a job is on hold
// at the end.
func Run(ctx context.Context, o Options) (held bool, err error) {
	release, holder, err := o.Disk.Hold(filepath.Join(o.Root, lockName), fmt.Sprintf("process %d", os.Getpid()))
	if errors.Is(err, disk.ErrHeld) {
		return false, fmt.Errorf("%s: %w (%s); stop that one first", o.Root, ErrRunning, holder)
	}
	if err != nil {
		return false, fmt.Errorf("watch %s: %w", o.Root, err)
	}
	d := newDaemon(o)
	defer func() { err = errors.Join(err, d.watcher.Close(), release()) }()
	if o.Once {
		return d.once(ctx)
	}
	return false, d.follow(ctx)
}

// daemon is the state between sweeps.
type daemon struct {
	Options
	watcher *arrivals.Watcher
	jobs    map[string]*known // by folder
	sweeps  int
}

func newDaemon(o Options) *daemon {
	return &daemon{Options: o, watcher: arrivals.New(o.Root, o.Settle), jobs: map[string]*known{}}
}

// known is what was last done for a job.
type known struct {
	worked  fingerprint // what it was worked on with
	extent  Extent
	held    bool
	failed  int       // times in a row
	retryAt time.Time // not before, after a failure
}

// once waits until what is there has settled, works on it, and returns. What
// still changes after twenty settling times is left for another time.
func (d *daemon) once(ctx context.Context) (held bool, err error) {
	deadline := d.Now().Add(20 * d.Settle)
	for {
		state, err := d.sweep()
		if err != nil {
			return false, err
		}
		if len(state.Moving) == 0 || !d.Now().Before(deadline) {
			return d.workAll(ctx, state)
		}
		if err := pause(ctx, state.NextLook); err != nil {
			return false, err
		}
	}
}

func (d *daemon) workAll(ctx context.Context, state arrivals.State) (held bool, err error) {
	for _, dir := range jobFolders(d.Root) {
		if err := d.work(ctx, dir, state); err != nil {
			return held, err
		}
		held = held || d.jobs[dir] != nil && (d.jobs[dir].held || d.jobs[dir].failed > 0)
	}
	return held, nil
}

// follow sweeps, works and waits for the next reason to sweep.
func (d *daemon) follow(ctx context.Context) error {
	d.Log.Info().Str("root", d.Root).Msg("watching")
	for {
		state, err := d.sweep()
		if err != nil {
			d.Log.Error().Err(err).Msg("folder could not be listed")
		} else if _, err := d.workAll(ctx, state); err != nil {
			return stopped(err)
		}
		if err := d.wait(ctx, state.NextLook); err != nil {
			return stopped(err)
		}
	}
}

// stopped turns the end that a person asked for into success.
func stopped(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (d *daemon) sweep() (arrivals.State, error) {
	d.sweeps++
	return d.watcher.Sweep(d.Now(), d.sweeps, d.skip)
}

// skip names what the daemon itself or the pipeline writes, and hidden files.
func (d *daemon) skip(path string) bool {
	rel, err := filepath.Rel(d.Root, path)
	if err != nil {
		return true
	}
	dir, name := filepath.Split(rel)
	inJob := filepath.Dir(filepath.Clean(dir)) == "." && dir != ""
	switch {
	case name[0] == '.':
		return true
	case inJob && (name == job.WorkDir || name == job.OutDir || name == job.LogName):
		return true
	}
	return false
}

// wait returns when something happened, when the next file may have settled, or
// when a sweep is due anyway. Events that follow each other closely count as one.
func (d *daemon) wait(ctx context.Context, next time.Duration) error {
	limit := d.Sweep
	if next > 0 && next < limit {
		limit = next
	}
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	case e, ok := <-d.watcher.Events():
		if ok {
			d.watcher.Forget(e)
		}
	case err := <-d.watcher.Errors():
		if err != nil {
			d.Log.Warn().Err(err).Msg("events were lost, sweeping")
		}
	}
	return pause(ctx, min(d.Settle, 200*time.Millisecond))
}

func pause(ctx context.Context, t time.Duration) error {
	timer := time.NewTimer(t)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// work does what is due for one job. Only the end of ctx is an error: a job's
// own trouble is logged and kept.
func (d *daemon) work(ctx context.Context, dir string, state arrivals.State) error {
	k := d.jobs[dir]
	if k == nil {
		k = &known{}
		d.jobs[dir] = k
	}
	print, moving := fingerprintOf(dir, state)
	if moving {
		return nil
	}
	sheet, text, err := job.ReadSheet(filepath.Join(dir, job.SheetName))
	if err != nil {
		d.sheetWrong(dir, k, print, err)
		return nil
	}
	extent := d.extent(dir, sheet)
	if print == k.worked && extent == k.extent && (k.failed == 0 || d.Now().Before(k.retryAt)) {
		return nil
	}
	out, err := d.guarded(ctx, dir, sheet, text, extent)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if print != k.worked {
		k.failed = 0
	}
	k.worked, k.extent = print, extent
	if err != nil {
		d.failed(dir, k, err)
		return nil
	}
	k.failed, k.held = 0, out.Held
	if d.Said != nil {
		d.Said(dir, out)
	}
	d.Log.Info().Str("job", sheet.Job).Bool("held", out.Held).Int("findings", len(out.Findings)).Str("package", out.Package).Msg("job worked on")
	return nil
}

func (d *daemon) sheetWrong(dir string, k *known, print fingerprint, err error) {
	k.held = true
	if print == k.worked {
		return
	}
	k.worked = print
	d.Log.Error().Str("folder", dir).Err(err).Msg("job sheet could not be used")
}

func (d *daemon) failed(dir string, k *known, err error) {
	k.failed++
	k.held = true
	wait := min(time.Minute<<min(k.failed-1, 6), time.Hour)
	k.retryAt = d.Now().Add(wait)
	d.Log.Error().Str("folder", dir).Err(err).Dur("retry_in", wait).Msg("job could not be worked on")
}

// guarded keeps a panic of one job from the others.
func (d *daemon) guarded(ctx context.Context, dir string, sheet *job.Sheet, text []byte, extent Extent) (out handoff.Outcome, err error) {
	defer func() {
		if p := recover(); p != nil {
			d.Log.Error().Str("folder", dir).Interface("panic", p).Bytes("stack", debug.Stack()).Msg("a stage panicked")
			err = fmt.Errorf("a fault of the program: %v; the log has the details", p)
		}
	}()
	return d.Build(ctx, dir, sheet, text, extent)
}

// extent tells whether the capture of a job is over.
func (d *daemon) extent(dir string, sheet *job.Sheet) Extent {
	arrived, err := job.List(dir, sheet)
	if err != nil || len(arrived.Scans) == 0 {
		return CheckOnly
	}
	counts := make([]int, len(sheet.Instruments))
	var newest time.Time
	for _, s := range arrived.Scans {
		counts[s.Instrument]++
		if info, err := os.Stat(s.File); err == nil && info.ModTime().After(newest) {
			newest = info.ModTime()
		}
	}
	if sheet.StillCaptured(newest, d.Now(), d.Quiet, func(i int) int { return counts[i] }) {
		return CheckOnly
	}
	return Whole
}

// jobFolders lists the folders below root that hold a job sheet, in order.
func jobFolders(root string) []string {
	entries, err := os.ReadDir(root)
	if err != nil {
		return nil
	}
	var out []string
	for _, e := range entries {
		dir := filepath.Join(root, e.Name())
		if info, err := os.Stat(filepath.Join(dir, job.SheetName)); err == nil && info.Mode().IsRegular() {
			out = append(out, dir)
		} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
			continue
		}
	}
	return out
}
