package sticker

import (
	"math"

	"trammel/pipeline/geom"
)

// stripMeter measures what two lines that face each other enclose.
type stripMeter struct {
	fine    *field
	spacing float64
}

const (
	// piecesPass is the share of a strip's pieces that must look like tape.
	piecesPass = 0.75
	// beyondEnds is how far past the ends of a piece the skin beside it counts, mm.
	beyondEnds = 12.0
	sliceStep  = 2.0 // mm, along a strip
	leastPiece = 8.0 // mm: a piece that reaches past the strip's end keeps so much of it
	// profileOff is how far the mean profile across a piece may be off a plateau, in
	// heights, beside three standard errors; so many of its bins must keep within.
	profileOff, profilePass = 0.3, 0.9
	// The same for the bands of so many mm just inside and outside the edges.
	sharpOff, sharpBand = 0.15, 2.0
	// denser is the largest ratio of the density on a strip to that beside it: where
	// passes of a scanner overlap that lie a little apart, the points are twice as dense.
	denser = 1.6
)

// measure takes a strip piece by piece.
func (m *stripMeter) measure(p pairing) (Strip, bool) {
	first, last := p.votes[0].middle, p.votes[len(p.votes)-1].middle
	extent := first.Dist(last) + 2*stepSeed
	pieces := max(1, int(math.Round(extent/pieceLength)))
	var good []piece
	for k := range pieces {
		votes := p.votes[k*len(p.votes)/pieces : (k+1)*len(p.votes)/pieces]
		if len(votes) == 0 {
			continue
		}
		if x, ok := m.piece(votes, extent/float64(pieces)/2); ok {
			good = append(good, x)
		}
	}
	if len(good) == 0 || float64(len(good)) < piecesPass*float64(pieces) {
		return Strip{}, false
	}
	good[0].reach(m, -1)
	good[len(good)-1].reach(m, 1)
	return joined(good)
}

func joined(good []piece) (Strip, bool) {
	var s Strip
	var weight, worst float64
	for i := range good {
		z := &good[i].zone
		w := 2 * z.HalfX
		weight += w
		s.Height, s.Width, s.Length = s.Height+w*z.Height, s.Width+w*2*z.HalfY, s.Length+w
		worst = math.Max(worst, z.Sigma)
		s.Points += int(good[i].inside)
		s.Zones = append(s.Zones, *z)
	}
	for i := range good[1:] { // what lies between two pieces' middles, where they do not touch
		a, b := &good[i].zone, &good[i+1].zone
		s.Length += math.Max(0, a.At.Dist(b.At)-a.HalfX-b.HalfX)
	}
	s.Height, s.Width, s.Sigma = s.Height/weight, s.Width/weight, worst/math.Sqrt(float64(len(good)))
	s.Center, s.Normal, s.Along = halfway(good, weight/2)
	ok := s.Width >= narrowest-1 && s.Width <= widest+1 && s.Length >= shortest && s.Length >= slenderness*s.Width &&
		s.Height > lowest && s.Height < highest && s.Height > clear*s.Sigma
	return s, ok
}

// halfway is the place on the skin that lies so many mm of pieces from the strip's start,
// and the directions there.
func halfway(good []piece, rest float64) (at, normal, along geom.Vec) {
	for i := range good {
		z := &good[i].zone
		if rest > 2*z.HalfX && i < len(good)-1 {
			rest -= 2 * z.HalfX
			continue
		}
		at = z.At.AddScaled(rest-z.HalfX, z.U)
		_, _, above := z.Local(at)
		return at.AddScaled(-above, z.N), z.N, z.U
	}
	return at, normal, along
}

// piece is a piece of a strip, and the points around it in its frame.
type piece struct {
	zone   Zone
	near   []flat
	inside float64 // points on it
}

