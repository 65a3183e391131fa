package normal

import (
	"math"
	"slices"
	"sync"

	"trammel/pipeline/geom"
)

// Where depth is smooth, all points of a cell share the plane through the three by
// three cells around it, which sums of coordinates and their products give at once.
// Where it is not, points are fitted layer by layer (plane.go).

// moments are the sums over points, relative to the cloud's origin.
type moments struct {
	n, x, y, z, xx, xy, xz, yy, yz, zz float64
}

// cell sums up the points of a cell of the picture.
type cell struct {
	moments
	near, far float64 // depth, mm along the lines of sight
}

func (m *moments) add(o *moments) {
	m.n += o.n
	m.x += o.x
	m.y += o.y
	m.z += o.z
	m.xx += o.xx
	m.xy += o.xy
	m.xz += o.xz
	m.yy += o.yy
	m.yz += o.yz
	m.zz += o.zz
}

// mean returns the middle of the points, relative to the cloud's origin.
func (m *moments) mean() geom.Vec { return geom.Vec{X: m.x / m.n, Y: m.y / m.n, Z: m.z / m.n} }

// facet is the plane that the points of a cell share.
type facet struct {
	fitted
	through geom.Vec // a point of it, relative to the cloud's origin
}

// residual returns how far a point lies from the plane along its line of sight, mm.
func (f *facet) residual(x, y, z float32) float64 {
	d := geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)}.Sub(f.through)
	return d.Dot(f.normal) / f.cos
}

// facetOf fits the plane w = a·u + b·v + c in the frame of a line of sight to summed
// moments by least squares. With the centred second moments C and the line of sight
// r, minimising the residuals along r is minimising mᵀCm with m·r held, so the normal
// is C⁻¹r up to its length; the adjugate in place of the inverse holds for points in a
// perfect plane too. ok is false where the points do not span a plane.
func facetOf(s *moments, ray geom.Vec) (f facet, ok bool) {
	f.through = s.mean()
	mx, my, mz := f.through.X, f.through.Y, f.through.Z
	xx, xy, xz := s.xx-s.x*mx, s.xy-s.x*my, s.xz-s.x*mz
	yy, yz, zz := s.yy-s.y*my, s.yz-s.y*mz, s.zz-s.z*mz
	// The adjugate of C, which is symmetric.
	axx, axy, axz := yy*zz-yz*yz, xz*yz-xy*zz, xy*yz-xz*yy
	ayy, ayz, azz := xx*zz-xz*xz, xy*xz-xx*yz, xx*yy-xy*xy
	n := geom.Vec{
		X: axx*ray.X + axy*ray.Y + axz*ray.Z,
		Y: axy*ray.X + ayy*ray.Y + ayz*ray.Z,
		Z: axz*ray.X + ayz*ray.Y + azz*ray.Z,
	}
	across := n.Dot(ray) // the determinant of the moments across the line of sight
	along := xx*ray.X*ray.X + yy*ray.Y*ray.Y + zz*ray.Z*ray.Z + 2*(xy*ray.X*ray.Y+xz*ray.X*ray.Z+yz*ray.Y*ray.Z)
	spread := xx + yy + zz - along
	if !(across > 1e-6*spread*spread) { // points on a line, or not finite
		return f, false
	}
	f.sigma = math.Sqrt(max(0, xx*axx+xy*axy+xz*axz) / across / max(s.n-3, 1))
	f.normal = n.Scale(-1 / n.Norm())
	f.cos = -f.normal.Dot(ray)
	return f, f.cos > 0
}

// rowsPerBlock is the number of rows in a piece of parallel work; the rows above and
// below are summed too, an eighth more.
const rowsPerBlock = 16

// window holds some rows of a picture: the sums of its cells, and its points cell by
// cell, relative to the cloud's origin.
type window struct {
	first, base int // of the cells and of the points in the picture
	cells       []cell
	begin       []int32 // of a cell's points in the picture, and of the points behind the last
	x, y, z     []float32
}

