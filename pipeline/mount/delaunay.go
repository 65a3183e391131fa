package mount

import (
	"cmp"
	"math"
	"slices"
)

// The grid that points are laid on for a triangulation: 12 bits, so that all tests
// are exact in 64-bit integers, with the outer triangle at four times as much. On a
// patch of 100 mm a step is 0.02 mm, far below any spacing; it decides between
// triangulations, no vertex moves.
const (
	gridSteps = 1 << 12
	outer     = 4 * gridSteps
)

// triangle is one of a growing triangulation: its corners counter-clockwise and the
// neighbour across from each.
type triangle struct {
	v    [3]int32
	next [3]int32 // -1 outside
	dead bool
}

// mesher holds a triangulation while points are added one by one.
type mesher struct {
	x, y []int64 // the last three are the outer triangle
	t    []triangle
	last int32
}

// delaunay triangulates plane points by adding one after the other (A. Bowyer,
// D. F. Watson, The Computer Journal 24, 1981), with exact tests, so that points
// in rows, of which four lie on a circle everywhere, do no harm. It returns three
// indices a triangle, counter-clockwise; points that share a step of the grid with
// another are left out.
func delaunay(x, y []float64) []int32 {
	n := len(x)
	m := &mesher{x: make([]int64, n+3), y: make([]int64, n+3)}
	x0, y0 := slices.Min(x), slices.Min(y)
	span := math.Max(slices.Max(x)-x0, slices.Max(y)-y0)
	if !(span > 0) || math.IsInf(span, 0) {
		return nil
	}
	for i := range n {
		m.x[i], m.y[i] = int64((x[i]-x0)/span*(gridSteps-1)), int64((y[i]-y0)/span*(gridSteps-1))
	}
	for k, c := range [3][2]int64{{-outer, -outer}, {outer + gridSteps, -outer}, {0, outer + gridSteps}} {
		m.x[n+k], m.y[n+k] = c[0], c[1]
	}
	a := int32(n)
	m.t = []triangle{{v: [3]int32{a, a + 1, a + 2}, next: [3]int32{-1, -1, -1}}}
	for _, i := range m.order(n) {
		m.add(i)
	}
	var out []int32
	for _, t := range m.t {
		if !t.dead && t.v[0] < a && t.v[1] < a && t.v[2] < a {
			out = append(out, t.v[:]...)
		}
	}
	return out
}

// order returns the points row by row of a coarse grid, every other row backwards,
// each place of the fine grid once: the next point lies close to the one before.
func (m *mesher) order(n int) []int32 {
	const coarse = gridSteps / 64
	list := make([]int32, n)
	for i := range list {
		list[i] = int32(i)
	}
	key := func(i int32) int64 {
		row, column := m.y[i]/coarse, m.x[i]
		if row%2 == 1 {
			column = gridSteps - column
		}
		return row<<32 + column<<16 + m.y[i]
	}
	slices.SortStableFunc(list, func(a, b int32) int { return cmp.Compare(key(a), key(b)) })
	return slices.CompactFunc(list, func(a, b int32) bool { return m.x[a] == m.x[b] && m.y[a] == m.y[b] })
}

// side is positive where c lies left of a→b.
func (m *mesher) side(a, b, c int32) int64 {
	return (m.x[b]-m.x[a])*(m.y[c]-m.y[a]) - (m.y[b]-m.y[a])*(m.x[c]-m.x[a])
}

// inside is positive where p lies within the circle through a triangle's corners.
func (m *mesher) inside(t *triangle, p int32) int64 {
	ax, ay := m.x[t.v[0]]-m.x[p], m.y[t.v[0]]-m.y[p]
	bx, by := m.x[t.v[1]]-m.x[p], m.y[t.v[1]]-m.y[p]
	cx, cy := m.x[t.v[2]]-m.x[p], m.y[t.v[2]]-m.y[p]
	return (ax*ax+ay*ay)*(bx*cy-by*cx) - (bx*bx+by*by)*(ax*cy-ay*cx) + (cx*cx+cy*cy)*(ax*by-ay*bx)
}

// locate walks from the last triangle to the one that holds p.
func (m *mesher) locate(p int32) int32 {
	at := m.last
walk:
	for {
		t := &m.t[at]
		for k := range 3 {
			if m.side(t.v[(k+1)%3], t.v[(k+2)%3], p) < 0 {
				at = t.next[k]
				continue walk
			}
		}
		return at
	}
}

// add puts a point in: the triangles whose circles hold it go, and it is joined to
// the border of the place that they leave.
func (m *mesher) add(p int32) {
	first := m.locate(p)
	if m.inside(&m.t[first], p) <= 0 {
		return // on a corner: its place is taken
	}
	gone := []int32{first}
	m.t[first].dead = true
	type edge struct{ from, to, beyond int32 }
	var border []edge
	for k := 0; k < len(gone); k++ {
		t := m.t[gone[k]]
		for i := range 3 {
			n := t.next[i]
			if n >= 0 && m.t[n].dead {
				continue
			}
			if n >= 0 && m.inside(&m.t[n], p) > 0 {
				m.t[n].dead = true
				gone = append(gone, n)
				continue
			}
			border = append(border, edge{t.v[(i+1)%3], t.v[(i+2)%3], n})
		}
	}
	begin := int32(len(m.t))
	starts := map[int32]int32{}
	for i, e := range border {
		own := begin + int32(i)
		starts[e.from] = own
		m.t = append(m.t, triangle{v: [3]int32{e.from, e.to, p}, next: [3]int32{-1, -1, e.beyond}})
		if e.beyond >= 0 {
			n := &m.t[e.beyond]
			for k := range 3 {
				if n.v[(k+1)%3] == e.to && n.v[(k+2)%3] == e.from {
					n.next[k] = own
				}
			}
		}
	}
	for i, e := range border {
		own, after := begin+int32(i), starts[e.to]
		m.t[own].next[0] = after // across from e.from: the edge e.to → p
		m.t[after].next[1] = own
	}
	m.last = begin
}
