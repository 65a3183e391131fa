package reduce

import (
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// twoCells is a wavy sheet of 240 mm, of squares of 2 mm, and of 1 mm within the middle 80.
// Where they meet, a square has its neighbours' corners on its side.
func twoCells() *scan.Mesh {
	m := &scan.Mesh{}
	number := map[[2]int]int32{}
	at := func(x, y int) int32 {
		k := [2]int{x, y}
		if _, ok := number[k]; !ok {
			number[k] = m.Append(geom.Vec{X: float64(x), Y: float64(y), Z: waves(float64(x), float64(y))})
		}
		return number[k]
	}
	isFine := func(x, y int) bool { return x >= 80 && x < 160 && y >= 80 && y < 160 }
	square := func(x, y, size int) {
		var ring []int32 // counter-clockwise
		for i, side := range [4][2]int{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
			corner := [4][2]int{{0, 0}, {size, 0}, {size, size}, {0, size}}[i]
			ring = append(ring, at(x+corner[0], y+corner[1]))
			beyond := [4][2]int{{0, -1}, {size, 0}, {0, size}, {-1, 0}}[i]
			if size == 2 && isFine(x+beyond[0], y+beyond[1]) {
				ring = append(ring, at(x+corner[0]+side[0], y+corner[1]+side[1]))
			}
		}
		if len(ring) == 4 {
			m.Tri = append(m.Tri, ring[0], ring[1], ring[2], ring[0], ring[2], ring[3])
			return
		}
		middle := at(x+1, y+1)
		for i, a := range ring {
			m.Tri = append(m.Tri, a, ring[(i+1)%len(ring)], middle)
		}
	}
	for y := 0; y < 240; y += 2 {
		for x := 0; x < 240; x += 2 {
			if !isFine(x, y) {
				square(x, y, 2)
				continue
			}
			for i := range 4 {
				square(x+i%2, y+i/2, 1)
			}
		}
	}
	return m
}

// TestHalvedCellsAreFound: of the vertices away from where the cells change and from the
// border all are told right, and of all nearly all.
func TestHalvedCellsAreFound(t *testing.T) {
	m := twoCells()
	if border, complex := Edges(m); border != 4*120 || complex != 0 {
		t.Fatalf("%d border and %d complex edges", border, complex)
	}
	halved := halvings(m, 2)
	wrong := 0
	fine := geom.Box{Min: geom.Vec{X: 80, Y: 80, Z: -9}, Max: geom.Vec{X: 160, Y: 160, Z: 9}}
	for v, n := range halved {
		p := m.At(int32(v))
		if (n == 1) == fine.Contains(p) && n < 2 {
			continue
		}
		if wrong++; !fine.Grow(5).Contains(p) || fine.Grow(-5).Contains(p) {
			t.Fatalf("at %v the cell was halved %d times", p, n)
		}
	}
	if wrong > len(halved)/50 {
		t.Errorf("%d of %d vertices are told wrong", wrong, len(halved))
	}
}

// TestHalvedCellsKeepSmallerErrors: with the same number of triangles, where the cells were
// half as large the reduced mesh is more exact than where they were not, and than it was.
func TestHalvedCellsKeepSmallerErrors(t *testing.T) {
	m := twoCells()
	inner := geom.Box{Min: geom.Vec{X: 85, Y: 85, Z: -9}, Max: geom.Vec{X: 155, Y: 155, Z: 9}}
	run := func(o Options) (in, out int) {
		r, s := mustReduce(t, m, o)
		if o.Triangles > 0 && !s.BudgetMet || !s.DeviationMet || s.ComplexEdges != 0 {
			t.Errorf("%+v: %+v", o, s)
		}
		for i := range int32(r.Vertices()) {
			if inner.Contains(r.At(i)) {
				in++
			} else {
				out++
			}
		}
		return in, out
	}
	for _, o := range []Options{{Triangles: 3000}, {Deviation: 0.2}, {Triangles: 3000, Deviation: 1}} {
		plain, _ := run(o)
		o.Cell = 2
		fine, rest := run(o)
		// Errors smaller by four mean four times as many vertices, where the budget leaves them.
		if ratio := float64(fine) / float64(plain); ratio < 2 || ratio > 6 || rest == 0 {
			t.Errorf("%+v: %d vertices where the cells are halved, %d without regard to them; %d elsewhere", o, fine, plain, rest)
		}
	}
}
