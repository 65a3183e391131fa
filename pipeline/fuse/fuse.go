// Package fuse makes one surface of many scans.
//
// In come set-ups one at a time, as points with normals and weights; out comes a
// triangle mesh, a 2-manifold with boundary. Space near the points is kept as
// blocks of signed distances: every point adds the distance to its tangent plane
// to the grid places around it, weighted by its inverse variance and falling off
// sideways, and the surface is where the mean is zero. After B. Curless & M. Levoy,
// A Volumetric Method for Building Complex Models from Range Images, SIGGRAPH 96,
// with tangent planes in place of lines of sight, so that oblique views do not
// stretch the field, and cells after W. E. Lorensen & H. E. Cline, Marching Cubes,
// SIGGRAPH 87 (see cases.go).
//
// Beside its distance every place keeps how completely the best single view
// covered it. The surface ends where that cover ends, so nothing is drawn where
// nothing was seen: holes stay holes. A plate of three cells or more keeps both
// sides. Memory follows the surface, not the number of points, but for the scan
// at hand. Work is cut by blocks of space, and each block takes its points in
// their own order, so the result is the same for every number of workers.
package fuse

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// View is one scan, ready to be fused.
type View struct {
	Cloud    *scan.Cloud // in its own frame, with normals
	ToCommon geom.Pose   // own frame → the frame of the result
	Weight   []float32   // a point: inverse variance across the surface, 1/mm²; 0 leaves it out
	Area     []float32   // a point: the part of the surface that it stands for, mm²
	Prefer   bool        // where it saw the surface, views that are not preferred give way
}

// Options steers Fuse.
type Options struct {
	Voxel  float64   // size of a cell, mm
	Box    *geom.Box // what to keep, in the frame of the result; nil keeps everything
	Memory int64     // most bytes for the grid; 0 for no limit
}

// Stats says what was fused.
type Stats struct {
	Points  int64   // used
	Blocks  int     // of 8×8×8 places
	Crumbs  int     // floating pieces that were left out
	Area    float64 // of the pieces left out, mm²
	Trimmed int64   // points outside the box
}

// ErrMemory says that the grid would not fit into the memory allowed.
var ErrMemory = errors.New("the fusion grid does not fit into memory")

// ErrOptions says that options or views make no sense.
var ErrOptions = errors.New("wrong options of a fusion")

// Fuse loads the n views one after another, the preferred ones first as isPreferred
// says, and returns their common surface. Views without points are passed over. The
// mesh is empty when no surface was seen.
func Fuse(ctx context.Context, n int, isPreferred func(i int) bool, load func(ctx context.Context, i int) (View, error), o Options) (*scan.Mesh, Stats, error) {
	if !(o.Voxel > 0) || math.IsInf(o.Voxel, 0) {
		return nil, Stats{}, fmt.Errorf("%w: a cell of %v mm", ErrOptions, o.Voxel)
	}
	g := newGrid(o)
	for _, preferred := range []bool{true, false} {
		for i := range n {
			if isPreferred(i) != preferred {
				continue
			}
			v, err := load(ctx, i)
			if err != nil {
				return nil, g.stats, err
			}
			v.Prefer = preferred
			if err := g.add(ctx, v); err != nil {
				return nil, g.stats, err
			}
		}
	}
	m, err := g.extract(ctx)
	if err != nil {
		return nil, g.stats, err
	}
	g.stats.Blocks = len(g.blocks)
	return dropCrumbs(m, o.Voxel, &g.stats), g.stats, nil
}

const (
	side      = 8 // places along a block
	blockSize = side * side * side
	// band is how far from a tangent plane places are filled, in cells: the corners
	// of a cell that a surface crosses lie within √3 of it.
	band = 1.75
	// lateral is the least radius that a point reaches sideways, in cells. Smaller
	// ones leave gaps between points a cell apart; larger ones smooth more.
	lateral = 1.5
	// mostReach keeps sparse points from reaching beyond the neighbouring block.
	mostReach = 6.0
	// leastCover is the share of cover at which the surface ends. A straight border
	// has one half; cells whose corners all must be covered end half a cell before,
	// and one fifth makes up for that.
	leastCover = 0.2
)

// block is 8×8×8 places, x fastest.
type block struct {
	sum, weight [blockSize]float32
	cover       [blockSize]uint8 // best single view, 255 is complete
	prefer      [blockSize]uint8 // cover by preferred views
}

// coord numbers a block along each axis.
type coord struct{ x, y, z int32 }

type grid struct {
	o      Options
	origin geom.Vec // of place (0, 0, 0), in the frame of the result
	placed bool     // origin is chosen
	index  map[coord]int32
	blocks []*block
	at     []coord
	stats  Stats
}

func newGrid(o Options) *grid { return &grid{o: o, index: map[coord]int32{}} }

// settle chooses the origin near the first points, on a whole number of cells so
// that the grid does not depend on where a box ends.
func (g *grid) settle(v View) {
	if g.placed || v.Cloud.Len() == 0 {
		return
	}
	c := v.ToCommon.Apply(v.Cloud.At(0))
	if g.o.Box != nil {
		c = g.o.Box.Center()
	}
	whole := func(x float64) float64 { return math.Round(x/g.o.Voxel/side) * g.o.Voxel * side }
	g.origin = geom.Vec{X: whole(c.X), Y: whole(c.Y), Z: whole(c.Z)}
	g.placed = true
}

// sample is a point in units of cells, seen from the grid's origin.
type sample struct {
	x, y, z, nx, ny, nz float32
	weight              float32
	reach               float32 // sideways, cells
	cover               float32 // what it adds to the cover of a place on its axis
}

