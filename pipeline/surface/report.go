package surface

import (
	"context"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// report fills in how well the last placement is held.
func (s *scale) report(ctx context.Context, r *Result) error {
	p, err := s.pair(ctx, r.SourceToTarget)
	if err != nil {
		return err
	}
	if p.count < minPairs {
		return ErrNoOverlap
	}
	n, err := p.normalEquations(ctx)
	if err != nil {
		return err
	}
	used := 0
	p.each(0, len(p.spots), func(int, geom.Vec, geom.Vec, float64, float64) { used++ })
	r.Center, r.Pairs = n.center, used
	r.RMS = math.Sqrt(n.ssr / n.weight)
	r.Overlap = float64(used) / float64(s.source.Len())
	r.Loose = n.loose()
	r.Cov, r.Patches = n.covariance(p)
	return nil
}

// unheld returns the eigenvectors of the normal matrix and how many of the first have
// eigenvalues too small to count as held.
func (s *system) unheld() (v *mat.Dense, k int, ok bool) {
	var e mat.EigenSym
	if !e.Factorize(s.h, true) {
		return nil, 6, false
	}
	v = new(mat.Dense)
	e.VectorsTo(v)
	mean := mat.Trace(s.h) / 6
	for _, lambda := range e.Values(nil) { // in ascending order
		if lambda <= heldShare*mean {
			k++
		}
	}
	return v, k, true
}

// loose names the motions that the shape does not hold: the eigenvectors of the
// normal matrix whose eigenvalues are too small, turned among themselves so that
// turns and shifts are told apart as far as they can be.
func (s *system) loose() []string {
	v, k, ok := s.unheld()
	if !ok {
		return []string{"any motion"}
	}
	if k == 0 {
		return nil
	}
	var e mat.EigenSym
	turns := v.Slice(0, 3, 0, k)
	var share mat.SymDense
	share.SymOuterK(1, turns.T()) // eigenvalues near 1 are turns, near 0 shifts
	if !e.Factorize(&share, true) {
		return []string{"any motion"}
	}
	var among, own mat.Dense
	e.VectorsTo(&among)
	own.Mul(v.Slice(0, 6, 0, k), &among)
	var out []string
	for j, turned := range e.Values(nil) {
		if turned > 0.5 {
			out = append(out, "a turn about ("+direction(column(&own, 0, j))+")")
		} else {
			out = append(out, "a shift along ("+direction(column(&own, 3, j))+")")
		}
	}
	return out
}

func column(m *mat.Dense, row, col int) geom.Vec {
	return geom.Vec{X: m.At(row, col), Y: m.At(row+1, col), Z: m.At(row+2, col)}
}

func direction(v geom.Vec) string {
	u := v.Unit()
	if u.At(largest(u)) < 0 {
		u = u.Scale(-1)
	}
	return fmt.Sprintf("%.2f, %.2f, %.2f", u.X+0, u.Y+0, u.Z+0)
}

func largest(v geom.Vec) int {
	i := 0
	for j := range 3 {
		if math.Abs(v.At(j)) > math.Abs(v.At(i)) {
			i = j
		}
	}
	return i
}

// covariance is the sandwich estimator with patches of the surface as clusters:
// residuals inside one patch may be as alike as they please. After K.-Y. Liang, S. L.
// Zeger, Longitudinal data analysis using generalized linear models, Biometrika 73
// (1986), 13-22, with the number of clusters as sample size.
func (s *system) covariance(p *pairs) (cov fit.Mat6, patches int) {
	var inv mat.Dense
	slope, meat, patches := s.slopeAndMeat(p)
	floor := 1e-9 * mat.Trace(s.h) // keeps a loose direction finite, and huge
	for i := range 6 {
		slope.SetSym(i, i, slope.At(i, i)+floor)
	}
	if err := inv.Inverse(slope); err != nil {
		return cov, patches
	}
	var half, full mat.Dense
	half.Mul(&inv, meat)
	full.Mul(&half, &inv)
	// What is not held was not moved either: nothing is known along it.
	if v, k, ok := s.unheld(); ok {
		for j := range k {
			along := mat.NewDense(6, 1, mat.Col(nil, j, v))
			var open mat.Dense
			open.Mul(along, along.T())
			open.Scale(unknown*unknown*s.radius*s.radius, &open)
			full.Add(&full, &open)
		}
	}
	for i := range 6 {
		for j := range 6 {
			cov[6*i+j] = full.At(i, j) * s.unscale(i) * s.unscale(j)
		}
	}
	return cov, patches
}

// unknown is the standard uncertainty along what is not held, in rms distances of the
// pairs from their middle: beyond any overlap.
const unknown = 10

// slopeAndMeat sums the two halves of the sandwich. The slope is the derivative of
// the scores: the normal matrix with the slope of Tukey's function in place of its
// weight, after P. J. Huber, Robust statistics (1981); the weight alone would count
// pairs in the kernel's tails as information. The meat is the sum over the patches of
// the outer products of their scores.
func (s *system) slopeAndMeat(p *pairs) (slope, meat *mat.SymDense, patches int) {
	center := s.center.Sub(p.target.cloud.Origin)
	var scores [][6]float64
	number := map[patch]int{}
	var all sums
	p.each(0, len(p.spots), func(i int, at, n geom.Vec, d, w float64) {
		r := row(at.Sub(center), n, 1/s.radius)
		root := math.Sqrt(p.weight(d)) // 1 - u², so the slope is (1-u²)(1-5u²)
		all.add(r, 0, w/root*(5*root-4))
		of := p.patchOf(i, n)
		k, ok := number[of]
		if !ok {
			k = len(scores)
			number[of], scores = k, append(scores, [6]float64{})
		}
		for j, x := range r {
			scores[k][j] += w * d * x
		}
	})
	slope, meat = mat.NewSymDense(6, nil), mat.NewSymDense(6, nil)
	k := 0
	for i := range 6 {
		for j := i; j < 6; j++ {
			slope.SetSym(i, j, all.h[k])
			k++
		}
	}
	for _, score := range scores {
		meat.SymRankOne(meat, 1, mat.NewVecDense(6, score[:]))
	}
	if n := float64(len(scores)); n > 6 {
		meat.ScaleSym(n/(n-6), meat)
	}
	return slope, meat, len(scores)
}

// patch is a piece of surface that looks along one axis: its place across that axis.
// The place along it would cut a face that lies there into what noise put before and
// behind the cut, and each half would look biased.
type patch struct {
	axis int // 0 to 2, and 3 to 5 for those that look the other way
	u, v int32
}

// patchSide is the width of a patch in cells: twelve times the spacing of the
// thinned points, wider than the waves that thinning, curvature and normals from
// neighbours leave in the residuals.
const patchSide = 4

// patchOf returns the patch of pair i, whose mean normal is n.
func (p *pairs) patchOf(i int, n geom.Vec) patch {
	a := &p.target.at[p.spots[i]]
	at, axis := [3]float32{a.x, a.y, a.z}, largest(n)
	f := func(k int) int32 { return int32(math.Floor(float64(at[(axis+k)%3]) * p.target.perCell / patchSide)) }
	out := patch{axis, f(1), f(2)}
	if n.At(axis) < 0 {
		out.axis += 3
	}
	return out
}

func (s *system) unscale(i int) float64 {
	if i < 3 {
		return 1 / s.radius
	}
	return 1
}

// Inverse returns the placement of the target on the source. Overlap keeps its
// meaning: it is of the cloud that was the source.
func (r Result) Inverse() Result {
	back := r.SourceToTarget.Inverse()
	var turned fit.Mat6
	for _, at := range [][2]int{{0, 0}, {0, 3}, {3, 0}, {3, 3}} {
		block := back.R.Congruent(r.Cov.Block(at[0], at[1]))
		for k, x := range block {
			turned[6*(at[0]+k/3)+at[1]+k%3] = x
		}
	}
	r.SourceToTarget, r.Cov, r.Center = back, turned, back.Apply(r.Center)
	return r
}

// At returns the covariance of a source point placed at p of the target frame.
func (r Result) At(p geom.Vec) geom.Mat { return r.Cov.At(p.Sub(r.Center)) }
