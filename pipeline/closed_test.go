package pipeline

import (
	"context"
	"slices"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/scan"
)

// TestClosedIn: a strip of three squares, the middle one closed; in a mesh with other
// triangles the ones above it are marked.
func TestClosedIn(t *testing.T) {
	fused := &scan.Mesh{
		X: []float32{0, 10, 20, 30, 0, 10, 20, 30}, Y: []float32{0, 0, 0, 0, 10, 10, 10, 10}, Z: make([]float32, 8),
		Tri: []int32{0, 1, 5, 0, 5, 4, 2, 3, 7, 2, 7, 6, 1, 2, 6, 1, 6, 5},
	}
	reduced := &scan.Mesh{
		X: []float32{0, 10, 20, 30, 0, 10, 20, 30}, Y: []float32{0, 0, 0, 0, 10, 10, 10, 10}, Z: []float32{0.1, 0.1, 0.1, 0.1, 0, 0, 0, 0},
		Tri: []int32{1, 2, 5, 0, 1, 4, 2, 6, 5, 1, 5, 4, 2, 3, 6, 3, 7, 6},
	}
	reference, err := distance.NewReference(context.Background(), fused)
	if err != nil {
		t.Fatal(err)
	}
	marks, err := closedIn(context.Background(), []*scan.Mesh{reduced, fused}, reference, fused.Triangles()-2)
	if err != nil {
		t.Fatal(err)
	}
	if want := []int32{0, 2}; !slices.Equal(marks[0], want) {
		t.Errorf("closed %v, want %v", marks[0], want)
	}
	if want := []int32{4, 5}; !slices.Equal(marks[1], want) {
		t.Errorf("of itself %v, want %v", marks[1], want)
	}
}