// points returns where the points of some cells are.
func (win *window) points(lo, hi int) (from, to int) {
	return int(win.begin[lo]) - win.base, int(win.begin[hi]) - win.base
}

// fill gathers the rows from lo to hi and one on each side.
func (win *window) fill(w *worker, lo, hi int) {
	p := w.pic
	head, tail := p.rows[max(lo-1, 0)], p.rows[min(hi, len(p.rows)-1)]
	begin, end := int(head.first), int(tail.first+tail.count)
	win.first, win.base, win.begin = begin, int(p.first[begin]), p.first[begin:end+1]
	order := p.order[win.base:p.first[end]]
	win.cells = slices.Grow(win.cells[:0], end-begin)[:end-begin]
	win.x, win.y, win.z = slices.Grow(win.x[:0], len(order))[:len(order)], slices.Grow(win.y[:0], len(order))[:len(order)], slices.Grow(win.z[:0], len(order))[:len(order)]
	c := w.cloud
	for k, i := range order {
		win.x[k], win.y[k], win.z[k] = c.X[i], c.Y[i], c.Z[i]
	}
	depth := w.pic.eye.depth(c.Origin)
	for k := range win.cells {
		from, to := win.points(k, k+1)
		win.cells[k].sum(&depth, win.x[from:to], win.y[from:to], win.z[from:to])
	}
}

// depths tells how deep a point lies: for a station, how far away it is.
type depths struct {
	kind            Kind
	forward, origin geom.Vec
}

func (e *eye) depth(origin geom.Vec) depths {
	return depths{e.kind, e.forward, origin}
}

// of returns the depth of a point relative to the origin; that of a station is squared.
func (d *depths) of(x, y, z float64) float64 {
	if d.kind == Parallel {
		return x*d.forward.X + y*d.forward.Y + z*d.forward.Z
	}
	return geom.Vec{X: x, Y: y, Z: z}.Add(d.origin).Norm2()
}

// sum sums up the points of a cell.
func (m *cell) sum(d *depths, xs, ys, zs []float32) {
	var s moments
	near, far := math.Inf(1), math.Inf(-1)
	isPlain := d.kind == Station && d.origin == geom.Vec{}
	ys, zs = ys[:len(xs)], zs[:len(xs)]
	for i := range xs {
		x, y, z := float64(xs[i]), float64(ys[i]), float64(zs[i])
		xx, yy, zz := x*x, y*y, z*z
		s.x += x
		s.y += y
		s.z += z
		s.xx += xx
		s.xy += x * y
		s.xz += x * z
		s.yy += yy
		s.yz += y * z
		s.zz += zz
		depth := xx + yy + zz
		if !isPlain {
			depth = d.of(x, y, z)
		}
		if depth < near {
			near = depth
		}
		if depth > far {
			far = depth
		}
	}
	if d.kind == Station {
		near, far = math.Sqrt(near), math.Sqrt(far)
	}
	s.n = float64(len(xs))
	*m = cell{s, near, far}
}

// neighbourhood is what lies in the three by three cells around one. The fields and their
// order, and those of cell and span, are known to sums_amd64.s.
type neighbourhood struct {
	moments               // of the cells on the same side of any depth jump
	near, far     float64 // where that side ends, mm along the line of sight
	beyond, mixed float64 // points of cells on other sides, and of those on several
}

// span is a range of cells of a window.
type span struct{ lo, hi int }

// sumSpansPlain adds the cells of some spans.
func sumSpansPlain(s *neighbourhood, cells []cell, spans []span) {
	for _, c := range spans {
		for i := range cells[c.lo:c.hi] {
			m := &cells[c.lo+i]
			switch {
			case m.near >= s.near && m.far <= s.far:
				s.add(&m.moments)
			case m.near > s.far || m.far < s.near:
				s.beyond += m.n
			default:
				s.mixed += m.n
			}
		}
	}
}

