package mount

import (
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// circle is a round outline in a face with what is known of it.
type circle struct {
	x, y, r float64
	cov     geom.Mat // of x, y and r
	rms     float64  // of points about it; 0 for a rim, whose points lie outside
	points  int
	arc     float64 // degrees that were seen
}

// rim finds where the face's points end around the gap: the mean and the
// covariance of the likelihood of edge.go under a flat prior, which for a place
// and a size is the estimate with the smallest mean square error (E. J. G. Pitman,
// Biometrika 30, 1939) and has intervals that hold the truth as often as they say.
// The second pass weighs the evidence about the first one's result.
func (g *gap) rim(noise float64) (circle, bool) {
	spacing := 1 / math.Sqrt(g.density)
	first, _, ok := g.face.settle(circle{x: g.x, y: g.y, r: g.r}, spacing, noise, rough)
	if !ok {
		return first, false
	}
	c, e, ok := g.face.settle(first, spacing, noise, fine)
	g.said = e
	return c, ok
}

// settle weighs the evidence about a circle and returns what it says.
func (f *face) settle(c circle, spacing, noise float64, steps int) (circle, *evidence, bool) {
	e := f.weigh(circles(), []float64{c.x, c.y, c.r}, circleBits(c.x, c.y, c.r, spacing), spacing, noise)
	if len(e.x)+len(e.nodes) < leastRim {
		return c, e, false
	}
	out := e.circle(c, geom.Vec{X: spacing / 4, Y: spacing / 4, Z: spacing / 4}, steps, e.log)
	return out, e, true
}

// circle explores a density over circles from a start with its scatter.
func (e *evidence) circle(c circle, wide geom.Vec, steps int, logDensity func([]float64) float64) circle {
	p := explore([]float64{c.x, c.y, c.r, math.Log(math.Sqrt(e.blurLeast * e.blurMost))},
		[]float64{wide.X, wide.Y, wide.Z, math.Log(e.blurMost/e.blurLeast) / 2.1}, steps, logDensity)
	out := circle{x: p.mean[0], y: p.mean[1], r: p.mean[2], points: len(e.x) + len(e.nodes), arc: 360 * e.seen()}
	for i := range 3 {
		for j := range 3 {
			out.cov[3*i+j] = p.cov[i][j]
		}
	}
	return out
}

// with is what the rim and the wall say together: the product of the rim's
// likelihood, which is far from normal, with the wall's normal one.
func (e *evidence) with(wall, start circle) (circle, bool) {
	inv, ok := wall.cov.Inv()
	if !ok {
		return start, false
	}
	return e.circle(start, start.cov.Sigmas(), fine, func(p []float64) float64 {
		d := geom.Vec{X: p[0] - wall.x, Y: p[1] - wall.y, Z: p[2] - wall.r}
		return e.log(p) - inv.MulVec(d).Dot(d)/2
	}), true
}

// leastRim is the fewest points about a rim: twice as many as a circle has
// unknowns.
const leastRim = 6

const (
	// squareness is how far the axis of a hole may lean from its face's normal,
	// 1 sigma, in radians: half a degree (common practice, no source).
	squareness = 0.5 * math.Pi / 180
	leastWall  = 8 // points: fewer cannot show which of them are not of the wall
)

// wall fits a cylinder to the points inside the hole, its axis free but for the
// squareness of holes, and returns the circle in which it meets the face. Only
// points near the rim's cylinder are taken, at most depth below or above the face.
func (g *gap) wall(rim circle, noise float64) (circle, bool) {
	side := g.face.below(rim, noise)
	if g.said != nil {
		g.said.ring = ringOf(side, 2*math.Pi*rim.r, g.face.band)
	}
	return wallOf(side, rim, noise)
}

// wallOf fits the cylinder, drops what is not on it and fits again.
func wallOf(side []geom.Vec, rim circle, noise float64) (circle, bool) {
	for range 6 {
		if len(side) < leastWall {
			return circle{}, false
		}
		c, res, err := fitWall(side, rim, noise)
		if err != nil {
			return circle{}, false
		}
		limit := math.Max(robustLimit(res)*4/3, 3*noise)
		var kept []geom.Vec
		for i, p := range side {
			if res[i] <= limit {
				kept = append(kept, p)
			}
		}
		if len(kept) == len(side) {
			c.arc = arcOf(side, c)
			return c, c.arc >= 90
		}
		side = kept
	}
	return circle{}, false
}

// below gathers what may be the wall of a hole, in the face's axes.
func (f *face) below(rim circle, noise float64) []geom.Vec {
	depth := math.Max(40, 4*rim.r) // no plate that takes a bolt is thicker (common practice, no source)
	near := math.Max(0.2*rim.r, 4*noise)
	return f.fuller(func(h, x, y float64) bool {
		return math.Abs(h) >= 2*f.band && math.Abs(h) <= depth && math.Abs(math.Hypot(x-rim.x, y-rim.y)-rim.r) <= near
	})
}

// ringOf says how many points of a wall lie within a face's band, for each
// millimetre of the rim, judged by those that lie below it.
func ringOf(side []geom.Vec, around, band float64) float64 {
	const deep = 3.0 // millimetres below the band, where a wall's points are as dense as at its rim
	n := 0
	for _, p := range side {
		if math.Abs(p.Z) < 2*band+deep {
			n++
		}
	}
	return float64(n) / deep * band / around
}

// fitWall solves for the leaning circle x + a·h, y + b·h of radius r: leanings are
// small, so that a cylinder's section with the face counts as round.
func fitWall(side []geom.Vec, rim circle, noise float64) (circle, []float64, error) {
	sigma := noise
	var c circle
	res := make([]float64, len(side))
	for range 2 {
		model := func(p []float64, s *fit.Sum) {
			for _, q := range side {
				u, v := q.X-p[0]-p[3]*q.Z, q.Y-p[1]-p[4]*q.Z
				l := math.Max(math.Hypot(u, v), 1e-12)
				s.Add((l-p[2])/sigma, -u/l/sigma, -v/l/sigma, -1/sigma, -q.Z*u/l/sigma, -q.Z*v/l/sigma)
			}
			s.Add(p[3]/squareness, 0, 0, 0, 1/squareness, 0)
			s.Add(p[4]/squareness, 0, 0, 0, 0, 1/squareness)
		}
		sol, err := fit.Solve([]float64{rim.x, rim.y, rim.r, 0, 0}, model, fit.Options{Damping: 1e-9})
		if err != nil {
			return c, nil, err
		}
		c = circle{x: sol.X[0], y: sol.X[1], r: sol.X[2], points: len(side)}
		for i := range 3 {
			for j := range 3 {
				c.cov[3*i+j] = sol.Cofactor(i, j)
			}
		}
		sum := 0.0
		for i, q := range side {
			res[i] = math.Abs(math.Hypot(q.X-c.x-sol.X[3]*q.Z, q.Y-c.y-sol.X[4]*q.Z) - c.r)
			sum += res[i] * res[i]
		}
		c.rms = math.Sqrt(sum / float64(len(side)))
		// The noise seen counts, but a handful of points cannot prove a small one: the
		// noise expected counts as much as five points.
		const expected = 5
		sigma = math.Sqrt((sum + expected*noise*noise) / float64(len(side)-4+expected))
	}
	return c, res, nil
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

// arcOf returns the degrees around the circle in which there are points.
func arcOf(side []geom.Vec, c circle) float64 {
	const n = 36
	var hit [n]bool
	for _, p := range side {
		hit[sector(p.X-c.x, p.Y-c.y, n)] = true
	}
	// A sector between two hit ones counts, so that few points around do not look
	// like a short arc.
	arc := 0.0
	for k := range hit {
		if hit[k] || hit[(k+n-1)%n] && hit[(k+1)%n] {
			arc += 360 / n
		}
	}
	return arc
}

func sector(dx, dy float64, n int) int {
	a := math.Atan2(dy, dx) / (2 * math.Pi)
	if a < 0 {
		a++
	}
	return min(int(a*float64(n)), n-1)
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / math.Max(1, float64(len(v)))
}
