package fuse

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// census collects what the blocks of each level say of double walls and of the seam, in the
// order of their places.
type census struct {
	merged, behind []list // of each level
	seam           []agreement
	doubts         []doubt
	passages       []passage
	blocks         int
}

type list []found

// found is a double wall in one block, in cells.
type found struct {
	at        coord
	area, gap float64
	view      int32
}

// takeAll adds what blocks say.
func (c *census) takeAll(ctx context.Context, t *tree, blocks []leaf) error {
	sheets := make([]found, len(blocks))
	if err := par.Blocks(ctx, len(blocks), 64, func(_, lo, hi int) error {
		for k, f := range blocks[lo:hi] {
			sheets[lo+k] = t.levels[f.level].sheetsAt(f.id)
		}
		return nil
	}); err != nil {
		return err
	}
	for k, f := range blocks {
		c.take(t.levels[f.level], f.id, sheets[k])
	}
	return nil
}

// take adds what a block says, and what sheets it has.
func (c *census) take(g *grid, id int32, sheets found) {
	for len(c.merged) <= g.level {
		c.merged, c.behind, c.seam = append(c.merged, nil), append(c.behind, nil), append(c.seam, agreement{})
	}
	c.blocks++
	w := &g.walls[id]
	c.seam[g.level].add(&w.seam)
	if w.places > 0 {
		// places are points of a lattice in the volume between the ends of both bands
		both := 2 * band * float64(g.unitOf(id))
		c.merged[g.level] = append(c.merged[g.level], found{at: g.at[id], area: float64(w.places) / (both - float64(w.gap)), gap: float64(w.gap), view: w.view})
	}
	if sheets.area > 0 {
		sheets.at = g.at[id]
		c.behind[g.level] = append(c.behind[g.level], sheets)
	}
}

// sumUp puts what the census found into the statistics.
func (t *tree) sumUp(c *census) {
	t.stats.Blocks = c.blocks
	var all []Double
	var sum, squares float64
	for l, g := range t.levels[:len(c.merged)] {
		all = append(append(all, g.connect(c.merged[l])...), g.connect(c.behind[l])...)
		h, a := g.o.Voxel, &c.seam[l]
		area := h * h / (2 * band)
		t.stats.Seam.Area += a.n * area
		sum, squares = sum-area*h*a.sum, squares+area*h*h*a.squares
	}
	if s := &t.stats.Seam; s.Area > 0 {
		s.Mean, s.RMS = sum/s.Area, math.Sqrt(squares/s.Area)
	}
	t.stats.Doubles = largest(all)
	t.seams(c.passages)
}

// largest returns the largest ones, in falling order.
func largest(all []Double) []Double {
	slices.SortFunc(all, func(a, b Double) int {
		return cmp.Or(cmp.Compare(b.Area, a.Area), cmp.Compare(a.Center.X, b.Center.X), cmp.Compare(a.Center.Y, b.Center.Y))
	})
	return all[:min(len(all), mostDoubles)]
}

// connect joins what was found in blocks that touch.
func (g *grid) connect(in list) []Double {
	var out []Double
	var number index
	for _, f := range in {
		number.add(f.at.key())
	}
	done := make([]bool, len(in))
	for first := range in {
		if done[first] {
			continue
		}
		done[first] = true
		group := []int32{int32(first)}
		for at := 0; at < len(group); at++ {
			for k := range 27 {
				if id := number.find(in[group[at]].at.plus(k).key()); id >= 0 && !done[id] {
					done[id] = true
					group = append(group, id)
				}
			}
		}
		if d := g.describe(group, in); d.Area >= leastWall*g.o.Voxel*g.o.Voxel {
			out = append(out, d)
		}
	}
	return out
}

// describe sums up one connected double wall.
func (g *grid) describe(group []int32, in list) Double {
	var area, gap float64
	var center geom.Vec
	views := map[int32]float64{}
	last := int32(-1)
	for _, i := range group {
		f := &in[i]
		area, gap = area+f.area, gap+f.area*f.gap
		center = center.AddScaled(f.area, geom.Vec{X: float64(f.at.x) + 0.5, Y: float64(f.at.y) + 0.5, Z: float64(f.at.z) + 0.5})
		views[f.view] += f.area
		last = max(last, f.view)
	}
	d := Double{Area: area * g.o.Voxel * g.o.Voxel, Gap: gap / area * g.o.Voxel, Center: g.origin.AddScaled(side*g.o.Voxel/area, center)}
	most := 0.0
	for v := int32(-1); v <= last; v++ {
		if views[v] > most {
			most, d.View = views[v], int(v)
		}
	}
	return d
}
