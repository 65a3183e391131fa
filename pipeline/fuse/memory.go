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
	Voxel, Fits   float64 // mm: the cell asked for, and one that the memory allows; 0 if none does
	Finest        float64 // mm: the smallest cell asked for
	Need, Allowed int64   // bytes of the mesh, the least part of the grid and the scans at hand
	Hand          int64   // bytes of the scans at hand
	Works         int64   // bytes that would be enough for the cell asked for
}

func (e *MemoryError) Error() string {
	finer := ""
	if e.Finest < e.Voxel {
		finer = fmt.Sprintf(", down to %.3g mm in places,", e.Finest)
	}
	fits := fmt.Sprintf("cells of %.3g mm fit", e.Fits)
	switch {
	case e.Fits == 0:
		fits = "no cell fits"
	case e.Finest < e.Voxel:
		fits += fmt.Sprintf(" with the finer ones at %.3g mm", e.Finest*e.Fits/e.Voxel)
	}
	fits += fmt.Sprintf("; for those asked for set it to %.0f MB", math.Ceil(float64(e.Works)/1e6))
	return fmt.Sprintf("cells of %.3g mm%s need %s of memory for the fused mesh, a part of the grid and the scans at hand (those alone %s), and %s are allowed; %s", e.Voxel, finer, megabytes(e.Need), megabytes(e.Hand), megabytes(e.Allowed), fits)
}

// megabytes keeps whole ones from ten on: settings are written so.
func megabytes(n int64) string {
	if mb := float64(n) / 1e6; mb < 10 {
		return fmt.Sprintf("%.3g MB", mb)
	}
	return fmt.Sprintf("%.0f MB", math.Ceil(float64(n)/1e6))
}

// Unwrap returns ErrMemory.
func (e *MemoryError) Unwrap() error { return ErrMemory }

// What things take, in bytes.
const (
	// blockBytes is what a block takes, its share of the index, of the lists and of what is
	// found out about it included.
	blockBytes = 5*blockSize + 240
	// workBytes is what finding the surface in a block takes besides.
	workBytes = 320
	// preferBytes is what it is that preferred views covered a block, and apartBytes what they
	// said, while a feather is to be laid.
	preferBytes, apartBytes = blockSize, 4 * blockSize
	// pointBytes is what a point of a view takes, and sampleBytes what it takes while it is
	// being fused, at each level.
	pointBytes, sampleBytes = 36, 56
	sightBytes              = 2 * 4 * 6 * sightSide * sightSide
	// memoryShare is how much of the memory allowed may be held: the collector needs to be
	// ahead, and what is freed is not free at once.
	memoryShare = 0.85
	// meshShare is what a mesh takes of what its grid does, as long as nothing better is known:
	// 0.62 on the bench scans with cells of 3 mm, 0.58 with 2 mm.
	meshShare = 0.65
)

// hand is what the largest of the views take: while one is fused, and while one is loaded.
type hand struct {
	view, loading int64
	isTight       bool // they come one after another
}

// notice counts a view that was loaded.
func (t *tree) notice(v *View) {
	if v.Cloud == nil {
		return
	}
	h, n := &t.hand, int64(v.Cloud.Len())
	h.view = max(h.view, (pointBytes+sampleBytes)*n+v.Loading/2)
	h.loading = max(h.loading, pointBytes*n+v.Loading)
	h.isTight = h.isTight || t.o.Memory > 0 && float64(h.view+h.loading) > memoryShare/4*float64(t.o.Memory)
}

// bytes is what is at hand at one time.
func (h *hand) bytes() int64 {
	if h.isTight {
		return max(h.view, h.loading)
	}
	return h.view + h.loading
}

// holds returns what a fusion holds with so many blocks, which have something extra, and a
// mesh: while views are added, or while the surface is found.
func (t *tree) holds(blocks, extra, mesh int64) int64 {
	return mesh + extra + blocks*blockBytes + int64(len(t.whole.lookers))*sightBytes + max(t.whole.hand.bytes(), blocks*workBytes)
}

// fits reports whether memory holds that.
func (t *tree) fits(blocks, extra, mesh int64) bool {
	return t.o.Memory <= 0 || float64(t.holds(blocks, extra, mesh)) <= memoryShare*float64(t.o.Memory)
}

// countExtra counts what preferred views covered and said.
func (t *tree) countExtra() {
	t.extra = 0
	for _, g := range t.levels {
		for _, p := range g.prefer {
			if p != nil {
				t.extra += preferBytes
			}
		}
		for _, a := range g.apart {
			if a != nil {
				t.extra += apartBytes
			}
		}
	}
}

// likelyExtra is what some blocks have of it, if they are as others are.
func (t *tree) likelyExtra(blocks int64) int64 {
	each := float64(preferBytes)
	if t.o.Feather > 0 {
		each += apartBytes
	}
	return int64(each * float64(t.preferred) / float64(max(t.n, 1)) * float64(blocks))
}

func (t *tree) likelyMesh() int64 { return int64(meshShare * float64(t.n*blockBytes)) }

// letGo lets go of all that the mesh does not need.
func (t *tree) letGo() {
	t.levels, t.lookers, t.gone = nil, nil, nil
}

// fill lets go of the blocks: from now on they are only counted.
func (t *tree) fill() {
	t.isFull = true
	for _, g := range t.levels {
		g.blocks, g.at, g.border, g.prefer, g.apart, g.walls, g.slab = nil, nil, nil, nil, nil, nil, nil
	}
}

// tooLarge says which cells would fit: the finest, in steps of a twentieth, whose mesh fits
// beside any layer of blocks and its neighbours and the views at hand, if blocks are needed
// wherever samples could be that reach into those counted.
func (t *tree) tooLarge() error {
	mesh := float64(t.mesh)
	if mesh == 0 {
		mesh = float64(t.likelyMesh())
	}
	beside := t.holds(0, 0, 0)
	need := func(scale, margin float64) float64 {
		n := t.most(scale)
		return (margin*float64(t.holds(n, t.likelyExtra(n), int64(mesh*scale*scale))-beside) + float64(beside)) / memoryShare
	}
	e := &MemoryError{Voxel: t.o.Voxel, Finest: t.levels[len(t.levels)-1].o.Voxel, Need: int64(need(1, 1)), Allowed: t.o.Memory, Hand: beside, Fits: t.o.Voxel}
	const margin = 1.1                                                                                       // for blocks that begin elsewhere, and a mesh that is reckoned from a part
	e.Works = int64(need(1, margin)) + int64(float64(t.hand.view+t.hand.loading-t.hand.bytes())/memoryShare) // two views at a time
	for range 200 {
		e.Fits *= 1.05
		if need(t.o.Voxel/e.Fits, margin) <= float64(e.Allowed) {
			e.Fits = roundUp(e.Fits)
			return e
		}
	}
	e.Fits = 0 // a setting that holds no block at all has no cell that fits
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
