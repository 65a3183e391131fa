package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/geom"
)

// SimilarityTransform is the map x' = Scale·R·x + T.
type SimilarityTransform struct {
	Scale float64
	R     geom.Mat
	T     geom.Vec
}

// Apply returns Scale·R·p + T.
func (s SimilarityTransform) Apply(p geom.Vec) geom.Vec { return s.R.MulVec(p).Scale(s.Scale).Add(s.T) }

// Rigid returns the rotation and translation that carry from onto to with the
// least sum of squares Σ w|R·from + T - to|², and √(Σw·d²/Σw). Weights may be nil
// for equal ones. The slices are neither kept nor changed.
//
// After S. Umeyama, Least-squares estimation of transformation parameters between
// two point patterns, IEEE PAMI 13 (1991): centroids are taken off first, and the
// sign of the last singular vector is set so that the result is a rotation, never
// a mirror image. Fewer than three pairs give ErrTooFew, collinear points
// ErrDegenerate; points in one plane are fine.
func Rigid(from, to []geom.Vec, weights []float64) (geom.Pose, float64, error) {
	s, rms, err := procrustes(from, to, weights, false)
	return geom.Pose{R: s.R, T: s.T}, rms, err
}

// Similarity is Rigid with a free scale.
func Similarity(from, to []geom.Vec, weights []float64) (SimilarityTransform, float64, error) {
	return procrustes(from, to, weights, true)
}

// flat is the smallest ratio of the second to the first singular value of a
// centred point set that still counts as two-dimensional: a rotation about the
// line through points straighter than that would be held worse than 1e-6 of the
// length of the line holds the others, and no scan does better than that.
const flat = 1e-6

func procrustes(from, to []geom.Vec, weights []float64, free bool) (SimilarityTransform, float64, error) {
	none := SimilarityTransform{Scale: 1, R: geom.Identity()}
	if err := checkPairs(from, to, weights); err != nil {
		return none, 0, err
	}
	a, b := Centroid(from, weights), Centroid(to, weights)
	var cross, spread geom.Mat
	var total float64
	for i := range from {
		w := weight(weights, i)
		p, q := from[i].Sub(a), to[i].Sub(b)
		cross = cross.Add(geom.Outer(q, p).Scale(w))
		spread = spread.Add(geom.Outer(p, p).Scale(w))
		total += w
	}
	if e, _ := geom.Eigen(spread); !(e.Y > flat*flat*e.Z) {
		return none, 0, fmt.Errorf("%d points on one line leave the rotation about it open: %w", len(from), ErrDegenerate)
	}
	r, trace, err := rotation(cross)
	if err != nil {
		return none, 0, err
	}
	s := SimilarityTransform{Scale: 1, R: r}
	if free {
		s.Scale = trace / spread.Trace()
	}
	s.T = b.Sub(r.MulVec(a).Scale(s.Scale))
	var ssr float64
	for i := range from {
		// Differences to the centroids keep the digits that absolute coordinates of kilometres would cost.
		d := r.MulVec(from[i].Sub(a)).Scale(s.Scale).Sub(to[i].Sub(b))
		ssr += weight(weights, i) * d.Norm2()
	}
	return s, math.Sqrt(ssr / total), nil
}

// rotation returns the rotation R that maximises tr(R·crossᵀ), and that trace.
func rotation(cross geom.Mat) (geom.Mat, float64, error) {
	var svd mat.SVD
	if !svd.Factorize(mat.NewDense(3, 3, cross[:]), mat.SVDFull) {
		return geom.Identity(), 0, ErrDegenerate
	}
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	d := svd.Values(nil)
	if !(d[1] > flat*flat*d[0]) {
		return geom.Identity(), 0, fmt.Errorf("one of the two point sets lies on one line: %w", ErrDegenerate)
	}
	um, vm := matOf(&u), matOf(&v)
	sign := 1.0
	if um.Det()*vm.Det() < 0 {
		sign = -1
	}
	r := um.Mul(geom.Diag(1, 1, sign)).Mul(vm.T())
	return r, d[0] + d[1] + sign*d[2], nil
}

func matOf(m *mat.Dense) geom.Mat {
	var g geom.Mat
	for i := range g {
		g[i] = m.At(i/3, i%3)
	}
	return g
}

func checkPairs(from, to []geom.Vec, weights []float64) error {
	if len(from) != len(to) || weights != nil && len(weights) != len(from) {
		return fmt.Errorf("%d points against %d with %d weights: %w", len(from), len(to), len(weights), ErrTooFew)
	}
	if len(from) < 3 {
		return fmt.Errorf("%d point pairs, three or more are needed: %w", len(from), ErrTooFew)
	}
	if err := checkPoints(from, weights); err != nil {
		return err
	}
	return checkPoints(to, weights)
}

func checkPoints(points []geom.Vec, weights []float64) error {
	for i, p := range points {
		if w := weight(weights, i); !p.IsFinite() || !(w >= 0) || w-w != 0 {
			return fmt.Errorf("point %d: %w", i, ErrNotFinite)
		}
	}
	return nil
}

