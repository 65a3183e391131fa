package pipeline

import (
	"context"
	"math"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// TestRawDistance: points above and below a square, one far away, one without weight and
// one outside the box.
func TestRawDistance(t *testing.T) {
	square := &scan.Mesh{X: []float32{0, 100, 100, 0}, Y: []float32{0, 0, 100, 100}, Z: make([]float32, 4), Tri: []int32{0, 1, 2, 0, 2, 3}}
	index, err := distance.Build(context.Background(), square)
	if err != nil {
		t.Fatal(err)
	}
	v := fuse.View{Cloud: &scan.Cloud{}, ToCommon: geom.Pose{R: geom.Identity(), T: geom.Vec{X: 50, Y: 50}}}
	for _, p := range []struct {
		at     geom.Vec
		weight float32
	}{{geom.Vec{Z: 3}, 1}, {geom.Vec{X: 10, Z: -1}, 1}, {geom.Vec{X: 20, Z: 1}, 1}, {geom.Vec{Z: 40}, 1}, {geom.Vec{Z: 5}, 0}, {geom.Vec{X: -45, Z: 4}, 1}} {
		v.Cloud.Append(p.at)
		v.Weight = append(v.Weight, p.weight)
	}
	box := geom.Box{Min: geom.Vec{X: 10, Y: -1000, Z: -1000}, Max: geom.Vec{X: 1000, Y: 1000, Z: 1000}}
	hits, points, err := closestToView(context.Background(), index, v, &box, 15)
	if err != nil {
		t.Fatal(err)
	}
	d := rawDistance(hits, points)
	if d.Points != 3 || d.Beyond != 1 || d.Median != 1 || d.Max != 3 || d.P999 != 3 {
		t.Errorf("%+v", d)
	}
	if want := math.Sqrt((9 + 1 + 1) / 3.0); math.Abs(d.RMS-want) > 1e-6 {
		t.Errorf("rms %v, want %v", d.RMS, want)
	}
	if got := nearestCorner(square, distance.Hit{Triangle: 1, Point: geom.Vec{X: 20, Y: 90}}); got != 3 {
		t.Errorf("nearest corner %d, want 3", got)
	}
	if d.MaxAt != (geom.Vec{X: 50, Y: 50, Z: 3}) {
		t.Errorf("largest at %v", d.MaxAt)
	}
}
