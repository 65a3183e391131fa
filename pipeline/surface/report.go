package surface

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// report fills in how well the last placement is held.
func (s *scale) report(ctx context.Context, r *Result) error {
	pairs, err := s.pair(ctx, r.SourceToTarget)
	if err != nil {
		return err
	}
	if len(pairs) < minPairs {
		return ErrNoOverlap
	}
	n := normalEquations(pairs)
	used := 0
	for _, q := range pairs {
		if q.w > 0 {
			used++
		}
	}
	r.Center, r.Pairs = n.center, used
	r.RMS = math.Sqrt(n.ssr / n.weight)
	r.Overlap = float64(used) / float64(s.source.Len())
	r.Loose = n.loose()
	r.Cov = n.covariance(pairs)
	return nil
}

// loose names the motions that the shape does not hold: the eigenvectors of the
// normal matrix whose eigenvalues are too small.
func (s *system) loose() []string {
	var e mat.EigenSym
	if !e.Factorize(s.h, true) {
		return []string{"any motion"}
	}
	var v mat.Dense
	e.VectorsTo(&v)
	mean := mat.Trace(s.h) / 6
	var out []string
	for k, lambda := range e.Values(nil) {
		if lambda > heldShare*mean {
			continue
		}
		turn := geom.Vec{X: v.At(0, k), Y: v.At(1, k), Z: v.At(2, k)}
		move := geom.Vec{X: v.At(3, k), Y: v.At(4, k), Z: v.At(5, k)}
		if turn.Norm() > move.Norm() {
			out = append(out, "a turn about ("+direction(turn)+")")
		} else {
			out = append(out, "a shift along ("+direction(move)+")")
		}
	}
	return out
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

// covariance is the sandwich estimator with cells as clusters: residuals inside
// one cell of the search grid may be as alike as they please. After K.-Y. Liang,
// S. L. Zeger, Longitudinal data analysis using generalized linear models,
// Biometrika 73 (1986), 13-22, with the number of clusters as sample size.
func (s *system) covariance(pairs []pair) fit.Mat6 {
	var inv mat.Dense
	ridge := s.slope(pairs)
	floor := 1e-9 * mat.Trace(s.h) // keeps a loose direction finite, and huge
	for i := range 6 {
		ridge.SetSym(i, i, ridge.At(i, i)+floor)
	}
	if err := inv.Inverse(ridge); err != nil {
		return fit.Mat6{}
	}
	var out fit.Mat6
	var half, full mat.Dense
	half.Mul(&inv, s.meat(pairs))
	full.Mul(&half, &inv)
	for i := range 6 {
		for j := range 6 {
			out[6*i+j] = full.At(i, j) * s.unscale(i) * s.unscale(j)
		}
	}
	return out
}

// slope is the derivative of the scores: the normal matrix with the slope of
// Tukey's function in place of its weight, after P. J. Huber, Robust statistics
// (1981). The weight alone would count pairs in the kernel's tails as information.
func (s *system) slope(pairs []pair) *mat.SymDense {
	m := mat.NewSymDense(6, nil)
	row := mat.NewVecDense(6, nil)
	for _, q := range pairs {
		for j, x := range s.row(q) {
			row.SetVec(j, x)
		}
		root := math.Sqrt(q.w) // 1 - u², so the slope is (1-u²)(1-5u²)
		m.SymRankOne(m, root*(5*root-4), row)
	}
	return m
}

func (s *system) unscale(i int) float64 {
	if i < 3 {
		return 1 / s.radius
	}
	return 1
}

// meat is the sum over the cells of the outer products of their scores.
func (s *system) meat(pairs []pair) *mat.SymDense {
	order := make([]int, len(pairs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return slices.Compare(pairs[a].cell[:], pairs[b].cell[:]) })
	m := mat.NewSymDense(6, nil)
	score := mat.NewVecDense(6, nil)
	clusters := 0
	for k, i := range order {
		q := pairs[i]
		for j, x := range s.row(q) {
			score.SetVec(j, score.AtVec(j)+q.w*q.d*x)
		}
		if k+1 == len(order) || pairs[order[k+1]].cell != q.cell {
			m.SymRankOne(m, 1, score)
			score.Zero()
			clusters++
		}
	}
	if clusters > 6 {
		m.ScaleSym(float64(clusters)/float64(clusters-6), m)
	}
	return m
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

// Distances is what two clouds in one frame say about each other.
type Distances struct {
	Median float64 // signed: positive where b lies on the seen side of a, mm
	MAD    float64 // median absolute deviation from the median, mm
	Points int     // places compared; 0 when they do not overlap
}

// Witness compares clouds against one cloud.
type Witness struct {
	grid *grid
}

// NewWitness prepares a for comparison; reach is the largest distance that
// counts as the same surface, mm. a must have normals and be in the common frame.
func NewWitness(a *scan.Cloud, reach float64) *Witness { return &Witness{grid: newGrid(a, reach)} }

// Compare returns the signed distances of b's points from the planes of a.
func (w *Witness) Compare(ctx context.Context, b *scan.Cloud) (Distances, error) {
	s := scale{source: b, target: w.grid}
	pairs, err := s.pair(ctx, geom.IdentityPose())
	if err != nil || len(pairs) == 0 {
		return Distances{}, err
	}
	d := make([]float64, len(pairs))
	for i, q := range pairs {
		d[i] = q.d
	}
	m := median(d)
	for i := range d {
		d[i] = math.Abs(d[i] - m)
	}
	return Distances{Median: m, MAD: median(d), Points: len(d)}, nil
}

// median sorts v and returns its middle.
func median(v []float64) float64 {
	slices.Sort(v)
	n := len(v)
	if n == 0 {
		return 0
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}
