package mount

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// hole looks for an empty circle in one of the faces near the mount.
func hole(m job.Mount, points []geom.Vec, noise float64) (Result, string) {
	fs := faces(points, noise)
	if len(fs) == 0 {
		return Result{}, "no flat face was found"
	}
	var best *gap
	for i := range fs {
		for _, g := range fs[i].gaps(m) {
			if best == nil || g.cost < best.cost {
				best = &g
			}
		}
	}
	if best == nil {
		return Result{}, fmt.Sprintf("%d flat faces were found, but no round gap of the right size in them", len(fs))
	}
	return best.measure()
}

// gap is an empty circle in a face.
type gap struct {
	face    *face
	x, y, r float64
	density float64
	arc     float64 // share of the circle that has points close outside it
	cost    float64 // the smaller the likelier it is the one wanted
}

const (
	sizeSlack   = 0.35 // a first estimate of a diameter from sparse points may be off by a third
	leastGap    = 2.5  // spacings: smaller gaps occur by chance
	leastArcCut = 0.25 // of the circle: less is a notch at a border
)

// gaps returns the empty circles of the face around the mount.
func (f *face) gaps(m job.Mount) []gap {
	g := search{face: f, mount: m, density: f.density(), index: newFlatIndex(f.x, f.y)}
	spacing := 1 / math.Sqrt(g.density)
	g.least, g.most = leastGap*spacing, m.Within
	if m.Diameter > 0 {
		g.least = math.Max(g.least, m.Diameter/2*(1-sizeSlack))
		g.most = m.Diameter / 2 * (1 + sizeSlack)
	}
	if g.least >= g.most {
		return nil
	}
	g.step = math.Max(g.least/4, spacing/2)
	return g.run(spacing)
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
	var out []gap
	for i := -n; i <= n; i++ {
		for j := -n; j <= n; j++ {
			x, y := nx+float64(i)*s.step, ny+float64(j)*s.step
			if math.Hypot(x-nx, y-ny) > s.mount.Within || s.index.clear(x, y, s.most) < s.least {
				continue
			}
			g := s.climb(x, y)
			if s.accept(&g, nx, ny, spacing) && !slices.ContainsFunc(out, func(o gap) bool { return math.Hypot(o.x-g.x, o.y-g.y) < o.r }) {
				out = append(out, g)
			}
		}
	}
	return out
}

