// Package handoff turns a job folder into a package: it runs the pipeline, keeps
// the session log, decides whether anything is new, and packs the next revision.
//
// Write order is the commit protocol. For each gap between two steps, what a
// crash leaves and who cleans it:
//
//	results of stages in work/    whole or absent; the next build goes on from them
//	lines of the session log      a torn last line is cut by the next append
//	mesh files in work/pack/      overwritten by the next build
//	out/JOB-rNNN under its name   a temporary name, removed by the next build; else whole
//	the log's line "built"        missing; the next build finds the package unchanged and adds it
//
// A package is never overwritten: its name is taken exclusively, and the next
// number is tried when another process was faster.
package handoff

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"trammel/pipeline"
	"trammel/pipeline/disk"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
	"trammel/pipeline/stage"
)

// Request is a build of one job folder.
type Request struct {
	Dir       string
	Sheet     *job.Sheet
	SheetText []byte
	Disk      *disk.Disk
	Log       zerolog.Logger
	Now       func() time.Time
	Version   string        // of the program
	Quiet     time.Duration // see pipeline.Options
	Memory    int64
	Progress  pipeline.Progress
	CheckOnly bool // inspect and tie, keep results and log, pack nothing
	// KeepReleased makes no new revision only to report that the newest is released.
	KeepReleased bool
}

// Outcome is what became of a build.
type Outcome struct {
	Job       string            `json:"job"`
	Package   string            `json:"package"` // path; empty when none could be made
	Revision  int               `json:"revision"`
	Unchanged bool              `json:"unchanged"` // the newest package says all that there is to say
	Held      bool              `json:"held"`      // a finding that nobody accepted holds the job
	Computed  int               `json:"computed"`  // stages
	Reused    int               `json:"reused"`
	Findings  []job.Finding     `json:"findings"`
	Checked   *pipeline.Checked `json:"-"`
	Built     *pipeline.Built   `json:"-"`
}

// ErrBusy says that another process is building the job.
var ErrBusy = errors.New("the job is being worked on by another process")

// Build works through a job folder and packs the result where there is something
// new to hand over.
func Build(ctx context.Context, r Request) (out Outcome, err error) {
	out = Outcome{Job: r.Sheet.Job, Findings: []job.Finding{}}
	release, err := r.hold()
	if err != nil {
		return out, err
	}
	defer func() { err = errors.Join(err, release()) }()
	entries, err := r.readLog()
	if err != nil {
		return out, err
	}
	if entries, err = r.takeNotes(entries); err != nil {
		return out, err
	}
	store := stage.Open(filepath.Join(r.Dir, job.WorkDir), r.Disk, r.tell)
	if err := r.compute(ctx, store, &out); err != nil {
		return out, err
	}
	out.Computed, out.Reused = store.Counts()
	out.Findings = append(out.Findings, out.Checked.Findings...)
	if entries, err = r.record(entries, out.Checked); err != nil {
		return out, err
	}
	out.Held = len(holding(out.Findings, decisions(entries).accepted)) > 0
	if out.Built == nil || out.Built.Surface == nil {
		return out, nil
	}
	return out, r.deliver(ctx, &out, entries)
}

// tell logs what a stage did.
func (r Request) tell(name, subject string, reused bool) {
	if reused {
		r.Log.Debug().Str("stage", name).Str("subject", subject).Msg("result reused")
		return
	}
	r.Log.Debug().Str("stage", name).Str("subject", subject).Msg("result computed")
}

func (r Request) compute(ctx context.Context, store *stage.Store, out *Outcome) error {
	o := pipeline.Options{Store: store, Now: r.Now(), Quiet: r.Quiet, Memory: r.Memory, Progress: r.Progress}
	if r.CheckOnly {
		c, err := pipeline.Check(ctx, r.Dir, r.Sheet, o)
		out.Checked = c
		return err
	}
	b, err := pipeline.Build(ctx, r.Dir, r.Sheet, o)
	if err != nil {
		return err
	}
	out.Built, out.Checked = b, &b.Checked
	return nil
}

