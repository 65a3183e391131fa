package fuse

import "math/bits"

// merge takes the sums of a view into the mean of a block.
func (g *grid) merge(id int32, preferred bool, a *sums) {
	if preferred && g.prefer[id] == nil {
		g.prefer[id] = new([blockSize]uint8)
	}
	m := merging{unit: a.next.unit}
	if g.prefer[id] == nil {
		mergeRows(a, g.blocks[id], &m)
	} else {
		p := preferring{merging: &m, apart: g.apartOf(id), prefer: g.prefer[id], preferred: preferred}
		a.each(func(i int, w float32) { p.place(g.blocks[id], i, w, a.distance[i], a.cover[i]) })
	}
	with, seam := m.with.total(), m.seam.total()
	seam.scale(1 / float64(m.unit))
	g.walls[id].take(int(m.seen), int32(g.tree.view), &seam)
	g.judge(id, a, &with)
}

// merging is what is found out while a view is taken into the means of a block.
// merge_amd64.s knows that it begins with what is compared.
type merging struct {
	with comparison // of the view with those before
	seen int64      // places that the view covers
	unit float32
	seam weighed // of the view with preferred ones
}

// comparison is an agreement that is summed up by columns of places along x.
type comparison struct {
	sum, squares, variance [side]float32
	n                      int64
}

func (c *comparison) see(i int, difference, weight, before float32) {
	c.n++
	i %= side
	c.sum[i] += difference
	c.squares[i] += difference * difference
	c.variance[i] += (weight + before) / (weight * before)
}

func (c *comparison) total() agreement {
	a := agreement{n: float64(c.n)}
	for i := range side {
		a.sum, a.squares, a.variance = a.sum+float64(c.sum[i]), a.squares+float64(c.squares[i]), a.variance+float64(c.variance[i])
	}
	return a
}

// weighed is a comparison that knows besides how much what the view says weighs.
type weighed struct {
	comparison
	pull, mass [side]float32
}

func (c *weighed) see(i int, difference, weight, before float32) {
	c.comparison.see(i, difference, weight, before)
	c.pull[i%side] += weight * difference
	c.mass[i%side] += weight
}

func (c *weighed) total() agreement {
	a := c.comparison.total()
	for i := range side {
		a.pull, a.mass = a.pull+float64(c.pull[i]), a.mass+float64(c.mass[i])
	}
	return a
}

// mergeRowsPlain takes a view into the means of the places that it touched.
func mergeRowsPlain(a *sums, b *block, m *merging) {
	a.each(func(i int, w float32) { m.place(b, i, w, a.distance[i], a.cover[i]) })
}

// each calls visit with every place that a view has something to say of, and the weight.
func (a *sums) each(visit func(i int, w float32)) {
	for rows := a.touched; rows != 0; rows &= rows - 1 {
		first := bits.TrailingZeros64(rows) * side
		for i, w := range a.mass[first : first+side] {
			if w > 0 {
				visit(first+i, w)
			}
		}
	}
}

// place takes in the weight, the weighted distance and the cover that a view has at a place.
func (m *merging) place(b *block, i int, w, distance, cover float32) {
	d, q := distance/(w*m.unit), coverOf(cover)
	if q >= enough {
		m.seen++
		if before := unpackWeight(b.weight[i]); b.cover[i] >= enough && before > 0 {
			m.with.see(i, (d-b.meanAt(i))*m.unit, w, before)
		}
	}
	b.join(i, q, w)
	b.take(i, d, w)
}

func coverOf(cover float32) uint8 { return uint8(min(cover, 1)*complete + 0.5) }

func (b *block) meanAt(i int) float32 { return float32(b.mean[i]) * (1.0 / meanScale) }

// join takes a view's cover of a place, of some weight, into that of the block: at a rim, where
// the points of every view begin at another place, views count as their distances do. A view
// that covers a place (almost) completely has it covered, whatever ends there for others.
func (b *block) join(i int, q uint8, w float32) {
	old, now := float32(b.cover[i]), float32(q)
	top := max(old, now)
	c := old + (now-old)*(w/(unpackWeight(b.weight[i])+w))
	c += (top - c) * min(max((top-almost)*(1.0/(complete-almost)), 0), 1)
	b.cover[i] = uint8(c + 0.5)
}

// take takes a distance of some weight into the mean of a place.
func (b *block) take(i int, d, w float32) {
	mean, before := b.meanAt(i), unpackWeight(b.weight[i])
	if sum := before + w; sum > 0 {
		mean += (d - mean) * (w / sum)
		b.mean[i], b.weight[i] = packMean(mean), packWeight(sum)
	}
}

// preferring is a merging where preferred views have seen a block.
type preferring struct {
	*merging
	apart     *apart // what they said, while it is held apart, or nil
	prefer    *[blockSize]uint8
	preferred bool // the view is one itself
}

func (p *preferring) place(b *block, i int, w, distance, cover float32) {
	d, q := distance/(w*p.unit), coverOf(cover)
	if q >= enough {
		p.seen++
		if b.cover[i] >= enough {
			p.compare(b, i, d, w)
		}
	}
	b.join(i, q, w)
	if p.preferred {
		p.prefer[i] = max(p.prefer[i], q)
	} else if p.apart == nil {
		w *= giveWay(p.prefer[i])
	}
	b.take(i, d, w)
}

// compare sets a view's distance at a place against what was known before: what preferred
// views say, where that is held apart.
func (p *preferring) compare(b *block, i int, d, w float32) {
	known, before := b.meanAt(i), unpackWeight(b.weight[i])
	if p.apart != nil && p.apart.weight[i] > 0 {
		known, before = float32(p.apart.mean[i])*(1.0/meanScale), unpackWeight(p.apart.weight[i])
	}
	if !(before > 0) {
		return
	}
	p.with.see(i, (d-known)*p.unit, w, before)
	if !p.preferred && p.prefer[i] >= enough {
		p.seam.see(i, (d-known)*p.unit, w, before)
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
