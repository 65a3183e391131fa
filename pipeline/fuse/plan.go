package fuse

import (
	"fmt"
	"math"

	"trammel/pipeline/geom"
)

// Fine asks for finer cells in a part of space.
type Fine struct {
	Box   geom.Box // in the frame of the result
	Voxel float64  // mm, the largest cell there; cells are the whole ones halved once or several times
}

// mostLevels is how often a cell may be halved.
const mostLevels = 5

// plan says how space is cut into blocks: those of level 0 have the cells of
// Options.Voxel, and each block is either a leaf or split into eight of the next level,
// of cells half as large. Blocks that touch are of the same level or of neighbouring
// ones. A place is the centre of its cell, so that the eight cells that one is split
// into fill it.
type plan struct {
	boxes  [][]blockRange // of each level, what is split
	marked index          // blocks of level 0 that are split besides
	near0  index          // marked ones and their neighbours
}

// blockRange is a box of blocks, both ends included.
type blockRange struct{ lo, hi coord }

func (r *blockRange) contains(c coord) bool {
	return r.lo.x <= c.x && c.x <= r.hi.x && r.lo.y <= c.y && c.y <= r.hi.y && r.lo.z <= c.z && c.z <= r.hi.z
}

// finest returns the highest level.
func (p *plan) finest() int {
	if len(p.boxes) == 0 && p.marked.n > 0 {
		return 1
	}
	return len(p.boxes)
}

// isSplit reports whether the block at c of a level, if there is one, is cut into eight.
func (p *plan) isSplit(level int, c coord) bool {
	if level < len(p.boxes) {
		for i := range p.boxes[level] {
			if p.boxes[level][i].contains(c) {
				return true
			}
		}
	}
	return level == 0 && p.marked.n > 0 && p.marked.find(c.key()) >= 0
}

// holds reports whether space at c is cut as finely as level, or more so.
func (p *plan) holds(level int, c coord) bool { return level == 0 || p.isSplit(level-1, c.parent()) }

func (p *plan) isLeaf(level int, c coord) bool { return p.holds(level, c) && !p.isSplit(level, c) }

// isBorder reports whether a leaf block touches blocks of larger cells.
func (p *plan) isBorder(level int, c coord) bool {
	if level == 0 {
		return false
	}
	for k := range 27 {
		if !p.holds(level, c.plus(k)) {
			return true
		}
	}
	return false
}

// isNear reports whether there may be blocks of a level, above 0, within one of them of c.
func (p *plan) isNear(level int, c coord) bool {
	c = c.parent()
	if level-1 < len(p.boxes) {
		for _, r := range p.boxes[level-1] {
			r.lo, r.hi = r.lo.add(-1), r.hi.add(1)
			if r.contains(c) {
				return true
			}
		}
	}
	return level == 1 && p.near0.n > 0 && p.near0.find(c.key()) >= 0
}

// mark splits a block of level 0.
func (p *plan) mark(c coord) {
	p.marked.add(c.key())
	for k := range 27 {
		p.near0.add(c.plus(k).key())
	}
}

// addBox splits what a box needs: at each level the blocks that it touches, and as many
// around as keep blocks that touch within a level of each other.
func (p *plan) addBox(f Fine, o Options, origin geom.Vec) error {
	if f.Box.IsEmpty() || !(f.Voxel > 0) {
		return fmt.Errorf("%w: cells of %v mm in a box from %v to %v", ErrOptions, f.Voxel, f.Box.Min, f.Box.Max)
	}
	levels := int(math.Ceil(math.Log2(o.Voxel/f.Voxel) - 1e-6))
	if levels > mostLevels {
		return fmt.Errorf("%w: cells of %.3g mm among cells of %.3g mm; halved %d times they are %.3g mm at the finest", ErrOptions, f.Voxel, o.Voxel, mostLevels, o.Voxel/(1<<mostLevels))
	}
	if levels <= 0 {
		return nil
	}
	for len(p.boxes) < levels {
		p.boxes = append(p.boxes, nil)
	}
	size := side * o.Voxel / float64(int(1)<<(levels-1))
	at := func(v geom.Vec) coord { return blockAt(v.Sub(origin), o.Voxel, size) }
	r := blockRange{at(f.Box.Min), at(f.Box.Max)}
	for l := levels - 1; l >= 0; l-- {
		p.boxes[l] = append(p.boxes[l], r)
		r = blockRange{r.lo.add(-1).parent(), r.hi.add(1).parent()}
	}
	return nil
}

// blockAt returns the block of a size in which d lies, seen from place (0, 0, 0) of level
// 0, the centre of a cell of the given voxel.
func blockAt(d geom.Vec, voxel, size float64) coord {
	whole := func(x float64) int32 {
		return int32(min(max(math.Floor((x+voxel/2)/size), -farthest), farthest-1))
	}
	return coord{whole(d.X), whole(d.Y), whole(d.Z)}
}

func (c coord) add(n int32) coord { return coord{c.x + n, c.y + n, c.z + n} }

// parent returns the block that was split into the one at c and seven others.
func (c coord) parent() coord { return c.up(1) }

// up returns the block some levels below that holds the one at c.
func (c coord) up(levels int) coord { return coord{c.x >> levels, c.y >> levels, c.z >> levels} }
