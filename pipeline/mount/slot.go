package mount

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// slots have the parameters x, y, direction, half the distance between the centres
// of the round ends, and the radius of those.
func slots() outline {
	return outline{5, func(p []float64) func(x, y float64) float64 {
		sin, cos := math.Sincos(p[2])
		cx, cy, half, r := p[0], p[1], p[3], p[4]
		return func(x, y float64) float64 {
			dx, dy := x-cx, y-cy
			along := dx*cos + dy*sin
			along -= math.Max(-half, math.Min(half, along))
			return length(along, dy*cos-dx*sin) - r
		}
	}}
}

// slotBits cuts a slot's outline into bits about a spacing long.
func slotBits(p []float64, spacing float64) []bit {
	sin, cos := math.Sincos(p[2])
	place := func(along, across float64) (x, y float64) {
		return p[0] + along*cos - across*sin, p[1] + along*sin + across*cos
	}
	var bits []bit
	side := max(4, int(2*p[3]/spacing))
	end := max(12, int(math.Pi*p[4]/spacing))
	for k := range side {
		b := bit{length: 2 * p[3] / float64(side)}
		b.x, b.y = place(p[3]-(float64(k)+0.5)*b.length, p[4])
		bits = append(bits, b)
	}
	for k := range end {
		b := bit{length: math.Pi * p[4] / float64(end), bend: 1 / p[4]}
		s, c := math.Sincos(math.Pi/2 + math.Pi*(float64(k)+0.5)/float64(end))
		b.x, b.y = place(p[4]*c-p[3], p[4]*s)
		bits = append(bits, b)
	}
	n := len(bits)
	for k := range n { // the other half is the same, turned about the middle
		b := bits[k]
		b.x, b.y = 2*p[0]-b.x, 2*p[1]-b.y
		bits = append(bits, b)
	}
	return bits
}

// way is how far an empty circle can move in its gap, and where to.
type way struct {
	x, y, angle float64 // the middle of its way and the direction
	long        float64
	closed      bool // it ends on both sides; else the face has a border there
}

// stretched moves an empty circle both ways in every direction, as far as points
// do not come closer than 85 % of its radius, and takes the longest way: first in
// steps of ten degrees, then, from the middle of that way, in steps of one.
func (g *gap) stretched(most float64) way {
	s := way{x: g.x, y: g.y}
	const turns = 18
	for k := range turns {
		if t := g.along(g.x, g.y, math.Pi*float64(k)/turns, most); t.long > s.long {
			s = t
		}
	}
	if s.long < leastStretch*g.r || !s.closed {
		return s
	}
	for range 2 {
		x, y := g.centred(s)
		angle := s.angle
		s.long = 0
		for k := -10.0; k <= 10; k++ {
			if t := g.along(x, y, angle+k*math.Pi/180, most); t.long > s.long {
				s = t
			}
		}
	}
	return s
}

func (g *gap) along(x, y, angle, most float64) way {
	const room = 0.85
	step := g.r / 20
	sin, cos := math.Sincos(angle)
	march := func(sign float64) float64 {
		for d := step; d <= most; d += step {
			if g.index.clear(x+sign*d*cos, y+sign*d*sin, g.r) < room*g.r {
				return d - step
			}
		}
		return most
	}
	f, b := march(1), march(-1)
	mid := (f - b) / 2
	return way{x: x + mid*cos, y: y + mid*sin, angle: angle, long: f + b, closed: f < most && b < most}
}

// centred moves the middle of a way across it to where the nearest points are
// farthest.
func (g *gap) centred(s way) (x, y float64) {
	sin, cos := math.Sincos(s.angle)
	x, y = s.x, s.y
	best := 0.0
	for k := -10.0; k <= 10; k++ {
		d := k * g.r / 50
		if c := g.index.clear(s.x-d*sin, s.y+d*cos, 2*g.r); c > best {
			best, x, y = c, s.x-d*sin, s.y+d*cos
		}
	}
	return x, y
}

// leastStretch is how far, in radii, an empty circle must be able to move before
// its gap is no round one: 0.15 both ways is what room leaves in a round gap.
const leastStretch = 0.6

// isLong reports whether a way is that of a slot for one who looks for a round hole:
// the points at its rim leave up to a spacing and a half besides.
func (w way) isLong(g *gap) bool {
	return w.closed && w.long > math.Max(leastStretch*g.r, 3*leastStretch/4*g.r+1.5/math.Sqrt(g.density))
}

// start is a first estimate of a slot's parameters.
func (w way) start(g *gap) []float64 { return []float64{w.x, w.y, w.angle, w.long / 2, g.r} }

