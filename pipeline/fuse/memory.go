package fuse

import (
	"errors"
	"fmt"
	"math"
)

// ErrMemory says that the mesh and the least part of the grid that can be held alone do
// not fit into the memory allowed; it comes as a MemoryError.
var ErrMemory = errors.New("the fusion does not fit into memory")

// MemoryError says what would fit.
type MemoryError struct {
	Voxel, Fits   float64 // mm: the cell asked for, and one that the memory allows
	Finest        float64 // mm: the smallest cell asked for
	Need, Allowed int64   // bytes of the mesh and the least part of the grid
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
	return fmt.Sprintf("cells of %.3g mm%s need %d MB for the fused mesh and a part of the grid, %d MB are allowed; %s, or a larger memory setting", e.Voxel, finer, e.Need>>20, e.Allowed>>20, fits)
}

// Unwrap returns ErrMemory.
func (e *MemoryError) Unwrap() error { return ErrMemory }

// blockBytes is what a block takes, its share of the index and of the lists included.
const blockBytes = 5*blockSize + 192

// fill lets go of the blocks: from now on they are only counted.
func (t *tree) fill() {
	t.isFull = true
	for _, g := range t.levels {
		g.blocks, g.at, g.border, g.prefer, g.apart, g.walls, g.slab = nil, nil, nil, nil, nil, nil, nil
	}
}

// meshShare is what a mesh takes of what its grid does, as long as nothing better is known.
const meshShare = 0.75

// tooLarge says which cells would fit: the finest, in steps of a twentieth, whose mesh fits
// beside any layer of blocks and its neighbours, if blocks are needed wherever samples could
// be that reach into those counted.
func (t *tree) tooLarge() error {
	mesh := float64(t.mesh)
	if mesh == 0 {
		mesh = meshShare * float64(t.n*blockBytes)
	}
	need := func(scale, margin float64) float64 {
		return margin * (mesh*scale*scale + float64(t.most(scale)*blockBytes))
	}
	e := &MemoryError{Voxel: t.o.Voxel, Finest: t.levels[len(t.levels)-1].o.Voxel, Need: int64(need(1, 1)), Allowed: t.o.Memory, Fits: t.o.Voxel}
	const margin = 1.1 // for blocks that begin elsewhere, and a mesh that is reckoned from a part
	for range 400 {    // a setting that holds no block at all has no cell that fits
		e.Fits *= 1.05
		if need(t.o.Voxel/e.Fits, margin) <= float64(e.Allowed) {
			break
		}
	}
	e.Fits = roundUp(e.Fits)
	return e
}

// roundUp keeps three digits.
func roundUp(x float64) float64 {
	step := math.Pow(10, math.Floor(math.Log10(x))-2)
	return math.Ceil(x/step) * step
}

// most returns the number of blocks in the fullest layer and those around it, for larger
// cells, of which scale is the share that cells are of them now.
func (t *tree) most(scale float64) int64 {
	in := counts{}
	for _, g := range t.levels {
		g.layersAt(scale, in)
	}
	var most int64
	for z := range in {
		most = max(most, in.around(layers{z, z + 1}, t.halo()))
	}
	return most
}

// layersAt adds a bound of the number of blocks of the level in each layer, for larger
// cells.
func (g *grid) layersAt(scale float64, in counts) {
	if scale == 1 {
		for _, key := range g.index.keys {
			if key != 0 {
				in[coordOf(key-1).z>>g.level]++
			}
		}
		return
	}
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
					if _, isNew := coarse.add(coord{x, y, z}.key()); isNew {
						in[z>>g.level]++
					}
				}
			}
		}
	}
}
