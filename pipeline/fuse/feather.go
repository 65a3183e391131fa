package fuse

import (
	"context"
	"math"

	"trammel/pipeline/par"
)

// With Options.Feather the preferred views and the others are kept apart until all are
// there. From where the others alone go on, the share of the preferred ones grows from
// nothing to all over the width of the feather. An edge of the object is no such place: a
// sparse view reaches a little further beyond it than a dense one, but does not go on.

// apart is what preferred views say of the places of a block.
type apart struct {
	mean   [blockSize]int16
	weight [blockSize]uint16
}

// goesOn is how far from what preferred views cover the others have to be seen, cells.
const goesOn = 3

// part sets what the preferred views said apart.
func (t *tree) part() {
	t.preferred = t.n
	if !(t.o.Feather > 0) || t.isFull {
		return
	}
	for _, g := range t.levels {
		g.apart = make([]*apart, len(g.blocks))
		for id, b := range g.blocks {
			if g.prefer[id] != nil {
				g.apart[id] = &apart{b.mean, b.weight}
				b.mean, b.weight = [blockSize]int16{}, [blockSize]uint16{}
			}
		}
	}
	t.countExtra()
}

// spots are places near the surface by blocks of level 0, mm from the origin.
type spots struct {
	index index
	at    [][][3]float32
}

func (s *spots) add(c coord, p [3]float32) {
	id, isNew := s.index.add(c.key())
	if isNew {
		s.at = append(s.at, nil)
	}
	s.at[id] = append(s.at[id], p)
}

// nearest returns the squared distance from p, in the block at c of level 0, to the next of
// the spots within reach, a number of blocks, or something larger than most.
func (s *spots) nearest(c coord, p [3]float32, reach int32, most float32) float32 {
	best := float32(math.Inf(1))
	for z := c.z - reach; z <= c.z+reach; z++ {
		for y := c.y - reach; y <= c.y+reach; y++ {
			for x := c.x - reach; x <= c.x+reach; x++ {
				id := s.index.find(coord{x, y, z}.key())
				if id < 0 {
					continue
				}
				for _, q := range s.at[id] {
					dx, dy, dz := q[0]-p[0], q[1]-p[1], q[2]-p[2]
					best = min(best, dx*dx+dy*dy+dz*dz)
				}
			}
		}
	}
	if best > most*most {
		return float32(math.Inf(1))
	}
	return best
}

// isOn reports whether a mean lies within half a cell of the surface, so that every line of
// places across it has one that does.
func isOn(mean int16, unit float32) bool {
	d := float32(mean) * (unit / meanScale)
	return d <= 0.5 && d >= -0.5
}

// placeAt returns where place i of a block is, mm from the origin.
func (g *grid) placeAt(id int32, i int) [3]float32 {
	c, shift := g.at[id], g.offset()
	at := func(c int32, x int) float32 { return float32((float64(c)*side+float64(x))*g.o.Voxel + shift) }
	return [3]float32{at(c.x, i%side), at(c.y, i/side%side), at(c.z, i/side/side)}
}

// feather joins what preferred and other views said.
func (t *tree) feather(ctx context.Context) error {
	if !(t.o.Feather > 0) {
		return nil
	}
	order := t.inOrder()
	onward := t.onward(order)
	reach := int32(math.Ceil((t.o.Feather + goesOn*t.o.Voxel) / (side * t.o.Voxel)))
	return par.Blocks(ctx, len(order), 16, func(_, lo, hi int) error {
		for _, f := range order[lo:hi] {
			g := t.levels[f.level]
			if a := g.apartOf(f.id); a != nil {
				g.rejoin(f.id, a, onward, reach)
			}
		}
		return nil
	})
}

func (g *grid) apartOf(id int32) *apart {
	if int(id) >= len(g.apart) {
		return nil
	}
	return g.apart[id]
}

// onward finds where the others go on.
func (t *tree) onward(order []leaf) *spots {
	var preferred, others spots
	each := func(do func(g *grid, id int32, i int, c coord)) {
		for _, f := range order {
			g := t.levels[f.level]
			for i := range blockSize {
				do(g, f.id, i, g.at[f.id].up(f.level))
			}
		}
	}
	each(func(g *grid, id int32, i int, c coord) {
		if a := g.apartOf(id); a != nil && g.prefer[id][i] >= enough && isOn(a.mean[i], g.unitOf(id)) {
			preferred.add(c, g.placeAt(id, i))
		}
	})
	clear := float32(goesOn * t.o.Voxel)
	each(func(g *grid, id int32, i int, c coord) {
		b := g.blocks[id]
		if b.cover[i] < enough || b.weight[i] == 0 || !isOn(b.mean[i], g.unitOf(id)) || g.apartOf(id) != nil && g.prefer[id][i] >= enough {
			return
		}
		if p := g.placeAt(id, i); preferred.nearest(c, p, 1, clear) > clear*clear {
			others.add(c, p)
		}
	})
	return &others
}

// rejoin gives each place of a block the mean of both.
func (g *grid) rejoin(id int32, a *apart, onward *spots, reach int32) {
	b, c := g.blocks[id], g.at[id].up(g.level)
	clear := goesOn * g.tree.o.Voxel
	for i, w := range a.weight {
		if w == 0 {
			continue
		}
		share := float32(1)
		if b.weight[i] > 0 {
			most := float32(g.tree.o.Feather + clear)
			far := math.Sqrt(float64(onward.nearest(c, g.placeAt(id, i), reach, most)))
			s := float32(math.Min(math.Max((far-clear)/g.tree.o.Feather, 0), 1))
			share = s * s * (3 - 2*s) * (1 - giveWay(g.prefer[id][i]))
		}
		m, p := float32(b.mean[i])*(1.0/meanScale), float32(a.mean[i])*(1.0/meanScale)
		b.mean[i], b.weight[i] = packMean(m+share*(p-m)), max(b.weight[i], w)
	}
}
