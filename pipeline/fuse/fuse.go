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
// Beside its distance every place keeps how completely it is covered: which part of the surface
// around it the points there stand for. At a straight rim that is one half, and there the surface
// ends (trim.go): nothing is drawn where nothing was seen, and holes keep their size. A plate of three cells or more keeps both
// sides. Where cells shall be smaller, blocks are split as in an octree (plan.go), and
// the surface passes between sizes in the cells of the dual grid (join.go).
//
// Memory follows the surface, five bytes a place, not the number of points, but for the
// two scans at hand. All that is held is counted (memory.go); what needs more than is
// allowed is done in slabs (tiles.go). Work
// is cut by blocks of space, and each block takes its points in their own order, so the
// result is the same for every number of workers and of slabs.
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
	Count    []float32   // a point: how many measured ones it is the mean of, for Stats; nil for one
	Prefer   bool        // where it saw the surface, views that are not preferred give way

	Left Left // what was left out before, for Stats

	// Loading is what the view took in memory while it was loaded, bytes, beside what is in
	// the fields above; half of it counts as held by Sight and Finer.
	Loading int64

	// Sight returns what the scanner saw of every direction, for a set-up; nil for others.
	// Surface of one view that others looked through is left out.
	Sight func(ctx context.Context) (*Sight, error)

	// Finer returns the same scan for cells of a size, at least where isNear says, in the
	// frame of the result. Where it is nil the view serves cells of every size.
	Finer func(ctx context.Context, voxel float64, isNear func(p geom.Vec) bool) (View, error)
}

// Left says what of a scan's points was left out before it came to be fused.
type Left struct {
	Read   int64 // points of the scan
	Edges  int64 // at depth edges, where mixed pixels are, or alone
	Flat   int64 // seen too flatly
	Hidden int64 // on stickers that gave way to bare skin
}

// Tally says what became of the points of one view: those of Left, those outside the box, and
// those that were used are all that were read.
type Tally struct {
	View int
	Left
	Outside     int64
	OutsideArea float64 // mm² that they stand for
	Used        int64
}

// Options steers Fuse.
type Options struct {
	Voxel  float64    // size of a cell, mm
	Box    *geom.Box  // what to keep, in the frame of the result; nil keeps everything
	Memory int64      // most bytes that the fusion may hold, views at hand included; 0 for no limit
	Step   float64    // views further apart than this are a double wall, mm; at least half a cell
	Close  float64    // holes up to this size are closed, mm; 0 closes none
	Keep   []geom.Box // where holes stay whatever their size
	Fine   []Fine     // where cells must be smaller

	// Feather is the width over which preferred views take over from the others, mm; 0 for
	// the reach of their points, about a cell and a half.
	Feather float64

	// Follow names the views, loaded once more for it, that have cells of half the size
	// where their points lie that close. nil names none.
	Follow func(i int) bool
}

// Stats says what was fused.
type Stats struct {
	Points  int64   // measured ones that were used
	Blocks  int     // of 8×8×8 places
	Crumbs  int     // floating pieces that were left out
	Area    float64 // of the pieces left out, mm²
	Trimmed int64   // measured points outside the box
	Tiles   int     // that the grid was cut into; 0 where it was held as a whole
	Plain   bool    // the caller left out smaller cells that nobody asked for, as memory did not hold them

	Views   []Tally  // in the order in which they were fused
	Pieces  []Piece  // of the crumbs, the largest ones first
	Doubles []Double // places where one surface is there twice, the largest first
	Ghosts  []Ghost  // surface that was left out since others looked through it, the largest first
	Seam    Seam     // between preferred views and others
	Closed  []Hole   // what was closed: surface that nobody saw

	ClosedTriangles int // the last ones of the mesh, which close what was closed
}

// ErrOptions says that options or views make no sense.
var ErrOptions = errors.New("wrong options of a fusion")

// Fuse loads the n views one after another, the preferred ones first as isPreferred
// says, and returns their common surface. Views without points are passed over. The
// mesh is empty when no surface was seen.
func Fuse(ctx context.Context, n int, isPreferred func(i int) bool, load Load, o Options) (*scan.Mesh, Stats, error) {
	if !(o.Voxel > 0) || math.IsInf(o.Voxel, 0) {
		return nil, Stats{}, fmt.Errorf("%w: a cell of %v mm", ErrOptions, o.Voxel)
	}
	t, from := newTree(o), source{n, isPreferred, load}
	if err := t.follow(ctx, from); err != nil {
		return nil, t.stats, err
	}
	if err := t.addAll(ctx, from); err != nil {
		return nil, t.stats, err
	}
	var c census
	var s *surface
	var err error
	if !t.isFull {
		s, err = t.extract(ctx, &c, everything(), 0)
	}
	if t.isFull && err == nil {
		c = census{}
		s, err = t.tiled(ctx, from, &c)
	}
	if err != nil {
		return nil, t.stats, err
	}
	t.sumUp(&c)
	t.letGo()
	m, err := trim(ctx, s)
	if err != nil {
		return nil, t.stats, err
	}
	if err := dropCrumbs(ctx, m, o.Voxel, &t.stats); err != nil {
		return nil, t.stats, err
	}
	if o.Close > 0 {
		before := m.Triangles()
		t.stats.Closed = closeHoles(m, o.Close, o.Keep)
		t.stats.ClosedTriangles = m.Triangles() - before
	}
	return m, t.stats, nil
}

// Load returns view i. It may be called more than once for one.
type Load func(ctx context.Context, i int) (View, error)

// source is where views come from.
type source struct {
	n           int
	isPreferred func(i int) bool
	load        Load
}

// addAll fuses the views, the preferred ones first. While one is added the next is
// loaded, unless memory is too short for two.
func (t *tree) addAll(ctx context.Context, from source) error {
	order, preferred := t.order(from)
	var now, next View
	for k := -1; k < len(order); k++ {
		if k == preferred {
			t.part()
		}
		step := func(side int) (err error) {
			switch {
			case side == 0 && k >= 0:
				now.Prefer, t.view = k < preferred, order[k]
				err = t.add(ctx, now)
				now = View{}
			case side == 1 && k+1 < len(order):
				next, err = from.load(ctx, order[k+1])
			}
			return err
		}
		err := error(nil)
		if t.whole.hand.isTight {
			if err = step(0); err == nil {
				err = step(1)
			}
		} else {
			err = par.Each(ctx, 2, step)
		}
		if err != nil {
			return err
		}
		t.whole.notice(&next)
		now, next = next, View{}
	}
	if preferred == len(order) {
		t.part()
	}
	return t.feather(ctx)
}

// order returns the views that may have something to say, the preferred ones first, and
// how many of them are preferred.
func (t *tree) order(from source) (order []int, preferred int) {
	for _, wanted := range []bool{true, false} {
		for i := range from.n {
			if from.isPreferred(i) == wanted && t.isReached(i) {
				order = append(order, i)
			}
		}
		if wanted {
			preferred = len(order)
		}
	}
	return order, preferred
}

// isReached reports whether a view may have something to say of what is held.
func (t *tree) isReached(view int) bool {
	reach, known := t.reach[view]
	return !known || reach.grow(1).meets(t.window)
}

func (v *View) check() error {
	n := v.Cloud.Len()
	if n > 0 && (!v.Cloud.HasNormals() || len(v.Weight) != n || len(v.Area) != n || v.Count != nil && len(v.Count) != n) {
		return fmt.Errorf("%w: a view of %d points without a normal, weight and area for each", ErrOptions, n)
	}
	return nil
}
