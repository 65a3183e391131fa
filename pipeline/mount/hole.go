package mount

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// hole looks for an empty circle in one of the faces near the mount and measures
// what is there: a plain, a blind, a chamfered, a countersunk or a threaded hole.
func hole(m job.Mount, points []geom.Vec, noise float64) (Result, string) {
	fs := faces(points, noise)
	if len(fs) == 0 {
		return Result{}, "no flat face was found"
	}
	candidates := allGaps(fs, m)
	long := ""
	for i := range candidates {
		g := &candidates[i]
		if w := g.stretched(2 * m.Within); w.isLong(g) {
			if s, why := g.measureSlot(w.start(g), noise); why == "" && s.isSlot() {
				long = ", but " + s.asSlot()
				continue
			}
		}
		r, why := g.measure(m.Expect, noise)
		if why == "" {
			r.others(m, g, candidates[i+1:], noise)
		}
		return r, why
	}
	return Result{}, fmt.Sprintf("%d flat faces were found, but no round gap of the right size in them%s", len(fs), long)
}

// allGaps returns the gaps of all faces, the likeliest first.
func allGaps(fs []face, m job.Mount) []gap {
	var out []gap
	for i := range fs {
		out = append(out, fs[i].gaps(m)...)
	}
	slices.SortStableFunc(out, func(a, b gap) int { return cmp.Compare(a.cost, b.cost) })
	return out
}

// alike is how much of a diameter a second hole may differ from the sheet's and
// still be meant.
const alike = 0.15

// others notes the other holes that may be meant as well.
func (r *Result) others(m job.Mount, taken *gap, rest []gap, noise float64) {
	axis := taken.face.plane.Normal
	at := taken.face.lift(taken.x, taken.y)
	for i := range rest {
		g := &rest[i]
		place := g.face.lift(g.x, g.y)
		d := place.Sub(at)
		if d.AddScaled(-d.Dot(axis), axis).Norm() < taken.r || g.arc < 2*leastArcCut {
			continue // the same hole's other end, or a notch
		}
		spacing := 1 / math.Sqrt(g.density)
		c, _, ok := g.face.settle(circle{x: g.x, y: g.y, r: g.r}, spacing, noise, rough)
		wanted := m.Diameter
		if wanted == 0 {
			wanted = r.Diameter
		}
		if !ok || c.arc < leastArc || math.Abs(2*c.r/wanted-1) > alike && m.Expect != job.Countersink {
			continue
		}
		r.Others = append(r.Others, Other{Center: g.face.lift(c.x, c.y), Diameter: 2 * c.r})
	}
}

// gap is an empty circle in a face.
type gap struct {
	face    *face
	x, y, r float64
	density float64
	arc     float64    // share of the circle that has points close outside it
	cost    float64    // the smaller the likelier it is the one wanted
	index   *flatIndex // of the face's crowded points
	said    *evidence  // what the rim's estimate rests on
}

const (
	sizeSlack   = 0.35 // a first estimate of a diameter from sparse points may be off by a third
	leastGap    = 2.5  // spacings: smaller gaps occur by chance
	leastArcCut = 0.25 // of the circle: less is a notch at a border
	widestCone  = 3.0  // times its bore; a countersink for a screw's head is twice it (common practice, no source)
)

// gaps returns the empty circles of the face around the mount.
func (f *face) gaps(m job.Mount) []gap {
	g := search{face: f, mount: m, density: f.density()}
	spacing := 1 / math.Sqrt(g.density)
	g.index = f.crowded(spacing)
	g.least, g.most = leastGap*spacing, m.Within
	if m.Diameter > 0 {
		g.least = math.Max(g.least, m.Diameter/2*(1-sizeSlack))
		g.most = m.Diameter / 2 * (1 + sizeSlack)
		if m.Expect == job.Countersink {
			g.most = m.Diameter / 2 * widestCone
		}
	}
	if g.least >= g.most {
		return nil
	}
	g.step = math.Max(g.least/4, spacing/2)
	return g.run(spacing)
}

// crowded indexes the points that have company. Pixels that mix the rim with what
// is behind stand alone in a hole and would hide it; how sharply they bound it is
// weighed later, with all points.
func (f *face) crowded(spacing float64) *flatIndex {
	const company, reach = 3, 1.6 // a point of a square lattice has eight neighbours within 1.6 spacings, three in a corner
	var x, y []float64
	for i := range f.x {
		n := -1
		f.index().around(f.x[i], f.y[i], reach*spacing, func(int) { n++ })
		if n >= company {
			x, y = append(x, f.x[i]), append(y, f.y[i])
		}
	}
	if len(x) < leastPoints {
		return f.index()
	}
	return newFlatIndex(x, y)
}