// add fuses one view into the grid.
func (g *grid) add(ctx context.Context, v View) error {
	if v.Cloud.Len() == 0 {
		return nil
	}
	if !v.Cloud.HasNormals() || len(v.Weight) != v.Cloud.Len() || len(v.Area) != v.Cloud.Len() {
		return fmt.Errorf("%w: a view of %d points without a normal, weight and area for each", ErrOptions, v.Cloud.Len())
	}
	g.settle(v)
	samples := g.samples(v)
	s := g.sort(samples)
	todo, err := g.touch(s)
	if err != nil {
		return err
	}
	return par.Blocks(ctx, len(todo), 16, func(_, lo, hi int) error {
		for _, b := range todo[lo:hi] {
			g.gather(b, s, v.Prefer)
		}
		return nil
	})
}

func (g *grid) samples(v View) []sample {
	out := make([]sample, 0, v.Cloud.Len())
	for i := range v.Cloud.X {
		if !isPositive(v.Weight[i]) || !isPositive(v.Area[i]) {
			continue
		}
		p := v.ToCommon.Apply(v.Cloud.At(i))
		if g.o.Box != nil && !g.o.Box.Contains(p) {
			g.stats.Trimmed++
			continue
		}
		d := p.Sub(g.origin).Scale(1 / g.o.Voxel)
		n := v.ToCommon.Turn(v.Cloud.Normal(i))
		if !d.IsFinite() || math.Abs(d.X)+math.Abs(d.Y)+math.Abs(d.Z) > 1e8 || n.Norm2() < 0.5 {
			continue
		}
		area := float64(v.Area[i]) / (g.o.Voxel * g.o.Voxel)
		reach := math.Min(mostReach, math.Max(lateral, 1.3*math.Sqrt(area)))
		out = append(out, sample{float32(d.X), float32(d.Y), float32(d.Z), float32(n.X), float32(n.Y), float32(n.Z),
			v.Weight[i] * float32(lateral*lateral/(reach*reach)), // a sparse view does not blur a dense one
			float32(reach), float32(area / (math.Pi * reach * reach / 3))})
	}
	g.stats.Points += int64(len(out))
	return out
}

// isPositive turns down zero, NaN and infinity.
func isPositive(x float32) bool { return x > 0 && x-x == 0 }

// sorted holds the samples of a view by the block that they lie in.
type sorted struct {
	samples []sample
	start   map[coord][2]int32 // range in samples
	blocks  []coord            // in order of first sight
	reach   map[coord]float32  // the largest in a block, cells
}

func blockOf(s *sample) coord {
	f := func(x float32) int32 { return int32(math.Floor(float64(x) / side)) }
	return coord{f(s.x), f(s.y), f(s.z)}
}

func (g *grid) sort(samples []sample) sorted {
	s := sorted{samples: make([]sample, len(samples)), start: map[coord][2]int32{}, reach: map[coord]float32{}}
	number := map[coord]int32{}
	of := make([]int32, len(samples))
	var counts []int32
	var last coord
	lastID := int32(-1)
	for i := range samples {
		c := blockOf(&samples[i])
		if lastID < 0 || c != last {
			id, ok := number[c]
			if !ok {
				id = int32(len(counts))
				number[c], counts, s.blocks = id, append(counts, 0), append(s.blocks, c)
			}
			last, lastID = c, id
		}
		of[i] = lastID
		counts[lastID]++
	}
	next := make([]int32, len(counts))
	at := int32(0)
	for id, c := range counts {
		next[id] = at
		s.start[s.blocks[id]] = [2]int32{at, at + c}
		at += c
	}
	for i, id := range of {
		s.samples[next[id]] = samples[i]
		next[id]++
	}
	for _, c := range s.blocks {
		r := s.start[c]
		most := float32(band)
		for _, p := range s.samples[r[0]:r[1]] {
			most = max(most, p.reach)
		}
		s.reach[c] = most
	}
	return s
}

// touch makes the blocks that samples reach into and returns them in order.
func (g *grid) touch(s sorted) ([]int32, error) {
	var todo []int32
	seen := map[coord]bool{}
	for _, c := range s.blocks {
		for k := range 27 {
			n := coord{c.x + int32(k%3) - 1, c.y + int32(k/3%3) - 1, c.z + int32(k/9) - 1}
			if seen[n] || !s.reaches(c, n) {
				continue
			}
			seen[n] = true
			id, ok := g.index[n]
			if !ok {
				id = int32(len(g.blocks))
				g.index[n] = id
				g.blocks, g.at = append(g.blocks, new(block)), append(g.at, n)
			}
			todo = append(todo, id)
		}
	}
	const bytes = 2*4*blockSize + 2*blockSize + 96 // a block and its entry in the index
	if need := int64(len(g.blocks)) * bytes; g.o.Memory > 0 && need > g.o.Memory {
		coarser := g.o.Voxel * math.Sqrt(float64(need)/float64(g.o.Memory))
		return nil, fmt.Errorf("cells of %.3g mm need more than %d MB; a voxel of about %.2g mm would fit, or a larger memory setting: %w", g.o.Voxel, g.o.Memory>>20, 1.2*coarser, ErrMemory)
	}
	return todo, nil
}

// reaches reports whether a sample of block c reaches into its neighbour n.
func (s *sorted) reaches(c, n coord) bool {
	if c == n {
		return true
	}
	r := s.start[c]
	for i := r[0]; i < r[1]; i++ {
		p := &s.samples[i]
		reach := max(p.reach, band)
		if near(p.x, n.x, reach) && near(p.y, n.y, reach) && near(p.z, n.z, reach) {
			return true
		}
	}
	return false
}

func near(x float32, b int32, reach float32) bool {
	lo := float32(b * side)
	return x > lo-reach && x < lo+side-1+reach
}
