package fuse

import (
	"cmp"
	"context"
	"slices"

	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// extract finds where the mean distance is zero. Blocks are taken in the order of
// their places, so that the mesh does not depend on the order of discovery.
func (g *grid) extract(ctx context.Context) (*scan.Mesh, error) {
	order := make([]int32, len(g.blocks))
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(a, b int32) int {
		p, q := g.at[a], g.at[b]
		return cmp.Or(cmp.Compare(p.z, q.z), cmp.Compare(p.y, q.y), cmp.Compare(p.x, q.x))
	})
	pieces := make([]piece, len(order))
	if err := par.Blocks(ctx, len(order), 16, func(_, lo, hi int) error {
		for k := lo; k < hi; k++ {
			g.crossings(order[k], &pieces[k])
		}
		return nil
	}); err != nil {
		return nil, err
	}
	m := &scan.Mesh{Origin: g.origin}
	of := make([]int32, len(g.blocks)) // where each block's piece is
	for k := range pieces {
		of[order[k]] = int32(k)
		pieces[k].first = int32(len(m.X))
		m.X, m.Y, m.Z = append(m.X, pieces[k].x...), append(m.Y, pieces[k].y...), append(m.Z, pieces[k].z...)
	}
	if err := par.Blocks(ctx, len(order), 16, func(_, lo, hi int) error {
		for k := lo; k < hi; k++ {
			g.cells(order[k], &pieces[k], pieces, of)
		}
		return nil
	}); err != nil {
		return nil, err
	}
	for k := range pieces {
		m.Tri = append(m.Tri, pieces[k].tri...)
	}
	return m, nil
}

// piece is what one block adds to the mesh.
type piece struct {
	x, y, z []float32
	edge    []int16 // of each place and axis, the vertex on the edge that begins there; -1 for none
	first   int32   // of its vertices in the mesh
	tri     []int32
}

// value returns the mean distance at a place, and whether it is known and covered.
func (b *block) value(i int) (float32, bool) {
	if float32(b.cover[i]) < leastCover*255 || b.weight[i] <= 0 {
		return 0, false
	}
	return b.sum[i] / b.weight[i], true
}

// around looks places up in a block and the neighbours behind its upper sides.
type around struct {
	blocks [8]*block // bit 0: next in x, bit 1: in y, bit 2: in z
	ids    [8]int32
}

func (g *grid) around(id int32) around {
	var a around
	c := g.at[id]
	for k := range 8 {
		n := coord{c.x + int32(k&1), c.y + int32(k>>1&1), c.z + int32(k>>2)}
		a.ids[k] = -1
		if other, ok := g.index[n]; ok {
			a.ids[k], a.blocks[k] = other, g.blocks[other]
		}
	}
	return a
}

// place says in which block of the neighbourhood a place lies, and where there.
func place(x, y, z int) (which, i int) {
	return x/side | y/side<<1 | z/side<<2, (z%side*side+y%side)*side + x%side
}

func (a *around) value(x, y, z int) (float32, bool) {
	which, i := place(x, y, z)
	if a.blocks[which] == nil {
		return 0, false
	}
	return a.blocks[which].value(i)
}

// leastShare keeps vertices off the places themselves, where triangles of several
// cells would shrink to nothing.
const leastShare = 1e-3

// crossings makes a vertex on every edge of the block that the surface crosses.
func (g *grid) crossings(id int32, p *piece) {
	a := g.around(id)
	for z := range side {
		for y := range side {
			for x := range side {
				d, known := a.value(x, y, z)
				if !known {
					continue
				}
				for axis := range 3 {
					to := [3]int{x, y, z}
					to[axis]++
					e, ok := a.value(to[0], to[1], to[2])
					if !ok || (d < 0) == (e < 0) {
						continue
					}
					g.vertex(id, p, [3]int{x, y, z}, axis, d/(d-e))
				}
			}
		}
	}
}