// hold keeps other builds of the same job away.
func (r Request) hold() (release func() error, err error) {
	work := filepath.Join(r.Dir, job.WorkDir)
	if err := r.Disk.Mkdir(work); err != nil {
		return nil, fmt.Errorf("make the folder for derived data: %w; make the job folder writable", err)
	}
	note := fmt.Sprintf("process %d", os.Getpid())
	release, holder, err := r.Disk.Hold(filepath.Join(work, "lock"), note)
	if errors.Is(err, disk.ErrHeld) {
		return nil, fmt.Errorf("%s: %w (%s); wait for it, or stop it", r.Dir, ErrBusy, holder)
	}
	return release, err
}

func (r Request) logPath() string { return filepath.Join(r.Dir, job.LogName) }

// readLog returns the log's entries; an incomplete last line is mended by the
// next append.
func (r Request) readLog() ([]journal.Entry, error) {
	entries, err := journal.Read(r.logPath())
	if errors.Is(err, journal.ErrTorn) {
		r.Log.Warn().Str("file", r.logPath()).Msg("session log ends in an incomplete line")
		return entries, nil
	}
	return entries, err
}

func (r Request) append(entries []journal.Entry, more ...journal.Entry) ([]journal.Entry, error) {
	for i := range more {
		more[i].Version = r.Version
	}
	if err := journal.Append(r.Disk, r.logPath(), r.Now(), more...); err != nil {
		return nil, fmt.Errorf("write to the session log: %w", err)
	}
	return append(entries, more...), nil
}

// maxNote bounds a note: what is larger is not one.
const maxNote = 64 << 10

// takeNotes puts text files from the notes folder into the log, each content
// once. Files stay where they are.
func (r Request) takeNotes(entries []journal.Entry) ([]journal.Entry, error) {
	known := map[string]bool{}
	for _, e := range entries {
		if e.Event == journal.Noted && e.Source != "" {
			known[e.Source+"\x00"+e.SHA256] = true
		}
	}
	files, err := os.ReadDir(filepath.Join(r.Dir, job.NotesDir))
	if errors.Is(err, fs.ErrNotExist) {
		return entries, nil
	}
	if err != nil {
		return nil, fmt.Errorf("list notes: %w", err)
	}
	var more []journal.Entry
	for _, f := range files {
		if !f.Type().IsRegular() || !strings.EqualFold(filepath.Ext(f.Name()), ".txt") {
			continue
		}
		text, err := readSmall(filepath.Join(r.Dir, job.NotesDir, f.Name()), maxNote)
		if err != nil {
			return nil, err
		}
		sum := sumHex(text)
		if !known[f.Name()+"\x00"+sum] {
			more = append(more, journal.Entry{Event: journal.Noted, Text: strings.TrimSpace(string(text)), Source: f.Name(), SHA256: sum})
		}
	}
	if more == nil {
		return entries, nil
	}
	return r.append(entries, more...)
}

// record writes into the log which scans are new, and which findings appeared or
// are gone since the last time.
func (r Request) record(entries []journal.Entry, c *pipeline.Checked) ([]journal.Entry, error) {
	seen := map[string]bool{}
	for _, e := range entries {
		if e.Event == journal.ScanSeen {
			seen[e.Subject+"\x00"+e.SHA256] = true
		}
	}
	var more []journal.Entry
	for _, f := range c.Files {
		if !seen[f.Path+"\x00"+f.SHA256] {
			more = append(more, journal.Entry{Event: journal.ScanSeen, Subject: f.Path, Bytes: f.Bytes, SHA256: f.SHA256})
		}
	}
	open := journal.Open(entries)
	for _, f := range c.Findings {
		if !slices.ContainsFunc(open, func(e journal.Entry) bool { return isAbout(e, f) }) {
			more = append(more, journal.Entry{Event: journal.Found, Code: string(f.Code), Severity: string(f.Severity), Subject: f.Subject, Text: f.Text})
		}
	}
	for _, e := range open {
		if !slices.ContainsFunc(c.Findings, func(f job.Finding) bool { return isAbout(e, f) }) {
			more = append(more, journal.Entry{Event: journal.Cleared, Code: e.Code, Subject: e.Subject, Text: e.Text})
		}
	}
	if more == nil {
		return entries, nil
	}
	return r.append(entries, more...)
}

func isAbout(e journal.Entry, f job.Finding) bool {
	return e.Code == string(f.Code) && e.Subject == f.Subject && e.Text == f.Text
}
