package fit

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// Circle2 is a least-squares circle in the plane.
type Circle2 struct {
	X, Y, Radius float64
	Cov          [9]float64 // of X, Y and Radius, row-major
	Quality
}

// CircleInPlane fits a circle to three or more plane points by their radial
// distances; sigma is their noise, or 0 to take it from the residuals. Points on
// one line give ErrDegenerate. The start is the algebraic circle of I. Kåsa.
func CircleInPlane(x, y []float64, sigma float64) (Circle2, error) {
	if len(x) != len(y) || len(x) < 3 {
		return Circle2{}, fmt.Errorf("%d and %d coordinates, three points are needed: %w", len(x), len(y), ErrTooFew)
	}
	if !finite(x...) || !finite(y...) {
		return Circle2{}, ErrNotFinite
	}
	start, err := kasa(x, y)
	if err != nil {
		return Circle2{}, err
	}
	sol, err := Solve([]float64{0, 0, start.Radius}, circleModel(x, y, start), nearby())
	if err != nil {
		return Circle2{}, fmt.Errorf("fit a circle to %d points: %w", len(x), err)
	}
	c := Circle2{X: start.X + sol.X[0], Y: start.Y + sol.X[1], Radius: sol.X[2]}
	c.Quality = quality(sol.SSR, sigma, len(x), 3, sol.Iterations)
	for k := range c.Cov {
		c.Cov[k] = c.Sigma * c.Sigma * sol.Cofactor(k/3, k%3)
	}
	return c, nil
}

func circleModel(x, y []float64, start Circle2) Model {
	return func(p []float64, s *Sum) {
		cx, cy := start.X+p[0], start.Y+p[1]
		for i := range x {
			u, v := x[i]-cx, y[i]-cy
			l := math.Hypot(u, v)
			if l == 0 {
				s.Add(-p[2], -1, 0, -1)
				continue
			}
			s.Add(l-p[2], -u/l, -v/l, -1)
		}
	}
}

// kasa solves x²+y² = 2ax+2by+c linearly about the centroid.
func kasa(x, y []float64) (Circle2, error) {
	var mx, my float64
	for i := range x {
		mx += (x[i] - x[0]) / float64(len(x))
		my += (y[i] - y[0]) / float64(len(x))
	}
	mx, my = mx+x[0], my+y[0]
	rows, z := make([][]float64, len(x)), make([]float64, len(x))
	for i := range x {
		u, v := x[i]-mx, y[i]-my
		rows[i], z[i] = []float64{2 * u, 2 * v, 1}, u*u+v*v
	}
	sol, err := LinearSystem(rows, z, nil)
	if err != nil || sol.Condition > 1e9 {
		return Circle2{}, fmt.Errorf("points on one line hold no circle: %w", ErrDegenerate)
	}
	r := math.Sqrt(max(0, sol.X[2]+sol.X[0]*sol.X[0]+sol.X[1]*sol.X[1]))
	return Circle2{X: mx + sol.X[0], Y: my + sol.X[1], Radius: r}, nil
}

// CircleFit is a least-squares circle in space.
type CircleFit struct {
	Center      geom.Vec
	Normal      geom.Vec // unit, largest component positive
	Radius      float64
	CenterCov   geom.Mat // in the plane from the radial residuals, across it from the plane's
	RadiusSigma float64
	Plane       PlaneFit // the plane that the circle lies in
	Quality              // radial, within the plane
}

// Circle fits a plane to the points and a circle to their feet in it. That is
// the measurement of a hole's edge on a plate: flatness and roundness are apart,
// and neither spoils the other.
func Circle(points []geom.Vec, sigma float64) (CircleFit, error) {
	plane, err := Plane(points, sigma)
	if err != nil {
		return CircleFit{}, err
	}
	u := plane.Normal.Perpendicular()
	v := plane.Normal.Cross(u)
	x, y := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		d := p.Sub(plane.Point)
		x[i], y[i] = d.Dot(u), d.Dot(v)
	}
	c, err := CircleInPlane(x, y, sigma)
	if err != nil {
		return CircleFit{}, err
	}
	frame := geom.Rows(u, v, plane.Normal).T()
	arm := u.Scale(c.X).Add(v.Scale(c.Y))
	lift := plane.PointCov.MulVec(plane.Normal).Dot(plane.Normal) + plane.NormalCov.MulVec(arm).Dot(arm)
	inPlane := geom.Mat{c.Cov[0], c.Cov[1], 0, c.Cov[3], c.Cov[4], 0, 0, 0, lift}
	return CircleFit{Center: plane.Point.Add(arm), Normal: plane.Normal, Radius: c.Radius, CenterCov: frame.Congruent(inPlane),
		RadiusSigma: math.Sqrt(c.Cov[8]), Plane: plane, Quality: c.Quality}, nil
}
