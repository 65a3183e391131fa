package fit

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// Quality is what every geometric fit says about itself.
type Quality struct {
	RMS        float64 // of the distances of the points from the element
	Sigma      float64 // the noise that covariances rest on: the one given, else √(SSR/DOF)
	Points     int     // used
	DOF        int     // points minus unknowns
	Iterations int
}

func quality(ssr, sigma float64, points, unknowns, iterations int) Quality {
	q := Quality{RMS: math.Sqrt(ssr / float64(points)), Sigma: sigma, Points: points, DOF: points - unknowns, Iterations: iterations}
	if q.Sigma == 0 && q.DOF > 0 {
		q.Sigma = math.Sqrt(ssr / float64(q.DOF))
	}
	return q
}

// PlaneFit is a least-squares plane.
type PlaneFit struct {
	Point     geom.Vec // centroid of the points
	Normal    geom.Vec // unit; the sign is free and made so that the largest component is positive
	PointCov  geom.Mat // of Point along the normal
	NormalCov geom.Mat // of Normal
	Quality
}

// Plane fits a plane to at least three points that are not on one line, by the
// orthogonal distances. sigma is the noise of a point, or 0 to take it from the
// residuals. The smallest eigenvector of the centred scatter is the exact answer.
func Plane(points []geom.Vec, sigma float64) (PlaneFit, error) {
	m, values, axes, err := scatter(points, 3)
	if err != nil {
		return PlaneFit{}, err
	}
	if !(values.Y > flat*flat*values.Z) {
		return PlaneFit{}, fmt.Errorf("%d points on one line hold no plane: %w", len(points), ErrDegenerate)
	}
	p := PlaneFit{Point: m, Normal: Oriented(axes.Col(0))}
	p.Quality = quality(squares(points, m, p.Normal), sigma, len(points), 3, 1)
	s2 := p.Sigma * p.Sigma
	u, v := axes.Col(1), axes.Col(2)
	p.PointCov = geom.Outer(p.Normal, p.Normal).Scale(s2 / float64(len(points)))
	p.NormalCov = geom.Outer(u, u).Scale(s2 / values.Y).Add(geom.Outer(v, v).Scale(s2 / values.Z))
	return p, nil
}

// squares sums the squared distances from the plane through m, in a second pass:
// the smallest eigenvalue would lose them to the largest.
func squares(points []geom.Vec, m, normal geom.Vec) float64 {
	var ssr float64
	for _, p := range points {
		d := normal.Dot(p.Sub(m))
		ssr += d * d
	}
	return ssr
}

// LineFit is a least-squares straight line.
type LineFit struct {
	Point        geom.Vec // centroid of the points
	Direction    geom.Vec // unit, largest component positive
	PointCov     geom.Mat // of Point across the line
	DirectionCov geom.Mat // of Direction
	Quality               // a point counts as two observations in DOF
}

// Line fits a straight line to at least two different points by the orthogonal
// distances. sigma is the noise of a point across the line, or 0 to take it from
// the residuals. The largest eigenvector of the centred scatter is the answer.
func Line(points []geom.Vec, sigma float64) (LineFit, error) {
	m, values, axes, err := scatter(points, 2)
	if err != nil {
		return LineFit{}, err
	}
	if !(values.Z > 0) || values.Y >= values.Z*(1-1e-9) {
		return LineFit{}, fmt.Errorf("%d points without a longest direction hold no line: %w", len(points), ErrDegenerate)
	}
	l := LineFit{Point: m, Direction: Oriented(axes.Col(2))}
	var ssr float64
	for _, p := range points {
		ssr += l.Direction.Cross(p.Sub(m)).Norm2()
	}
	n := len(points)
	l.Quality = Quality{RMS: math.Sqrt(ssr / float64(n)), Sigma: sigma, Points: n, DOF: 2*n - 4, Iterations: 1}
	if sigma == 0 && l.DOF > 0 {
		l.Sigma = math.Sqrt(ssr / float64(l.DOF))
	}
	across := geom.Identity().Add(geom.Outer(l.Direction, l.Direction).Scale(-1)).Scale(l.Sigma * l.Sigma)
	l.PointCov, l.DirectionCov = across.Scale(1/float64(n)), across.Scale(1/values.Z)
	return l, nil
}

// scatter returns the centroid, and the eigenvalues and axes of Σ(p-m)(p-m)ᵀ.
func scatter(points []geom.Vec, least int) (m, values geom.Vec, axes geom.Mat, err error) {
	if len(points) < least {
		return m, values, axes, fmt.Errorf("%d points, %d are needed: %w", len(points), least, ErrTooFew)
	}
	if err := checkPoints(points, nil); err != nil {
		return m, values, axes, err
	}
	m = Centroid(points, nil)
	var s geom.Mat
	for _, p := range points {
		d := p.Sub(m)
		s = s.Add(geom.Outer(d, d))
	}
	values, axes = geom.Eigen(s)
	return m, values, axes, nil
}

// Oriented returns v or -v, whichever has its largest component positive, so
// that equal inputs in another order give the same sign.
func Oriented(v geom.Vec) geom.Vec {
	big := v.X
	if math.Abs(v.Y) > math.Abs(big) {
		big = v.Y
	}
	if math.Abs(v.Z) > math.Abs(big) {
		big = v.Z
	}
	if big < 0 {
		return v.Scale(-1)
	}
	return v
}
