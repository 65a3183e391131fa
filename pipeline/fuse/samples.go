package fuse

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// sample is a point in units of cells, seen from the corner of the block that it lies
// in, its home.
type sample struct {
	x, y, z, nx, ny, nz float32
	weight              float32
	reach               float32 // sideways, cells
	cover               float32 // what it adds to the cover of a place on its axis
}

// sorted holds the samples of a view by home, each home's in the order of the view.
type sorted struct {
	samples []sample
	reaches []reaches // of each sample
	start   []int32   // of each home's samples, and the end
	homes   []coord   // in order of first sight
	into    []uint32  // a bit for each of the 27 blocks around a home that any of its samples reaches into
	cones   []cone    // of each home's normals
	index   index     // of homes
}

// away is the home of a point that is left out.
const away = math.MaxUint64

// chunk is the number of points in a piece of parallel work.
const chunk = 4096

// sort turns the points of a view into samples, by the level of their homes: that of the
// grid, and coarser ones for sparse points.
func (g *grid) sort(ctx context.Context, v View) ([]*sorted, error) {
	var sets []*sorted
	for _, at := range g.tree.levels[:g.level+1] {
		s, err := at.sortFor(ctx, v, g.level)
		if err != nil {
			return nil, err
		}
		sets = append(sets, s)
	}
	return sets, nil
}

// sortFor turns those points of a view into samples that are for blocks of level target
// and have their homes here.
func (g *grid) sortFor(ctx context.Context, v View, target int) (*sorted, error) {
	n, p := v.Cloud.Len(), g.placing(v)
	home := make([]uint64, n)
	tallies := make([]tally, par.Count(n, chunk))
	if err := par.Blocks(ctx, n, chunk, func(b, lo, hi int) error {
		for i := lo; i < hi; i++ {
			home[i] = g.homeOf(&v, &p, i, target, &tallies[b])
		}
		return nil
	}); err != nil {
		return nil, err
	}
	s := &sorted{}
	slot := s.count(home)
	if target == 0 && !g.tree.isCounted {
		reach := nothing()
		for _, c := range s.homes {
			reach = reach.including(c.z)
		}
		g.tree.reach[g.tree.view] = reach
		for _, t := range tallies {
			g.tree.stats.Points, g.tree.stats.Trimmed = g.tree.stats.Points+t.used, g.tree.stats.Trimmed+t.trimmed
		}
		g.tree.tell(&v, tallies)
	}
	s.samples, s.reaches = make([]sample, s.start[len(s.homes)]), make([]reaches, s.start[len(s.homes)])
	return s, par.Blocks(ctx, n, chunk, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			if slot[i] >= 0 {
				at := &s.samples[slot[i]]
				*at = g.sample(&v, &p, i, coordOf(home[i]))
				s.reaches[slot[i]] = at.reaches(max(at.reach, float32(g.mostBand())))
			}
		}
		return nil
	})
}

// tally counts measured points.
type tally struct {
	used, trimmed int64
	trimmedArea   float64 // mm²
}

// tell lists what became of the points of a view.
func (t *tree) tell(v *View, tallies []tally) {
	all := Tally{View: t.view, Left: v.Left}
	for _, t := range tallies {
		all.Used, all.Outside, all.OutsideArea = all.Used+t.used, all.Outside+t.trimmed, all.OutsideArea+t.trimmedArea
	}
	t.stats.Views = append(t.stats.Views, all)
}

// placing takes the points of a view into a grid.
type placing struct {
	turn geom.Mat // the normals' rotation
	r    geom.Mat // the same, and into units of cells
	t    geom.Vec // cells
}

func (g *grid) placing(v View) placing {
	per := 1 / g.o.Voxel
	return placing{turn: v.ToCommon.R, r: v.ToCommon.R.Scale(per), t: v.ToCommon.Apply(v.Cloud.Origin).Sub(g.origin).Scale(per)}
}

// at returns where a point lies, in cells from the origin of the grid.
func (p *placing) at(x, y, z float32) geom.Vec {
	return p.r.MulVec(geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)}).Add(p.t)
}