// around appends the three by three cells around one, which is number col of row k.
func (win *window) around(p *picture, k int, col int32, spans []span) []span {
	at := (float64(col) + 0.5) / float64(p.rows[k].count)
	for j := max(k-1, 0); j < min(k+2, len(p.rows)); j++ {
		r := p.rows[j]
		c := col
		if j != k {
			c = int32(at * float64(r.count))
		}
		base := int(r.first) - win.first
		spans = append(spans, span{base + int(max(c-1, 0)), base + int(min(c+2, r.count))})
		if !p.isRound || r.count <= 3 {
			continue
		}
		switch c {
		case 0:
			spans = append(spans, span{base + int(r.count) - 1, base + int(r.count)})
		case r.count - 1:
			spans = append(spans, span{base, base + 1})
		}
	}
	return spans
}

// facetAt returns the plane of a cell, and false where its points must be fitted layer by
// layer: few points around, or depths within it that a slope of maxSlope could not give.
func (w *worker) facetAt(win *window, own *cell, spans []span) (f facet, ok bool) {
	depth := (own.near + own.far) / 2
	p := own.mean().Add(w.cloud.Origin)
	reach := maxSlope * w.pic.cell * w.pic.eye.size(p)
	if !(own.far-own.near <= reach*2/3) { // as steep as all three cells within reach allow
		return f, false
	}
	s := neighbourhood{near: depth - reach, far: depth + reach}
	sumSpans(&s, win.cells, spans)
	if s.n < minNear {
		return f, false
	}
	ray := w.pic.eye.forward
	if w.pic.eye.kind == Station {
		ray = p.Unit()
	}
	f, ok = facetOf(&s.moments, ray)
	other := s.beyond + s.mixed/2 // of a mixed cell, half may be on this side
	f.isEdge = other > edgeShare*(s.n+s.beyond+s.mixed)
	return f, ok
}

// content is the points of a cell: their numbers, and where they are relative to the
// cloud's origin.
type content struct {
	points  []int32
	x, y, z []float32
}

// visitor is told what was fitted: a facet for the points of a cell, which own sums up,
// or a plane for a single point.
type visitor struct {
	smooth func(c content, own *cell, f *facet)
	rough  func(i int32, f *fitted)
}

// visit fits the cells of the rows from lo to hi. windows keeps what one block of rows
// can leave to the next.
func (w *worker) visit(lo, hi int, windows *sync.Pool, v visitor) {
	win, _ := windows.Get().(*window)
	if win == nil {
		win = new(window)
	}
	defer windows.Put(win)
	win.fill(w, lo, hi)
	var spans []span
	for k := lo; k < hi; k++ {
		r := w.pic.rows[k]
		for col := range r.count {
			at := int(r.first+col) - win.first
			from, to := win.points(at, at+1)
			if from == to {
				continue
			}
			c := content{w.pic.order[win.base+from : win.base+to], win.x[from:to], win.y[from:to], win.z[from:to]}
			own := &win.cells[at]
			spans = win.around(w.pic, k, col, spans[:0])
			f, ok := w.facetAt(win, own, spans)
			if !ok {
				w.fitLayers(win, spans, at, c.points, v)
				continue
			}
			if !f.isEdge {
				w.note(f.cos, f.sigma)
			}
			w.facet = f // kept here, as what v is given would be allocated anew each time
			v.smooth(c, own, &w.facet)
		}
	}
}

// note keeps a residual for the noise, if it was seen steeply enough.
func (w *worker) note(cos, sigma float64) {
	if cos > minNoiseCos {
		w.residuals = append(w.residuals, float32(sigma))
	}
}

// isOff reports whether a point lies at an edge, or too far from its facet to belong to
// it.
func (f *facet) isOff(x, y, z float32) bool {
	return f.isEdge || !(math.Abs(f.residual(x, y, z)) <= 4*f.sigma+1e-12)
}
