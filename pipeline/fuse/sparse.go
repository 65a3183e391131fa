package fuse

import "math"

// Points that lie further apart than the cells of a level can bridge would leave gaps
// there. They are sorted into the blocks of a coarser level instead, the finest whose
// cells they do bridge, and reach from there into the finer ones.

// levelOf returns the level of at most most whose cells points of an area can bridge.
func (t *tree) levelOf(area float64, most int) int {
	for most > 0 && spreadOf(area) > mostReach*t.levels[most].o.Voxel {
		most--
	}
	return most
}

// spreadOf returns how far sideways a point of an area reaches, in the unit of length,
// if its cells do not widen or narrow that.
func spreadOf(area float64) float64 { return spread * math.Sqrt(area) }

const spread = 1.3

// finer returns a sample of a home at level k as a block at c of level g.level sees it, x, y
// and z from the corner of that block.
func (g *grid) finer(p *sample, k int, home, c coord) sample {
	times := int32(1) << (g.level - k)
	f := float32(times)
	shift := func(x float32, home, own int32) float32 { return f*(x+0.5) - 0.5 + float32((times*home-own)*side) }
	q := *p
	q.x, q.y, q.z = shift(p.x, home.x, c.x), shift(p.y, home.y, c.y), shift(p.z, home.z, c.z)
	q.reach *= f
	q.weight /= f * f // for an area that is measured in smaller cells
	return q
}

// touchSparse makes the blocks that samples of level k reach into.
func (g *grid) touchSparse(k int, s *sorted, l *todoList) {
	for h, home := range s.homes {
		c := coord{home.x << (g.level - k), home.y << (g.level - k), home.z << (g.level - k)}
		list := s.samples[s.start[h]:s.start[h+1]]
		for i := range list {
			p := g.finer(&list[i], k, home, c)
			r := max(p.reach, band*transition)
			lo, hi := func(x float32) int32 { return int32(math.Floor(float64(x-r) / side)) }, func(x float32) int32 { return int32(math.Floor(float64(x+r) / side)) }
			for z := lo(p.z); z <= hi(p.z); z++ {
				for y := lo(p.y); y <= hi(p.y); y++ {
					for x := lo(p.x); x <= hi(p.x); x++ {
						if p.passes(x, y, z) {
							l.add(g.block(coord{c.x + x, c.y + y, c.z + z}))
						}
					}
				}
			}
		}
	}
}

// passes reports whether the plane of a sample comes near the block at x, y, z from the one
// that it is seen from.
func (p *sample) passes(x, y, z int32) bool {
	const half = (side - 1) / 2.0
	away := func(b int32, x float32) float32 { return float32(b*side) + half - x }
	abs := func(x float32) float32 { return max(x, -x) }
	d := p.nx*away(x, p.x) + p.ny*away(y, p.y) + p.nz*away(z, p.z)
	return abs(d) <= band*transition+half*(abs(p.nx)+abs(p.ny)+abs(p.nz))
}

// gatherSparse adds what samples of level k around block id say.
func (g *grid) gatherSparse(id int32, k int, s *sorted, a *sums) {
	g.eachSparse(id, k, s, func(p *sample, x, y, z float32) {
		a.splat(p, x, y, z)
		a.face(p)
	})
}

// eachSparse visits the samples of level k around block id.
func (g *grid) eachSparse(id int32, k int, s *sorted, visit func(p *sample, x, y, z float32)) {
	c := g.at[id]
	above := c.up(g.level - k)
	for n := range 27 {
		from := above.plus(n)
		home := s.index.find(from.key())
		if home < 0 {
			continue
		}
		list := s.samples[s.start[home]:s.start[home+1]]
		for i := range list {
			if p := g.finer(&list[i], k, from, c); p.passes(0, 0, 0) {
				visit(&p, p.x, p.y, p.z)
			}
		}
	}
}
