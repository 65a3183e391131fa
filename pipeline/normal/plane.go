package normal

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Where depth is not smooth, the points of a cell lie on several sides of a jump, or on
// a surface so steep that they do. They are taken apart by depth, and those of about the
// same depth are fitted with one plane through what lies within reach of them.

// worker fits planes; it belongs to one goroutine.
type worker struct {
	pic       *picture
	cloud     *scan.Cloud
	around    patch // what lies around a cell, its own points first
	side      patch // those of them at about one depth
	isDone    []bool
	facet     facet  // the newest
	fitted    fitted // the newest
	residuals []float32
}

// patch holds points around a cell, in the frame of its line of sight: u and v across, w
// along, in mm.
type patch struct{ u, v, w []float64 }

func (p *patch) len() int { return len(p.u) }

func (p *patch) clear() { p.u, p.v, p.w = p.u[:0], p.v[:0], p.w[:0] }

func (p *patch) add(u, v, w float64) {
	p.u, p.v, p.w = append(p.u, u), append(p.v, v), append(p.w, w)
}

// fitted is the local plane at a point.
type fitted struct {
	normal geom.Vec
	cos    float64
	sigma  float64 // mm, of the residuals along the line of sight
	isEdge bool
}

const (
	// maxSlope cuts neighbours at a depth jump: a plane seen at 80 degrees climbs by
	// tan 80° = 5.7 along the line of sight for each step across.
	maxSlope = 6
	// minNear is the least number of neighbours for a plane of three unknowns.
	minNear = 6
	// edgeShare: when more than this share of the neighbours lies beyond a jump, or
	// when so much of the ring is missing, the point lies at an edge. A straight edge
	// through a point's own cell hides between a third and a half of the ring.
	edgeShare = 0.3
	// sameDepth is the share of the reach that points may differ in depth and yet be
	// given the same neighbours.
	sameDepth = 0.125
)

// fitLayers fits the points of a cell, which are not few or not at one depth.
func (w *worker) fitLayers(win *window, spans []span, own int, points []int32, v visitor) {
	first := w.cloud.At(int(points[0]))
	ray, right, up := w.lineOfSight(first)
	reach := maxSlope * w.pic.cell * w.pic.eye.size(first)
	w.gather(win, spans, own, ray, right, up)
	all := &w.around
	depth := all.w[:len(points)]
	w.isDone = append(w.isDone[:0], make([]bool, len(points))...)
	for i := range points {
		if w.isDone[i] {
			continue
		}
		at := depth[i]
		f := fitted{normal: ray.Scale(-1), cos: 1, isEdge: true}
		p, beyond, ok := w.planeAt(at, reach)
		if ok {
			f.sigma = p.sigma
			f.cos = 1 / math.Sqrt(1+p.a*p.a+p.b*p.b)
			f.normal = right.Scale(p.a).AddScaled(p.b, up).AddScaled(-1, ray).Scale(f.cos)
			f.isEdge = float64(beyond) > edgeShare*float64(all.len())
		}
		for j := i; j < len(points); j++ {
			if w.isDone[j] || j > i && !(math.Abs(depth[j]-at) <= sameDepth*reach) {
				continue
			}
			w.isDone[j] = true
			w.fitted = f
			g := &w.fitted
			g.isEdge = f.isEdge || !(math.Abs(p.residual(all.u[j], all.v[j], depth[j])) <= 4*f.sigma+1e-12)
			if !g.isEdge {
				w.note(g.cos, g.sigma)
			}
			v.rough(points[j], g)
		}
	}
}

// lineOfSight returns the direction of sight to p and two directions across.
func (w *worker) lineOfSight(p geom.Vec) (ray, right, up geom.Vec) {
	e := &w.pic.eye
	if e.kind == Parallel {
		return e.forward, e.right, e.up
	}
	ray = p.Unit()
	if ray == (geom.Vec{}) || !ray.IsFinite() {
		return e.forward, e.right, e.up
	}
	right = ray.Perpendicular()
	return ray, right, right.Cross(ray)
}

// gather puts the points of some cells into w.around, relative to the first point of
// their own cell, whose points come first.
func (w *worker) gather(win *window, spans []span, own int, ray, right, up geom.Vec) {
	a := &w.around
	a.clear()
	from, to := win.points(own, own+1)
	x0, y0, z0 := win.x[from], win.y[from], win.z[from]
	add := func(lo, hi int) {
		ys, zs := win.y[lo:hi], win.z[lo:hi]
		for i, x := range win.x[lo:hi] {
			x, y, z := float64(x-x0), float64(ys[i]-y0), float64(zs[i]-z0)
			a.add(x*right.X+y*right.Y+z*right.Z, x*up.X+y*up.Y+z*up.Z, x*ray.X+y*ray.Y+z*ray.Z)
		}
	}
	add(from, to)
	for _, s := range spans {
		lo, hi := win.points(s.lo, s.hi)
		if s.lo <= own && own < s.hi {
			add(lo, from)
			add(to, hi)
			continue
		}
		add(lo, hi)
	}
}

