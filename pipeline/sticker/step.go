package sticker

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// edge is a place where the skin steps up along a line.
type edge struct {
	at      geom.Vec // on the line, on the skin
	n, up   geom.Vec // unit: to the outside; along the skin, to the higher side
	step    float64  // mm
	clarity float64  // step over its uncertainty
}

const (
	// Steps are looked for in windows: first round ones, everywhere; then, where those
	// show something, long ones along the line, which see twice as much of it. mm.
	roundWindow           = 8.0
	longAcross, longAlong = 8.0, 16.0
	stepCell, stepSeed    = 2.0, 3.0 // cells that points are averaged in; distance of places
	directions            = 12       // of a line that are tried
	offsets, offsetStep   = 3, 1.5   // to either side, mm
	first, second         = 1.6, 3.2 // how clear a step must be in the round window and in the long one
	coarsestForStrips     = 4.0      // spacing of points from which on nothing narrow shows, mm
	leastInWindow         = 24       // cells in a round window
	// longChance is what chance does to a step in a long window, of what it does in a
	// round one: the root of the ratio of their areas and of what the six terms leave.
	longChance = 0.65
	emptyShare = 0.6 // of a window's half that must hold points
	lowestEdge = 0.7 // what the noise of edges leaves of the thinnest tape
	nextEdge   = 3.0 // mm; of two edges nearer than this the clearer one stays
)

// steps finds the places in a scan where its skin steps up by the thickness of a
// tape. What chance does is taken from the scan itself, as for discs.
type steps struct {
	near, wide *field
	places     *scan.Cloud
	unit       float64 // of the terms, mm
}

func newSteps(c *scan.Cloud, spacing float64) *steps {
	cell := math.Max(stepCell, spacing)
	thin, weight := means(c, cell)
	places, _ := means(c, math.Max(stepSeed, spacing))
	return &steps{near: &field{thin, weight, newCells(thin, roundWindow)}, wide: &field{thin, weight, newCells(thin, math.Hypot(longAcross, longAlong))}, places: places, unit: roundWindow}
}

// turn is what a round window says: how high the skin steps in its clearest direction.
type turn struct {
	ok        bool
	direction int
	step      float64 // signed, mm: positive to the side of the direction
	clarity   float64
	plain     float64 // step in a fixed direction, for what chance does
}

