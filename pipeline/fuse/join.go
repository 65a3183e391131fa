package fuse

import (
	"math/bits"
	"sync"
)

// Where blocks of different levels meet, the surface is drawn in the cells of the dual
// grid: one for every corner of the octree's cells, between the centres of the cells that
// touch there (S. Schaefer & J. Warren, Dual Marching Cubes: Primal Contouring of Dual
// Grids, Pacific Graphics 2004). In a region of one level these are the cubes of marching
// cubes; beside larger cells a corner is shared by fewer than eight cells, and some corners
// of the cube are one. Cells that touch share a face of the same three or four centres, so
// there is nothing to be closed between levels.

// join says where vertices lie on the edges from the centres of a block to those of
// larger cells beside it: a bit for every place on a face of the block, row by row; face
// 2a+s is the lower or upper one along axis a.
type join struct {
	word   [6]uint64
	before [6]uint16 // vertices on the faces before
}

func (j *join) vertices() int { return int(j.before[5]) + bits.OnesCount64(j.word[5]) }

// vertexTo returns the number in the mesh of the vertex between a place on a face of the
// block and the larger cell behind the face.
func (p *piece) vertexTo(face int, at [3]int8) int32 {
	u, v := otherAxes(face / 2)
	below := uint64(1)<<(int(at[v])*side+int(at[u])) - 1
	return p.vertex + int32(p.own()) + int32(p.join.before[face]) + int32(bits.OnesCount64(p.join.word[face]&below))
}

// corner is the centre of a cell of the octree.
type corner struct {
	leaf
	at    [3]int8 // place in its block
	known bool
	d     float32 // mean distance, mm
	cover uint8
}

// rim looks up what lies within a cell of a block beside larger ones.
type rim struct {
	t     *tree
	level int
	kinds [27]kind
	ids   [27]int32 // -1 where there is no block
}

// kind says which cells there are.
type kind uint8

const (
	same kind = iota
	larger
	smaller
)

func (g *grid) rim(id int32) *rim {
	r := &rim{t: g.tree, level: g.level}
	for k := range r.kinds {
		c := g.at[id].plus(k)
		switch {
		case !g.tree.plan.holds(g.level, c):
			r.kinds[k], r.ids[k] = larger, g.tree.levels[g.level-1].index.find(c.parent().key())
		case g.tree.plan.isSplit(g.level, c):
			r.kinds[k] = smaller
		default:
			r.ids[k] = g.index.find(c.key())
		}
	}
	return r
}

// corner returns the centre of the cell at place x, y, z of the block at c, which may lie
// one beyond it.
func (r *rim) corner(c coord, x, y, z int) (corner, kind) {
	step := func(x int) int { return (x + side) / side } // 0 before the block, 1 in it, 2 behind
	k := step(x) + 3*step(y) + 9*step(z)
	if r.kinds[k] == smaller {
		return corner{}, smaller
	}
	out := corner{leaf: leaf{r.level, r.ids[k]}, at: [3]int8{int8(x & (side - 1)), int8(y & (side - 1)), int8(z & (side - 1))}}
	if r.kinds[k] == larger {
		half := func(c int32, x int) int8 { return int8((int(c)*side + x) >> 1 & (side - 1)) }
		out.level, out.at = r.level-1, [3]int8{half(c.x, x), half(c.y, y), half(c.z, z)}
	}
	if out.id < 0 {
		return out, r.kinds[k]
	}
	g := r.t.levels[out.level]
	b, i := g.blocks[out.id], (int(out.at[2])*side+int(out.at[1]))*side+int(out.at[0])
	out.d, out.known, out.cover = b.meanAt(i)*g.unitOf(out.id)*float32(g.o.Voxel), b.isKnown(i), b.cover[i]
	return out, r.kinds[k]
}

