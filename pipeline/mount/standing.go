package mount

import (
	"fmt"
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// standing measures a stud or a boss: a cylinder that stands on a face. Its
// centre is where the axis meets the face.
func standing(m job.Mount, points []geom.Vec, noise float64) (Result, string) {
	reason := "no flat face was found that something could stand on"
	var best Result
	for _, f := range faces(points, noise) {
		r, why := f.cylinder(m, noise)
		if why != "" {
			reason = why
			continue
		}
		if !best.Found || r.doubt() < best.doubt() {
			r.Found = true
			best = r
		}
	}
	if best.Found {
		return best, ""
	}
	return Result{}, reason
}

func (f *face) cylinder(m job.Mount, noise float64) (Result, string) {
	nx, ny := f.flat(m.Near)
	var side []geom.Vec
	for _, p := range f.rest {
		x, y := f.flat(p)
		if math.Abs(f.height(p)) > 2*f.band && math.Hypot(x-nx, y-ny) <= m.Within {
			side = append(side, p)
		}
	}
	if len(side) < leastPoints {
		return Result{}, fmt.Sprintf("only %d points stand off the face", len(side))
	}
	c, err := f.trimmedCylinder(side, noise)
	if err != nil {
		return Result{}, "what stands off the face is not round"
	}
	if m.Diameter > 0 && math.Abs(2*c.Radius/m.Diameter-1) > sizeSlack {
		return Result{}, fmt.Sprintf("what stands off the face has a diameter of %.1f mm", 2*c.Radius)
	}
	t := f.plane.Point.Sub(c.Point).Dot(f.plane.Normal) / c.Direction.Dot(f.plane.Normal)
	center := c.Point.AddScaled(t, c.Direction)
	tilt := c.DirCov.Scale(t * t)
	return Result{Center: center, Axis: c.Direction, AxisCov: c.DirCov, Diameter: 2 * c.Radius, SigmaDia: 2 * c.RadiusSigma,
		Cov: c.PointCov.Add(tilt).Add(f.plane.PointCov), RMS: c.RMS, Points: c.Points, ArcDeg: f.arcAround(side, c)}, ""
}

// trimmedCylinder fits a cylinder square to the face, drops what is not on it
// (the top of a boss, a thread's crests, clutter) and fits again.
func (f *face) trimmedCylinder(side []geom.Vec, noise float64) (fit.CylinderFit, error) {
	var c fit.CylinderFit
	for range 8 {
		var err error
		if c, err = fit.CylinderFrom(side, f.plane.Normal, 0); err != nil {
			return c, err
		}
		if math.Abs(c.Direction.Dot(f.plane.Normal)) < 0.7 {
			return c, fit.ErrDegenerate
		}
		limit := math.Max(3*noise, 2*c.RMS)
		var kept []geom.Vec
		for _, p := range side {
			d := p.Sub(c.Point)
			if math.Abs(d.Sub(c.Direction.Scale(d.Dot(c.Direction))).Norm()-c.Radius) <= limit {
				kept = append(kept, p)
			}
		}
		if len(kept) == len(side) {
			break
		}
		if len(kept) < leastPoints {
			return c, fit.ErrDegenerate
		}
		side = kept
	}
	if c.RMS > math.Max(4*noise, c.Radius/10) {
		return c, fit.ErrDegenerate
	}
	return c, nil
}

func (f *face) arcAround(side []geom.Vec, c fit.CylinderFit) float64 {
	const n = 36
	var hit [n]bool
	cx, cy := f.flat(c.Point)
	for _, p := range side {
		x, y := f.flat(p)
		hit[sector(x-cx, y-cy, n)] = true
	}
	arc := 0.0
	for _, h := range hit {
		if h {
			arc += 360 / n
		}
	}
	return arc
}

// pad measures a flat face: its point nearest to the expected place, and its
// normal.
func pad(m job.Mount, points []geom.Vec, noise float64) (Result, string) {
	fs := faces(gather(points, m.Near, m.Within), noise)
	if len(fs) == 0 {
		return Result{}, "no flat face was found"
	}
	f := fs[0]
	x, y := f.flat(m.Near)
	arm := f.u.Scale(x).Add(f.v.Scale(y))
	n := f.plane.Normal
	lift := f.plane.PointCov.MulVec(n).Dot(n) + f.plane.NormalCov.MulVec(arm).Dot(arm)
	return Result{Center: f.lift(x, y), Axis: n, AxisCov: f.plane.NormalCov, Cov: geom.Outer(n, n).Scale(lift), RMS: f.plane.RMS, Points: f.plane.Points, ArcDeg: 360}, ""
}
