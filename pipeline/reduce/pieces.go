package reduce

import (
	"context"
	"slices"
	"sort"
	"sync"

	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// pieces is a mesh in partitions along a Hilbert curve, for a first level that takes them out
// of the mesh one by one and keeps what is left of each. Beside the mesh it holds 8 bytes a
// triangle of it, what is left, and the partitions at work. A partition sees the triangles of
// its neighbours that touch its seam, so that it knows its borders and gives its vertices the
// same quadrics as the whole would.
type pieces struct {
	mesh    *scan.Mesh
	d       *demand
	slender float64
	order   []int32 // the triangles along the curve, without those that name a vertex twice
	vertex  []int32 // for each vertex of the mesh the partition that alone has it plus one, minus its place in seams minus one, or 0 for none
	seams   seams
	base    []int32 // how many vertices belong to the partitions before each; a seam vertex belongs to the first that has it
	owner   []int32 // see surface, where v ≥ base[i] of the last such i stands for vertex v-base[i] of what is left of piece i
	left    []left
	idle    sync.Pool // of pieces
	locals  sync.Pool // of []int32: for each of the seams' vertices its number in a piece plus one, or 0
}

// seams are the vertices that several partitions have.
type seams struct {
	first []int32 // the partition that has it first
	start []int32 // of its places in at, and the end
	at    []int32 // places in the order of the triangles around it, rising
	owner []int32 // as in pieces
}

// left is what is left of a piece.
type left struct {
	surface         // of the vertices that belong to it; head, next and the like are not kept
	corners []int32 // vertices of the surface, or minus the place in seams minus one
}

// newPieces cuts m up.
func newPieces(ctx context.Context, m *scan.Mesh, order []int32, d *demand) (*pieces, error) {
	g := &pieces{mesh: m, d: d, order: order, vertex: make([]int32, m.Vertices())}
	g.findSeams()
	if err := g.surround(ctx); err != nil {
		return nil, err
	}
	n := par.Count(len(order), partition)
	g.base = make([]int32, n+1)
	for _, k := range g.vertex {
		if k > 0 {
			g.base[k]++
		}
	}
	for _, i := range g.seams.first {
		g.base[i+1]++
	}
	for i := range n {
		g.base[i+1] += g.base[i]
	}
	g.owner, g.left = make([]int32, m.Vertices()), make([]left, n)
	g.seams.owner = make([]int32, len(g.seams.first))
	g.slender = leastShape(m, order)
	return g, nil
}

// findSeams tells the vertices of one partition from those of several.
func (g *pieces) findSeams() {
	for at, t := range g.order {
		part := int32(at/partition) + 1
		for _, v := range g.mesh.Tri[3*t : 3*t+3] {
			switch k := g.vertex[v]; {
			case k == 0:
				g.vertex[v] = part
			case k > 0 && k != part:
				g.seams.first = append(g.seams.first, k-1)
				g.vertex[v] = -int32(len(g.seams.first))
			}
		}
	}
}

// surround lists the triangles around the vertices of the seams.
func (g *pieces) surround(ctx context.Context) error {
	type meeting struct{ k, at int32 }
	meetings := make([][]meeting, par.Count(len(g.order), partition))
	err := par.Blocks(ctx, len(g.order), partition, func(block, lo, hi int) error {
		for at := lo; at < hi; at++ {
			t := g.order[at]
			for _, v := range g.mesh.Tri[3*t : 3*t+3] {
				if k := g.vertex[v]; k < 0 {
					meetings[block] = append(meetings[block], meeting{-k - 1, int32(at)})
				}
			}
		}
		return nil
	})
	s := &g.seams
	s.start = make([]int32, len(s.first)+1)
	for _, list := range meetings {
		for _, m := range list {
			s.start[m.k+1]++
		}
	}
	for k := range s.first {
		s.start[k+1] += s.start[k]
	}
	s.at = make([]int32, s.start[len(s.first)])
	next := slices.Clone(s.start)
	for _, list := range meetings {
		for _, m := range list {
			s.at[next[m.k]] = m.at
			next[m.k]++
		}
	}
	return err
}

func (g *pieces) size(i int) int { return min((i+1)*partition, len(g.order)) - i*partition }

// piece is a partition taken out of the mesh.
type piece struct {
	surface
	from    []int32         // the vertex of the mesh that each vertex was
	local   []int32         // see pieces.locals, while it is being read
	beyond  map[int32]int32 // numbers here of vertices of the mesh that are in other pieces alone
	around  []int32         // places of the neighbours' triangles
	corners []int32
}

// newPiece makes room for what a partition usually has: half a vertex a triangle, and some.
func newPiece() *piece {
	const vertices, triangles = partition * 9 / 16, partition * 17 / 16
	p := &piece{beyond: map[int32]int32{}, from: make([]int32, 0, vertices), corners: make([]int32, 0, 3*partition)}
	p.x, p.y, p.z, p.tri = make([]float32, 0, vertices), make([]float32, 0, vertices), make([]float32, 0, vertices), make([]int32, 0, 3*triangles)
	return p
}

// open takes partition i out of the mesh.
func (g *pieces) open(i int, k *carver) {
	p, _ := g.idle.Get().(*piece)
	if p == nil {
		p = newPiece()
	}
	k.s, k.piece = &p.surface, p
	p.read(g, i)
	p.prepare(g)
	k.fill(0, p.triangles())
}

// read copies the triangles of partition i and of its neighbours.
func (p *piece) read(g *pieces, i int) {
	local, _ := g.locals.Get().(*[]int32)
	if local == nil {
		l := make([]int32, len(g.seams.first))
		local = &l
	}
	p.local = *local
	p.origin, p.slender = g.mesh.Origin, g.slender
	p.x, p.y, p.z, p.from = p.x[:0], p.y[:0], p.z[:0], p.from[:0]
	lo, hi := i*partition, i*partition+g.size(i)
	own := p.corners[:0]
	for _, t := range g.order[lo:hi] {
		for _, v := range g.mesh.Tri[3*t : 3*t+3] {
			own = append(own, p.number(g, v, true))
		}
	}
	p.corners = own
	p.around = p.around[:0]
	vertices := len(p.from)
	for _, v := range p.from {
		if k := -g.vertex[v] - 1; k >= 0 {
			for _, at := range g.seams.at[g.seams.start[k]:g.seams.start[k+1]] {
				if int(at) < lo || int(at) >= hi {
					p.around = append(p.around, at)
				}
			}
		}
	}
	slices.Sort(p.around)
	p.around = slices.Compact(p.around)
	before := sort.Search(len(p.around), func(k int) bool { return int(p.around[k]) >= hi })
	p.tri = p.tri[:0]
	p.add(g, p.around[:before])
	p.tri = append(p.tri, own...)
	p.add(g, p.around[before:])
	for _, v := range p.from {
		if k := -g.vertex[v] - 1; k >= 0 {
			p.local[k] = 0
		}
	}
	clear(p.beyond)
	p.local = nil
	g.locals.Put(local)
	p.from = p.from[:vertices]
}

// number returns that of a vertex of the mesh, and gives it one if it has none. isOwn says
// that a triangle of the partition has it.
func (p *piece) number(g *pieces, v int32, isOwn bool) int32 {
	next := int32(len(p.x))
	k := g.vertex[v]
	switch {
	case k < 0:
		if at := p.local[-k-1]; at > 0 {
			return at - 1
		}
		p.local[-k-1] = next + 1
	case isOwn: // nobody else reads or writes it
		if at := g.owner[v]; at > 0 {
			return at - 1
		}
		g.owner[v] = next + 1
	default:
		if at, ok := p.beyond[v]; ok {
			return at
		}
		p.beyond[v] = next
	}
	p.x, p.y, p.z = append(p.x, g.mesh.X[v]), append(p.y, g.mesh.Y[v]), append(p.z, g.mesh.Z[v])
	p.from = append(p.from, v)
	return next
}

// add copies the triangles at places of the order.
func (p *piece) add(g *pieces, places []int32) {
	for _, at := range places {
		t := g.order[at]
		for _, v := range g.mesh.Tri[3*t : 3*t+3] {
			p.tri = append(p.tri, p.number(g, v, false))
		}
	}
}

// prepare finds out about the vertices of the partition, and forgets the neighbours.
func (p *piece) prepare(g *pieces) {
	p.resize(len(p.x))
	p.link()
	n := len(p.from)
	if g.d.boosts {
		p.boost = slices.Grow(p.boost[:0], n)[:n]
	}
	if g.d.limit > 0 {
		p.limit = slices.Grow(p.limit[:0], n)[:n]
	}
	var f fan
	for v := range int32(n) {
		f.read(&p.surface, v)
		p.flags[v] = f.kind()
		if g.vertex[p.from[v]] < 0 {
			p.flags[v] |= onSeam
		}
		p.q[v], p.area[v] = p.firstQuadric(v, &f)
		var halved uint8
		if g.d.halved != nil {
			halved = g.d.halved[p.from[v]]
		}
		g.d.set(&p.surface, v, halved)
	}
	p.tri = append(p.tri[:0], p.corners...)
	p.x, p.y, p.z = p.x[:n], p.y[:n], p.z[:n]
	p.resize(n)
	p.link()
}

// resize makes the other lists fit n vertices and the corners, and keeps what is in them.
func (s *surface) resize(n int) {
	s.q, s.area, s.flags = slices.Grow(s.q[:0], n)[:n], slices.Grow(s.area[:0], n)[:n], slices.Grow(s.flags[:0], n)[:n]
	s.version, s.head, s.into = slices.Grow(s.version[:0], n)[:n], slices.Grow(s.head[:0], n)[:n], slices.Grow(s.into[:0], n)[:n]
	s.next = slices.Grow(s.next[:0], len(s.tri))[:len(s.tri)]
	clear(s.version)
	for v := range s.into {
		s.into[v] = -1
	}
}

// close keeps what is left of partition i.
func (g *pieces) close(i int, k *carver) {
	p := k.piece
	number := p.remaining(g, i)
	for v, from := range p.from {
		last := int32(v)
		for p.into[last] >= 0 {
			last = p.into[last]
		}
		n := number[last]
		switch at := g.vertex[from]; {
		case at > 0 && n >= 0:
			g.owner[from] = g.base[i] + n
		case at > 0:
			g.owner[from] = -1
		case g.seams.first[-at-1] == int32(i):
			g.seams.owner[-at-1] = g.base[i] + n
		}
	}
	g.left[i] = p.keep(number)
	k.s, k.piece = nil, nil
	g.idle.Put(p)
}

// remaining numbers the vertices that are left and belong to partition i; of the others it
// gives minus their place in seams minus one. Vertices of the seam are left in any case.
func (p *piece) remaining(g *pieces, i int) (number []int32) {
	number = p.head // no longer needed
	clear(number)
	for _, v := range p.tri {
		if v != dead {
			number[v] = 1
		}
	}
	n := int32(0)
	for v, from := range p.from {
		at := g.vertex[from]
		switch {
		case at < 0 && g.seams.first[-at-1] != int32(i):
			number[v] = at
		case at < 0 || number[v] == 1:
			number[v] = n
			n++
		default:
			number[v] = -1
		}
	}
	return number
}

// keep copies what is left of the piece into memory of its own size.
func (p *piece) keep(number []int32) (l left) {
	kept, corners := 0, 0
	for v, n := range number {
		if n >= 0 {
			p.x[n], p.y[n], p.z[n], p.q[n], p.area[n], p.flags[n] = p.x[v], p.y[v], p.z[v], p.q[v], p.area[v], p.flags[v]
			if p.boost != nil {
				p.boost[n] = p.boost[v]
			}
			if p.limit != nil {
				p.limit[n] = p.limit[v]
			}
			kept++
		}
	}
	for _, v := range p.tri {
		if v != dead {
			p.tri[corners] = number[v]
			corners++
		}
	}
	l.x, l.y, l.z = slices.Clone(p.x[:kept]), slices.Clone(p.y[:kept]), slices.Clone(p.z[:kept])
	l.q, l.area, l.flags = slices.Clone(p.q[:kept]), slices.Clone(p.area[:kept]), slices.Clone(p.flags[:kept])
	if p.boost != nil {
		l.boost = slices.Clone(p.boost[:kept])
	}
	if p.limit != nil {
		l.limit = slices.Clone(p.limit[:kept])
	}
	l.corners = slices.Clone(p.tri[:corners])
	return l
}
