package surface

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// grid finds the point of a cloud that is nearest to a place, within the size of
// its cells. Points are kept in the order of their cells, cells in an open hash
// table, so that a question touches a few cache lines.
type grid struct {
	cell  float64
	cloud *scan.Cloud
	order []int32 // point indices, cell by cell
	table []slot  // a power of two long, at most half full
}

type slot struct {
	x, y, z    int32
	start, end int32 // into order; empty while end is 0
}

// newGrid sorts the points of c into cells of the given size in millimetres.
func newGrid(c *scan.Cloud, cell float64) *grid {
	g := &grid{cell: cell, cloud: c, order: make([]int32, c.Len())}
	size := 16
	for size < 2*c.Len() {
		size *= 2
	}
	g.table = make([]slot, size)
	at := make([]int32, c.Len())
	for i := range at {
		s := g.find(g.cellOf(c.At(i)))
		g.table[s].end++
		at[i] = int32(s)
	}
	start := int32(0)
	for i := range g.table {
		if n := g.table[i].end; n > 0 { // a free slot stays free
			g.table[i].start, g.table[i].end = start, start // end grows below, point by point
			start += n
		}
	}
	for i, s := range at {
		g.order[g.table[s].end] = int32(i)
		g.table[s].end++
	}
	return g
}

func (g *grid) cellOf(p geom.Vec) [3]int32 {
	f := func(x float64) int32 { return int32(math.Floor(x / g.cell)) }
	return [3]int32{f(p.X), f(p.Y), f(p.Z)}
}

// find returns the slot of a cell, claiming a free one where it has none: a
// slot is free while nothing was counted into it.
func (g *grid) find(c [3]int32) int {
	mask := len(g.table) - 1
	for s := hashCell(c) & mask; ; s = (s + 1) & mask {
		t := &g.table[s]
		if t.end == 0 {
			t.x, t.y, t.z = c[0], c[1], c[2]
			return s
		}
		if t.x == c[0] && t.y == c[1] && t.z == c[2] {
			return s
		}
	}
}

// hashCell mixes three coordinates by the constants of Teschner et al.,
// Optimized Spatial Hashing for Collision Detection of Deformable Objects (2003).
func hashCell(c [3]int32) int {
	h := uint64(uint32(c[0])*73856093) ^ uint64(uint32(c[1])*19349663)<<7 ^ uint64(uint32(c[2])*83492791)<<13
	h *= 0x9e3779b97f4a7c15
	return int(h >> 33)
}

// nearest returns the point closest to p whose normal differs from n by less
// than the angle of minCos, within the cell size; -1 when there is none.
func (g *grid) nearest(p, n geom.Vec, minCos float64) int32 {
	c := g.cellOf(p)
	index, dist2 := int32(-1), g.cell*g.cell
	for dx := int32(-1); dx <= 1; dx++ {
		for dy := int32(-1); dy <= 1; dy++ {
			for dz := int32(-1); dz <= 1; dz++ {
				index, dist2 = g.nearestIn([3]int32{c[0] + dx, c[1] + dy, c[2] + dz}, p, n, minCos, index, dist2)
			}
		}
	}
	return index
}

func (g *grid) nearestIn(c [3]int32, p, n geom.Vec, minCos float64, index int32, dist2 float64) (int32, float64) {
	mask := len(g.table) - 1
	for s := hashCell(c) & mask; g.table[s].end > 0; s = (s + 1) & mask {
		t := &g.table[s]
		if t.x != c[0] || t.y != c[1] || t.z != c[2] {
			continue
		}
		for _, i := range g.order[t.start:t.end] {
			if d := g.cloud.At(int(i)).Sub(p).Norm2(); d < dist2 && g.cloud.Normal(int(i)).Dot(n) > minCos {
				index, dist2 = i, d
			}
		}
		break
	}
	return index, dist2
}

// sameFace is the mean cosine of the normals in a cell about their mean below
// which the cell holds an edge: 20 degrees, above the noise of normals from single
// scans (3 to 5 degrees at the spacings of a tripod scanner).
const sameFace = 0.94

// Thin returns a cloud with one point a cell of the given size in millimetres:
// the mean of the cell's points and of their normals, in the order in which the
// cells were first met. c must have normals; cells at an edge, where normals differ
// widely, are dropped: their mean lies on no face.
func Thin(c *scan.Cloud, cell float64) *scan.Cloud {
	g := newGrid(c, cell)
	out := &scan.Cloud{Origin: c.Origin}
	seen := make([]bool, len(g.table))
	for i := range c.Len() {
		s := g.find(g.cellOf(c.At(i)))
		if seen[s] {
			continue
		}
		seen[s] = true
		members := g.order[g.table[s].start:g.table[s].end]
		var p, n geom.Vec
		for _, j := range members {
			p = p.Add(c.At(int(j)))
			n = n.Add(c.Normal(int(j)))
		}
		if n.Norm() < sameFace*float64(len(members)) {
			continue
		}
		n = n.Unit()
		out.Append(p.Scale(1 / float64(len(members))))
		out.NX, out.NY, out.NZ = append(out.NX, float32(n.X)), append(out.NY, float32(n.Y)), append(out.NZ, float32(n.Z))
	}
	return out
}
