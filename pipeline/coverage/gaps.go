package coverage

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Gap is an opening in the surface that was seen: its edge, and what would close
// it. Whether there is surface at all, only a scan can tell; Reason says what the
// scans so far have to say.
type Gap struct {
	Loop   []geom.Vec // the edge, in order, the surface seen on its right
	Center geom.Vec
	Normal geom.Vec // unit, to the outside
	Area   float64  // of the closing face, mm²
	Places []Place  // that the closing face consists of
	Reason Reason
	Best   string // the set-up that came nearest to seeing it, by Reason
}

// Place is a piece of a gap's closing face.
type Place struct {
	At, Normal geom.Vec
	Area       float64 // mm²
}

// Reason says why there is no surface in a gap.
type Reason string

// The reasons, from the one that needs no further scan to those that need another
// place to stand.
const (
	Open    Reason = "open"           // some scanner looked through: there is nothing
	Mute    Reason = "no return"      // in sight, but nothing came back: dark and shiny, or translucent
	Grazing Reason = "only grazing"   // in sight, but so flat that returns were lost
	Hidden  Reason = "never in sight" // something stands in the way from every set-up
)

// Gaps returns the openings of a mesh whose closing face is larger than least,
// in mm², the largest first. Edges along the sides of a box, where the scan was cut and
// not the object, do not count: an opening that is mostly such is left out. margin is how
// near to a side counts as along it, mm.
func Gaps(m *scan.Mesh, box *geom.Box, margin, least float64) []Gap {
	var out []Gap
	for _, loop := range loops(m) {
		g := newGap(m, loop)
		if g.Area >= least && !isCut(g.Loop, box, margin) {
			out = append(out, g)
		}
	}
	slices.SortStableFunc(out, func(a, b Gap) int { return cmp.Compare(b.Area, a.Area) })
	return out
}

// loops chains the edges that have a triangle on one side only, in the order of
// their first vertices.
func loops(m *scan.Mesh) [][]int32 {
	next := border(m)
	var starts []int32
	for v := range next {
		starts = append(starts, v)
	}
	slices.Sort(starts)
	var out [][]int32
	for _, start := range starts {
		var loop []int32
		for v := start; len(next[v]) > 0; {
			to := next[v][0]
			next[v] = next[v][1:]
			loop = append(loop, v)
			if v = to; v == start {
				break
			}
		}
		if len(loop) > 2 {
			out = append(out, loop)
		}
	}
	return out
}

// border lists for each vertex where the open edges from it lead, seen with the
// opening on the left: against the direction of the triangle that has the edge.
func border(m *scan.Mesh) map[int32][]int32 {
	type edge struct{ a, b int32 }
	sides := make(map[edge]int8)
	each := func(f func(a, b int32)) {
		for t := range m.Triangles() {
			a, b, c := m.Tri[3*t], m.Tri[3*t+1], m.Tri[3*t+2]
			f(a, b)
			f(b, c)
			f(c, a)
		}
	}
	each(func(a, b int32) { sides[edge{min(a, b), max(a, b)}]++ })
	next := map[int32][]int32{}
	each(func(a, b int32) {
		if sides[edge{min(a, b), max(a, b)}] == 1 {
			next[b] = append(next[b], a)
		}
	})
	return next
}

// newGap closes a loop by triangles to its middle.
func newGap(m *scan.Mesh, loop []int32) Gap {
	var g Gap
	for _, v := range loop {
		g.Loop = append(g.Loop, m.At(v))
		g.Center = g.Center.Add(m.At(v))
	}
	g.Center = g.Center.Scale(1 / float64(len(loop)))
	var sum geom.Vec // twice the vector area, by the formula of Newell
	for i, p := range g.Loop {
		sum = sum.Add(p.Sub(g.Center).Cross(g.Loop[(i+1)%len(g.Loop)].Sub(g.Center)))
	}
	g.Area, g.Normal = sum.Norm()/2, sum.Unit()
	for i, p := range g.Loop {
		q := g.Loop[(i+1)%len(g.Loop)]
		n := p.Sub(g.Center).Cross(q.Sub(g.Center))
		if area := n.Dot(g.Normal) / 2; area > 0 {
			g.Places = append(g.Places, pieces(g.Center, p, q, n.Unit(), area)...)
		}
	}
	return g
}

// pieces cuts a triangle to the middle into three of equal height.
func pieces(center, p, q, n geom.Vec, area float64) []Place {
	edge := p.Add(q).Scale(0.5)
	var out []Place
	for k, share := range [...]float64{1. / 9, 3. / 9, 5. / 9} {
		out = append(out, Place{At: center.Add(edge.Sub(center).Scale((float64(k) + 0.5) / 3)), Normal: n, Area: area * share})
	}
	return out
}

// mostlyCut is the share of an edge along the sides of the box from which on it was
// the box that made the opening.
const mostlyCut = 0.5

func isCut(loop []geom.Vec, box *geom.Box, margin float64) bool {
	if box == nil {
		return false
	}
	along := 0
	inner := box.Grow(-margin)
	for _, p := range loop {
		if !inner.Contains(p) {
			along++
		}
	}
	return float64(along) > mostlyCut*float64(len(loop))
}

// Extent is the longest distance across a gap's edge, mm.
func (g *Gap) Extent() float64 {
	most := 0.0
	for _, p := range g.Loop {
		most = math.Max(most, p.Dist(g.Center))
	}
	return 2 * most
}