// climb moves to where the nearest point is farthest.
func (s *search) climb(x, y float64) gap {
	r := s.index.clear(x, y, 2*s.most)
	for step := s.step; step > s.step/16; {
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
	return gap{face: s.face, x: x, y: y, r: r, density: s.density}
}

func (s *search) accept(g *gap, nx, ny, spacing float64) bool {
	off := math.Hypot(g.x-nx, g.y-ny)
	if g.r > s.most || g.r < s.least || off > s.mount.Within {
		return false
	}
	lateral := math.Abs(s.face.height(s.mount.Near)) + off
	g.arc = s.index.arc(g.x, g.y, g.r, math.Max(4*spacing, g.r/2))
	g.cost = lateral / s.mount.Within
	if s.mount.Diameter > 0 {
		g.cost += 2 * math.Abs(2*g.r/s.mount.Diameter-1)
	}
	g.cost += 2 * (1 - g.arc)
	return g.arc >= leastArcCut
}

// measure fits the rim, and the wall where that was seen, and takes the better.
func (g *gap) measure() (Result, string) {
	rim, arc, err := g.rim()
	if err != nil {
		return Result{}, fmt.Sprintf("a gap of about %.1f mm was found, but its rim has too few points", 2*g.r)
	}
	circle := rim
	if wall, wallArc, ok := g.wall(rim); ok && wallArc >= min(arc, leastArc) && wall.Cov[8] < rim.Cov[8] {
		circle = wall
	}
	f := g.face
	arm := f.u.Scale(circle.X).Add(f.v.Scale(circle.Y))
	lift := f.plane.PointCov.MulVec(f.plane.Normal).Dot(f.plane.Normal) + f.plane.NormalCov.MulVec(arm).Dot(arm)
	frame := geom.Rows(f.u, f.v, f.plane.Normal).T()
	return Result{
		Center: f.lift(circle.X, circle.Y), Axis: f.plane.Normal, Diameter: 2 * circle.Radius, SigmaDia: 2 * math.Sqrt(circle.Cov[8]),
		Cov: frame.Congruent(geom.Mat{circle.Cov[0], circle.Cov[1], 0, circle.Cov[3], circle.Cov[4], 0, 0, 0, lift}),
		RMS: circle.RMS, Points: circle.Points, ArcDeg: arc,
	}, ""
}

// rim fits a circle to where the face's points end. In each sector the innermost
// point lies outside the true rim by a gap that depends on how the points are
// spread; the same gap is measured at a virtual rim in the solid of the face,
// with sectors of the same width, and taken off. So the answer is unbiased for
// any pattern of points whose density does not change near the rim.
func (g *gap) rim() (fit.Circle2, float64, error) {
	spacing := 1 / math.Sqrt(g.density)
	circle := fit.Circle2{X: g.x, Y: g.y, Radius: g.r}
	arc := 0.0
	for range 3 {
		n := sectorCount(circle.Radius, spacing)
		inner := g.innermost(circle, circle.Radius-2*spacing, 3*spacing, n)
		gapSize := g.meanGap(circle, spacing)
		var x, y []float64
		for k, r := range inner {
			if r > 0 {
				a := (float64(k) + 0.5) * 2 * math.Pi / float64(n)
				x, y = append(x, circle.X+(r-gapSize)*math.Cos(a)), append(y, circle.Y+(r-gapSize)*math.Sin(a))
			}
		}
		next, err := robustCircle(x, y)
		if err != nil {
			return circle, 0, err
		}
		circle, arc = next, 360*float64(len(x))/float64(n)
	}
	return circle, arc, nil
}

// meanGap measures the gap at virtual rims in the solid of the face, over several
// radii, since points in a lattice beat with a single one.
func (g *gap) meanGap(c fit.Circle2, spacing float64) float64 {
	const rims = 13
	sum := 0.0
	for k := range rims {
		virtual := c.Radius + (3+float64(k)/4)*spacing
		sum += meanAbove(g.innermost(c, virtual, 4*spacing, sectorCount(virtual, spacing)), virtual)
	}
	return sum / rims
}

// sectorCount makes sectors one and a half spacings wide at the rim, so that
// most of them hold a point near it.
func sectorCount(r, spacing float64) int {
	return max(12, int(2*math.Pi*r/(1.5*spacing)))
}

// innermost returns for each of n sectors the smallest radius of a face point
// from least to least+depth, 0 where there is none. Sector 0 begins at angle 0.
func (g *gap) innermost(c fit.Circle2, least, depth float64, n int) []float64 {
	out := make([]float64, n)
	for i := range g.face.x {
		dx, dy := g.face.x[i]-c.X, g.face.y[i]-c.Y
		r := math.Hypot(dx, dy)
		if r < least || r > least+depth+2*depth/3 {
			continue
		}
		k := sector(dx, dy, n)
		if out[k] == 0 || r < out[k] {
			out[k] = r
		}
	}
	return out
}

func sector(dx, dy float64, n int) int {
	a := math.Atan2(dy, dx) / (2 * math.Pi)
	if a < 0 {
		a++
	}
	return min(int(a*float64(n)), n-1)
}

// meanAbove returns the mean height of radii above a circle, of those that
// robustCircle would keep: gaps are skewed, and the long ones that it drops from
// the rim must be dropped here too.
func meanAbove(v []float64, from float64) float64 {
	var gaps []float64
	for _, r := range v {
		if r > 0 {
			gaps = append(gaps, r-from)
		}
	}
	for range 10 {
		m := mean(gaps)
		kept := within3(gaps, m)
		if len(kept) == len(gaps) {
			return m
		}
		gaps = kept
	}
	return mean(gaps)
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / math.Max(1, float64(len(v)))
}

// within3 returns the values within three robust deviations of m.
func within3(v []float64, m float64) []float64 {
	res := make([]float64, len(v))
	for i, x := range v {
		res[i] = math.Abs(x - m)
	}
	limit := robustLimit(res)
	var kept []float64
	for i, x := range v {
		if res[i] <= limit {
			kept = append(kept, x)
		}
	}
	return kept
}

// robustLimit is three standard deviations, estimated from the median of absolute
// residuals (a factor of 1.4826 for a normal distribution); infinite without any
// spread.
func robustLimit(res []float64) float64 {
	if len(res) == 0 {
		return math.Inf(1)
	}
	sorted := slices.Sorted(slices.Values(res))
	if m := sorted[len(sorted)/2]; m > 0 {
		return 3 * 1.4826 * m
	}
	return math.Inf(1)
}

// wall fits a circle to the points inside the hole, seen along its axis. The
// axis is taken square to the face, as a drilled hole's is.
func (g *gap) wall(rim fit.Circle2) (fit.Circle2, float64, bool) {
	var x, y []float64
	depth := math.Max(40, 4*rim.Radius) // no plate that takes a bolt is thicker (common practice, no source)
	for _, p := range g.face.rest {
		h := math.Abs(g.face.height(p))
		if h < 2*g.face.band || h > depth {
			continue
		}
		px, py := g.face.flat(p)
		if math.Abs(math.Hypot(px-rim.X, py-rim.Y)-rim.Radius) <= 0.2*rim.Radius {
			x, y = append(x, px), append(y, py)
		}
	}
	if len(x) < leastPoints {
		return fit.Circle2{}, 0, false
	}
	c, err := robustCircle(x, y)
	if err != nil || math.Abs(c.Radius-rim.Radius) > 0.15*rim.Radius {
		return c, 0, false
	}
	const n = 36
	var hit [n]bool
	for i := range x {
		hit[sector(x[i]-c.X, y[i]-c.Y, n)] = true
	}
	arc := 0.0
	for _, h := range hit {
		if h {
			arc += 360 / n
		}
	}
	return c, arc, arc >= leastArc
}

// robustCircle fits a circle, drops what lies more than 3 robust deviations off
// and fits again, until nothing more is dropped.
func robustCircle(x, y []float64) (fit.Circle2, error) {
	for range 10 {
		c, err := fit.CircleInPlane(x, y, 0)
		if err != nil {
			return c, err
		}
		res := make([]float64, len(x))
		for i := range x {
			res[i] = math.Abs(math.Hypot(x[i]-c.X, y[i]-c.Y) - c.Radius)
		}
		limit := robustLimit(res)
		var kx, ky []float64
		for i := range x {
			if res[i] <= limit {
				kx, ky = append(kx, x[i]), append(ky, y[i])
			}
		}
		if len(kx) == len(x) || len(kx) < 6 {
			return c, nil
		}
		x, y = kx, ky
	}
	return fit.CircleInPlane(x, y, 0)
}