// plane is w = a·u + b·v + c.
type plane struct{ a, b, c, sigma float64 }

// residual returns how far a point lies behind the plane, along the line of sight.
func (p *plane) residual(u, v, w float64) float64 { return w - p.a*u - p.b*v - p.c }

// planeAt fits the points around that lie within reach of a depth, and returns how many
// do not.
func (w *worker) planeAt(depth, reach float64) (p plane, beyond int, ok bool) {
	s := &w.side
	s.take(&w.around, depth-reach, depth+reach)
	beyond = w.around.len() - s.len()
	if s.len() < minNear {
		return p, beyond, false
	}
	even := s.sums()
	if p, ok = even.plane(); !ok {
		return p, beyond, false
	}
	p.sigma = even.spread(&p)
	heavy := s.sumsNear(&p, 2*p.sigma)
	if q, ok := heavy.plane(); ok {
		p = q
		p.sigma = even.spread(&p)
	}
	return p, beyond, true
}

// take makes p the points of q from one depth to another.
func (p *patch) take(q *patch, from, to float64) {
	n := q.len()
	u, v, w := slices.Grow(p.u[:0], n)[:n], slices.Grow(p.v[:0], n)[:n], slices.Grow(p.w[:0], n)[:n]
	qu, qv := q.u[:n], q.v[:n]
	k := 0
	for i, depth := range q.w[:n] {
		u[k], v[k], w[k] = qu[i], qv[i], depth // the next one overwrites it if it does not count
		if depth >= from && depth <= to {
			k++
		}
	}
	p.u, p.v, p.w = u[:k], v[:k], w[:k]
}

// planeSums are weighted sums over points, n that of the weights.
type planeSums struct{ n, u, v, w, uu, uv, vv, uw, vw, ww float64 }

// sums weights all points alike.
func (p *patch) sums() (s planeSums) {
	us, vs, ws := p.u, p.v[:len(p.u)], p.w[:len(p.u)]
	for i, u := range us {
		v, w := vs[i], ws[i]
		s.u += u
		s.v += v
		s.w += w
		s.uu += u * u
		s.uv += u * v
		s.vv += v * v
		s.uw += u * w
		s.vw += v * w
		s.ww += w * w
	}
	s.n = float64(len(us))
	return s
}

// sumsNear takes weight from points further than scale from a plane, with the fourth
// power (Cauchy-like), so that a mixed pixel does not tilt the next one.
func (p *patch) sumsNear(o *plane, scale float64) (s planeSums) {
	inv := 1 / (scale*scale + 1e-300)
	us, vs, ws := p.u, p.v[:len(p.u)], p.w[:len(p.u)]
	for i, u := range us {
		v, w := vs[i], ws[i]
		r := o.residual(u, v, w)
		h := 1 + r*r*inv
		k := 1 / (h * h)
		ku, kv := k*u, k*v
		s.n += k
		s.u += ku
		s.v += kv
		s.w += k * w
		s.uu += ku * u
		s.uv += ku * v
		s.vv += kv * v
		s.uw += ku * w
		s.vw += kv * w
	}
	return s
}

// plane returns the plane of least squares. ok is false where the points do not span
// one.
func (s *planeSums) plane() (p plane, ok bool) {
	mu, mv, mw := s.u/s.n, s.v/s.n, s.w/s.n
	uu, uv, vv := s.uu-mu*s.u, s.uv-mu*s.v, s.vv-mv*s.v
	uw, vw := s.uw-mu*s.w, s.vw-mv*s.w
	det := uu*vv - uv*uv
	if !(det > 1e-6*(uu+vv)*(uu+vv)) { // points on a line
		return p, false
	}
	p.a, p.b = (vv*uw-uv*vw)/det, (uu*vw-uv*uw)/det
	p.c = mw - p.a*mu - p.b*mv
	return p, true
}

// spread returns the standard deviation of the points summed up about a plane of three
// unknowns.
func (s *planeSums) spread(p *plane) float64 {
	mu, mv, mw := s.u/s.n, s.v/s.n, s.w/s.n
	uu, uv, vv := s.uu-mu*s.u, s.uv-mu*s.v, s.vv-mv*s.v
	uw, vw, ww := s.uw-mu*s.w, s.vw-mv*s.w, s.ww-mw*s.w
	off := p.residual(mu, mv, mw)
	sum := ww - 2*(p.a*uw+p.b*vw) + p.a*p.a*uu + 2*p.a*p.b*uv + p.b*p.b*vv + s.n*off*off
	return math.Sqrt(max(0, sum) / max(s.n-3, 1))
}
