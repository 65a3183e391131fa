// Package surface ties and compares scans by the shape that they share.
//
// Locate places one cloud on another without any first guess, and says why an answer
// must not be trusted. Align refines a rough placement of one cloud on another: point-to-plane
// iterative closest points (Y. Chen, G. Medioni, Object modelling by registration
// of multiple range images, 1992) from coarse to fine, with a robust kernel, and
// a covariance that does not pretend neighbouring points to be independent.
// Compare takes the signed distances between two clouds in one frame, as a
// witness that is independent of whatever tied them. Clouds must have normals; of a
// mesh they are its corners. Exact closest points on its triangles bring nothing: on fine
// meshes the place is the same to a fraction of its sigma, on coarse ones it is worse, since
// facets cut off what bends and the mean normals of two places do not (measured in
// TestExactClosestPointsChangeNothing of pipeline).
// A placement that the overlap does not hold is said to be loose, never guessed.
package surface

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Options steers Align; zero values take the defaults.
type Options struct {
	Reach float64 // how far the rough placement may be off, mm; default 200
	Grain float64 // finest cell that clouds are thinned to, mm; default: a little above the spacing of the sparser cloud
}

// Result is a placement of a source cloud on a target cloud.
type Result struct {
	SourceToTarget geom.Pose
	Cov            fit.Mat6 // of (rotation vector in rad, translation in mm) about Center, target axes, row-major
	Center         geom.Vec // middle of the overlap, target frame
	RMS            float64  // of the point-to-plane distances used, mm
	Overlap        float64  // share of the source's surface that met the target, 0 to 1
	Pairs          int      // point pairs in the last step
	Patches        int      // pieces of surface that they lie on; Cov rests on their scatter, and on fewer than some twenty it says little
	Iterations     int
	Converged      bool
	Loose          []string // motions that the shape does not hold, in words; empty when all six are held
}

// ErrNoOverlap says that source and target share too little surface to be tied.
var ErrNoOverlap = errors.New("the scans share too little surface")

const (
	defaultReach  = 200.0
	minPairs      = 100 // far more than the six unknowns; fewer are a corner, not a surface
	stepsPerScale = 40
	minNormalCos  = 0.7  // pairs whose normals differ by more than 45 degrees belong to different faces
	blockPoints   = 4096 // points a parallel block
	// A scale is done when a step moves less than this share of its reach: a
	// hundredth is far within the reach of the next finer one, and the last one stops
	// where a step is below a thousandth of the spacing.
	enoughToGoOn = 1e-2
	enoughToStop = 1e-4
)

// Align moves source onto target, starting from guess. It needs minPairs pairs
// of points and returns ErrNoOverlap otherwise.
func Align(ctx context.Context, source, target *scan.Cloud, guess geom.Pose, o Options) (Result, error) {
	if o.Reach == 0 {
		o.Reach = defaultReach
	}
	if !source.HasNormals() || !target.HasNormals() {
		return Result{}, fmt.Errorf("align by surface: a cloud has no points with normals: %w", ErrNoOverlap)
	}
	if o.Grain == 0 {
		o.Grain = grainPerSpacing * max(spacing(source), spacing(target))
	}
	var sides [2]*Prepared
	err := par.Each(ctx, 2, func(k int) (err error) {
		sides[k], err = Prepare(ctx, [2]*scan.Cloud{source, target}[k], o)
		return err
	})
	if err != nil {
		return Result{}, err
	}
	return sides[0].AlignOn(ctx, sides[1], guess)
}

// grainPerSpacing makes cells that hold a point and a half on average, so that
// nearly every cell that a surface crosses has one.
const grainPerSpacing = 1.2

// spacing estimates the distance between neighbouring points of a cloud, mm: the
// root of its area over its number, the area from the cells that it occupies. A
// slanted plane crosses half as many cells again as its area fills.
func spacing(c *scan.Cloud) float64 {
	part := &scan.Cloud{Origin: c.Origin}
	for i := 0; i < c.Len(); i += 1 + c.Len()/spacingSample {
		part.X, part.Y, part.Z = append(part.X, c.X[i]), append(part.Y, c.Y[i]), append(part.Z, c.Z[i])
		part.NX, part.NY, part.NZ = append(part.NX, c.NX[i]), append(part.NY, c.NY[i]), append(part.NZ, c.NZ[i])
	}
	b := part.Bounds()
	size := b.Max.Sub(b.Min).Norm()
	if !(size > 0) || math.IsInf(size, 0) {
		return 1
	}
	for cell := size / 128; ; cell *= 2 {
		if n := occupied(part, cell); fullCell*n <= part.Len() || cell > size {
			return cell * math.Sqrt(float64(max(n, 1))/1.5/float64(c.Len()))
		}
	}
}

const (
	spacingSample = 60000
	fullCell      = 3 // points a cell: of cells with so many on average, one in twenty is missed
)

// occupied counts the cells of a size that hold points.
func occupied(c *scan.Cloud, cell float64) int {
	g, n := newGrid(c, cell), 0
	for k := range len(g.first) - 1 {
		if g.first[k+1] > g.first[k] {
			n++
		}
	}
	return n
}

// scale is one step from coarse to fine.
type scale struct {
	source *scan.Cloud
	target *grid
	enough float64 // share of the reach: a smaller step ends the scale
	// How many points stand behind each of the source and of the target.
	behindSource, behindTarget []float32
}

// settle repeats pairing and solving until the motion is small enough, or gives
// up after stepsPerScale.
func (s *scale) settle(ctx context.Context, r *Result) error {
	for range stepsPerScale {
		n, err := s.equations(ctx, r.SourceToTarget)
		if err != nil {
			return err
		}
		step, moved := n.solve()
		r.SourceToTarget = step.After(r.SourceToTarget)
		r.Iterations++
		r.Converged = moved < s.enough*s.target.cell
		if r.Converged {
			break
		}
	}
	return nil
}

// equations pairs the points and returns the normal equations of a small motion.
func (s *scale) equations(ctx context.Context, at geom.Pose) (system, error) {
	p, err := s.pair(ctx, at)
	if err != nil {
		return system{}, err
	}
	if p.count < minPairs {
		return system{}, fmt.Errorf("%d point pairs within %.3g mm, at least %d are needed: %w", p.count, s.target.cell, minPairs, ErrNoOverlap)
	}
	return p.normalEquations(ctx)
}
