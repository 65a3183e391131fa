package pipeline

import (
	"context"
	"math"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/disk"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// TestShortMemoryChangesNothing: a fused mesh that memory does not hold beside its reduction
// is taken from its file and measured with a small index, with the same meshes and numbers.
func TestShortMemoryChangesNothing(t *testing.T) {
	ctx := context.Background()
	const side, closed = 240, 500
	m := &scan.Mesh{Origin: geom.Vec{X: 1000}}
	for y := range side {
		for x := range side {
			m.Append(geom.Vec{X: 1000 + 2*float64(x), Y: 2 * float64(y), Z: 20 * math.Sin(float64(x)/15) * math.Cos(float64(y)/11)})
		}
	}
	for y := range int32(side - 1) {
		for x := range int32(side - 1) {
			a := side*y + x
			m.Tri = append(m.Tri, a, a+1, a+side, a+1, a+side+1, a+side)
		}
	}
	build := func(memory int64) (*run, *Built) {
		r := newRun(Options{Store: stage.Open(t.TempDir(), disk.New(nil), nil), Memory: memory})
		key, err := stage.KeyOf("fuse", fuseVersion, nil)
		if err != nil {
			t.Fatal(err)
		}
		kept, err := stage.Run(r.store, "fuse", "job", key, stage.With[fuse.Stats](stage.Mesh()), func() (stage.Pair[fuse.Stats, *scan.Mesh], error) {
			return stage.Pair[fuse.Stats, *scan.Mesh]{Facts: fuse.Stats{ClosedTriangles: closed}, Value: m}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		r.fused, r.fusedKey = kept.Value, key
		b := &Built{Checked: Checked{Job: &job.Sheet{Mesh: job.Mesh{Triangles: 20_000, Voxel: 2, Levels: []int{3000}}}}}
		b.Mesh.Fusion = kept.Facts
		if err := r.reduce(ctx, b); err != nil {
			t.Fatal(err)
		}
		return r, b
	}
	r, want := build(0)
	if r.mapped != nil || r.fused != m {
		t.Error("the mesh was mapped although nothing is said of memory")
	}
	r, got := build(4_000_000)
	if r.mapped == nil && runtime.GOOS != "windows" {
		t.Error("the mesh stays in memory")
	}
	if err := r.letGo(); err != nil {
		t.Error(err)
	}
	got.FromRaw, want.FromRaw = nil, nil // there are no scans
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v instead of %+v", got.Mesh, want.Mesh)
	}
	if n := want.Surface.Triangles(); n > 20_000 || n < 15_000 || len(want.Closed) == 0 || len(want.Departure) != want.Surface.Vertices() || len(want.Levels) != 1 {
		t.Errorf("%d triangles, %d where holes were closed, %d departures, %d levels", n, len(want.Closed), len(want.Departure), len(want.Levels))
	}
}
