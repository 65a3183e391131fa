package fuse

// sums is what one view says about a block: about its places, and the weighted sum of
// the normals of the samples that reach into it.
type sums struct {
	distance, mass     [blockSize]float32 // of places: weighted, and the weight
	cover              [blockSize]float32
	_                  [side]float32 // splats add nothing to the row behind the last one
	nx, ny, nz, weight float32
	limit              float32 // how far the distances that the block keeps go, cells
	touched            uint64  // a bit for every row of places that samples may have been added to
	next               splat
}

// begin makes ready for a block that keeps distances in a unit, in cells.
func (a *sums) begin(unit float32) {
	*a = sums{limit: unit * band}
	a.next.limit2 = a.limit * a.limit
	a.next.unit, a.next.steep = unit, 1/(2*(a.limit-unit))
}

// transition widens the band of blocks beside larger cells: corners of the cells that join
// the two lie up to three quarters of a larger cell apart along each axis.
const transition = 1.5

// unitOf returns the unit of the distances that a block keeps, in cells.
func (g *grid) unitOf(id int32) float32 {
	if g.border[id] {
		return transition
	}
	return 1
}

// face takes in which way a sample faces.
func (a *sums) face(p *sample) {
	a.nx, a.ny, a.nz, a.weight = a.nx+p.weight*p.nx, a.ny+p.weight*p.ny, a.nz+p.weight*p.nz, a.weight+p.weight
}

// gather adds to block id what the samples of a view in and around it say; sets has them
// by the level that they are sorted at. Only this block is written to.
func (g *grid) gather(id int32, sets []*sorted, preferred bool, s *groups) {
	s.all.begin(g.unitOf(id))
	if s.of = s.of[:0]; !g.isOneWay(id, sets) {
		s.find(g, id, sets)
	}
	if len(s.of) > 1 {
		s.sum(g, id, sets)
		g.merge(id, preferred, &s.all)
		return
	}
	a, c, from := &s.all, g.at[id], sets[g.level]
	for k := range 27 {
		home := from.index.find(c.plus(k).key())
		if home < 0 || from.into[home]>>(26-k)&1 == 0 { // the block is the home's neighbour on the other side
			continue
		}
		dx, dy, dz := float32(k%3-1)*side, float32(k/3%3-1)*side, float32(k/9-1)*side
		needs := needed(26 - k)
		list := from.samples[from.start[home]:from.start[home+1]]
		for i, r := range from.reaches[from.start[home]:from.start[home+1]] {
			if r&needs == needs {
				p := &list[i]
				a.splat(p, p.x+dx, p.y+dy, p.z+dz)
				a.face(p)
			}
		}
	}
	for k, from := range sets[:g.level] {
		g.gatherSparse(id, k, from, a)
	}
	g.merge(id, preferred, a)
}