// piece measures one from the votes along it; half is half its length.
func (m *stripMeter) piece(votes []vote, half float64) (piece, bool) {
	var at, n, along geom.Vec
	width := 0.0
	for _, v := range votes {
		at, n, along, width = at.Add(v.middle), n.Add(v.n), along.Add(v.along), width+v.width
	}
	width /= float64(len(votes))
	r := rise{center: at.Scale(1 / float64(len(votes))), n: n.Unit()}
	along = direction(votes, along.Unit())
	r.u = along.AddScaled(-along.Dot(r.n), r.n).Unit()
	r.v = r.n.Cross(r.u)
	p := piece{zone: Zone{HalfX: half, HalfY: width / 2, Spacing: m.spacing}}
	for range 3 {
		p.near = m.gather(&r, p.zone.HalfX+beyondEnds, width/2+besideWidth+3*m.spacing+2, p.near)
		if !p.fitSkin(&r, width/2) {
			return p, false
		}
		p.zone.HalfY = width / 2
		bins, size, reach := p.profile(&r)
		lo, hi, ok := plateau(bins, size, reach, narrowest-widthSlack)
		if !ok || hi-lo > widest+widthSlack {
			return p, false
		}
		bins, size, reach = p.lengthwise(&r)
		from, to, ok := plateau(bins, size, reach, leastPiece)
		if !ok {
			return p, false
		}
		r.center = r.center.AddScaled((lo+hi)/2, r.v).AddScaled((from+to)/2, r.u)
		width, p.zone.HalfX = hi-lo, (to-from)/2
	}
	p.near = m.gather(&r, p.zone.HalfX+beyondEnds, width/2+besideWidth+3*m.spacing+2, p.near)
	p.zone.HalfY = width / 2
	return p, p.fitSkin(&r, width/2) && p.judge(&r)
}

// direction is that of the line through the middles, where they lie far enough apart to
// say it, else the mean one of the edges.
func direction(votes []vote, along geom.Vec) geom.Vec {
	var mean geom.Vec
	for _, v := range votes {
		mean = mean.Add(v.middle)
	}
	mean = mean.Scale(1 / float64(len(votes)))
	var sum geom.Vec
	var extent float64
	for _, v := range votes {
		d := v.middle.Sub(mean)
		t := d.Dot(along)
		sum = sum.AddScaled(t, d)
		extent = math.Max(extent, math.Abs(t))
	}
	if extent < 10 || !(sum.Norm() > 0) {
		return along
	}
	return sum.Unit()
}

// gather lists the points of the same side in a rectangle about a place, all cells
// that it touches.
func (m *stripMeter) gather(r *rise, halfX, halfY float64, near []flat) []flat {
	near = near[:0]
	done := map[[3]int32]bool{}
	g := m.fine.grid
	step := g.size
	for x := -halfX - step; x <= halfX+step; x += step {
		for y := -halfY - step; y <= halfY+step; y += step {
			k := g.of(r.center.AddScaled(x, r.u).AddScaled(y, r.v))
			for i := range 27 {
				c := [3]int32{k[0] + int32(i%3) - 1, k[1] + int32(i/3%3) - 1, k[2] + int32(i/9) - 1}
				if done[c] {
					continue
				}
				done[c] = true
				span, ok := g.first[c]
				if !ok {
					continue
				}
				near = m.inRectangle(r, g.order[span[0]:span[1]], halfX, halfY, near)
			}
		}
	}
	return near
}

func (m *stripMeter) inRectangle(r *rise, list []int32, halfX, halfY float64, near []flat) []flat {
	for _, i := range list {
		d := m.fine.cloud.At(int(i)).Sub(r.center)
		x, y, h := d.Dot(r.u), d.Dot(r.v), d.Dot(r.n)
		if math.Abs(x) <= halfX && math.Abs(y) <= halfY && math.Abs(h) < m.fine.grid.size && m.fine.cloud.Normal(int(i)).Dot(r.n) > leastCos {
			near = append(near, flat{x, y, h, 1})
		}
	}
	return near
}

