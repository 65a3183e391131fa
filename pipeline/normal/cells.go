package normal

import (
	"math"
	"slices"
	"sync"

	"trammel/pipeline/geom"
)

// Where depth is smooth, all points of a cell share the plane through the three by
// three cells around it, which sums of coordinates and their products give at once.
// Where it is not, each point is fitted by itself (plane.go).

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

// cellOf sums up the points of a cell.
func (w *worker) cellOf(points []int32) cell {
	m := cell{near: math.Inf(1), far: math.Inf(-1)}
	c, e := w.cloud, &w.pic.eye
	for _, i := range points {
		x, y, z := float64(c.X[i]), float64(c.Y[i]), float64(c.Z[i])
		m.x += x
		m.y += y
		m.z += z
		m.xx += x * x
		m.xy += x * y
		m.xz += x * z
		m.yy += y * y
		m.yz += y * z
		m.zz += z * z
		p := geom.Vec{X: x + c.Origin.X, Y: y + c.Origin.Y, Z: z + c.Origin.Z}
		depth := p.Dot(e.forward)
		if e.kind == Station {
			depth = p.Norm()
		}
		m.near, m.far = min(m.near, depth), max(m.far, depth)
	}
	m.n = float64(len(points))
	return m
}

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

// window holds the moments of some rows of a picture.
type window struct {
	first int // row
	cells [][]cell
	all   []cell // what the rows are cut from
}

// fill sums the cells of the rows from lo to hi and one on each side.
func (win *window) fill(w *worker, lo, hi int) {
	win.first = max(lo-1, 0)
	rows := w.pic.rows[win.first:min(hi+1, len(w.pic.rows))]
	begin, end := rows[0].first, rows[len(rows)-1].first+rows[len(rows)-1].count
	win.all = slices.Grow(win.all[:0], int(end-begin))[:end-begin]
	for k := range win.all {
		at := int(begin) + k
		win.all[k] = w.cellOf(w.pic.order[w.pic.first[at]:w.pic.first[at+1]])
	}
	win.cells = win.cells[:0]
	for _, r := range rows {
		win.cells = append(win.cells, win.all[r.first-begin:r.first-begin+r.count])
	}
}

// neighbourhood is what lies in the three by three cells around one.
type neighbourhood struct {
	moments               // of the cells on the same side of any depth jump
	near, far     float64 // where that side ends, mm along the line of sight
	beyond, mixed float64 // points of cells on other sides, and of those on several
}

// take adds a cell.
func (s *neighbourhood) take(m *cell) {
	switch {
	case m.near >= s.near && m.far <= s.far:
		s.add(&m.moments)
	case m.near > s.far || m.far < s.near:
		s.beyond += m.n
	default: // also what is not finite
		s.mixed += m.n
	}
}

// around sums up what lies in the three by three cells around a cell.
func (win *window) around(p *picture, k int, col int32, s *neighbourhood) {
	at := (float64(col) + 0.5) / float64(p.rows[k].count)
	for j := max(k-1, 0); j < min(k+2, len(p.rows)); j++ {
		row := win.cells[j-win.first]
		n := int32(len(row))
		c := col
		if j != k {
			c = int32(at * float64(n))
		}
		for d := max(c-1, 0); d <= min(c+1, n-1); d++ {
			s.take(&row[d])
		}
		switch {
		case !p.isRound || n <= 3:
		case c == 0:
			s.take(&row[n-1])
		case c == n-1:
			s.take(&row[0])
		}
	}
}

// facetAt returns the plane of a cell, and false where its points must be fitted one
// by one: few points around, or depths within it that a slope of maxSlope could not
// give.
func (w *worker) facetAt(win *window, k int, col int32) (f facet, ok bool) {
	own := &win.cells[k-win.first][col]
	depth := (own.near + own.far) / 2
	p := own.mean().Add(w.cloud.Origin)
	reach := maxSlope * w.pic.cell * w.pic.eye.size(p)
	if !(own.far-own.near <= reach*2/3) { // as steep as all three cells within reach allow
		return f, false
	}
	s := neighbourhood{near: depth - reach, far: depth + reach}
	win.around(w.pic, k, col, &s)
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

// visitor is told what was fitted: a facet for the points of a cell, which own sums up,
// or a plane for a single point.
type visitor struct {
	smooth func(points []int32, own *cell, f *facet)
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
	for k := lo; k < hi; k++ {
		r := w.pic.rows[k]
		for col := range r.count {
			points := w.pic.cells(r, col, col)
			if len(points) == 0 {
				continue
			}
			if f, ok := w.facetAt(win, k, col); ok {
				if !f.isEdge {
					w.note(f.cos, f.sigma)
				}
				v.smooth(points, &win.cells[k-win.first][col], &f)
				continue
			}
			for _, i := range points {
				f := w.fitAt(i)
				if !f.isEdge {
					w.note(f.cos, f.sigma)
				}
				v.rough(i, &f)
			}
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
