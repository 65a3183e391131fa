package fuse

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"trammel/pipeline/par"
)

// leaf names a block of the tree.
type leaf struct {
	level int
	id    int32
}

// extract finds where the mean distance is zero. Blocks are taken in the order of
// their places, so that the mesh does not depend on the order of discovery. A first
// pass counts, a second one writes, so that nothing is held twice.
//
// It returns the part of the mesh in the blocks of a slab, whose vertices are numbered from
// first on, and adds them to the census. If the whole mesh does not fit beside the whole
// grid it lets go of the grid and returns none.
func (t *tree) extract(ctx context.Context, c *census, s layers, first int64) (*surface, error) {
	order := t.inOrder()
	from := func(z int32) int {
		at, _ := slices.BinarySearchFunc(order, z, func(f leaf, z int32) int { return cmp.Compare(t.layerOf(f), z) })
		return at
	}
	own, known := order[from(s.from):from(s.to)], order[from(s.from-1):from(s.to+1)]
	if err := t.ask(ctx, own, c); err != nil {
		return nil, err
	}
	if s == everything() && t.areLooks() {
		t.decide(c)
		t.lookers = nil
	}
	t.carve()
	if err := c.takeAll(ctx, t, own); err != nil {
		return nil, err
	}
	if err := t.passages(ctx, own, c); err != nil {
		return nil, err
	}
	x, err := t.survey(ctx, known)
	if err != nil {
		return nil, err
	}
	before := from(s.from) - from(s.from-1)
	below, _ := x.size(known[:before])
	vertices, corners := x.size(own)
	if first+int64(vertices) > math.MaxInt32 {
		return nil, fmt.Errorf("%w: cells of %.3g mm give a mesh of more than %d vertices; take larger ones", ErrOptions, t.o.Voxel, math.MaxInt32)
	}
	if s == everything() {
		t.mesh = meshBytes(vertices, corners/3)
		if !t.fits(t.n, t.extra, t.mesh) {
			t.fill()
			return nil, nil
		}
	}
	x.number(known, int(first)-below)
	m := t.room(vertices, corners, float64(t.whole.n)/float64(c.blocks))
	return m, x.write(ctx, own, m)
}

// layerOf returns the layer of level 0 that a block lies in.
func (t *tree) layerOf(f leaf) int32 { return t.levels[f.level].at[f.id].z >> f.level }

// inOrder returns the blocks in the order of their places: layers of level 0 from below,
// in each the levels, then z, y and x.
func (t *tree) inOrder() []leaf {
	var order []leaf
	for l, g := range t.levels {
		for id := range g.blocks {
			order = append(order, leaf{l, int32(id)})
		}
	}
	slices.SortFunc(order, func(a, b leaf) int {
		p, q := t.levels[a.level].at[a.id], t.levels[b.level].at[b.id]
		return cmp.Or(cmp.Compare(t.layerOf(a), t.layerOf(b)), cmp.Compare(a.level, b.level), cmp.Compare(p.z, q.z), cmp.Compare(p.y, q.y), cmp.Compare(p.x, q.x))
	})
	return order
}

// extraction turns the blocks of a tree into a mesh.
type extraction struct {
	t      *tree
	pieces [][]piece // of each level, of each block
}

// survey counts what the blocks of the list add.
func (t *tree) survey(ctx context.Context, order []leaf) (*extraction, error) {
	x := &extraction{t: t}
	for _, g := range t.levels {
		x.pieces = append(x.pieces, make([]piece, len(g.blocks)))
	}
	return x, x.each(ctx, order, func(g *grid, id int32) {
		g.count(id, &x.pieces[g.level][id])
		if g.border[id] {
			x.countJoin(g, id)
		}
	})
}

func (x *extraction) each(ctx context.Context, order []leaf, do func(g *grid, id int32)) error {
	return par.Blocks(ctx, len(order), 64, func(_, lo, hi int) error {
		for _, f := range order[lo:hi] {
			do(x.t.levels[f.level], f.id)
		}
		return nil
	})
}

// size returns the number of vertices of some blocks, and of corners of their triangles.
func (x *extraction) size(order []leaf) (vertices, corners int) {
	for _, f := range order {
		p := &x.pieces[f.level][f.id]
		vertices, corners = vertices+p.vertices(), corners+3*int(p.triangles)
	}
	return vertices, corners
}

// number gives out the vertices of the mesh, from first on, and the corners of triangles.
func (x *extraction) number(order []leaf, first int) {
	corner := 0
	for _, f := range order {
		p := &x.pieces[f.level][f.id]
		p.vertex, p.corner = int32(first), corner
		first, corner = first+p.vertices(), corner+3*int(p.triangles)
	}
}

// write fills in the part of the mesh that the blocks make.
func (x *extraction) write(ctx context.Context, order []leaf, m *surface) error {
	if len(order) == 0 {
		return nil
	}
	begin := x.pieces[order[0].level][order[0].id]
	return x.each(ctx, order, func(g *grid, id int32) {
		p := &x.pieces[g.level][id]
		p.corner -= begin.corner
		if p.marks != nil {
			g.write(id, x.pieces[g.level], m, begin.vertex)
		}
		if p.join != nil {
			x.writeJoin(g, id, m, begin.vertex)
		}
	})
}