// fitSkin fits the paraboloid to the skin beside a piece, whose half width is halfY.
func (p *piece) fitSkin(r *rise, halfY float64) bool {
	unit := halfY + besideWidth
	inner := halfY + 1 + p.zone.Spacing
	cut := math.Inf(1)
	for range 2 {
		var e equations
		var sides [2]int
		for _, q := range p.near {
			if math.Abs(q.y) >= inner && !(math.Abs(r.above(q, unit)) > cut) {
				e.add(terms(q, unit), q.h, 1)
				sides[int(sideOf(q.y)+1)/2]++
			}
		}
		fit, ok := e.solve()
		if !ok || min(sides[0], sides[1]) < leastAround || 3*min(sides[0], sides[1]) < max(sides[0], sides[1]) {
			return false
		}
		r.fit, r.around = fit, e.weight
		ssr, n := 0.0, 0.0
		for _, q := range p.near {
			if d := r.above(q, unit); math.Abs(q.y) >= inner && !(math.Abs(d) > cut) {
				ssr, n = ssr+d*d, n+1
			}
		}
		r.noise = math.Sqrt(ssr / math.Max(1, n-6))
		cut = 3 * r.noise
	}
	p.zone.Skin = Skin{At: r.center.AddScaled(r.fit[0], r.n), U: r.u, N: r.n, Unit: unit, Fit: r.fit}
	p.zone.Fit[0] = 0
	return r.noise > 0
}

// judge says whether a piece is raised, flat, with an edge to either side and bare
// skin beyond, and measures its height.
func (p *piece) judge(r *rise) bool {
	z, unit := &p.zone, p.zone.Unit
	var in, out bin
	edge := 1 + z.Spacing
	for _, q := range p.near {
		if math.Abs(q.x) > z.HalfX {
			continue
		}
		switch y := math.Abs(q.y); {
		case y < z.HalfY-edge:
			in.add(r.above(q, unit))
		case y > z.HalfY+edge && y < unit+2:
			out.add(r.above(q, unit))
		}
	}
	if in.n < leastAround || out.n < leastAround {
		return false
	}
	z.Height = in.sum / in.n
	z.Sigma = r.noise * math.Sqrt(1/in.n+6/r.around)
	p.inside = in.n * z.HalfY / (z.HalfY - edge)
	dense := in.n / (z.HalfY - edge) / (out.n / (unit + 2 - z.HalfY - edge))
	scatter := math.Sqrt(math.Max(0, in.sum2/in.n-z.Height*z.Height))
	return dense < denser && dense > 1/denser && scatter < flattest*math.Max(r.noise, z.Height/4) && z.isTape() &&
		p.isPlateau(r, edge) && p.isSharp(r, edge) && p.isBox(r, edge)
}

// isTape reports whether a height is that of tape, beyond doubt.
func (z *Zone) isTape() bool {
	return z.Height > lowest && z.Height < highest && z.Height > clear*z.Sigma
}

// reach moves the end of a strip's first or last piece to where the strip ends.
func (p *piece) reach(m *stripMeter, side float64) {
	z := &p.zone
	r := rise{center: z.At, u: z.U, n: z.N, v: z.N.Cross(z.U), fit: z.Fit}
	slice := math.Max(sliceStep, m.spacing)
	const most = 30.0
	near := m.gather(&r, z.HalfX+most, 0.8*z.HalfY, nil)
	sums := make([]bin, int((2*z.HalfX+most)/slice)+1)
	for _, q := range near {
		if k := int((side*q.x + z.HalfX) / slice); side*q.x > -z.HalfX && k < len(sums) {
			sums[k].n, sums[k].sum = sums[k].n+1, sums[k].sum+r.above(q, z.Unit)
		}
	}
	end := 0.0
	for k, b := range sums {
		if b.n < 3 || b.sum/b.n < z.Height/2 {
			if float64(k)*slice > z.HalfX { // noise may sink a slice on the strip, not past its middle
				break
			}
			continue
		}
		end = float64(k+1) * slice
	}
	if end < slice {
		return
	}
	moved := (end - 2*z.HalfX) / 2
	z.HalfX += moved
	// The skin's terms are about its middle: the frame moves along, and its height with it.
	old := z.Skin
	at := old.At.AddScaled(side*moved, old.U)
	_, _, above := old.Local(at)
	z.At = at.AddScaled(-above, old.N)
	z.Fit = shifted(old.Fit, side*moved/old.Unit)
}

// shifted are the terms of a paraboloid about a place that lies by d units along x; the
// first stays zero.
func shifted(f [6]float64, d float64) [6]float64 {
	return [6]float64{0, f[1] + 2*f[3]*d, f[2] + f[4]*d, f[3], f[4], f[5]}
}