// homeOf returns the key of the block that point i lies in, or away, and counts it. For a
// target above level 0, points that are at home at another level or far from any block of
// the target are away too.
func (g *grid) homeOf(v *View, p *placing, i, target int, t *tally) uint64 {
	if !isPositive(v.Weight[i]) || !isPositive(v.Area[i]) {
		return away
	}
	count := int64(1)
	if v.Count != nil {
		count = int64(v.Count[i])
	}
	d := p.at(v.Cloud.X[i], v.Cloud.Y[i], v.Cloud.Z[i])
	if g.o.Box != nil && !g.o.Box.Contains(g.origin.AddScaled(g.o.Voxel, d)) {
		t.trimmed += count
		t.trimmedArea += float64(v.Area[i])
		return away
	}
	const most = (farthest - 2) * side // the neighbours of a block fit into a key too
	if !(max(math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)) < most) || !(v.Cloud.Normal(i).Norm2() >= 0.5) {
		return away
	}
	t.used += count
	c := homeAt(d)
	if !g.tree.isInWindow(g.level, c, 1) || target > 0 && (g.tree.levelOf(float64(v.Area[i]), target) != g.level || !g.tree.isNear(g.level, target, c)) {
		return away
	}
	return c.key()
}

// homeAt returns the block that a place lies in, cells from the origin of the grid.
func homeAt(d geom.Vec) coord {
	down := func(x float64) int32 { return int32(x*(1.0/side)+farthest) - farthest } // conversion cuts towards zero
	return coord{down(d.X), down(d.Y), down(d.Z)}
}

// isPositive turns down zero, NaN and infinity.
func isPositive(x float32) bool { return x > 0 && x-x == 0 }

// count numbers the homes and returns the place of every point among the samples, or
// -1.
func (s *sorted) count(home []uint64) []int32 {
	slot := make([]int32, len(home))
	var counts []int32
	last, lastID := uint64(away), int32(-1)
	for i, key := range home {
		if key == away {
			slot[i] = -1
			continue
		}
		if key != last {
			id, isNew := s.index.add(key)
			if isNew {
				s.homes, counts = append(s.homes, coordOf(key)), append(counts, 0)
			}
			last, lastID = key, id
		}
		slot[i] = lastID
		counts[lastID]++
	}
	s.start = make([]int32, len(counts)+1)
	for id, c := range counts {
		s.start[id+1] = s.start[id] + c
	}
	next := append([]int32(nil), s.start...)
	for i, id := range slot {
		if id >= 0 {
			slot[i] = next[id]
			next[id]++
		}
	}
	return slot
}

// sample returns point i in the units of its home.
func (g *grid) sample(v *View, p *placing, i int, c coord) sample {
	d := p.at(v.Cloud.X[i], v.Cloud.Y[i], v.Cloud.Z[i])
	n := p.turn.MulVec(v.Cloud.Normal(i))
	area := float64(v.Area[i]) / (g.o.Voxel * g.o.Voxel)
	reach := float64(lateral)
	if area > lateral*lateral/(spread*spread) {
		reach = math.Min(mostReach, spreadOf(area))
	}
	return sample{
		x: float32(d.X - float64(c.x)*side), y: float32(d.Y - float64(c.y)*side), z: float32(d.Z - float64(c.z)*side),
		nx: float32(n.X), ny: float32(n.Y), nz: float32(n.Z),
		weight: v.Weight[i] * float32(lateral*lateral/(reach*reach)), // a sparse view does not blur a dense one
		reach:  float32(reach), cover: float32(area / (math.Pi * reach * reach / 3)),
	}
}

// Sharpness returns by how much a point weighs less, in cells of a size, because its spot is
// wider than it reaches anyway, given the area that it stands for and the square of the
// spot's radius on the surface, both in mm²: as much as one that has to reach that far.
func Sharpness(area, spot2, voxel float64) float64 {
	reach := max(lateral*voxel, spreadOf(area))
	return min(1, reach*reach/max(spot2, 1e-12))
}

// mostBand returns the widest band of a block of the level, in cells.
func (g *grid) mostBand() float64 {
	if g.level == 0 {
		return band
	}
	return band * transition
}

// reaches says which blocks around its home a sample reaches into: two bits an axis, for
// the block before and the next.
type reaches uint8

func (p *sample) reaches(r float32) reaches {
	return sidesOf(p.x, r) | sidesOf(p.y, r)<<2 | sidesOf(p.z, r)<<4
}

func sidesOf(x, reach float32) (b reaches) {
	if x < reach-1 {
		b = 1
	}
	if x > side-reach {
		b |= 2
	}
	return b
}

// neighbours lists for every value of reaches the blocks of 27 that it names.
var neighbours = func() (list [1 << 6]uint32) {
	for v := range list {
		for k := range 27 {
			if needs := needed(k); reaches(v)&needs == needs {
				list[v] |= 1 << k
			}
		}
	}
	return list
}()

// needed returns what neighbour k of 27 asks of reaches.
func needed(k int) reaches {
	sides := [3]reaches{1, 0, 2}
	return sides[k%3] | sides[k/3%3]<<2 | sides[k/9]<<4
}
