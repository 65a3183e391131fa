// Package surface ties and compares scans by the shape that they share.
//
// Align refines a rough placement of one cloud on another: point-to-plane
// iterative closest points (Y. Chen, G. Medioni, Object modelling by registration
// of multiple range images, 1992) from coarse to fine, with a robust kernel, and
// a covariance that does not pretend neighbouring points to be independent.
// Compare takes the signed distances between two clouds in one frame, as a
// witness that is independent of whatever tied them. Clouds must have normals.
// A placement that the overlap does not hold is said to be loose, never guessed.
package surface

import (
	"context"
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Options steers Align; zero values take the defaults.
type Options struct {
	Reach float64 // how far the rough placement may be off, mm; default 200
	Grain float64 // finest cell that clouds are thinned to, mm; default 4
}

// Result is a placement of a source cloud on a target cloud.
type Result struct {
	SourceToTarget geom.Pose
	Cov            fit.Mat6 // of (rotation vector in rad, translation in mm) about Center, target axes, row-major
	Center         geom.Vec // middle of the overlap, target frame
	RMS            float64  // of the point-to-plane distances used, mm
	Overlap        float64  // share of the source's surface that met the target, 0 to 1
	Pairs          int      // point pairs in the last step
	Iterations     int
	Converged      bool
	Loose          []string // motions that the shape does not hold, in words; empty when all six are held
}

// ErrNoOverlap says that source and target share too little surface to be tied.
var ErrNoOverlap = errors.New("the scans share too little surface")

const (
	defaultReach  = 200.0
	defaultGrain  = 4.0
	minPairs      = 100 // far more than the six unknowns; fewer are a corner, not a surface
	stepsPerScale = 40
	minNormalCos  = 0.7  // pairs whose normals differ by more than 45 degrees belong to different faces
	blockPoints   = 4096 // points a parallel block
)

// Align moves source onto target, starting from guess. It needs minPairs pairs
// of points and returns ErrNoOverlap otherwise.
func Align(ctx context.Context, source, target *scan.Cloud, guess geom.Pose, o Options) (Result, error) {
	if o.Reach == 0 {
		o.Reach = defaultReach
	}
	if o.Grain == 0 {
		o.Grain = defaultGrain
	}
	if !source.HasNormals() || !target.HasNormals() {
		return Result{}, fmt.Errorf("align by surface: a cloud has no points with normals: %w", ErrNoOverlap)
	}
	r := Result{SourceToTarget: guess}
	for reach := o.Reach; ; reach = max(reach/3, 3*o.Grain) {
		s := scale{source: sample(source, reach/3, o.Grain), target: newGrid(sample(target, reach/3, o.Grain), reach)}
		if err := s.settle(ctx, &r); err != nil {
			return r, err
		}
		if reach <= 3*o.Grain {
			return r, nil
		}
	}
}

// samplePoints is what a cloud keeps at a coarse scale: five times the pairs that
// are needed, so that a fifth of overlap is enough at any scale.
const samplePoints = 5 * minPairs

// sample thins a cloud to cells of a size, and to smaller ones down to the grain
// where a small object would keep too few points.
func sample(c *scan.Cloud, cell, grain float64) *scan.Cloud {
	out := Thin(c, cell)
	for out.Len() < samplePoints && cell > grain {
		cell = max(cell/2, grain)
		out = Thin(c, cell)
	}
	return out
}

// scale is one step from coarse to fine.
type scale struct {
	source *scan.Cloud
	target *grid
}

// settle repeats pairing and solving until the motion is far below what the
// pairs can tell, or gives up after stepsPerScale.
func (s *scale) settle(ctx context.Context, r *Result) error {
	for range stepsPerScale {
		pairs, err := s.pair(ctx, r.SourceToTarget)
		if err != nil {
			return err
		}
		if len(pairs) < minPairs {
			return fmt.Errorf("%d point pairs within %.0f mm, at least %d are needed: %w", len(pairs), s.target.cell, minPairs, ErrNoOverlap)
		}
		n := normalEquations(pairs)
		step, moved := n.solve()
		r.SourceToTarget = step.After(r.SourceToTarget)
		r.Iterations++
		r.Converged = moved < 1e-4*s.target.cell
		if r.Converged {
			break
		}
	}
	return s.report(ctx, r)
}

// pair is a source point in the target frame and the target's plane next to it.
type pair struct {
	p, n geom.Vec
	d    float64 // signed distance of p from the plane
	w    float64 // robust weight
	cell [3]int32
}

// pair finds for every source point the nearest target point that faces the same
// way, and weights the pairs by Tukey's biweight of their distances.
func (s *scale) pair(ctx context.Context, sourceToTarget geom.Pose) ([]pair, error) {
	n := s.source.Len()
	slots := make([][]pair, par.Count(n, blockPoints))
	err := par.Blocks(ctx, n, blockPoints, func(block, lo, hi int) error {
		var out []pair
		for i := lo; i < hi; i++ {
			p, dir := sourceToTarget.Apply(s.source.At(i)), sourceToTarget.Turn(s.source.Normal(i))
			j := s.target.nearest(p, dir, minNormalCos)
			if j < 0 {
				continue
			}
			normal := s.target.cloud.Normal(int(j))
			out = append(out, pair{p: p, n: normal, d: normal.Dot(p.Sub(s.target.cloud.At(int(j)))), cell: s.target.cellOf(p)})
		}
		slots[block] = out
		return nil
	})
	var all []pair
	for _, b := range slots {
		all = append(all, b...)
	}
	weigh(all)
	return all, err
}

// weigh gives Tukey's biweight with the usual constant of 4.685 robust standard
// deviations, the deviation taken from the median of absolute distances.
func weigh(pairs []pair) {
	abs := make([]float64, len(pairs))
	for i := range pairs {
		abs[i] = math.Abs(pairs[i].d)
	}
	c := 4.685 * madToSigma * median(abs)
	for i := range pairs {
		u := pairs[i].d / c
		if c == 0 || math.Abs(u) < 1 {
			q := 1 - u*u
			if c == 0 {
				q = 1
			}
			pairs[i].w = q * q
		}
	}
}

// madToSigma turns a median absolute deviation into the standard deviation of a
// normal distribution: 1/Φ⁻¹(3/4).
const madToSigma = 1.482602218505602

// system holds the normal equations of a small motion about a centre.
type system struct {
	center geom.Vec
	radius float64 // rms distance of the pairs from the centre: it makes angles comparable to lengths
	h      *mat.SymDense
	g      *mat.VecDense
	weight float64
	ssr    float64
}

func normalEquations(pairs []pair) system {
	s := system{h: mat.NewSymDense(6, nil), g: mat.NewVecDense(6, nil)}
	for _, q := range pairs {
		s.center = s.center.AddScaled(q.w, q.p)
		s.weight += q.w
	}
	s.center = s.center.Scale(1 / s.weight)
	var r2 float64
	for _, q := range pairs {
		r2 += q.w * q.p.Sub(s.center).Norm2()
	}
	s.radius = math.Max(math.Sqrt(r2/s.weight), math.SmallestNonzeroFloat32)
	var h [21]float64
	var g [6]float64
	for _, q := range pairs {
		row := s.row(q)
		k := 0
		for i := range 6 {
			g[i] += q.w * row[i] * q.d
			for j := i; j < 6; j++ {
				h[k] += q.w * row[i] * row[j]
				k++
			}
		}
		s.ssr += q.w * q.d * q.d
	}
	k := 0
	for i := range 6 {
		s.g.SetVec(i, g[i])
		for j := i; j < 6; j++ {
			s.h.SetSym(i, j, h[k])
			k++
		}
	}
	return s
}

// row is the derivative of the distance by the rotation (scaled by the radius)
// and the translation.
func (s *system) row(q pair) [6]float64 {
	a := q.p.Sub(s.center).Cross(q.n).Scale(1 / s.radius)
	return [6]float64{a.X, a.Y, a.Z, q.n.X, q.n.Y, q.n.Z}
}

// heldShare is the smallest eigenvalue, relative to the mean one, at which a
// direction counts as held: below it, the pairs tell ten times less about it than
// noise in the normals (about 2 degrees, so 1e-3 in squared cosine) pretends.
const heldShare = 1e-2

// solve returns the motion that lowers the distances, and how far it moves the
// pairs. Directions that are not held stay as they are.
func (s *system) solve() (geom.Pose, float64) {
	var e mat.EigenSym
	if !e.Factorize(s.h, true) {
		return geom.IdentityPose(), 0
	}
	var v mat.Dense
	e.VectorsTo(&v)
	values := e.Values(nil)
	mean := mat.Trace(s.h) / 6
	var x [6]float64
	for k, lambda := range values {
		if lambda <= heldShare*mean {
			continue
		}
		c := mat.Dot(v.ColView(k), s.g) / lambda
		for i := range x {
			x[i] -= c * v.At(i, k)
		}
	}
	turn := geom.Vec{X: x[0], Y: x[1], Z: x[2]}.Scale(1 / s.radius)
	move := geom.Vec{X: x[3], Y: x[4], Z: x[5]}
	rot := geom.RotVec(turn)
	about := geom.Pose{R: rot, T: s.center.Sub(rot.MulVec(s.center)).Add(move)}
	return about, move.Norm() + turn.Norm()*s.radius
}
