package datum

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const (
	// leastOnPlane points make a plane whose normal is worth its sigma.
	leastOnPlane = 30
	// beginWith neighbours of the seed give the first normal.
	beginWith = 20
	// alike is the least cosine between a point's normal and the plane's: 18 degrees
	// keep the rounding of edges out, and noisy normals in.
	alike = 0.95
	// roundsOfTrim settle which points belong to a plane.
	roundsOfTrim = 6
)

// FitPlane fits a plane to the points with normals around a seed: those that lie
// on the surface that the seed is on. Points and seed are in one frame. It says
// what is wrong where there is no plane.
func FitPlane(c *scan.Cloud, seed geom.Vec, radius float64) (Element, error) {
	var points, normals []geom.Vec
	for i := range c.X {
		if p := c.At(i); p.Sub(seed).Norm2() <= radius*radius {
			points, normals = append(points, p), append(normals, c.Normal(i))
		}
	}
	if len(points) < leastOnPlane {
		return Element{}, fmt.Errorf("%d points lie within %.0f mm of the seed, a plane needs %d", len(points), radius, leastOnPlane)
	}
	at, normal := begin(points, normals, seed)
	on, plane, err := settle(points, normals, at, normal)
	if err != nil {
		return Element{}, err
	}
	if plane.Normal.Dot(normal) < 0 {
		plane.Normal = plane.Normal.Scale(-1)
	}
	if sag, doubt := sagitta(on, plane); sag > 2*plane.Sigma && sag > 5*doubt {
		return Element{}, fmt.Errorf("the surface there is curved: it leaves a plane by %.2f mm over the seed's radius, with %.2f mm of scatter", sag, plane.Sigma)
	}
	return Element{Point: plane.Point, PointCov: plane.PointCov, Normal: plane.Normal, NormalCov: plane.NormalCov, RMS: plane.RMS, Points: len(on)}, nil
}

// begin averages the points and normals nearest to the seed.
func begin(points, normals []geom.Vec, seed geom.Vec) (at, normal geom.Vec) {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(points[a].Sub(seed).Norm2(), points[b].Sub(seed).Norm2())
	})
	order = order[:beginWith]
	for _, i := range order {
		at = at.Add(points[i].Scale(1 / float64(len(order))))
		normal = normal.Add(normals[i])
	}
	return at, normal.Unit()
}

// settle takes turns: which points lie on the plane, and which plane they make.
func settle(points, normals []geom.Vec, at, normal geom.Vec) (on []geom.Vec, plane fit.PlaneFit, err error) {
	for range roundsOfTrim {
		var heights []float64
		for i, p := range points {
			if normals[i].Dot(normal) > alike {
				heights = append(heights, math.Abs(p.Sub(at).Dot(normal)))
			}
		}
		if len(heights) < leastOnPlane {
			return nil, plane, fmt.Errorf("%d points face the way that the surface at the seed does, a plane needs %d", len(heights), leastOnPlane)
		}
		slices.Sort(heights)
		band := 3 * 1.4826 * heights[len(heights)/2]
		on = on[:0]
		for i, p := range points {
			if normals[i].Dot(normal) > alike && math.Abs(p.Sub(at).Dot(normal)) <= band {
				on = append(on, p)
			}
		}
		if plane, err = fit.Plane(on, 0); err != nil {
			return nil, plane, fmt.Errorf("the points around the seed: %w", err)
		}
		at = plane.Point
		if plane.Normal.Dot(normal) < 0 {
			plane.Normal = plane.Normal.Scale(-1)
		}
		normal = plane.Normal
	}
	return on, plane, nil
}

// sagitta returns how far a paraboloid fitted to the heights rises over the
// points' extent, and the standard uncertainty of that.
func sagitta(on []geom.Vec, plane fit.PlaneFit) (sag, doubt float64) {
	u := plane.Normal.Perpendicular()
	v := plane.Normal.Cross(u)
	extent := 0.0
	for _, p := range on {
		extent = max(extent, p.Dist(plane.Point))
	}
	rows := make([][]float64, len(on))
	heights := make([]float64, len(on))
	for i, p := range on {
		d := p.Sub(plane.Point).Scale(1 / extent)
		x, y := d.Dot(u), d.Dot(v)
		rows[i], heights[i] = []float64{1, x, y, x * x, x * y, y * y}, p.Sub(plane.Point).Dot(plane.Normal)
	}
	s, err := fit.LinearSystem(rows, heights, nil)
	if err != nil {
		return 0, math.Inf(1)
	}
	// The largest curvature of the form ax²+bxy+cy² is its larger eigenvalue.
	a, b, c := s.X[3], s.X[4], s.X[5]
	mean, half := (a+c)/2, math.Hypot((a-c)/2, b/2)
	return max(math.Abs(mean+half), math.Abs(mean-half)), plane.Sigma * 4 / math.Sqrt(float64(len(on)))
}
