package fuse

import (
	"context"
	"errors"
	"math"
	"reflect"
	"testing"

	"trammel/pipeline/geom"
)

// TestMemoryNamesWhatFits: too fine a cell is refused whole, with a cell that does fit.
func TestMemoryNamesWhatFits(t *testing.T) {
	views := []View{sphere(100, 1, geom.Vec{}), slab(300, 1, 0, 1, askew, geom.Vec{Z: 400}), slab(200, 1, 0, 1, askew, geom.Vec{X: 600})}
	run := func(o Options) (Stats, error) {
		_, s, err := Fuse(context.Background(), len(views), func(int) bool { return false }, func(_ context.Context, i int) (View, error) { return views[i], nil }, o)
		return s, err
	}
	for _, more := range []int64{1 << 18, 1 << 20, 4 << 20} {
		memory := beside(views) + more
		_, err := run(Options{Voxel: 0.8, Memory: memory})
		var e *MemoryError
		if !errors.As(err, &e) || !errors.Is(err, ErrMemory) {
			t.Fatalf("%d bytes: %v", memory, err)
		}
		if e.Allowed != memory || e.Need <= memory || e.Voxel != 0.8 {
			t.Errorf("%+v", e)
		}
		if _, err := run(Options{Voxel: e.Fits, Memory: memory}); err != nil {
			t.Errorf("%d bytes: cells of %v mm were said to fit: %v", memory, e.Fits, err)
		}
		if _, err := run(Options{Voxel: e.Fits / 2, Memory: memory}); err == nil {
			t.Errorf("%d bytes: cells of %v mm fit, and of half the size too", memory, e.Fits)
		}
		if _, err := run(Options{Voxel: 0.8, Memory: e.Works}); err != nil {
			t.Errorf("%d bytes were said to be enough for cells of 0.8 mm: %v", e.Works, err)
		}
	}
	for memory := int64(1); memory < beside(views)/4; memory *= 8 {
		_, err := run(Options{Voxel: 0.8, Memory: memory})
		var e *MemoryError
		if !errors.As(err, &e) || e.Fits != 0 {
			t.Fatalf("%d bytes do not hold the views alone: %v", memory, err)
		}
		if _, err := run(Options{Voxel: 0.8, Memory: e.Works}); err != nil {
			t.Errorf("%d bytes were said to be enough: %v", e.Works, err)
		}
	}
}

// beside is what the largest of some views take at hand, one after another, as a share of the
// memory allowed.
func beside(views []View) int64 {
	t := newTree(Options{Memory: 1})
	for i := range views {
		t.notice(&views[i])
	}
	return int64(float64(t.hand.bytes()) / memoryShare)
}

// TestFarFromOrigin: ten kilometres away there are the same triangles at the same places
// but for the rounding of the vertices about the mesh's own origin.
func TestFarFromOrigin(t *testing.T) {
	const blocks = 416_667 * 24 // a whole number of blocks of 3 mm, so that the grids agree
	far := geom.Vec{X: blocks, Y: -blocks, Z: blocks}
	near, moved := sphere(60, 1.1, geom.Vec{}), sphere(60, 1.1, geom.Vec{})
	moved.ToCommon = geom.Pose{R: geom.Identity(), T: far}
	m, _ := mustFuse(t, Options{Voxel: 3}, near)
	n, _ := mustFuse(t, Options{Voxel: 3}, moved)
	if !reflect.DeepEqual(m.Tri, n.Tri) {
		t.Fatal("other triangles")
	}
	for i := range int32(m.Vertices()) {
		if d := n.At(i).Sub(far).Dist(m.At(i)); d > 1e-3 {
			t.Fatalf("vertex %d moved by %v mm", i, d)
		}
	}
	if d := n.Origin.Dist(far); d > 200 {
		t.Errorf("the mesh's origin is %v mm from the points", d)
	}
}

// TestNoOverlap: scans that share nothing give their surfaces, each whole; one alone gives
// the same as before.
func TestNoOverlap(t *testing.T) {
	a, b := slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{}), slab(120, 1.5, 0, 1, askew, geom.Vec{X: 40_000})
	one, _ := mustFuse(t, Options{Voxel: 3}, a)
	two, s := mustFuse(t, Options{Voxel: 3}, a, b)
	checkManifold(t, two)
	within(t, "area", two.Area(), 2*one.Area(), 0.03*one.Area())
	if s.Crumbs != 0 || len(s.Doubles) != 0 {
		t.Errorf("crumbs or double walls: %+v", s)
	}
	if s.Blocks > 600 {
		t.Errorf("%d blocks: the space between costs memory", s.Blocks)
	}
}

// TestCrumbsAreListed: what is left out is counted and listed with place and area.
func TestCrumbsAreListed(t *testing.T) {
	v := slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	crumbs := []View{v, slab(15, 1, 0, 1, geom.Identity(), geom.Vec{Z: 50}), slab(12, 1, 0, 1, geom.Identity(), geom.Vec{X: 30, Z: 90})}
	m, s := mustFuse(t, Options{Voxel: 3}, crumbs...)
	if m.Bounds().Max.Z > 1 || s.Crumbs != 2 || len(s.Pieces) != 2 {
		t.Fatalf("up to %v, %+v", m.Bounds().Max, s)
	}
	if s.Pieces[0].Area < s.Pieces[1].Area || math.Abs(s.Pieces[0].Area+s.Pieces[1].Area-s.Area) > 1e-9 {
		t.Errorf("areas %+v of %v", s.Pieces, s.Area)
	}
	within(t, "height of the first", s.Pieces[0].At.Z, 50, 0.5)
	within(t, "height of the second", s.Pieces[1].At.Z, 90, 0.5)
}

// TestPackedWeights: adding keeps eleven bits, the order holds, and no size fails.
func TestPackedWeights(t *testing.T) {
	last := uint16(0)
	for e := -30.0; e < 31; e += 0.01 {
		w := float32(math.Exp2(e))
		p := packWeight(w)
		if p < last {
			t.Fatalf("2^%v packs to %d, smaller than before", e, p)
		}
		last = p
		if got := unpackWeight(p); math.Abs(float64(got/w)-1) > 1.0/2048 {
			t.Fatalf("weight %v comes back as %v", w, got)
		}
	}
	for _, w := range []float32{0, 1e-45, 1e-30, 1e38, math.MaxFloat32} {
		if got := unpackWeight(packWeight(w)); !(got >= 0) || math.IsInf(float64(got), 0) {
			t.Errorf("weight %v comes back as %v", w, got)
		}
	}
	for m := float32(-band); m <= band; m += 0.001 {
		if got := float32(packMean(m)) / meanScale; math.Abs(float64(got-m)) > 0.51/meanScale {
			t.Fatalf("distance %v comes back as %v", m, got)
		}
	}
}