// countJoin marks the edges to larger cells that the surface crosses and counts the
// triangles of the cells whose corners are of several levels and that are the block's own.
func (x *extraction) countJoin(g *grid, id int32) {
	r, c := g.rim(id), g.at[id]
	var j join
	n := 0
	for face := range j.word {
		j.before[face] = uint16(n)
		for i := range side * side {
			if a, b, _ := r.across(c, face, i); a.known && b.known && a.level != b.level && a.d < 0 != (b.d < 0) {
				j.word[face] |= 1 << i
			}
		}
		n += bits.OnesCount64(j.word[face])
	}
	p := &x.pieces[g.level][id]
	triangles := int32(0)
	r.eachCell(c, func(corners *[8]corner, list [][3]uint8) { triangles += int32(len(list)) })
	if n > 0 || triangles > 0 {
		p.join = &j
		p.triangles += triangles
	}
}

// across returns the corner at place i on a face of the block, and the one behind the face.
func (r *rim) across(c coord, face, i int) (a, b corner, beyond kind) {
	axis := face / 2
	u, v := otherAxes(axis)
	var at [3]int
	at[u], at[v], at[axis] = i%side, i/side, face%2*(side-1)
	a, _ = r.corner(c, at[0], at[1], at[2])
	at[axis] += face%2*2 - 1
	b, beyond = r.corner(c, at[0], at[1], at[2])
	return a, b, beyond
}

// eachCell goes through the cells between several levels that are the block's own: around
// the corners on its faces, those whose first cell of this level is in the block and that
// touch none of a finer level.
func (r *rim) eachCell(c coord, visit func(corners *[8]corner, list [][3]uint8)) {
	for z := range side + 1 {
		for y := range side + 1 {
			step := side
			if y == 0 || y == side || z == 0 || z == side {
				step = 1
			}
			for x := 0; x <= side; x += step {
				var corners [8]corner
				if odd, coarse, ok := r.cell(c, x, y, z, &corners); ok {
					if list := joined(odd, coarse, signsOf(&corners)); len(list) > 0 {
						visit(&corners, list)
					}
				}
			}
		}
	}
}

// cell collects the corners around the corner of the octree before place x, y, z, says
// along which axes it lies in the middle of larger cells, and which corners are of those.
func (r *rim) cell(c coord, x, y, z int, corners *[8]corner) (odd, coarse int, ok bool) {
	own := int32(-1)
	known := true
	for o := range corners {
		at, k := r.corner(c, x-1+o&1, y-1+o>>1&1, z-1+o>>2)
		switch {
		case k == smaller:
			return 0, 0, false
		case k == larger:
			coarse |= 1 << o
		case own == -1:
			own = at.id
			if own != r.ids[13] {
				return 0, 0, false
			}
		}
		corners[o] = at
		known = known && at.known
	}
	return x&1 | y&1<<1 | z&1<<2, coarse, known && coarse != 0
}

func signsOf(corners *[8]corner) (signs int) {
	for o := range corners {
		if corners[o].d < 0 {
			signs |= 1 << o
		}
	}
	return signs
}

// writeJoin puts what countJoin counted into a mesh whose vertices begin with number first.
func (x *extraction) writeJoin(g *grid, id int32, m *surface, first int32) {
	r, c, p := g.rim(id), g.at[id], &x.pieces[g.level][id]
	v := int(p.vertex-first) + p.own()
	for face, word := range p.join.word {
		for ; word != 0; word &= word - 1 {
			a, b, _ := r.across(c, face, bits.TrailingZeros64(word))
			near := min(max(a.d/(a.d-b.d), leastShare), 1-leastShare)
			share := float64(near)
			pa, pb := x.t.placeOf(&a), x.t.placeOf(&b)
			for k := range pa {
				pa[k] += share * (pb[k] - pa[k])
			}
			m.X[v], m.Y[v], m.Z[v], m.cover[v] = float32(pa[0]), float32(pa[1]), float32(pa[2]), between(a.cover, b.cover, near)
			v++
		}
	}
	tri := m.Tri[p.corner : p.corner+3*int(p.triangles)]
	end := len(tri)
	r.eachCell(c, func(_ *[8]corner, list [][3]uint8) { end -= 3 * len(list) })
	tri = tri[:end]
	r.eachCell(c, func(corners *[8]corner, list [][3]uint8) {
		for _, t := range list {
			for _, e := range t {
				tri = append(tri, x.vertexBetween(corners, int(e)))
			}
		}
	})
}