// isSlot reports whether a measured slot is longer than wide beyond doubt.
func (r *Result) isSlot() bool {
	width, long := r.Sizes[0], r.Sizes[1]
	return long.Value-width.Value > math.Max(5*math.Hypot(long.Sigma, width.Sigma), leastLonger*width.Value)
}

// leastLonger is how much longer than wide a slot is at least, in widths: what is
// rounder is a worn or a badly seen hole (common practice, no source).
const leastLonger = 0.1

// asSlot says what a slot measures and where it is.
func (r *Result) asSlot() string {
	return fmt.Sprintf("a slot of %.1f mm by %.1f mm at %s", r.Sizes[0].Value, r.Sizes[1].Value, coordinates(r.Center))
}

// slot looks for a long gap with round ends.
func slot(m job.Mount, points []geom.Vec, noise float64) (Result, string) {
	fs := faces(points, noise)
	if len(fs) == 0 {
		return Result{}, "no flat face was found"
	}
	wanted := m
	wanted.Diameter = m.Width
	candidates := allGaps(fs, wanted)
	round := ""
	for i := range candidates {
		g := &candidates[i]
		w := g.stretched(2 * m.Within)
		if !w.closed || w.long < leastStretch*g.r {
			if round == "" {
				round = fmt.Sprintf(", the nearest being a round gap of about %.1f mm", 2*g.r)
			}
			continue
		}
		r, why := g.measureSlot(w.start(g), noise)
		if why != "" || r.isSlot() {
			return r, why
		}
		round = fmt.Sprintf(", the nearest being a round gap of about %.1f mm", r.Sizes[0].Value)
	}
	return Result{}, fmt.Sprintf("%d flat faces were found, but no slot in them%s", len(fs), round)
}

// measureSlot settles the outline by the rim, joins the wall and fills in what a
// slot says.
func (g *gap) measureSlot(p []float64, noise float64) (Result, string) {
	spacing := 1 / math.Sqrt(g.density)
	var e *evidence
	var found posterior
	for _, steps := range [...]int{rough, rough, fine} {
		e = g.face.weigh(slots(), p, slotBits(p, spacing), spacing, noise)
		if len(e.x)+len(e.nodes) < 2*leastRim {
			return Result{}, fmt.Sprintf("a slot of about %.1f mm by %.1f mm was found, but its rim has too few points", 2*p[4], 2*(p[3]+p[4]))
		}
		found = e.explore(p, []float64{spacing / 4, spacing / 4, spacing / 4 / (p[3] + p[4]), spacing / 4, spacing / 4}, steps, e.log)
		p = found.mean[:5]
	}
	r := Result{}
	points, rms := len(e.x)+len(e.nodes), 0.0
	if wall, ring, ok := g.slotWall(p, noise); ok {
		e.ring = ring
		points += wall.Observations
		rms = math.Sqrt(wall.SSR/float64(wall.Observations)) * noise
		found = r.joinSlot(e, found, wall)
	}
	g.fillSlot(&r, found, e.seen())
	r.Points, r.RMS = points, rms
	return r, ""
}

// explore samples a density over an outline's parameters and the points' error.
func (e *evidence) explore(p, wide []float64, steps int, logDensity func([]float64) float64) posterior {
	start := append(append([]float64{}, p...), math.Log(math.Sqrt(e.blurLeast*e.blurMost)))
	scatter := append(append([]float64{}, wide...), math.Log(e.blurMost/e.blurLeast)/2.1)
	return explore(start, scatter, steps, logDensity)
}

// slotWall fits the outline to the points inside the slot by least squares, the
// walls taken square to the face.
func (g *gap) slotWall(p []float64, noise float64) (sol fit.Solution, ring float64, ok bool) {
	gap := slots().gap(p)
	var side []geom.Vec
	for _, q := range g.face.rest {
		x, y := g.face.flat(q)
		h := g.face.height(q)
		if math.Abs(h) > 2*g.face.band && math.Abs(h) < math.Max(40, 4*p[4]) && math.Abs(gap(x, y)) < math.Max(0.1*p[4], 4*noise) {
			side = append(side, geom.Vec{X: x, Y: y, Z: h})
		}
	}
	if len(side) < 2*leastWall {
		return sol, 0, false
	}
	model := func(p []float64, s *fit.Sum) {
		sin, cos := math.Sincos(p[2])
		for _, q := range side {
			dx, dy := q.X-p[0], q.Y-p[1]
			t, w := dx*cos+dy*sin, dy*cos-dx*sin
			end := math.Max(-p[3], math.Min(p[3], t))
			l := math.Max(math.Hypot(t-end, w), 1e-12)
			nt, nw := (t-end)/l, w/l // outward, along and across the slot
			outer := 0.0
			if end != t {
				outer = math.Abs(nt)
			}
			s.Add((l-p[4])/noise, -(nt*cos-nw*sin)/noise, -(nt*sin+nw*cos)/noise, (nt*w-nw*t)/noise, -outer/noise, -1/noise)
		}
	}
	sol, err := fit.Solve(p, model, fit.Options{Damping: 1e-6})
	return sol, ringOf(side, 4*p[3]+2*math.Pi*p[4], g.face.band), err == nil && sol.Sigma0() < 3
}