type search struct {
	face        *face
	mount       job.Mount
	density     float64
	index       *flatIndex
	least, most float64
	step        float64
}

// run walks a lattice over the search radius, climbs from every empty place to
// the middle of its gap and keeps each gap once.
func (s *search) run(spacing float64) []gap {
	nx, ny := s.face.flat(s.mount.Near)
	n := int(math.Ceil(s.mount.Within / s.step))
	x0, x1 := slices.Min(s.index.x), slices.Max(s.index.x)
	y0, y1 := slices.Min(s.index.y), slices.Max(s.index.y)
	var out, climbed []gap
	for i := -n; i <= n; i++ {
		for j := -n; j <= n; j++ {
			x, y := nx+float64(i)*s.step, ny+float64(j)*s.step
			if x < x0 || x > x1 || y < y0 || y > y1 || math.Hypot(x-nx, y-ny) > s.mount.Within || s.index.clear(x, y, s.least) < s.least {
				continue
			}
			near := func(share float64) func(o gap) bool {
				return func(o gap) bool { return math.Hypot(o.x-x, o.y-y) < share*o.r }
			}
			if slices.ContainsFunc(climbed, near(0.5)) {
				continue
			}
			g := s.climb(x, y)
			climbed = append(climbed, g)
			x, y = g.x, g.y
			if s.accept(&g, nx, ny, spacing) && !slices.ContainsFunc(out, near(1)) {
				out = append(out, g)
			}
		}
	}
	return out
}

// climb moves to where the nearest point is farthest, or until the gap is too wide.
func (s *search) climb(x, y float64) gap {
	r := s.index.clear(x, y, 2*s.most)
	for step := s.step; step > s.step/16 && r <= s.most; {
		moved := false
		for k := range 8 {
			a := float64(k) * math.Pi / 4
			if tx, ty := x+step*math.Cos(a), y+step*math.Sin(a); s.index.clear(tx, ty, 2*s.most) > r {
				x, y, r, moved = tx, ty, s.index.clear(tx, ty, 2*s.most), true
			}
		}
		if !moved {
			step /= 2
		}
	}
	return gap{face: s.face, x: x, y: y, r: r, density: s.density, index: s.index}
}

func (s *search) accept(g *gap, nx, ny, spacing float64) bool {
	off := math.Hypot(g.x-nx, g.y-ny)
	if g.r > s.most || g.r < s.least || off > s.mount.Within {
		return false
	}
	lateral := math.Abs(s.face.height(s.mount.Near)) + off
	g.arc = s.index.arc(g.x, g.y, g.r, math.Max(4*spacing, g.r/2))
	g.cost = lateral / s.mount.Within
	if s.mount.Diameter > 0 && s.mount.Expect != job.Countersink {
		g.cost += 2 * math.Abs(2*g.r/s.mount.Diameter-1)
	}
	g.cost += 2 * (1 - g.arc)
	return g.arc >= leastArcCut
}

// measure finds the rim, a cone below it, and the wall where that was seen, and
// joins what they say.
func (g *gap) measure(kind job.Feature, noise float64) (Result, string) {
	rim, ok := g.rim(noise)
	if !ok {
		return Result{}, fmt.Sprintf("a gap of about %.1f mm was found, but its rim has too few points", 2*g.r)
	}
	r := Result{}
	best := rim
	if c, isCone := g.coneAt(rim, noise); isCone {
		bore, seen := g.bore(c, noise)
		if !seen {
			return r, fmt.Sprintf("a cone of %.1f mm at the face was found, but no hole below it was seen", 2*c.r)
		}
		best = r.below(c, bore, kind)
	} else if kind == job.Countersink {
		return r, fmt.Sprintf("a hole of %.1f mm was found, but no cone at its face was seen", 2*rim.r)
	} else if wall, seen := g.wall(rim, noise); seen && kind != job.Threaded {
		best = r.join(rim, wall, g.said)
	}
	if kind == job.Threaded {
		best = r.thread(best, g.face.below(best, noise), noise)
	}
	if depth, seen := g.bottom(best, noise); seen {
		r.Sizes = append(r.Sizes, depth)
	}
	g.face.place(&r, best)
	return r, ""
}