func (g *grid) vertex(id int32, p *piece, from [3]int, axis int, share float32) {
	if p.edge == nil {
		p.edge = make([]int16, 3*blockSize)
		for i := range p.edge {
			p.edge[i] = -1
		}
	}
	share = min(max(share, leastShare), 1-leastShare)
	c := g.at[id]
	v := [3]float64{float64(c.x)*side + float64(from[0]), float64(c.y)*side + float64(from[1]), float64(c.z)*side + float64(from[2])}
	v[axis] += float64(share)
	_, i := place(from[0], from[1], from[2])
	p.edge[3*i+axis] = int16(len(p.x))
	p.x = append(p.x, float32(v[0]*g.o.Voxel))
	p.y = append(p.y, float32(v[1]*g.o.Voxel))
	p.z = append(p.z, float32(v[2]*g.o.Voxel))
}

// cells makes the triangles of the cells whose eight corners are all covered.
func (g *grid) cells(id int32, p *piece, pieces []piece, of []int32) {
	a := g.around(id)
	for z := range side {
		for y := range side {
			for x := range side {
				if signs, ok := a.signs(x, y, z); ok && signs != 0 && signs != 255 {
					for _, t := range triangulations[signs] {
						for _, e := range t {
							p.tri = append(p.tri, a.vertexOn(int(e), x, y, z, pieces, of))
						}
					}
				}
			}
		}
	}
}

func (a *around) signs(x, y, z int) (signs int, ok bool) {
	for k := range 8 {
		d, known := a.value(x+k&1, y+k>>1&1, z+k>>2)
		if !known {
			return 0, false
		}
		if d < 0 {
			signs |= 1 << k
		}
	}
	return signs, true
}

func (a *around) vertexOn(e, x, y, z int, pieces []piece, of []int32) int32 {
	lo, _ := edgeEnds(e)
	which, i := place(x+lo&1, y+lo>>1&1, z+lo>>2)
	q := &pieces[of[a.ids[which]]]
	return q.first + int32(q.edge[3*i+e/4])
}

// dropCrumbs leaves out floating pieces smaller than eight by eight cells, and
// vertices that no triangle uses.
func dropCrumbs(m *scan.Mesh, voxel float64, stats *Stats) *scan.Mesh {
	root := components(m)
	area := make([]float64, m.Vertices())
	for t := range m.Triangles() {
		a, b, c := m.Corners(t)
		area[root[m.Tri[3*t]]] += b.Sub(a).Cross(c.Sub(a)).Norm() / 2
	}
	least := 64 * voxel * voxel
	for v, x := range area {
		if root[v] == int32(v) && x > 0 && x < least {
			stats.Crumbs++
			stats.Area += x
		}
	}
	return compact(m, func(t int) bool { return area[root[m.Tri[3*t]]] >= least })
}

// components returns for every vertex the smallest vertex that it is joined to.
func components(m *scan.Mesh) []int32 {
	root := make([]int32, m.Vertices())
	for i := range root {
		root[i] = int32(i)
	}
	find := func(i int32) int32 {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for t := range m.Triangles() {
		a := find(m.Tri[3*t])
		for _, v := range m.Tri[3*t+1 : 3*t+3] {
			b := find(v)
			root[max(a, b)] = min(a, b)
			a = min(a, b)
		}
	}
	for i := range root {
		root[i] = find(int32(i))
	}
	return root
}

// compact keeps the triangles that keep accepts and the vertices that they use.
func compact(m *scan.Mesh, keep func(t int) bool) *scan.Mesh {
	out := &scan.Mesh{Origin: m.Origin}
	number := make([]int32, m.Vertices())
	for t := range m.Triangles() {
		if !keep(t) {
			continue
		}
		for _, v := range m.Tri[3*t : 3*t+3] {
			if number[v] == 0 {
				out.X, out.Y, out.Z = append(out.X, m.X[v]), append(out.Y, m.Y[v]), append(out.Z, m.Z[v])
				number[v] = int32(len(out.X))
			}
			out.Tri = append(out.Tri, number[v]-1)
		}
	}
	return out
}
