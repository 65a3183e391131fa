package fuse

import "testing"

// TestTableIsComplete: every case has closed loops, each cut into triangles whose inner
// diagonals lie in no face of the cell (CV-6.2 counts at most five triangles a cell for
// the classical table, which cuts fewer corners off; ours needs no more).
func TestTableIsComplete(t *testing.T) {
	for signs := range 256 {
		want := 0
		for _, loop := range loopsOf(signs) {
			want += len(loop) - 2
		}
		if got := len(triangulations[signs]); got != want || got > 5 {
			t.Errorf("case %08b: %d triangles, loops need %d", signs, got, want)
		}
		if (want == 0) != (signs == 0 || signs == 255) {
			t.Errorf("case %08b: %d triangles", signs, want)
		}
	}
}
