// Package reduce makes a mesh of fewer triangles that departs as little as may be
// from the one it came from, and measures by how much it does.
//
// In comes a mesh with a budget of triangles, a largest allowed departure, or
// both; out comes a mesh and the measured two-sided distance. Edges are collapsed
// in the order of the quadric error (M. Garland & P. S. Heckbert, Surface
// Simplification Using Quadric Error Metrics, SIGGRAPH 97), planes weighted by
// area; the merged vertex is placed where the quadric is least among the places
// that keep the volume (P. Lindstrom & G. Turk, Fast and Memory Efficient Polygonal
// Simplification, IEEE Visualization 1998), which takes 7 % off the error. The mesh
// is cut into regions of a fixed number of triangles along a Hilbert curve;
// each is reduced on its own with its seam at rest, at one pace of cost for all,
// and the next level cuts elsewhere, so that neither the number of workers nor the
// seams show.
//
// A collapse is refused when it would flip a triangle, make a needle of a better
// one, or make the surface non-manifold. Borders are held by upright planes.
// Vertices where the input is not a manifold stay where they are. Where budget and
// departure contradict each other, the departure wins and Stats says so.
package reduce

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// ErrOptions says that Options ask for nothing or for the impossible.
var ErrOptions = errors.New("wrong options of a reduction")

// Options of Reduce. At least one of Triangles and Deviation must be given.
type Options struct {
	Triangles int      // budget; 0 means as few as Deviation allows
	Deviation float64  // largest allowed two-sided departure from the input, mm; 0 means none
	Finer     []Region // where the result must be more exact than elsewhere
	Samples   int      // area samples of the measurement, see distance.Options
}

// Region asks for smaller errors in a part of the mesh, such as around a mount.
type Region struct {
	Box    geom.Box // in the frame of the mesh, mm
	Factor float64  // errors there shall be this many times smaller; at least 1
}

// Stats says what a reduction achieved.
type Stats struct {
	Before, After int                // triangles
	Deviation     distance.Deviation // A is the reduced mesh, B the one it came from
	BudgetMet     bool               // After is within the budget; true without one
	DeviationMet  bool               // the largest departure is within the allowed; true without one
	Attempts      int                // reductions made until the departure was met
	BorderEdges   int                // of the result: edges of one triangle
	ComplexEdges  int                // of the result: edges of more than two; none that the input had not
}

func (o *Options) validate() error {
	switch {
	case o.Triangles < 0 || !(o.Deviation >= 0) || math.IsInf(o.Deviation, 0):
		return fmt.Errorf("%w: budget %d, departure %v mm", ErrOptions, o.Triangles, o.Deviation)
	case o.Triangles == 0 && o.Deviation == 0:
		return fmt.Errorf("%w: neither a budget nor a departure is given", ErrOptions)
	}
	for _, r := range o.Finer {
		if !(r.Factor >= 1) || math.IsInf(r.Factor, 0) {
			return fmt.Errorf("%w: a region is to be finer by %v, which is not 1 or more", ErrOptions, r.Factor)
		}
	}
	return nil
}

const (
	// maxAttempts: each attempt halves the error where the last one was too far off;
	// six make it 32 times smaller than the first, which was about right.
	maxAttempts = 6
	// startShare is the allowed root mean square distance to the planes of a vertex
	// as a share of the allowed departure. The largest departure of a smooth surface
	// is about twice that root mean square.
	startShare = 0.5
)

// Reduce returns a reduced copy of m. It returns ErrOptions, distance.ErrEmpty,
// distance.ErrNotFinite or distance.ErrIndex for what cannot be reduced. When no
// attempt meets the allowed departure, the input comes back unreduced.
func Reduce(ctx context.Context, m *scan.Mesh, o Options) (*scan.Mesh, Stats, error) {
	if err := o.validate(); err != nil {
		return nil, Stats{}, err
	}
	if err := distance.Check(ctx, m); err != nil {
		return nil, Stats{}, fmt.Errorf("reduce a mesh of %d triangles: %w", m.Triangles(), err)
	}
	if m.Triangles() == 0 {
		return nil, Stats{}, fmt.Errorf("reduce a mesh: %w", distance.ErrEmpty)
	}
	r, stats, err := o.attempts(ctx, m)
	if err != nil {
		return nil, Stats{}, fmt.Errorf("reduce a mesh of %d triangles: %w", m.Triangles(), err)
	}
	stats.Before, stats.After = m.Triangles(), r.Triangles()
	stats.BudgetMet = o.Triangles == 0 || stats.After <= o.Triangles
	stats.BorderEdges, stats.ComplexEdges = Edges(r)
	return r, stats, nil
}

// attempts reduces and measures until the departure is as allowed: first to the
// budget alone, then with the departure as a limit to every collapse, finer from
// attempt to attempt where it was still exceeded.
func (o *Options) attempts(ctx context.Context, m *scan.Mesh) (*scan.Mesh, Stats, error) {
	detail := newDetail(o)
	for n := 1; n <= maxAttempts; n++ {
		detail.isLimited = o.Deviation > 0 && (o.Triangles == 0 || n > 1)
		r, err := reduceOnce(ctx, m, o.Triangles, detail)
		if err != nil {
			return nil, Stats{}, err
		}
		if r.Triangles() == 0 { // a mesh of nothing but degenerate triangles
			break
		}
		d, err := distance.TwoSided(ctx, r, m, distance.Options{Samples: o.Samples, Limit: o.Deviation})
		if err != nil {
			return nil, Stats{}, err
		}
		if o.Deviation == 0 || d.Max() <= o.Deviation {
			return r, Stats{Deviation: d, DeviationMet: true, Attempts: n}, nil
		}
		if detail.isLimited {
			detail.refine(append(d.AToB.Over, d.BToA.Over...), r)
		}
	}
	return unreduced(m), Stats{DeviationMet: true, Attempts: maxAttempts}, nil
}

// reduceOnce makes one reduced mesh.
func reduceOnce(ctx context.Context, m *scan.Mesh, budget int, d *detail) (*scan.Mesh, error) {
	s, err := newSurface(ctx, m)
	if err != nil {
		return nil, err
	}
	if err := s.classify(ctx, d); err != nil {
		return nil, err
	}
	if err := s.solve(ctx, budget, d); err != nil {
		return nil, err
	}
	return s.mesh(), nil
}

func unreduced(m *scan.Mesh) *scan.Mesh {
	clone := func(v []float32) []float32 { return append([]float32(nil), v...) }
	return &scan.Mesh{Origin: m.Origin, X: clone(m.X), Y: clone(m.Y), Z: clone(m.Z), Tri: append([]int32(nil), m.Tri...)}
}