// placeOf returns where a corner lies, mm from the origin of the mesh.
func (t *tree) placeOf(a *corner) (p [3]float64) {
	g := t.levels[a.level]
	c := g.at[a.id]
	for k, b := range [3]int32{c.x, c.y, c.z} {
		p[k] = (float64(b)*side+float64(a.at[k]))*g.o.Voxel + g.offset()
	}
	return p
}

// vertexBetween returns the number in the mesh of the vertex on an edge of a cell.
func (x *extraction) vertexBetween(corners *[8]corner, e int) int32 {
	lo, hi := edgeEnds(e)
	a, b, axis := &corners[lo], &corners[hi], e/4
	switch {
	case a.level == b.level:
		return x.pieces[a.level][a.id].vertexOn(axis, int(a.at[0]), int(a.at[1]), int(a.at[2]))
	case a.level > b.level:
		return x.pieces[a.level][a.id].vertexTo(2*axis+1, a.at)
	}
	return x.pieces[b.level][b.id].vertexTo(2*axis, b.at)
}

// joined returns the triangles of a cell between two levels, as triangulations does. odd has
// a bit for every axis along which the larger cells, whose corners coarse names, lie on
// both sides.
func joined(odd, coarse, signs int) [][3]uint8 {
	if odd == 0 || signs == 0 || signs == 255 {
		return triangulations[signs]
	}
	return joinedTable()[odd][coarse][signs]
}

var joinedTable = sync.OnceValue(func() (table [7][256]map[int][][3]uint8) {
	for odd := 1; odd < 7; odd++ {
		for coarse := 1; coarse < 256; coarse++ {
			if !isWhole(odd, 255, coarse) {
				continue
			}
			table[odd][coarse] = map[int][][3]uint8{}
			for signs := 1; signs < 255; signs++ {
				if !isWhole(odd, coarse, signs) {
					continue
				}
				table[odd][coarse][signs], _ = joinCase(odd, coarse, signs)
			}
		}
	}
	return table
})

// isWhole reports whether corners that are one have the same bit.
func isWhole(odd, coarse, set int) bool {
	for o := range 8 {
		if coarse>>o&1 == 1 && set>>o&1 != set>>(o&^odd)&1 {
			return false
		}
	}
	return true
}

// joinCase cuts the loops of a case into triangles, after edges between the same two cells
// have become one. ok is false if a loop cannot be cut without a diagonal in a face.
func joinCase(odd, coarse, signs int) (out [][3]uint8, ok bool) {
	first := func(e int) int { // of the edges between the same two cells
		lo, hi := edgeEnds(e)
		if (coarse>>lo)&(coarse>>hi)&1 == 1 && odd>>(e/4)&1 == 0 {
			return edgeBetween(lo&^odd, hi&^odd)
		}
		return e // also within one cell, where nothing ever crosses
	}
	shares := func(e, f int) bool {
		for a := range 12 {
			for b := range 12 {
				if first(a) == e && first(b) == f && shareFace(a, b) {
					return true
				}
			}
		}
		return false
	}
	for _, loop := range loopsOf(signs) {
		short := shorten(loop, first)
		if len(short) < 3 {
			continue
		}
		list := cut(short, shares)
		if list == nil {
			return nil, false
		}
		out = append(out, list...)
	}
	return out, true
}

// shorten takes edges of a loop that are one together.
func shorten(loop []int, first func(e int) int) []int {
	var short []int
	for _, e := range loop {
		if e = first(e); len(short) == 0 || short[len(short)-1] != e {
			short = append(short, e)
		}
	}
	for len(short) > 1 && short[0] == short[len(short)-1] {
		short = short[:len(short)-1]
	}
	return short
}
