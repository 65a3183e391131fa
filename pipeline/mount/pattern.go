package mount

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// MeasureAll measures the mounts of a sheet. A pattern gives a result of its own,
// and behind it one for each of its holes.
func MeasureAll(mounts []job.Mount, seen []Seen) []Result {
	var out []Result
	for _, m := range mounts {
		if m.Expect == job.Pattern {
			out = append(out, pattern(m, seen)...)
			continue
		}
		out = append(out, Measure(m, seen))
	}
	return out
}

// pattern looks for the holes of a pattern in what each instrument saw, measures
// each of them with every instrument, and fits the pattern to the results.
func pattern(m job.Mount, seen []Seen) []Result {
	why := "no instrument has points there"
	for _, s := range seen {
		members, reason := membersIn(m, s)
		if reason != "" {
			why = reason
			continue
		}
		var holes []Result
		for _, one := range members {
			r := Measure(one, seen)
			r.Others = nil // the other holes of the pattern
			r.Findings = slices.DeleteFunc(r.Findings, func(f job.Finding) bool { return strings.HasPrefix(f.Text, twoHoles) })
			holes = append(holes, r)
		}
		if i := slices.IndexFunc(holes, func(r Result) bool { return !r.Found }); i >= 0 {
			why = fmt.Sprintf("hole %d of the pattern could not be measured", i+1)
			continue
		}
		whole := fitted(m, holes)
		whole.Findings = judged(whole)
		return append([]Result{whole}, holes...)
	}
	return []Result{missing(m, why)}
}

// membersIn finds the pattern's holes in one instrument's points, in the face that
// shows them, and returns a mount for each, numbered as the sheet lists them or
// else around the pattern's middle.
func membersIn(m job.Mount, s Seen) ([]job.Mount, string) {
	near := gather(s.Points, m.Near, Reach(m))
	if len(near) < leastPoints {
		return nil, fmt.Sprintf("%s has %d points within %.0f mm, at least %d are needed", s.Instrument, len(near), Reach(m), leastPoints)
	}
	if s.Noise == 0 {
		s.Noise = scatter(near)
	}
	one := m
	one.Expect = job.Hole
	best, most := []gap(nil), 0
	fs := faces(near, s.Noise)
	for i := range fs {
		gaps := fs[i].gaps(one)
		gaps = slices.DeleteFunc(gaps, func(g gap) bool { return g.arc < 2*leastArcCut })
		slices.SortStableFunc(gaps, func(a, b gap) int { return cmp.Compare(a.misfit(m), b.misfit(m)) })
		if n := min(len(gaps), m.Holes); n > most {
			best, most = gaps[:n], n
		}
	}
	if most < m.Holes {
		var text strings.Builder
		for i := range best {
			at := best[i].face.lift(best[i].x, best[i].y)
			_, _ = fmt.Fprintf(&text, ", about %.1f mm at (%.1f, %.1f, %.1f)", 2*best[i].r, at.X, at.Y, at.Z)
		}
		return nil, fmt.Sprintf("in %d points of %s %d of %d holes of the pattern were found in one face%s", len(near), s.Instrument, most, m.Holes, text.String())
	}
	places := make([]geom.Vec, most)
	for i := range best {
		places[i] = best[i].face.lift(best[i].x, best[i].y)
	}
	return numbered(m, best[0].face.plane.Normal, places)
}

// misfit orders the gaps of a face by how unlike they are to a hole of the pattern.
func (g *gap) misfit(m job.Mount) float64 {
	off := 1 - g.arc
	if m.Diameter > 0 {
		off += 2 * math.Abs(2*g.r/m.Diameter-1)
	}
	return off
}

// numbered makes a mount of each place: a list's in its own order, others
// counter-clockwise about the face's normal, from the datum's X axis on (Y where the
// face looks along X).
func numbered(m job.Mount, normal geom.Vec, places []geom.Vec) ([]job.Mount, string) {
	order := places
	if m.Shape == job.Listed {
		order = nil
		taken := make([]bool, len(places))
		for _, want := range m.Places {
			k := -1
			for i, p := range places {
				if !taken[i] && (k < 0 || p.Dist(want) < places[k].Dist(want)) {
					k = i
				}
			}
			taken[k] = true
			order = append(order, places[k])
		}
	} else {
		middle := fit.Centroid(places, nil)
		u, v := around(normal)
		const before = 0.01 // radians: a hole on the axis itself stays the first
		turn := func(p geom.Vec) float64 {
			d := p.Sub(middle)
			return math.Mod(math.Atan2(d.Dot(v), d.Dot(u))+2*math.Pi+before, 2*math.Pi)
		}
		slices.SortStableFunc(order, func(a, b geom.Vec) int { return cmp.Compare(turn(a), turn(b)) })
	}
	out := make([]job.Mount, len(order))
	for i, p := range order {
		one := job.Mount{Name: m.MemberName(i + 1), Near: p, Expect: job.Hole, Diameter: m.Diameter, Within: closest(order, i) / 2}
		if m.Shape == job.Listed {
			at := m.Places[i]
			one.At, one.Position = &at, m.Position
		}
		out[i] = one
	}
	return out, ""
}

// around returns two directions across a normal, the first next to the datum's X
// axis, or to Y where the normal is along X.
func around(normal geom.Vec) (u, v geom.Vec) {
	u = geom.Vec{X: 1}
	if math.Abs(normal.X) > 0.9 {
		u = geom.Vec{Y: 1}
	}
	u = u.AddScaled(-u.Dot(normal), normal).Unit()
	return u, normal.Cross(u)
}