// chi2Five is the 99.9 % point of chi-square with five degrees of freedom (CV-3.4).
const chi2Five = 20.5150

// joinSlot multiplies the rim's likelihood with the wall's, where they agree. Where
// not even the wall's own points at the rim explain the difference, the wall is
// taken, and the difference is counted.
func (r *Result) joinSlot(e *evidence, rim posterior, wall fit.Solution) posterior {
	const dim = 5
	unit := math.Max(1, wall.Sigma0())
	cov := mat.NewSymDense(dim, nil)
	wide := make([]float64, dim)
	for i := range dim {
		for j := i; j < dim; j++ {
			cov.SetSym(i, j, unit*unit*wall.Cofactor(i, j))
		}
		wide[i] = math.Sqrt(cov.At(i, i))
	}
	var info mat.Cholesky
	if !info.Factorize(cov) {
		return rim
	}
	d := mat.NewVecDense(dim, nil)
	if apart(cov, rim, wall.X, d) > chi2Five {
		rim = e.explore(rim.mean[:dim], deviations(rim.cov, dim), fine, e.log)
	}
	if apart(cov, rim, wall.X, d) > chi2Five {
		r.Apart = math.Max(math.Hypot(d.AtVec(0), d.AtVec(1)), math.Max(math.Abs(d.AtVec(3)), math.Abs(d.AtVec(4))))
		out := posterior{mean: wall.X, cov: make([][]float64, dim)}
		for i := range dim {
			out.cov[i] = make([]float64, dim)
			for k := range dim {
				out.cov[i][k] = cov.At(i, k) + d.AtVec(i)*d.AtVec(k)
			}
		}
		return out
	}
	return e.explore(wall.X, wide, fine, func(p []float64) float64 {
		for i := range dim {
			d.SetVec(i, p[i]-wall.X[i])
		}
		return e.log(p) - mahalanobis(&info, d)/2
	})
}

// apart is how far a rim's mean lies from a wall's parameters, squared, in their
// joint uncertainty; d becomes the difference.
func apart(cov *mat.SymDense, rim posterior, wall []float64, d *mat.VecDense) float64 {
	both := mat.NewSymDense(d.Len(), nil)
	for i := range d.Len() {
		d.SetVec(i, rim.mean[i]-wall[i])
		for j := i; j < d.Len(); j++ {
			both.SetSym(i, j, cov.At(i, j)+rim.cov[i][j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(both) {
		return 0
	}
	return mahalanobis(&chol, d)
}

func deviations(cov [][]float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Sqrt(cov[i][i])
	}
	return out
}

// mahalanobis is dᵀ·C⁻¹·d.
func mahalanobis(c *mat.Cholesky, d *mat.VecDense) float64 {
	var x mat.VecDense
	if err := c.SolveVecTo(&x, d); err != nil {
		return math.Inf(1)
	}
	return mat.Dot(&x, d)
}

// fillSlot writes what the parameters say in space.
func (g *gap) fillSlot(r *Result, found posterior, seen float64) {
	p, cov := found.mean, found.cov
	c := circle{x: p[0], y: p[1], r: p[4], arc: 360 * seen}
	for i := range 2 {
		for j := range 2 {
			c.cov[3*i+j] = cov[i][j]
		}
	}
	g.face.place(r, c)
	r.Diameter, r.SigmaDia = 0, 0
	sin, cos := math.Sincos(p[2])
	r.Along = fit.Oriented(g.face.u.Scale(cos).Add(g.face.v.Scale(sin)))
	r.SigmaAlong = math.Sqrt(cov[2][2])
	r.Sizes = append(r.Sizes,
		Size{Name: "width", Value: 2 * p[4], Sigma: 2 * math.Sqrt(cov[4][4])},
		Size{Name: "length", Value: 2 * (p[3] + p[4]), Sigma: 2 * math.Sqrt(math.Max(0, cov[3][3]+cov[4][4]+2*cov[3][4]))})
}