// Centroid returns the weighted mean of the points; weights may be nil.
func Centroid(points []geom.Vec, weights []float64) geom.Vec {
	if len(points) == 0 {
		return geom.Vec{}
	}
	// The mean is taken of differences to the first point, so that a far origin costs no digits.
	var sum geom.Vec
	var total float64
	for i, p := range points {
		w := weight(weights, i)
		sum = sum.AddScaled(w, p.Sub(points[0]))
		total += w
	}
	return points[0].Add(sum.Scale(1 / total))
}

func weight(weights []float64, i int) float64 {
	if weights == nil {
		return 1
	}
	return weights[i]
}

// Mat6 is a 6×6 matrix, row-major: the covariance of a pose, a rotation vector
// in radians first (about the axes of the frame that the pose leads to, at the
// pose's translation), then the translation.
type Mat6 [36]float64

// PoseCov returns the first-order covariance of a rigid fit onto fixed points:
// arms[i] is point i turned into the target frame, seen from the pose's
// translation (R·from), and cov[i] the covariance of that observation in the
// target frame. J. M. Fitzpatrick, J. B. West, C. R. Maurer (1998) for equal
// isotropic noise; the general case is the normal matrix of the linearised fit.
func PoseCov(arms []geom.Vec, cov []geom.Mat) (Mat6, error) {
	if len(arms) < 3 || len(arms) != len(cov) {
		return Mat6{}, ErrTooFew
	}
	n := mat.NewSymDense(6, nil)
	for i, arm := range arms {
		p, ok := cov[i].Inv()
		if !ok {
			return Mat6{}, fmt.Errorf("covariance of point %d: %w", i, ErrDegenerate)
		}
		a := geom.Skew(arm).Scale(-1)
		ap := a.T().Mul(p)
		addBlock(n, 0, 0, ap.Mul(a))
		addBlock(n, 0, 3, ap)
		addBlock(n, 3, 3, p)
	}
	var chol mat.Cholesky
	if !chol.Factorize(n) {
		return Mat6{}, ErrDegenerate
	}
	var inv mat.SymDense
	if err := chol.InverseTo(&inv); err != nil {
		return Mat6{}, fmt.Errorf("invert the normal matrix (%w): %w", err, ErrDegenerate)
	}
	var out Mat6
	for k := range out {
		out[k] = inv.At(k/6, k%6)
	}
	return out, nil
}

func addBlock(n *mat.SymDense, row, col int, b geom.Mat) {
	for i := range 3 {
		for j := range 3 {
			if row+i <= col+j {
				n.SetSym(row+i, col+j, n.At(row+i, col+j)+b[3*i+j])
			}
		}
	}
}

// At returns the covariance that the pose covariance m causes at a point whose
// arm (turned into the target frame, seen from the pose's translation) is given:
// J·m·Jᵀ with J = [-[arm]×, I].
func (m Mat6) At(arm geom.Vec) geom.Mat {
	a := geom.Skew(arm).Scale(-1)
	rr, rt, tt := m.Block(0, 0), m.Block(0, 3), m.Block(3, 3)
	art := a.Mul(rt)
	return a.Congruent(rr).Add(art).Add(art.T()).Add(tt)
}

// Block returns the 3×3 block that starts at (row, col).
func (m Mat6) Block(row, col int) geom.Mat {
	var b geom.Mat
	for k := range b {
		b[k] = m[6*(row+k/3)+col+k%3]
	}
	return b
}

// Planar is the map x' = Scale·(Cos -Sin; Sin Cos)·x + (TX, TY) of the plane.
type Planar struct {
	Scale, Cos, Sin, TX, TY float64
	RMS                     float64 // √(mean squared distance)
}

// Similarity2 is Similarity in the plane, where a triangle cannot be turned over:
// free says whether the scale is estimated or held at 1. With complex numbers
// about the centroids the best turn is the direction of Σ conj(p)·q; a mirror
// image cannot come out. Fewer than two different points are refused.
func Similarity2(from, to [][2]float64, free bool) (Planar, error) {
	if len(from) != len(to) || len(from) < 2 {
		return Planar{}, fmt.Errorf("%d points against %d: %w", len(from), len(to), ErrTooFew)
	}
	n := float64(len(from))
	var a, b complex128
	for i := range from {
		a += complex(from[i][0], from[i][1]) / complex(n, 0)
		b += complex(to[i][0], to[i][1]) / complex(n, 0)
	}
	var re, im, pp, qq float64
	for i := range from {
		p, q := complex(from[i][0], from[i][1])-a, complex(to[i][0], to[i][1])-b
		re += real(p)*real(q) + imag(p)*imag(q)
		im += real(p)*imag(q) - imag(p)*real(q)
		pp += real(p)*real(p) + imag(p)*imag(p)
		qq += real(q)*real(q) + imag(q)*imag(q)
	}
	h := math.Hypot(re, im)
	if !(h > 0) || !finite(h, pp, qq) {
		return Planar{}, ErrDegenerate
	}
	s := Planar{Scale: 1, Cos: re / h, Sin: im / h}
	if free {
		s.Scale = h / pp
	}
	t := b - complex(s.Scale*s.Cos, s.Scale*s.Sin)*a
	s.TX, s.TY = real(t), imag(t)
	s.RMS = math.Sqrt(max(0, s.Scale*s.Scale*pp+qq-2*s.Scale*h) / n)
	return s, nil
}
