package surface

import (
	"context"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
)

// Size is how much larger a placed source is than the target, as a seventh unknown of the
// alignment says.
type Size struct {
	Relative float64 // 0.02 is 2 % too large
	Sigma    float64 // its standard uncertainty
}

// size estimates the source's scale together with the six motions, in one step from where
// it is placed. All seven have the sandwich covariance of system.covariance. On a surface
// that bends one way only, a sphere's or a pipe's, growth is told by the bend; on planes
// by those that face each other.
func (p *Prepared) size(ctx context.Context, target *Prepared, at geom.Pose) (Size, error) {
	last := len(p.levels) - 1
	s := p.levels[last].onto(&target.levels[last], enoughToStop)
	pairs, err := s.pair(ctx, at)
	if err != nil {
		return Size{}, err
	}
	if pairs.count < minPairs {
		return Size{}, nil
	}
	var sys system
	if err := sys.locate(ctx, pairs); err != nil {
		return Size{}, err
	}
	f := sizeFit{radius: sys.radius}
	center := sys.center.Sub(pairs.target.cloud.Origin)
	number := map[patch]int{}
	pairs.each(0, len(pairs.spots), func(i int, q, n geom.Vec, d, w float64) {
		arm := q.Sub(center)
		six := row(arm, n, 1/sys.radius)
		of := pairs.patchOf(i, n)
		k, ok := number[of]
		if !ok {
			k = len(number)
			number[of] = k
		}
		f.rows = append(f.rows, [7]float64{six[0], six[1], six[2], six[3], six[4], six[5], arm.Dot(n) / sys.radius})
		f.d, f.share, f.patch = append(f.d, d), append(f.share, w/pairs.weight(d)), append(f.patch, k)
	})
	f.patches = len(number)
	return f.solve(), nil
}

// sizeFit holds the pairs of a placement: derivatives, distances, shares and patches.
type sizeFit struct {
	radius   float64
	rows     [][7]float64
	d, share []float64
	patch    []int
	patches  int
}

// rest is what the unknowns leave of a distance.
func (f *sizeFit) rest(i int, x []float64) float64 {
	e := f.d[i]
	for k, r := range f.rows[i] {
		e += r * x[k]
	}
	return e
}

// solve reweights by what each step leaves: a wrong size must not pass for noise.
func (f *sizeFit) solve() Size {
	const open = 10 // nothing is known: a standard uncertainty of ten times the size
	x := make([]float64, 7)
	var out Size
	for range rounds {
		abs := make([]float32, len(f.d))
		for i := range abs {
			abs[i] = float32(math.Abs(f.rest(i, x)))
		}
		cut := tukey * madToSigma * float64(middle(abs))
		h, slope, meat := mat.NewSymDense(7, nil), mat.NewSymDense(7, nil), mat.NewSymDense(7, nil)
		g, scores := make([]float64, 7), make([][7]float64, f.patches)
		for i, r := range f.rows {
			e := f.rest(i, x)
			w, v := biweight(e/cut), mat.NewVecDense(7, r[:])
			h.SymRankOne(h, f.share[i]*w, v)
			slope.SymRankOne(slope, f.share[i]*math.Sqrt(w)*(5*math.Sqrt(w)-4), v)
			for k, y := range r {
				g[k] -= f.share[i] * w * f.d[i] * y
				scores[f.patch[i]][k] += f.share[i] * w * e * y
			}
		}
		var inverse, bread, half, full mat.Dense
		if f.patches < 2*7 || inverse.Inverse(h) != nil || bread.Inverse(slope) != nil {
			return Size{Sigma: open}
		}
		// What the other six leave of the seventh, against all of it.
		if held := 1 / (inverse.At(6, 6) * mat.Trace(h) / 7); held < sizeHeld {
			return Size{Sigma: open}
		}
		for _, s := range scores {
			meat.SymRankOne(meat, 1, mat.NewVecDense(7, s[:]))
		}
		n := float64(f.patches)
		meat.ScaleSym(n/(n-7), meat)
		half.Mul(&bread, meat)
		full.Mul(&half, &bread)
		mat.NewVecDense(7, x).MulVec(&inverse, mat.NewVecDense(7, g))
		// The motion that brings the source onto the target shrinks what is too large.
		out = Size{Relative: -x[6] / f.radius, Sigma: math.Sqrt(max(0, full.At(6, 6))) / f.radius}
	}
	return out
}

// sizeHeld is the share of the pairs' weight that must tell of the size alone. Bends of
// a few degrees leave little beside the six motions, but what they leave is no noise of
// normals: those that are off on the one side are so on the other.
const sizeHeld = 1e-3