// piece is what one block adds to the mesh.
type piece struct {
	marks     *marks // nil where no surface passes
	join      *join  // nil where there is nothing beside larger cells
	triangles int32
	vertex    int32 // its first in the mesh
	corner    int   // its first in Mesh.Tri
}

// marks says on which edges of a block vertices lie: a bit for every place, for the
// edge that begins there, a word for every axis and layer.
type marks struct {
	word   [3 * side]uint64
	before [3 * side]uint16 // vertices in the words before
}

func (p *piece) vertices() int {
	n := p.own()
	if p.join != nil {
		n += p.join.vertices()
	}
	return n
}

// own returns the number of vertices on edges between cells of the block's size.
func (p *piece) own() int {
	if p.marks == nil {
		return 0
	}
	const last = 3*side - 1
	return int(p.marks.before[last]) + bits.OnesCount64(p.marks.word[last])
}

// vertexOn returns the number in the mesh of the vertex on an edge.
func (p *piece) vertexOn(axis, x, y, z int) int32 {
	k := axis*side + z
	below := uint64(1)<<(y*side+x) - 1
	return p.vertex + int32(p.marks.before[k]) + int32(bits.OnesCount64(p.marks.word[k]&below))
}

// value returns the mean distance at a place in the unit of the block, and whether it is
// known and covered.
func (b *block) value(i int) (float32, bool) {
	return float32(b.mean[i]) * (1.0 / meanScale), b.cover[i] >= enough && b.weight[i] > 0
}

// isKnown reports whether the distance at a place is known.
func (b *block) isKnown(i int) bool { return b.cover[i] >= some && b.weight[i] > 0 }

// values are the mean distances of a block, in cells.
type values struct {
	*block
	unit float32
}

func (g *grid) valuesOf(id int32) values { return values{g.blocks[id], g.unitOf(id)} }

func (v values) value(i int) (float32, bool) {
	d, ok := v.block.value(i)
	return d * v.unit, ok
}

// count marks the edges of a block that the surface crosses and counts its triangles.
func (g *grid) count(id int32, p *piece) {
	a := g.around(id)
	var m marks
	vertices := 0
	for k := range m.word {
		m.word[k] = a.crossings(k/side, k%side)
		m.before[k] = uint16(vertices)
		vertices += bits.OnesCount64(m.word[k])
	}
	for z := range side {
		for cells := a.cells(z); cells != 0; cells &= cells - 1 {
			p.triangles += int32(len(triangulations[a.signs(bits.TrailingZeros64(cells), z)]))
		}
	}
	if vertices+int(p.triangles) > 0 {
		p.marks = &m
	}
}

// write puts the vertices and triangles of a block into a mesh whose vertices begin with
// number first.
func (g *grid) write(id int32, pieces []piece, m *surface, first int32) {
	a, p := g.around(id), &pieces[id]
	v := int(p.vertex - first)
	for k, word := range p.marks.word {
		for ; word != 0; word &= word - 1 {
			bit := bits.TrailingZeros64(word)
			at, cover := g.crossing(a, id, [3]int{bit % side, bit / side, k % side}, k/side)
			m.X[v], m.Y[v], m.Z[v], m.cover[v] = float32(at[0]), float32(at[1]), float32(at[2]), cover
			v++
		}
	}
	var near [8]*piece
	for k, id := range a.ids {
		if id >= 0 {
			near[k] = &pieces[id]
		}
	}
	tri := m.Tri[p.corner:p.corner]
	for z := range side {
		for cells := a.cells(z); cells != 0; cells &= cells - 1 {
			bit := bits.TrailingZeros64(cells)
			for _, t := range triangulations[a.signs(bit, z)] {
				for _, e := range t {
					tri = append(tri, vertexOn(int(e), bit%side, bit/side, z, &near))
				}
			}
		}
	}
}

// leastShare keeps vertices off the places themselves, where triangles of several
// cells would shrink to nothing.
const leastShare = 1e-3

// crossing returns the place on an edge where the mean distance is zero, in mm, and the cover
// there.
func (g *grid) crossing(a *around, id int32, from [3]int, axis int) (at [3]float64, cover uint8) {
	to := from
	to[axis]++
	d, e := a.at(from[0], from[1], from[2]), a.at(to[0], to[1], to[2])
	share := min(max(d/(d-e), leastShare), 1-leastShare)
	c := g.at[id]
	v := [3]float64{float64(c.x)*side + float64(from[0]), float64(c.y)*side + float64(from[1]), float64(c.z)*side + float64(from[2])}
	v[axis] += float64(share)
	shift := g.offset()
	at = [3]float64{v[0]*g.o.Voxel + shift, v[1]*g.o.Voxel + shift, v[2]*g.o.Voxel + shift}
	return at, between(a.cover(from[0], from[1], from[2]), a.cover(to[0], to[1], to[2]), share)
}

// lowerEnds holds the lower corner of each edge of a cell.
var lowerEnds = func() (ends [12]int) {
	for e := range ends {
		ends[e], _ = edgeEnds(e)
	}
	return ends
}()

// vertexOn returns the number in the mesh of the vertex on an edge of a cell, given the
// pieces of the block and its neighbours.
func vertexOn(e, x, y, z int, near *[8]*piece) int32 {
	lo := lowerEnds[e]
	x, y, z = x+lo&1, y+lo>>1&1, z+lo>>2
	which, _ := place(x, y, z)
	return near[which].vertexOn(e/4, x&(side-1), y&(side-1), z&(side-1))
}