func (s *steps) find(ctx context.Context) ([]edge, error) {
	turns := make([]turn, s.places.Len())
	err := par.Blocks(ctx, len(turns), blockSeeds, func(_, lo, hi int) error {
		var near []flat
		for i := lo; i < hi; i++ {
			turns[i], near = s.round(i, near)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	chance := stepChance(turns)
	slots := make([]edge, len(turns))
	err = par.Blocks(ctx, len(turns), blockSeeds, func(_, lo, hi int) error {
		var near []flat
		for i := lo; i < hi; i++ {
			if t := turns[i]; t.ok && t.clarity > first && math.Abs(t.step) > first*chance {
				slots[i], near = s.long(i, t.direction, near)
			}
		}
		return nil
	})
	var out []edge
	for _, e := range slots {
		if e.clarity > second && e.step > second*longChance*chance && e.step > lowestEdge*lowest && e.step < highest/lowestEdge {
			out = append(out, e)
		}
	}
	return thinEdges(out), err
}

// stepChance is the standard deviation of the step in a fixed direction over the
// scan: most places have none.
func stepChance(turns []turn) float64 {
	var abs []float64
	for _, t := range turns {
		if t.ok {
			abs = append(abs, math.Abs(t.plain))
		}
	}
	return sigmaOf(abs)
}

// frameAt is the frame of a place: u and v along the skin.
func (s *steps) frameAt(i int) rise {
	r := rise{center: s.places.At(i), n: s.places.Normal(i).Unit()}
	r.u = r.n.Perpendicular()
	r.v = r.n.Cross(r.u)
	return r
}

// cosines of the directions that are tried.
var cosines = func() (list [directions][2]float64) {
	for k := range list {
		list[k][1], list[k][0] = math.Sincos(math.Pi * float64(k) / directions)
	}
	return list
}()

func (s *steps) round(i int, near []flat) (turn, []flat) {
	r := s.frameAt(i)
	near = s.near.gather(&r, roundWindow, roundWindow/2, near)
	if len(near) < leastInWindow {
		return turn{}, near
	}
	var e equations
	var h2 float64
	var more [directions]further
	for _, q := range near {
		t := terms(q, s.unit)
		e.add(t, q.h, q.w)
		h2 += q.w * q.h * q.h
		for k := range more {
			more[k].add(&t, sideOf(q.x*cosines[k][0]+q.y*cosines[k][1]), q.h, q.w)
		}
	}
	g := e.g
	x, ok := e.solve()
	if !ok || e.count < 8 {
		return turn{}, near
	}
	for i := range x {
		h2 -= x[i] * g[i]
	}
	best := turn{ok: true}
	for k := range more {
		c, gain := more[k].gain(&e, &x)
		noise2 := math.Max(h2-gain, 1e-12) / (e.count - 7)
		if k == 0 {
			best.plain = 2 * c
		}
		if clarity := math.Sqrt(gain / noise2); clarity > best.clarity {
			best.direction, best.step, best.clarity = k, 2*c, clarity
		}
	}
	return best, near
}

func sideOf(p float64) float64 {
	if p < 0 {
		return -1
	}
	return 1
}

// long looks again in windows along the line, turned a little to either side and
// shifted; a bend of the skin, which a cubic term describes as well, is no step.
func (s *steps) long(i, direction int, near []flat) (edge, []flat) {
	r := s.frameAt(i)
	reach := math.Hypot(longAcross, longAlong)
	near = s.wide.gather(&r, reach, reach/2, near)
	var best edge
	for turned := -2; turned <= 2; turned++ {
		angle := math.Pi * (float64(direction) + 0.5*float64(turned)) / directions
		sin, cos := math.Sincos(angle)
		if e := s.along(&r, near, cos, sin); e.clarity > best.clarity {
			best = e
		}
	}
	return best, near
}

func (s *steps) along(r *rise, near []flat, cos, sin float64) edge {
	var e equations
	var h2 float64
	var cubic further
	var more [2*offsets + 1]further
	var sides [2]int
	for _, q := range near {
		p := flat{q.x*cos + q.y*sin, q.y*cos - q.x*sin, q.h, q.w}
		if math.Abs(p.x) > longAcross || math.Abs(p.y) > longAlong {
			continue
		}
		t := terms(p, s.unit)
		e.add(t, p.h, p.w)
		h2 += p.w * p.h * p.h
		x := p.x / s.unit
		cubic.add(&t, x*x*x, p.h, p.w)
		for k := range more {
			more[k].add(&t, sideOf(p.x-offsetStep*float64(k-offsets)), p.h, p.w)
		}
		sides[int(sideOf(p.x)+1)/2]++
	}
	if float64(min(sides[0], sides[1])) < emptyShare*float64(max(sides[0], sides[1])) {
		return edge{}
	}
	g := e.g
	x, ok := e.solve()
	if !ok || e.count < leastInWindow {
		return edge{}
	}
	for i := range x {
		h2 -= x[i] * g[i]
	}
	var c, most float64
	at := 0
	for k := range more {
		if step, gain := more[k].gain(&e, &x); gain > most {
			c, most, at = step, gain, k
		}
	}
	if _, bend := cubic.gain(&e, &x); bend > most {
		return edge{}
	}
	noise2 := math.Max(h2-most, 1e-12) / (e.count - 7)
	out := edge{n: r.n, up: r.u.Scale(cos).AddScaled(sin, r.v), step: 2 * math.Abs(c), clarity: math.Sqrt(most / noise2)}
	out.at = r.center.AddScaled(offsetStep*float64(at-offsets), out.up).AddScaled(x[0], r.n)
	if c < 0 {
		out.up = out.up.Scale(-1)
	}
	return out
}

// thinEdges keeps the clearest of edges that lie close together.
func thinEdges(all []edge) []edge {
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case all[a].clarity > all[b].clarity:
			return -1
		case all[a].clarity < all[b].clarity:
			return 1
		}
		return 0
	})
	g := newEdgeCells(nextEdge)
	var out []edge
	for _, i := range order {
		taken := false
		g.around(all[i].at, 1, func(k int) {
			taken = taken || out[k].at.Dist(all[i].at) < nextEdge && out[k].up.Dot(all[i].up) > 0.5
		})
		if !taken {
			g.put(all[i].at, len(out))
			out = append(out, all[i])
		}
	}
	return out
}

// edgeCells finds edges by place.
type edgeCells struct {
	size float64
	at   map[[3]int32][]int
}

func newEdgeCells(size float64) *edgeCells { return &edgeCells{size, map[[3]int32][]int{}} }

func (g *edgeCells) of(p geom.Vec) [3]int32 {
	f := func(x float64) int32 { return int32(math.Floor(x / g.size)) }
	return [3]int32{f(p.X), f(p.Y), f(p.Z)}
}

func (g *edgeCells) put(p geom.Vec, i int) {
	k := g.of(p)
	g.at[k] = append(g.at[k], i)
}

// around calls f for what lies up to n cells from a place.
func (g *edgeCells) around(p geom.Vec, n int32, f func(i int)) {
	k := g.of(p)
	for z := -n; z <= n; z++ {
		for y := -n; y <= n; y++ {
			for x := -n; x <= n; x++ {
				for _, i := range g.at[[3]int32{k[0] + x, k[1] + y, k[2] + z}] {
					f(i)
				}
			}
		}
	}
}
