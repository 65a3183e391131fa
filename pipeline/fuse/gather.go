package fuse

import "math/bits"

// sums is what one view says about a block: about its places, and the weighted sum of
// the normals of the samples that reach into it.
type sums struct {
	distance, mass     [blockSize]float32 // of places: weighted, and the weight
	cover              [blockSize]float32
	past               [side]float32 // splats add nothing to the row behind one of the last layer
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
func (g *grid) gather(id int32, sets []*sorted, preferred bool, a *sums) {
	a.begin(g.unitOf(id))
	c, s := g.at[id], sets[g.level]
	for k := range 27 {
		home := s.index.find(c.plus(k).key())
		if home < 0 || s.into[home]>>(26-k)&1 == 0 { // the block is the home's neighbour on the other side
			continue
		}
		dx, dy, dz := float32(k%3-1)*side, float32(k/3%3-1)*side, float32(k/9-1)*side
		needs := needed(26 - k)
		list := s.samples[s.start[home]:s.start[home+1]]
		for i, r := range s.reaches[s.start[home]:s.start[home+1]] {
			if r&needs == needs {
				p := &list[i]
				a.splat(p, p.x+dx, p.y+dy, p.z+dz)
				a.face(p)
			}
		}
	}
	for k, s := range sets[:g.level] {
		g.gatherSparse(id, k, s, a)
	}
	g.merge(id, preferred, a)
}

// merge takes the sums of a view into the mean of a block.
func (g *grid) merge(id int32, preferred bool, a *sums) {
	if preferred && g.prefer[id] == nil {
		g.prefer[id] = new([blockSize]uint8)
	}
	m := merging{g: g, id: id, block: g.blocks[id], prefer: g.prefer[id], preferred: preferred, givesWay: !preferred && g.prefer[id] != nil && !g.isApart(id), unit: a.next.unit}
	for rows := a.touched; rows != 0; rows &= rows - 1 {
		first := bits.TrailingZeros64(rows) * side
		for i, w := range a.mass[first : first+side] {
			if w > 0 {
				m.place(first+i, w, a.distance[first+i], a.cover[first+i])
			}
		}
	}
	m.seam.scale(1 / float64(m.unit))
	g.walls[id].take(m.seen, int32(g.tree.view), &m.seam)
	g.judge(id, a, &m.with)
}

// merging takes what a view says of the places of a block into their means.
type merging struct {
	g                   *grid
	id                  int32
	block               *block
	prefer              *[blockSize]uint8
	preferred, givesWay bool
	unit                float32
	with, seam          agreement
	seen                int // places that the view covers
}

// place takes in the weight, the weighted distance and the cover that a view has at a place.
func (m *merging) place(i int, w, distance, cover float32) {
	b := m.block
	d := distance / (w * m.unit)
	q := uint8(min(cover, 1)*complete + 0.5)
	before := unpackWeight(b.weight[i])
	mean := float32(b.mean[i]) * (1.0 / meanScale)
	if q >= enough {
		m.seen++
		if b.cover[i] >= enough {
			m.compare(i, d, w, mean, before)
		}
	}
	b.cover[i] = max(b.cover[i], q)
	if m.preferred {
		m.prefer[i] = max(m.prefer[i], q)
	} else if m.givesWay {
		w *= giveWay(m.prefer[i])
	}
	if sum := before + w; sum > 0 {
		mean += (d - mean) * (w / sum)
		b.mean[i], b.weight[i] = packMean(mean), packWeight(sum)
	}
}

// compare sets a view's distance at a place against what was known before.
func (m *merging) compare(i int, d, w, mean, before float32) {
	known, weight := m.g.before(m.id, i, mean, before)
	if !(weight > 0) {
		return
	}
	m.with.see((d-known)*m.unit, w, weight)
	if !m.preferred && m.prefer != nil && m.prefer[i] >= enough {
		m.seam.see((d-known)*m.unit, w, weight)
	}
}

// giveWay is the share that is left to a view where preferred ones cover a place:
// all at none, nothing at complete cover, with a smooth passage between.
func giveWay(prefer uint8) float32 {
	if prefer == 0 {
		return 1
	}
	t := min(float32(prefer)/200, 1) // cover varies by a fifth where points are spread unevenly
	return 1 - t*t*(3-2*t)
}