// below takes a bore's diameter, and the place from the bore or the cone,
// whichever is surer there.
func (r *Result) below(c cone, bore circle, kind job.Feature) circle {
	if kind == job.Countersink {
		r.Sizes = append(r.Sizes, c.sizes("cone", "angle")...)
	} else {
		r.Sizes = append(r.Sizes, c.sizes("chamfer", "chamfer_angle")...)
	}
	out := bore
	out.points += c.points
	out.arc = math.Max(bore.arc, c.arc)
	if c.cov[0]+c.cov[4] < bore.cov[0]+bore.cov[4] {
		out.x, out.y = c.x, c.y
		for _, k := range [...]int{0, 1, 3, 4} {
			out.cov[k] = c.cov[k]
		}
		out.cov[2], out.cov[5], out.cov[6], out.cov[7] = 0, 0, 0, 0
	}
	return out
}

// place fills in what a circle in the face says in space.
func (f *face) place(r *Result, c circle) {
	arm := f.u.Scale(c.x).Add(f.v.Scale(c.y))
	lift := f.plane.PointCov.MulVec(f.plane.Normal).Dot(f.plane.Normal) + f.plane.NormalCov.MulVec(arm).Dot(arm)
	frame := geom.Rows(f.u, f.v, f.plane.Normal).T()
	r.Center, r.Axis, r.AxisCov = f.lift(c.x, c.y), f.plane.Normal, f.plane.NormalCov
	r.Diameter, r.SigmaDia = 2*c.r, 2*math.Sqrt(c.cov[8])
	r.Cov = frame.Congruent(geom.Mat{c.cov[0], c.cov[1], 0, c.cov[3], c.cov[4], 0, 0, 0, lift})
	r.RMS, r.Points, r.ArcDeg = c.rms, c.points, c.arc
}

// The 99.9 % points of chi-square with two and three degrees of freedom (CV-3.4).
const (
	chi2Two   = 13.8155
	chi2Three = 16.2662
)

// against returns the difference of two circles and the inverse of its covariance.
func (c circle) against(o circle) (d geom.Vec, inv geom.Mat, ok bool) {
	inv, ok = c.cov.Add(o.cov).Inv()
	return geom.Vec{X: c.x - o.x, Y: c.y - o.y, Z: c.r - o.r}, inv, ok
}

// join weighs rim and wall by their covariances where they agree. A face whose
// points end outside the wall has an edge that is broken or lost to mixed pixels:
// the wall has the diameter then, and both have the centre. Where the centres
// differ by more than they may, the wall is taken and the difference is said and
// counted.
func (r *Result) join(rim, wall circle, said *evidence) circle {
	d, inv, ok := rim.against(wall)
	if ok && inv.MulVec(d).Dot(d) >= chi2Three {
		// The wall's own points at the rim count now, and may be all that was wrong.
		rim = said.circle(rim, rim.cov.Sigmas(), fine, said.log)
		d, inv, ok = rim.against(wall)
	}
	sum := rim.cov.Add(wall.cov)
	out := wall
	out.arc, out.points = math.Max(rim.arc, wall.arc), rim.points+wall.points
	if !ok {
		return out
	}
	if inv.MulVec(d).Dot(d) < chi2Three {
		gain := rim.cov.Mul(inv)
		at := geom.Vec{X: rim.x, Y: rim.y, Z: rim.r}.Sub(gain.MulVec(d))
		out.x, out.y, out.r = at.X, at.Y, at.Z
		out.cov = rim.cov.Add(gain.Mul(rim.cov).Scale(-1))
		if both, ok := said.with(wall, out); ok {
			out.x, out.y, out.r, out.cov = both.x, both.y, both.r, both.cov
		}
		return out
	}
	across := geom.Vec{X: d.X, Y: d.Y}
	det := sum[0]*sum[4] - sum[1]*sum[3]
	if (sum[4]*d.X*d.X-(sum[1]+sum[3])*d.X*d.Y+sum[0]*d.Y*d.Y)/det < chi2Two && d.Z > 0 {
		r.Sizes = append(r.Sizes, Size{Name: "edge", Value: 2 * rim.r, Sigma: 2 * math.Sqrt(rim.cov[8])})
		return out
	}
	r.Apart = math.Max(across.Norm(), math.Abs(d.Z))
	out.cov = out.cov.Add(geom.Outer(d, d))
	return out
}
