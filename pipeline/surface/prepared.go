package surface

import (
	"context"
	"fmt"
	"sync"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Prepared is a cloud thinned for every scale of an alignment, for any number of
// partners and guesses. It may be used from several goroutines at once.
type Prepared struct {
	o      Options
	levels []level // from coarse to fine
}

// level is a cloud at one scale.
type level struct {
	cloud  *scan.Cloud
	behind []float32 // how many points stand behind each
	reach  float64
	once   *sync.Once
	grid   *grid // of a cloud that others are laid on; made when first asked for
}

// Prepare thins a cloud with normals for Options.Reach and Options.Grain, neither of
// which may be zero.
func Prepare(ctx context.Context, c *scan.Cloud, o Options) (*Prepared, error) {
	if !c.HasNormals() || !(o.Reach > 0) || !(o.Grain > 0) {
		return nil, fmt.Errorf("prepare a cloud of %d points for a reach of %g mm and a grain of %g mm: %w", c.Len(), o.Reach, o.Grain, ErrNoOverlap)
	}
	reaches := []float64{o.Reach}
	for last := o.Reach; last > 3*o.Grain; reaches = append(reaches, last) {
		last = max(last/3, 3*o.Grain)
	}
	p := &Prepared{o: o, levels: make([]level, len(reaches))}
	for i := len(reaches) - 1; i >= 0; i-- {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		l := level{reach: reaches[i], once: &sync.Once{}}
		l.cloud, l.behind = sample(c, reaches[i]/3, o.Grain)
		p.levels[i], c = l, l.cloud
	}
	return p, nil
}

// onto returns the scale at which one cloud is laid on another.
func (l *level) onto(target *level, enough float64) scale {
	target.once.Do(func() { target.grid = newGrid(target.cloud, target.reach) })
	return scale{source: l.cloud, behindSource: l.behind, target: target.grid, behindTarget: target.behind, enough: enough}
}

// AlignOn is Align of a prepared source on a target prepared with the same options.
func (p *Prepared) AlignOn(ctx context.Context, target *Prepared, guess geom.Pose) (Result, error) {
	if p.o != target.o {
		return Result{}, fmt.Errorf("align scans prepared for %+v and %+v: %w", p.o, target.o, ErrNoOverlap)
	}
	r := Result{SourceToTarget: guess}
	for i := range p.levels {
		enough := enoughToGoOn
		if i == len(p.levels)-1 {
			enough = enoughToStop
		}
		s := p.levels[i].onto(&target.levels[i], enough)
		if err := s.settle(ctx, &r); err != nil {
			return r, err
		}
		if i == len(p.levels)-1 {
			return r, s.report(ctx, &r)
		}
	}
	return r, nil
}

// StepOn returns where the finest scale would move the source from a place that others
// hold it at, in one step, and how well it holds it there: a scan that alone would slide
// to where some edges pull it says no more than it knows.
func (p *Prepared) StepOn(ctx context.Context, target *Prepared, at geom.Pose) (Result, error) {
	last := len(p.levels) - 1
	s := p.levels[last].onto(&target.levels[last], enoughToStop)
	r := Result{SourceToTarget: at, Iterations: 1, Converged: true}
	if err := s.report(ctx, &r); err != nil {
		return r, err
	}
	n, err := s.equations(ctx, at)
	if err != nil {
		return r, err
	}
	step, _ := n.solve()
	r.SourceToTarget = step.After(at)
	return r, nil
}

// samplePoints is what a cloud keeps at a coarse scale: five times the pairs that
// are needed, so that a fifth of overlap is enough at any scale.
const samplePoints = 5 * minPairs

// sample thins a cloud to cells of a size, and to smaller ones down to the grain
// where a small object would keep too few points.
func sample(c *scan.Cloud, cell, grain float64) (out *scan.Cloud, behind []float32) {
	out, behind = thin(c, cell)
	for out.Len() < samplePoints && cell > grain {
		cell = max(cell/2, grain)
		out, behind = thin(c, cell)
	}
	return out, behind
}
