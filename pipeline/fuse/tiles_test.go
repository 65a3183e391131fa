package fuse

import (
	"context"
	"errors"
	"reflect"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// TestTilesDoNotShow: however little memory there is, the mesh and what is said of it are the
// same to the last bit, with and without finer cells, or the fusion is refused.
func TestTilesDoNotShow(t *testing.T) {
	hand := noisy(slab(60, 0.9, 0.3, 1, askew, geom.Vec{}), 0.1, 1)
	hand.Prefer = true
	pair := geom.Vec{X: 90}
	views := []View{
		noisy(sphere(40, 1.2, geom.Vec{X: 3}), 0.3, 4), noisy(slab(100, 1.5, 0, 1, askew, geom.Vec{}), 0.3, 2), hand,
		noisy(slab(80, 1.5, 0, 1, askew, pair), 0.3, 3), noisy(slab(80, 1.5, 4, 1, askew, pair), 0.3, 8), slab(90, 2, -40, 1, geom.Identity(), geom.Vec{}),
	}
	for name, o := range map[string]Options{
		"one size":  {Voxel: 3},
		"a box":     {Voxel: 3, Box: &geom.Box{Min: geom.Vec{X: -50, Y: -43, Z: -30}, Max: geom.Vec{X: 140, Y: 40, Z: 50}}},
		"two sizes": {Voxel: 4, Follow: func(i int) bool { return i == 2 }},
		"fine":      {Voxel: 4, Fine: []Fine{{geom.Box{Min: geom.Vec{X: -20, Y: -10, Z: -40}, Max: geom.Vec{X: 0, Y: 20, Z: 13}}, 1}}},
	} {
		var c census
		from := source{len(views), func(i int) bool { return views[i].Prefer }, func(_ context.Context, i int) (View, error) { return views[i], nil }}
		ctx, whole := context.Background(), newTree(o)
		if err := errors.Join(whole.follow(ctx, from), whole.addAll(ctx, from)); err != nil {
			t.Fatal(err)
		}
		m, err := whole.extract(ctx, &c, everything(), 0)
		if err != nil {
			t.Fatal(err)
		}
		in, all := counts{}, nothing()
		for _, g := range whole.levels {
			g.layersAt(1, in)
		}
		for z := range in {
			all = all.including(z)
		}
		for _, thick := range []int32{1, 3} {
			cut, d := &surface{Mesh: &scan.Mesh{Origin: whole.origin}}, census{}
			for at := all.from; at < all.to; at += thick {
				if err := whole.addSlab(ctx, layers{at, at + thick}, from, &d, cut); err != nil {
					t.Fatal(err)
				}
			}
			if !reflect.DeepEqual(m, cut) {
				t.Errorf("%s: in slabs of %d layers of %d the mesh is another: %d and %d triangles", name, thick, all.to-all.from, cut.Triangles(), m.Triangles())
			}
			if !reflect.DeepEqual(c, d) {
				t.Errorf("%s: in slabs of %d layers other facts of double walls and the seam", name, thick)
			}
		}
		if len(c.seam) != len(whole.levels) || c.seam[0].n == 0 || len(c.merged[0]) == 0 {
			t.Errorf("%s: no seam or no double wall that could differ", name)
		}
	}
}

// TestLittleMemory: between what holds all of the grid and what is refused, the fusion is cut
// into tiles, and all that it says is the same.
func TestLittleMemory(t *testing.T) {
	var views []View
	for i := range 6 {
		views = append(views, noisy(sphere(40, 1.2, geom.Vec{Z: 70 * float64(i)}), 0.2, uint64(i)))
	}
	o := Options{Voxel: 2}
	m, whole := mustFuse(t, o, views...)
	tiles := map[int]bool{}
	for more := int64(whole.Blocks)*(blockBytes+workBytes) + meshBytes(m.Vertices(), m.Triangles()) + 1<<16; ; more = more * 9 / 10 {
		memory := 2*beside(views) + int64(float64(more)/memoryShare)
		o.Memory = memory
		cut, s, err := fuseAll(o, views)
		if errors.Is(err, ErrMemory) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		tiles[s.Tiles] = true
		s.Tiles = 0
		if !reflect.DeepEqual(m, cut) || !reflect.DeepEqual(whole, s) {
			t.Errorf("in %d bytes another result:\n%+v\n%+v", memory, s, whole)
		}
	}
	if len(tiles) < 3 || !tiles[0] {
		t.Errorf("tiles %v; the test is to see none and several numbers", tiles)
	}
}

func fuseAll(o Options, views []View) (*scan.Mesh, Stats, error) {
	return Fuse(context.Background(), len(views), func(i int) bool { return views[i].Prefer }, func(_ context.Context, i int) (View, error) { return views[i], nil }, o)
}

// TestMemoryIsUsed: a fusion that is refused with a mesh that cannot fit names a cell that
// fits, cut into tiles.
func TestMemoryIsUsed(t *testing.T) {
	views := []View{sphere(110, 0.9, geom.Vec{})}
	for _, more := range []int64{4 << 20, 5 << 20} {
		memory := beside(views) + more
		o := Options{Voxel: 1, Memory: memory}
		_, _, err := fuseAll(o, views)
		var e *MemoryError
		if !errors.As(err, &e) {
			t.Fatalf("%d bytes: %v", memory, err)
		}
		m, s := mustFuse(t, Options{Voxel: e.Fits, Memory: memory}, views...)
		if got := meshBytes(m.Vertices(), m.Triangles()); got > more || got < more/5 || s.Tiles < 2 {
			t.Errorf("cells of %v mm give a mesh of %d bytes in %d tiles, %d are allowed", e.Fits, got, s.Tiles, memory)
		}
	}
}
