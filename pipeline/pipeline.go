// Package pipeline takes a job folder from raw scans to numbers and a mesh. This
// file reads like a table of contents: one line a stage. The stages live in the
// packages below and know nothing of each other; what one needs of another is
// handed over here.
//
// A job's lengths are millimetres throughout. Frames follow each other: a file's
// own frame, the network's (that of its first set-up), and the frame of the
// deliverables, which is the datum's where there is one. Nothing here looks at a
// clock or an environment: the same scans and the same sheet give the same
// results, to the last bit, and Options.Now only decides whether a job still
// counts as being captured.
package pipeline

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// Progress is told which item of how many a step is at.
type Progress func(step, subject string, done, total int)

// Options steers Check and Build.
type Options struct {
	Store    *stage.Store  // where results are kept; nil keeps nothing
	Now      time.Time     // for telling whether a job is still being captured
	Quiet    time.Duration // how long after its newest scan it may be
	Memory   int64         // most bytes that a stage may plan for; 0 leaves it to the stages
	Progress Progress      // may be nil
}

// run is one pass over a job.
type run struct {
	o     Options
	store *stage.Store

	fused    *scan.Mesh // handed from fuse to reduce
	fusedKey stage.Key
	toFused  *distance.Reference // see reference
	mapped   func() error        // lets go of fused where it lies in its file; else nil
}

func newRun(o Options) *run {
	r := &run{o: o, store: o.Store}
	if r.store == nil {
		r.store = stage.Nowhere()
	}
	return r
}

func (r *run) progress(step, subject string, done, total int) {
	if r.o.Progress != nil {
		r.o.Progress(step, subject, done, total)
	}
}

// Check inspects the scans of a job, ties them, and says what was seen of the object. It
// writes nothing but to the store.
func Check(ctx context.Context, dir string, sheet *job.Sheet, o Options) (*Checked, error) {
	r := newRun(o)
	c, err := r.check(ctx, dir, sheet)
	if err != nil {
		return nil, err
	}
	b := &Built{Checked: *c}
	for _, step := range []func(context.Context, *Built) error{r.place, r.setByShape, r.cover} {
		if err := step(ctx, b); err != nil {
			return nil, fmt.Errorf("look at what was seen: %w", err)
		}
	}
	b.finish()
	return &b.Checked, nil
}

func (r *run) check(ctx context.Context, dir string, sheet *job.Sheet) (*Checked, error) {
	arrived, err := job.List(dir, sheet)
	if err != nil {
		return nil, err
	}
	c := &Checked{Dir: dir, Job: sheet, Units: sheet.Units, ToFrame: geom.IdentityPose(), Findings: arrived.Findings}
	c.Files, err = r.inspect(ctx, arrived.Scans, sheetExpects(sheet))
	if err != nil {
		return nil, err
	}
	for _, f := range c.Files {
		c.Findings = append(c.Findings, f.Findings...)
	}
	r.missing(c)
	if err := r.tie(ctx, c); err != nil {
		return nil, err
	}
	c.meetGiven()
	c.fewSpheres()
	c.setDatum()
	c.predict()
	return c, nil
}

// finish puts the findings in order, once all are there.
func (c *Checked) finish() { job.SortFindings(c.Findings) }

// sheetExpects tells for a scan what the sheet says of it.
func sheetExpects(sheet *job.Sheet) func(job.Scan) expectation {
	return func(s job.Scan) expectation {
		ins := sheet.Instruments[s.Instrument]
		e := expectation{Path: s.Path, Kind: ins.Kind, Units: ins.Units, Register: ins.Register, Noise: ins.Noise, Spheres: sheet.Spheres}
		if sheet.Object != nil {
			e.Object = sheet.Object.Size().Norm()
		}
		return e
	}
}

// Bare says of scan files what a job sheet would.
type Bare struct {
	Units   length.Unit
	Spheres []job.Spheres
}

// CheckFiles inspects scan files that belong to no job.
func CheckFiles(ctx context.Context, paths []string, b Bare, o Options) (*Checked, error) {
	var scans []job.Scan
	for _, p := range paths {
		info, err := os.Stat(p)
		if err != nil {
			return nil, err
		}
		scans = append(scans, job.Scan{Path: filepath.ToSlash(p), File: p, Instrument: -1, Bytes: info.Size()})
	}
	r := newRun(o)
	c := &Checked{Units: length.Millimetre, ToFrame: geom.IdentityPose()}
	var err error
	c.Files, err = r.inspect(ctx, scans, func(s job.Scan) expectation {
		return expectation{Path: s.Path, Kind: job.Station, Units: b.Units, Spheres: b.Spheres}
	})
	if err != nil {
		return nil, err
	}
	for i := range c.Files {
		if c.Files[i].Triangles > 0 {
			c.Files[i].Kind = job.Tracked
		}
		c.Findings = append(c.Findings, c.Files[i].Findings...)
	}
	c.finish()
	return c, nil
}

// Build works through a whole job.
func Build(ctx context.Context, dir string, sheet *job.Sheet, o Options) (_ *Built, err error) {
	r := newRun(o)
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true)) // where a mapped file cannot be read
	defer func() { err = errors.Join(err, r.letGo()) }()
	c, err := r.check(ctx, dir, sheet) // whole? valid? which units? which spheres? how tied?
	if err != nil {
		return nil, err
	}
	b := &Built{Checked: *c}
	for _, step := range []struct {
		name string
		do   func(context.Context, *Built) error
	}{
		{"placing tracked scans", r.place},     // hand scans, by the shape they share
		{"setting up the datum", r.setByShape}, // the object's own axes, where its surface holds them
		{"comparing overlaps", r.witness},      // an independent look at every tie
		{"looking for stickers", r.stickers},   // targets on the skin
		{"fusing", r.fuse},                     // many scans → one surface
		{"reducing", r.reduce},                 // fewer triangles, measured
		{"measuring mounts", r.measure},        // holes, studs, bosses, faces
		{"cutting out mounts", r.patch},        // the raw surface around each
		{"judging coverage", r.cover},          // what was seen, and what was not
		{"summing raw scans", r.sumRaw},        // SHA-512 for the list of sources
	} {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		r.progress(step.name, "", 0, 1)
		if err := step.do(ctx, b); err != nil {
			return nil, fmt.Errorf("%s: %w", step.name, err)
		}
	}
	b.finish()
	return b, nil
}
