package fuse

import (
	"errors"
	"fmt"
	"math"
)

// ErrMemory says that the grid would not fit into the memory allowed; it comes as a
// MemoryError.
var ErrMemory = errors.New("the fusion grid does not fit into memory")

// MemoryError says what would fit.
type MemoryError struct {
	Voxel, Fits   float64 // mm: the cell asked for, and one that the memory allows
	Finest        float64 // mm: the smallest cell asked for
	Need, Allowed int64   // bytes of the grid
}

func (e *MemoryError) Error() string {
	finer := ""
	if e.Finest < e.Voxel {
		finer = fmt.Sprintf(", down to %.3g mm in places,", e.Finest)
	}
	fits := fmt.Sprintf("cells of %.3g mm fit", e.Fits)
	if e.Finest < e.Voxel {
		fits += fmt.Sprintf(" with the finer ones at %.3g mm", e.Finest*e.Fits/e.Voxel)
	}
	return fmt.Sprintf("cells of %.3g mm%s need %d MB for the fusion grid, %d MB are allowed; %s, or a larger memory setting", e.Voxel, finer, e.Need>>20, e.Allowed>>20, fits)
}

// Unwrap returns ErrMemory.
func (e *MemoryError) Unwrap() error { return ErrMemory }

// blockBytes is what a block takes, its share of the index and of the lists included.
const blockBytes = 5*blockSize + 192

// fill lets go of the blocks: from now on they are only counted.
func (t *tree) fill() {
	t.isFull = true
	for _, g := range t.levels {
		g.blocks, g.at, g.border, g.prefer, g.walls, g.slab = nil, nil, nil, nil, nil, nil
	}
}

// tooLarge says which cells would fit: the finest, in steps of a twentieth, whose blocks
// fit if they are needed wherever samples could be that reach into the blocks counted.
func (t *tree) tooLarge() error {
	e := &MemoryError{Voxel: t.o.Voxel, Finest: t.levels[len(t.levels)-1].o.Voxel, Need: t.n * blockBytes, Allowed: t.o.Memory}
	const margin = 1.05 // for blocks that begin elsewhere
	e.Fits = t.o.Voxel * math.Sqrt(float64(e.Need)/float64(e.Allowed))
	for range 400 { // a setting that holds no block at all has no cell that fits
		n := int64(0)
		for _, g := range t.levels {
			n += int64(g.blocksAt(t.o.Voxel / e.Fits))
		}
		if float64(n)*blockBytes*margin <= float64(e.Allowed) {
			break
		}
		e.Fits *= 1.05
	}
	step := math.Pow(10, math.Floor(math.Log10(e.Fits))-2)
	e.Fits = math.Ceil(e.Fits/step) * step
	return e
}

// blocksAt bounds the number of blocks of a level for larger cells, of which scale is the
// share that cells are of them now.
func (g *grid) blocksAt(scale float64) int32 {
	var coarse index
	more := g.mostBand() * (1 - scale) / side // what larger cells reach further, in their blocks
	span := func(x int32) (lo, hi int32) {
		return int32(math.Floor(float64(x)*scale - more)), int32(math.Floor(float64(x+1)*scale + more))
	}
	for _, key := range g.index.keys {
		if key == 0 {
			continue
		}
		c := coordOf(key - 1)
		x0, x1 := span(c.x)
		y0, y1 := span(c.y)
		z0, z1 := span(c.z)
		for z := z0; z <= z1; z++ {
			for y := y0; y <= y1; y++ {
				for x := x0; x <= x1; x++ {
					coarse.add(coord{x, y, z}.key())
				}
			}
		}
	}
	return coarse.n
}
