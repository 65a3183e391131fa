package fit

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// SphereOptions steer Sphere. The zero value fits freely with equal weights.
type SphereOptions struct {
	Radius  float64   // held at this value; 0 = estimated
	Weights []float64 // nil for equal ones; else proportional to 1/σ²
	Sigma   float64   // noise of a point of weight one along the normal; 0 = from the residuals
}

// SphereFit is a least-squares sphere.
type SphereFit struct {
	Center      geom.Vec
	Radius      float64
	CenterCov   geom.Mat
	RadiusSigma float64  // 0 where the radius was held
	CenterRad   geom.Vec // covariance of the centre with the radius, 0 where it was held
	Quality
}

// Sphere fits a sphere to points by their radial distances, with the radius free
// (four points or more, not in one plane) or held (three or more, not on one
// line). The algebraic fit gives the start, geometric least squares the answer.
// The slices are neither kept nor changed.
func Sphere(points []geom.Vec, o SphereOptions) (SphereFit, error) {
	f := SphereFit{Radius: o.Radius}
	if err := checkShape(points, o.Weights, 4); err != nil {
		return f, err
	}
	start, err := algebraicSphere(points, o)
	if err != nil {
		return f, err
	}
	return SphereFrom(points, start.Center, start.Radius, o)
}

// SphereFrom is Sphere with a start that the caller knows; radius is the start of
// a free radius, and is not looked at where Options.Radius holds it.
func SphereFrom(points []geom.Vec, center geom.Vec, radius float64, o SphereOptions) (SphereFit, error) {
	f := SphereFit{Radius: o.Radius}
	x := []float64{0, 0, 0, radius}
	free := o.Radius == 0
	if !free {
		x = x[:3]
	}
	if err := checkShape(points, o.Weights, len(x)); err != nil {
		return f, err
	}
	sol, err := Solve(x, sphereModel(points, center, o), nearby())
	if err != nil {
		return f, fmt.Errorf("fit a sphere to %d points: %w", len(points), err)
	}
	f.Center = center.Add(geom.Vec{X: sol.X[0], Y: sol.X[1], Z: sol.X[2]})
	f.Quality = quality(sol.SSR, o.Sigma, len(points), len(x), sol.Iterations)
	s2 := f.Sigma * f.Sigma
	f.CenterCov = corner(sol, s2)
	if free {
		f.Radius = sol.X[3]
		f.RadiusSigma = f.Sigma * math.Sqrt(sol.Cofactor(3, 3))
		f.CenterRad = geom.Vec{X: sol.Cofactor(0, 3), Y: sol.Cofactor(1, 3), Z: sol.Cofactor(2, 3)}.Scale(s2)
	}
	return f, nil
}

// corner returns s2 times the cofactors of the first three parameters.
func corner(sol Solution, s2 float64) geom.Mat {
	var m geom.Mat
	for k := range m {
		m[k] = s2 * sol.Cofactor(k/3, k%3)
	}
	return m
}

func sphereModel(points []geom.Vec, center geom.Vec, o SphereOptions) Model {
	return func(x []float64, s *Sum) {
		r, d := o.Radius, make([]float64, len(x))
		if len(x) == 4 {
			r = x[3]
		}
		c := center.Add(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		for i, p := range points {
			v := p.Sub(c)
			l := v.Norm()
			if l == 0 {
				v, l = geom.Vec{Z: 1}, 1 // a point in the centre pulls nowhere in particular
			}
			w := math.Sqrt(weight(o.Weights, i))
			d[0], d[1], d[2] = -w*v.X/l, -w*v.Y/l, -w*v.Z/l
			if len(d) == 4 {
				d[3] = -w
			}
			s.Add(w*(p.Dist(c)-r), d...)
		}
	}
}

// algebraicSphere solves |p|² = 2c·p + (r²-|c|²) linearly for the centre.
func algebraicSphere(points []geom.Vec, o SphereOptions) (SphereFit, error) {
	m := Centroid(points, o.Weights)
	rows, y := make([][]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		d := p.Sub(m)
		rows[i], y[i] = []float64{2 * d.X, 2 * d.Y, 2 * d.Z, 1}, d.Norm2()
	}
	sol, err := LinearSystem(rows, y, o.Weights)
	if err != nil {
		return SphereFit{}, fmt.Errorf("points in one plane hold no sphere: %w", err)
	}
	c := geom.Vec{X: sol.X[0], Y: sol.X[1], Z: sol.X[2]}
	if sol.Condition*c.Norm() > 1e12*math.Sqrt(math.Abs(sol.X[3])) {
		return SphereFit{}, fmt.Errorf("points in one plane hold no sphere: %w", ErrDegenerate)
	}
	return SphereFit{Center: m.Add(c), Radius: math.Sqrt(max(0, sol.X[3]+c.Norm2()))}, nil
}

func checkShape(points []geom.Vec, weights []float64, least int) error {
	if len(points) < least || weights != nil && len(weights) != len(points) {
		return fmt.Errorf("%d points and %d weights, %d points are needed: %w", len(points), len(weights), least, ErrTooFew)
	}
	return checkPoints(points, weights)
}
