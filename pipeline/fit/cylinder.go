package fit

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// CylinderFit is a least-squares circular cylinder.
type CylinderFit struct {
	Point       geom.Vec // on the axis, next to the centroid of the points
	Direction   geom.Vec // unit, largest component positive
	Radius      float64
	PointCov    geom.Mat // of Point across the axis
	DirCov      geom.Mat // of Direction
	RadiusSigma float64
	Quality
}

// Cylinder fits a cylinder to six or more points by their radial distances;
// sigma is their noise, or 0 to take it from the residuals. The start is the best
// of a fixed set of axis directions, each with the algebraic circle of the points
// seen along it; so no normals are needed. Points that fix no axis (one plane,
// one circle) give ErrDegenerate.
func Cylinder(points []geom.Vec, sigma float64) (CylinderFit, error) {
	m, _, axes, err := scatter(points, 6)
	if err != nil {
		return CylinderFit{}, err
	}
	best, err := startCylinder(points, m, axes)
	if err != nil {
		return CylinderFit{}, err
	}
	frame := best.frame
	sol, err := Solve([]float64{0, 0, best.x, best.y, best.r}, cylinderModel(points, m, frame), nearby())
	if err != nil {
		return CylinderFit{}, fmt.Errorf("fit a cylinder to %d points: %w", len(points), err)
	}
	return cylinderOf(sol, m, frame, sigma), nil
}

// CylinderFrom is Cylinder from an axis direction that the caller knows.
func CylinderFrom(points []geom.Vec, direction geom.Vec, sigma float64) (CylinderFit, error) {
	m, _, _, err := scatter(points, 6)
	if err != nil {
		return CylinderFit{}, err
	}
	start, ok := seenAlong(points, m, direction)
	if !ok {
		return CylinderFit{}, ErrDegenerate
	}
	sol, err := Solve([]float64{0, 0, start.x, start.y, start.r}, cylinderModel(points, m, start.frame), nearby())
	if err != nil {
		return CylinderFit{}, fmt.Errorf("fit a cylinder to %d points: %w", len(points), err)
	}
	return cylinderOf(sol, m, start.frame, sigma), nil
}

type cylinderStart struct {
	frame   geom.Mat // rows: two directions across the axis, and the axis
	x, y, r float64
	ssr     float64
}

func startCylinder(points []geom.Vec, m geom.Vec, axes geom.Mat) (cylinderStart, error) {
	best := cylinderStart{ssr: math.Inf(1)}
	for _, d := range directions(axes) {
		if c, ok := seenAlong(points, m, d); ok && c.ssr < best.ssr {
			best = c
		}
	}
	if math.IsInf(best.ssr, 1) {
		return best, fmt.Errorf("%d points hold no cylinder: %w", len(points), ErrDegenerate)
	}
	return best, nil
}

// directions returns the three principal axes and 200 directions spread evenly
// over the half sphere (a Fibonacci lattice): one is within 8° of any axis, well
// inside the basin of the geometric fit.
func directions(axes geom.Mat) []geom.Vec {
	d := []geom.Vec{axes.Col(0), axes.Col(1), axes.Col(2)}
	golden := math.Pi * (3 - math.Sqrt(5))
	for i := range 200 {
		z := (float64(i) + 0.5) / 200
		s, c := math.Sincos(golden * float64(i))
		h := math.Sqrt(1 - z*z)
		d = append(d, geom.Vec{X: h * c, Y: h * s, Z: z})
	}
	return d
}

func seenAlong(points []geom.Vec, m, d geom.Vec) (cylinderStart, bool) {
	d = d.Unit()
	if d == (geom.Vec{}) {
		return cylinderStart{}, false
	}
	u := d.Perpendicular()
	v := d.Cross(u)
	x, y := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		q := p.Sub(m)
		x[i], y[i] = q.Dot(u), q.Dot(v)
	}
	c, err := kasa(x, y)
	if err != nil {
		return cylinderStart{}, false
	}
	s := cylinderStart{frame: geom.Rows(u, v, d), x: c.X, y: c.Y, r: c.Radius}
	for i := range x {
		e := math.Hypot(x[i]-c.X, y[i]-c.Y) - c.Radius
		s.ssr += e * e
	}
	return s, true
}

// cylinderModel has the parameters a, b, x, y, r: in the frame of the start the
// axis runs along (a, b, 1) through (x, y, 0).
func cylinderModel(points []geom.Vec, m geom.Vec, frame geom.Mat) Model {
	return func(t []float64, s *Sum) {
		length := math.Sqrt(t[0]*t[0] + t[1]*t[1] + 1)
		d := geom.Vec{X: t[0], Y: t[1], Z: 1}.Scale(1 / length)
		foot := geom.Vec{X: t[2], Y: t[3]}
		for _, p := range points {
			q := frame.MulVec(p.Sub(m)).Sub(foot)
			h := q.Dot(d)
			across := q.AddScaled(-h, d)
			l := across.Norm()
			n := across.Scale(1 / l)
			if l == 0 {
				n = geom.Vec{X: 1}
			}
			// The distance falls by h·n·δd when the axis turns, and by n·δc when it moves; n is perpendicular to d.
			s.Add(l-t[4], -h*n.X/length, -h*n.Y/length, -n.X, -n.Y, -1)
		}
	}
}

func cylinderOf(sol Solution, m geom.Vec, frame geom.Mat, sigma float64) CylinderFit {
	back := frame.T()
	local := geom.Vec{X: sol.X[0], Y: sol.X[1], Z: 1}
	d := local.Unit()
	foot := geom.Vec{X: sol.X[2], Y: sol.X[3]}
	foot = foot.AddScaled(-foot.Dot(d), d)
	c := CylinderFit{Point: m.Add(back.MulVec(foot)), Direction: Oriented(back.MulVec(d)), Radius: math.Abs(sol.X[4])}
	c.Quality = quality(sol.SSR, sigma, sol.Observations, 5, sol.Iterations)
	s2 := c.Sigma * c.Sigma
	l := local.Norm()
	turn := geom.Mat{sol.Cofactor(0, 0), sol.Cofactor(0, 1), 0, sol.Cofactor(1, 0), sol.Cofactor(1, 1), 0}
	shift := geom.Mat{sol.Cofactor(2, 2), sol.Cofactor(2, 3), 0, sol.Cofactor(3, 2), sol.Cofactor(3, 3), 0}
	across := geom.Identity().Add(geom.Outer(d, d).Scale(-1))
	c.DirCov = back.Congruent(across.Congruent(turn)).Scale(s2 / (l * l))
	c.PointCov = back.Congruent(across.Congruent(shift)).Scale(s2)
	c.RadiusSigma = c.Sigma * math.Sqrt(sol.Cofactor(4, 4))
	return c
}