// closest is the distance from one place to the nearest other.
func closest(places []geom.Vec, i int) float64 {
	best := math.Inf(1)
	for k, p := range places {
		if k != i {
			best = math.Min(best, p.Dist(places[i]))
		}
	}
	return best
}

// fitted fits the pattern's shape to its holes and reports its place, its sizes
// and how well it fits: the rms of the holes' distances from where the fitted
// shape has them. Holes count alike; their covariances give that of the sizes.
func fitted(m job.Mount, holes []Result) Result {
	r := Result{Name: m.Name, Kind: m.Expect, Found: true, Instrument: holes[0].Instrument, Axis: holes[0].Axis, AxisCov: holes[0].AxisCov, ArcDeg: 360}
	places := make([]geom.Vec, len(holes))
	var fitCov, frame geom.Mat
	n := float64(len(holes))
	for i, h := range holes {
		places[i] = h.Center
		fitCov = fitCov.Add(h.FitCov.Scale(1 / (n * n)))
		frame = frame.Add(h.Cov.Add(h.FitCov.Scale(-1)).Scale(1 / n))
		r.Points += h.Points
		r.ArcDeg = math.Min(r.ArcDeg, h.ArcDeg)
	}
	r.Center = fit.Centroid(places, nil)
	sigma := math.Sqrt(fitCov.Trace() / 3 * n) // of one coordinate of one hole
	switch m.Shape {
	case job.OnCircle:
		r.onCircle(holes, places, sigma)
	case job.OnRectangle:
		r.onRectangle(holes, places, sigma)
	case job.Listed:
		r.onList(nil, m.Places, places)
	}
	r.FitCov, r.Cov = fitCov, fitCov.Add(frame)
	r.Deviation = r.Center.Sub(m.Nominal())
	if m.Shape == job.Listed {
		r.Deviation = r.Center.Sub(fit.Centroid(m.Places, nil))
	} else if m.Position > 0 {
		r.Position = positionOf(r.Center, m.Nominal(), r.Axis, r.Cov, m.Position)
	}
	return r
}

// onCircle fits the bolt circle, and holes evenly round it.
func (r *Result) onCircle(holes []Result, places []geom.Vec, sigma float64) {
	u, v := around(r.Axis)
	x, y := make([]float64, len(places)), make([]float64, len(places))
	for i, p := range places {
		d := p.Sub(r.Center)
		x[i], y[i] = d.Dot(u), d.Dot(v)
	}
	c, err := fit.CircleInPlane(x, y, sigma)
	if err != nil {
		return // holes in one line: the pitches show it
	}
	r.Center = r.Center.AddScaled(c.X, u).AddScaled(c.Y, v)
	r.Sizes = append(r.Sizes, Size{Name: "bolt_circle", Value: 2 * c.Radius, Sigma: 2 * math.Sqrt(c.Cov[8])})
	step := 2 * math.Pi / float64(len(x))
	uneven := 0.0
	even := make([]geom.Vec, len(x))
	for i := range x {
		sin, cos := math.Sincos(float64(i) * step)
		even[i] = geom.Vec{X: c.Radius * cos, Y: c.Radius * sin}
		turn := math.Atan2(y[i]-c.Y, x[i]-c.X) - math.Atan2(y[0]-c.Y, x[0]-c.X) - float64(i)*step
		uneven = math.Max(uneven, math.Abs(math.Remainder(turn, 2*math.Pi)))
	}
	r.Sizes = append(r.Sizes, Size{Name: "uneven", Value: uneven * 180 / math.Pi, Sigma: sigma / c.Radius * 180 / math.Pi, Angle: true})
	r.onList(holes, even, places)
}

// onRectangle takes the means of opposite sides; in order around, hole i and i+1
// are neighbours. The best rectangle's corners leave the residuals.
func (r *Result) onRectangle(holes []Result, p []geom.Vec, sigma float64) {
	a, b := p[1].Sub(p[0]).Add(p[2].Sub(p[3])).Scale(0.5), p[3].Sub(p[0]).Add(p[2].Sub(p[1])).Scale(0.5)
	long, short := a.Norm(), b.Norm()
	r.Sizes = append(r.Sizes, Size{Name: "side_1", Value: long, Sigma: sigma}, Size{Name: "side_2", Value: short, Sigma: sigma},
		Size{Name: "square", Value: math.Abs(90 - 180/math.Pi*math.Acos(math.Max(-1, math.Min(1, a.Unit().Dot(b.Unit()))))), Sigma: sigma * math.Sqrt(1/(long*long)+1/(short*short)) * 180 / math.Pi, Angle: true})
	ideal := []geom.Vec{{X: -long / 2, Y: -short / 2}, {X: long / 2, Y: -short / 2}, {X: long / 2, Y: short / 2}, {X: -long / 2, Y: short / 2}}
	r.onList(holes, ideal, p)
}

// onList fits the places of the shape onto the measured ones without a change of
// scale. Holes that have no nominal places of their own are compared with these.
func (r *Result) onList(holes []Result, want, got []geom.Vec) {
	if len(want) < 3 {
		if len(want) == 2 {
			r.RMS = math.Abs(want[0].Dist(want[1])-got[0].Dist(got[1])) / 2
		}
		return
	}
	pose, rms, err := fit.Rigid(want, got, nil)
	if err != nil {
		return // in one line: the pitches show how they lie
	}
	r.RMS = rms
	for i := range holes {
		holes[i].Deviation = got[i].Sub(pose.Apply(want[i]))
	}
}
