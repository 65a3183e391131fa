package mount

import (
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// cone is a chamfer or a countersink: a cone that opens at the face.
type cone struct {
	circle          // where its surface, carried on, meets the face; r is that circle's radius
	slope   float64 // loss of radius for each mm of depth: the tangent of half the angle
	slopeU  float64 // its standard uncertainty
	onIt    []geom.Vec
	beneath []geom.Vec // points outside the cone carried on downwards: the wall below it
}

const (
	leastCone    = 12  // points: three times as many as a cone has unknowns
	leastConeArc = 120 // degrees
	leastSlope   = 0.2 // the tangent of 11 degrees: steeper ones are walls
)

// coneAt looks for a cone below the rim: first the angle that most points agree
// with, then a least-squares fit of those.
func (g *gap) coneAt(rim circle, noise float64) (cone, bool) {
	all := g.face.inside(rim, noise)
	side := withoutWall(all, rim, noise)
	best, edge, slope := 0, 0.0, 0.0
	step := math.Max(noise, math.Sqrt(rim.cov[8]))
	for half := 20.0; half <= 75; half++ { // degrees; usual cones have 30, 41, 45 or 60 (common practice, no source)
		tan := math.Tan(half * math.Pi / 180)
		for k := -1.0; k <= 4; k++ {
			if n := len(agreeing(side, cone{circle: circle{x: rim.x, y: rim.y, r: rim.r + k*step}, slope: tan}, noise)); n > best {
				best, edge, slope = n, rim.r+k*step, tan
			}
		}
	}
	upright := len(agreeing(all, cone{circle: rim}, noise+step/2))
	if best < leastCone || best <= upright { // a wall that begins at the rim leaves no room for a cone
		return cone{}, false
	}
	c := cone{circle: circle{x: rim.x, y: rim.y, r: edge}, slope: slope}
	for _, wide := range [...]float64{2.5, 2, 1.5, 1, 1} { // a first angle may be far off
		c.onIt = agreeing(side, c, wide*noise)
		if len(c.onIt) < leastCone || !c.fit(rim, noise) {
			return c, false
		}
	}
	c.arc = arcOf(c.onIt, c.circle)
	low, high := math.Inf(1), 0.0
	for _, p := range c.onIt {
		low, high = math.Min(low, math.Abs(p.Z)), math.Max(high, math.Abs(p.Z))
	}
	for _, p := range all {
		if math.Hypot(p.X-c.x, p.Y-c.y) > c.r-c.slope*math.Abs(p.Z)+4*noise {
			c.beneath = append(c.beneath, p)
		}
	}
	return c, c.arc >= leastConeArc && c.slope*(high-low) > 4*noise && c.slope > math.Max(leastSlope, 5*c.slopeU)
}

// withoutWall drops the points of an upright wall, if there is one: the radius that
// most points share to within their noise, when those reach deeper than the
// flattest cone within that radius would.
func withoutWall(side []geom.Vec, rim circle, noise float64) []geom.Vec {
	const width = 4.0 // noises
	at := func(p geom.Vec) float64 { return math.Hypot(p.X-rim.x, p.Y-rim.y) }
	radii := make([]float64, len(side))
	for i, p := range side {
		radii[i] = at(p)
	}
	slices.Sort(radii)
	most, from := 0, 0.0
	for i, j := 0, 0; i < len(radii); i++ {
		for j < len(radii) && radii[j] <= radii[i]+width*noise {
			j++
		}
		if j-i > most {
			most, from = j-i, radii[i]
		}
	}
	middle := from + width*noise/2
	for range 3 { // the middle of a crowd's densest part is not its own middle
		i, _ := slices.BinarySearch(radii, middle-width*noise)
		j, _ := slices.BinarySearch(radii, middle+width*noise)
		if i < j {
			middle = radii[(i+j)/2]
		}
	}
	var depths []float64
	for _, p := range side {
		if math.Abs(at(p)-middle) <= width*noise/2 {
			depths = append(depths, math.Abs(p.Z))
		}
	}
	slices.Sort(depths)
	n := len(depths)
	const steepest = 0.364 // the tangent of 20 degrees, the steepest cone that is looked for
	if n < leastWall || depths[n-1-n/10]-depths[n/10] < 2*width*noise/steepest {
		return side
	}
	var out []geom.Vec
	for _, p := range side {
		if math.Abs(at(p)-middle) > width*noise {
			out = append(out, p)
		}
	}
	return out
}

// inside gathers what lies below the face within the rim, on the side that has
// more points.
func (f *face) inside(rim circle, noise float64) []geom.Vec {
	return f.fuller(func(h, x, y float64) bool {
		return math.Abs(h) >= 1.2*f.band && math.Abs(h) <= 4*rim.r && math.Hypot(x-rim.x, y-rim.y) <= rim.r+4*noise
	})
}

// fuller returns the points off the face that take takes, in the face's axes, of the
// side of the face that has more of them.
func (f *face) fuller(take func(h, x, y float64) bool) []geom.Vec {
	var up, down []geom.Vec
	for _, p := range f.rest {
		h := f.height(p)
		x, y := f.flat(p)
		switch {
		case !take(h, x, y):
		case h > 0:
			up = append(up, geom.Vec{X: x, Y: y, Z: h})
		default:
			down = append(down, geom.Vec{X: x, Y: y, Z: h})
		}
	}
	if len(up) > len(down) {
		return up
	}
	return down
}

func agreeing(side []geom.Vec, c cone, noise float64) []geom.Vec {
	var out []geom.Vec
	limit := 3.5 * noise * math.Sqrt(1+c.slope*c.slope)
	for _, p := range side {
		if math.Abs(math.Hypot(p.X-c.x, p.Y-c.y)-c.r+c.slope*math.Abs(p.Z)) < limit {
			out = append(out, p)
		}
	}
	return out
}

// fit solves for the place, the radius at the face and the slope. The rim counts as
// one observation of that radius, as sure as it is and as sharp as the edge can be:
// the cone's first points lie within the face's band.
func (c *cone) fit(rim circle, noise float64) bool {
	const sharp = 5 // noises
	edge := math.Sqrt(rim.cov[8] + sharp*sharp*noise*noise)

	model := func(p []float64, s *fit.Sum) {
		across := noise * math.Sqrt(1+p[3]*p[3])
		for _, q := range c.onIt {
			u, v := q.X-p[0], q.Y-p[1]
			l := math.Max(math.Hypot(u, v), 1e-12)
			h := math.Abs(q.Z)
			e := l - p[2] + p[3]*h
			s.Add(e/across, -u/l/across, -v/l/across, -1/across, h/across-e*p[3]/(across*(1+p[3]*p[3])))
		}
	}
	withRim := func(p []float64, s *fit.Sum) {
		model(p, s)
		s.Add((p[2]-rim.r)/edge, 0, 0, 1/edge, 0)
	}
	sol, err := fit.Solve([]float64{c.x, c.y, c.r, c.slope}, withRim, fit.Options{Damping: 1e-6})
	if err != nil || sol.X[3] <= 0 {
		return false
	}
	unit := math.Max(1, sol.Sigma0())
	c.x, c.y, c.r, c.slope, c.points, c.rms = sol.X[0], sol.X[1], sol.X[2], sol.X[3], len(c.onIt), sol.RMS*noise
	for i := range 3 {
		for j := range 3 {
			c.cov[3*i+j] = unit * unit * sol.Cofactor(i, j)
		}
	}
	c.slopeU = unit * math.Sqrt(sol.Cofactor(3, 3))
	return true
}

// bore measures the hole below a cone: by its wall where that was seen, else as
// the empty place within face and cone together.
func (g *gap) bore(c cone, noise float64) (circle, bool) {
	if len(c.beneath) >= leastWall {
		radii := make([]float64, len(c.beneath))
		for i, p := range c.beneath {
			radii[i] = math.Hypot(p.X-c.x, p.Y-c.y)
		}
		slices.Sort(radii)
		guess := c.circle
		guess.r = radii[len(radii)/2]
		if w, ok := wallOf(near(c.beneath, guess, noise), guess, noise); ok && w.r < c.r {
			return w, true
		}
	}
	flat := &face{plane: g.face.plane, u: g.face.u, v: g.face.v, x: slices.Clone(g.face.x), y: slices.Clone(g.face.y)}
	deepest := 0.0
	for _, p := range c.onIt {
		flat.x, flat.y = append(flat.x, p.X), append(flat.y, p.Y)
		deepest = math.Max(deepest, math.Abs(p.Z))
	}
	spacing := 1 / math.Sqrt(g.density)
	first, _, ok := flat.settle(circle{x: c.x, y: c.y, r: c.r - c.slope*deepest}, spacing, noise, rough)
	if !ok {
		return first, false
	}
	b, _, ok := flat.settle(first, spacing, noise, fine)
	return b, ok && b.r > 0 && b.r < c.r
}

// near keeps the points within a tenth of the radius of a circle's cylinder.
func near(side []geom.Vec, c circle, noise float64) []geom.Vec {
	var out []geom.Vec
	for _, p := range side {
		if math.Abs(math.Hypot(p.X-c.x, p.Y-c.y)-c.r) < math.Max(0.1*c.r, 4*noise) {
			out = append(out, p)
		}
	}
	return out
}

// sizes returns the cone's diameter at the face and its angle.
func (c *cone) sizes(diameter, angle string) []Size {
	const degrees = 180 / math.Pi
	return []Size{
		{Name: diameter, Value: 2 * c.r, Sigma: 2 * math.Sqrt(c.cov[8])},
		{Name: angle, Value: 2 * math.Atan(c.slope) * degrees, Sigma: 2 * c.slopeU / (1 + c.slope*c.slope) * degrees, Angle: true},
	}
}

const (
	bottomShare = 0.8 // of the radius: within it a bottom is looked for
	leastBottom = 12  // points
)

// bottom returns how deep a flat bottom lies below the face, where one was seen
// that ends with the hole: what goes on beside it lies behind a through hole.
func (g *gap) bottom(c circle, noise float64) (Size, bool) {
	var deep []float64
	for _, p := range g.face.rest {
		x, y := g.face.flat(p)
		h := math.Abs(g.face.height(p))
		if h < math.Max(2*g.face.band, c.r/4) || h > math.Max(40, 8*c.r) {
			continue
		}
		if math.Hypot(x-c.x, y-c.y) < bottomShare*c.r {
			deep = append(deep, h)
		}
	}
	if len(deep) < leastBottom {
		return Size{}, false
	}
	slices.Sort(deep)
	middle := deep[len(deep)/2]
	level, sum, beside := 0, 0.0, 0
	for _, h := range deep {
		if math.Abs(h-middle) < 3*noise {
			level++
			sum += h
		}
	}
	for _, p := range g.face.rest {
		x, y := g.face.flat(p)
		if d := math.Hypot(x-c.x, y-c.y); d > 1.2*c.r && d < 2*c.r && math.Abs(math.Abs(g.face.height(p))-middle) < 3*noise {
			beside++
		}
	}
	if float64(level) < 0.7*float64(len(deep)) || beside > level/4 {
		return Size{}, false
	}
	lift := g.face.plane.PointCov.MulVec(g.face.plane.Normal).Dot(g.face.plane.Normal)
	return Size{Name: "depth", Value: sum / float64(level), Sigma: math.Sqrt(noise*noise/float64(level) + lift)}, true
}
