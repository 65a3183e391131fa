package fuse

import (
	"context"
	"math"
	"math/bits"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

const (
	side      = 8 // places along a block
	blockSize = side * side * side
	// band is how far from a tangent plane places are filled, in cells: the corners
	// of a cell that a surface crosses lie within √3 of it.
	band = 1.75
	// lateral is the least radius that a point reaches sideways, in cells. Smaller
	// ones leave gaps between points a cell apart; larger ones smooth more. On the bench
	// scans the surface is 0.0856 mm off (root mean square) at 1.5 and 0.0842 at 1.6, with
	// cells of 2 mm.
	lateral = 1.6
	// mostReach keeps sparse points from reaching beyond the neighbouring block.
	mostReach = 6.0
	// leastCover is the share of cover from which on a view has seen a place: a straight
	// rim, where half of the points around are missing, has one half, and half a cell beyond it
	// there is one fifth.
	leastCover = 0.2
	// complete is the cover that stands for a whole one.
	complete = 255
	enough   = uint8(leastCover * complete)
	// some is the cover of the places that a surface is drawn between: it reaches more than a
	// cell beyond its rim, and trim takes it back.
	some = 1
	// almost is the cover from which on one view covers a place for all.
	almost = 204
)

// block is 8×8×8 places, x fastest.
type block struct {
	mean   [blockSize]int16  // of the distances, in cells by meanScale
	weight [blockSize]uint16 // of the mean, as packWeight has it
	cover  [blockSize]uint8  // of complete
}

// meanScale makes the band fit into 16 bits, in steps of 1/16384 cell.
const meanScale = 16384

// packMean rounds a distance within the band.
func packMean(m float32) int16 { return int16(int32(m*meanScale+(1<<15+0.5)) - 1<<15) }

// packWeight rounds a weight to eleven bits of precision with six of exponent: 2^-31 to
// 2^32. A mean over fewer than two thousand equal views is exact to the steps of its
// distance.
func packWeight(w float32) uint16 {
	const half = 1 << 12
	b := int64(math.Float32bits(w)) + half
	return uint16(min(max(b>>13-weightBias, 0), math.MaxUint16))
}

func unpackWeight(w uint16) float32 {
	if w == 0 {
		return 0
	}
	return math.Float32frombits((uint32(w) + weightBias) << 13)
}

const weightBias = (127 - 32) << 10

// coord numbers a block along each axis.
type coord struct{ x, y, z int32 }

// farthest is how far from the origin blocks may lie, so that a coord fits into a key.
const farthest = 1 << 20

func (c coord) key() uint64 {
	return uint64(c.x+farthest) | uint64(c.y+farthest)<<21 | uint64(c.z+farthest)<<42
}

func coordOf(key uint64) coord {
	const mask = 1<<21 - 1
	return coord{int32(key&mask) - farthest, int32(key>>21&mask) - farthest, int32(key>>42) - farthest}
}

// plus returns the neighbour k of 27; the block itself is number 13.
func (c coord) plus(k int) coord {
	return coord{c.x + int32(k%3) - 1, c.y + int32(k/3%3) - 1, c.z + int32(k/9) - 1}
}

// grid holds the blocks of one level.
type grid struct {
	tree   *tree
	level  int
	o      Options  // Voxel is that of the level
	origin geom.Vec // of place (0, 0, 0), in the frame of the result
	index  index    // of the blocks
	blocks []*block
	at     []coord
	border []bool              // beside blocks of larger cells
	prefer []*[blockSize]uint8 // cover by preferred views, nil for none
	apart  []*apart            // what preferred views said, while a feather is to be laid
	slab   []block             // blocks that are not handed out yet
	walls  []wall              // how the views of each block agree
}

// block returns the number of the block at c, a new one if need be, or -1 if there is
// none of this level in the window. Once they need more memory than allowed, blocks are
// only counted, to say what would fit.
func (g *grid) block(c coord) int32 {
	if id := g.index.find(c.key()); id >= 0 || !g.tree.wants(g.level, c) {
		return id
	}
	id, _ := g.index.add(c.key())
	g.tree.n++
	if t := g.tree; t.isFull || !t.fits(t.n, t.extra, t.whole.mesh) {
		g.tree.fill()
		return id
	}
	if len(g.slab) == 0 {
		g.slab = make([]block, 64)
	}
	g.blocks, g.at = append(g.blocks, &g.slab[0]), append(g.at, c)
	g.border = append(g.border, g.tree.plan.isBorder(g.level, c))
	g.prefer, g.walls = append(g.prefer, nil), append(g.walls, wall{})
	g.slab = g.slab[1:]
	return id
}

// add fuses one view into the grid.
func (g *grid) add(ctx context.Context, v View) error {
	if v.Cloud.Len() == 0 {
		return nil
	}
	sets, err := g.sort(ctx, v)
	if err != nil {
		return err
	}
	todo, err := g.touch(ctx, sets)
	if err != nil || g.tree.isFull {
		return err
	}
	return par.Blocks(ctx, len(todo), 16, func(_, lo, hi int) error {
		s := spare.Get().(*groups)
		for _, b := range todo[lo:hi] {
			g.gather(b, sets, v.Prefer, s)
		}
		spare.Put(s)
		return nil
	})
}

// touch makes the blocks that samples reach into and returns them in order.
func (g *grid) touch(ctx context.Context, sets []*sorted) ([]int32, error) {
	s := sets[g.level]
	s.into, s.cones = make([]uint32, len(s.homes)), make([]cone, len(s.homes))
	if err := par.Blocks(ctx, len(s.homes), 256, func(_, lo, hi int) error {
		for h := lo; h < hi; h++ {
			for _, r := range s.reaches[s.start[h]:s.start[h+1]] {
				s.into[h] |= neighbours[r]
			}
			s.cones[h] = coneOf(s.samples[s.start[h]:s.start[h+1]])
		}
		return nil
	}); err != nil {
		return nil, err
	}
	l := todoList{seen: make([]bool, g.index.n)}
	for h, c := range s.homes {
		for r := s.into[h]; r != 0; r &= r - 1 {
			l.add(g.block(c.plus(bits.TrailingZeros32(r))))
		}
	}
	for k, s := range sets[:g.level] {
		g.touchSparse(k, s, &l)
	}
	return l.ids, nil
}

// todoList holds blocks in the order in which they were first named.
type todoList struct {
	ids  []int32
	seen []bool
}

func (l *todoList) add(id int32) {
	if id < 0 {
		return
	}
	if int(id) >= len(l.seen) {
		l.seen = append(l.seen, make([]bool, int(id)/2+1024)...)
	}
	if !l.seen[id] {
		l.seen[id] = true
		l.ids = append(l.ids, id)
	}
}

// index finds numbers, given out in order, by key: a table with open addressing, at
// most half full.
type index struct {
	keys []uint64 // shifted up by one; 0 for a free slot
	ids  []int32
	n    int32
}

// slot returns where a key is or would be.
func (x *index) slot(key uint64) int {
	mask := len(x.keys) - 1
	at := int(key*0x9E3779B97F4A7C15>>33) & mask
	for x.keys[at] != 0 && x.keys[at] != key+1 {
		at = (at + 1) & mask
	}
	return at
}

// find returns the number of a key, or -1. It may be called concurrently.
func (x *index) find(key uint64) int32 {
	if x.n == 0 {
		return -1
	}
	at := x.slot(key)
	if x.keys[at] == 0 {
		return -1
	}
	return x.ids[at]
}

// add returns the number of a key, a new one if it had none.
func (x *index) add(key uint64) (id int32, isNew bool) {
	if 2*int(x.n) >= len(x.keys) {
		x.grow()
	}
	at := x.slot(key)
	if x.keys[at] != 0 {
		return x.ids[at], false
	}
	x.keys[at], x.ids[at] = key+1, x.n
	x.n++
	return x.n - 1, true
}

func (x *index) grow() {
	old := *x
	size := max(1024, 2*len(old.keys))
	x.keys, x.ids = make([]uint64, size), make([]int32, size)
	for i, k := range old.keys {
		if k != 0 {
			at := x.slot(k - 1)
			x.keys[at], x.ids[at] = k, old.ids[i]
		}
	}
}
