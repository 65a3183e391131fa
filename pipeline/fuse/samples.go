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
	reaches             uint16  // three bits an axis: into the block before, its own, and the next
}

// sorted holds the samples of a view by home, each home's in the order of the view.
type sorted struct {
	samples []sample
	start   []int32 // of each home's samples, and the end
	homes   []coord // in order of first sight
	index   index   // of homes
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
	n := v.Cloud.Len()
	home := make([]uint64, n)
	tallies := make([]tally, par.Count(n, chunk))
	if err := par.Blocks(ctx, n, chunk, func(b, lo, hi int) error {
		for i := lo; i < hi; i++ {
			home[i] = g.homeOf(v, i, target, &tallies[b])
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
	}
	s.samples = make([]sample, s.start[len(s.homes)])
	return s, par.Blocks(ctx, n, chunk, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			if slot[i] >= 0 {
				s.samples[slot[i]] = g.sample(v, i, coordOf(home[i]))
			}
		}
		return nil
	})
}

// tally counts measured points.
type tally struct{ used, trimmed int64 }

// homeOf returns the key of the block that point i lies in, or away, and counts it. For a
// target above level 0, points that are at home at another level or far from any block of
// the target are away too.
func (g *grid) homeOf(v View, i, target int, t *tally) uint64 {
	if !isPositive(v.Weight[i]) || !isPositive(v.Area[i]) {
		return away
	}
	count := int64(1)
	if v.Count != nil {
		count = int64(v.Count[i])
	}
	at := v.ToCommon.Apply(v.Cloud.At(i))
	if g.o.Box != nil && !g.o.Box.Contains(at) {
		t.trimmed += count
		return away
	}
	d := at.Sub(g.origin).Scale(1 / (g.o.Voxel * side))
	const most = farthest - 2 // the neighbours of a block fit into a key too
	if !(max(math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)) < most) || !(v.Cloud.Normal(i).Norm2() >= 0.5) {
		return away
	}
	t.used += count
	c := coord{int32(math.Floor(d.X)), int32(math.Floor(d.Y)), int32(math.Floor(d.Z))}
	if !g.tree.isInWindow(g.level, c, 1) || target > 0 && (g.tree.levelOf(float64(v.Area[i]), target) != g.level || !g.tree.isNear(g.level, target, c)) {
		return away
	}
	return c.key()
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
func (g *grid) sample(v View, i int, c coord) sample {
	d := v.ToCommon.Apply(v.Cloud.At(i)).Sub(g.origin).Scale(1 / g.o.Voxel)
	d = d.Sub(geom.Vec{X: float64(c.x), Y: float64(c.y), Z: float64(c.z)}.Scale(side))
	n := v.ToCommon.Turn(v.Cloud.Normal(i))
	area := float64(v.Area[i]) / (g.o.Voxel * g.o.Voxel)
	reach := math.Min(mostReach, math.Max(lateral, spreadOf(area)))
	s := sample{x: float32(d.X), y: float32(d.Y), z: float32(d.Z), nx: float32(n.X), ny: float32(n.Y), nz: float32(n.Z)}
	s.weight = v.Weight[i] * float32(lateral*lateral/(reach*reach)) // a sparse view does not blur a dense one
	s.reach, s.cover = float32(reach), float32(area/(math.Pi*reach*reach/3))
	r := max(s.reach, float32(g.mostBand()))
	s.reaches = sidesOf(s.x, r) | sidesOf(s.y, r)<<3 | sidesOf(s.z, r)<<6
	return s
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

// sidesOf says into which blocks along an axis a sample reaches.
func sidesOf(x, reach float32) uint16 {
	b := uint16(2)
	if x < reach-1 {
		b |= 1
	}
	if x > side-reach {
		b |= 4
	}
	return b
}

// neighbours lists for every value of sample.reaches the blocks of 27 that it names.
var neighbours = func() (list [1 << 9]uint32) {
	for v := range list {
		for k := range 27 {
			if needs := needed(k); v&needs == needs {
				list[v] |= 1 << k
			}
		}
	}
	return list
}()

// needed returns the bits of sample.reaches that neighbour k of 27 asks for.
func needed(k int) int { return 1<<(k%3) | 8<<(k/3%3) | 64<<(k/9) }
