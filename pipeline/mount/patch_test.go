package mount

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// checkDelaunay: no point lies in any triangle's circle, and the triangles cover
// what the hull of the points has, nearly: the outer triangle is not infinitely far.
func checkDelaunay(t interface{ Errorf(string, ...any) }, x, y []float64, tri []int32) {
	var area float64
	for k := 0; k < len(tri); k += 3 {
		a, b, c := tri[k], tri[k+1], tri[k+2]
		abx, aby, acx, acy := x[b]-x[a], y[b]-y[a], x[c]-x[a], y[c]-y[a]
		twice := abx*acy - aby*acx
		if twice < -0.02 {
			t.Errorf("triangle %d is clockwise: %g", k/3, twice)
		}
		area += twice / 2
		if twice < 1 {
			continue // a sliver on the grid: its circle says nothing
		}
		d := 2 * twice
		ux, uy := (acy*(abx*abx+aby*aby)-aby*(acx*acx+acy*acy))/d, (abx*(acx*acx+acy*acy)-acx*(abx*abx+aby*aby))/d
		r := math.Hypot(ux, uy)
		for i := range x {
			if int32(i) != a && int32(i) != b && int32(i) != c && math.Hypot(x[i]-x[a]-ux, y[i]-y[a]-uy) < r-0.02*r-0.05 {
				t.Errorf("point %d lies %g within the circle of triangle %d", i, r-math.Hypot(x[i]-x[a]-ux, y[i]-y[a]-uy), k/3)
				return
			}
		}
	}
	if hull := 40.0 * 40; area > hull+1e-6 {
		t.Errorf("the triangles cover %g, more than the square that all points are in", area)
	}
}

func TestDelaunay(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	var x, y []float64
	for range 800 {
		x, y = append(x, 40*random.Float64()), append(y, 40*random.Float64())
	}
	checkDelaunay(t, x, y, delaunay(x, y))
	// Rows: four points on a circle everywhere. A lattice of 21² points has 2·20² triangles.
	x, y = nil, nil
	for i := range 21 {
		for j := range 21 {
			x, y = append(x, 2*float64(i)), append(y, 2*float64(j))
		}
	}
	tri := delaunay(x, y)
	checkDelaunay(t, x, y, tri)
	if n := len(tri) / 3; n < 795 || n > 800 {
		t.Errorf("a lattice of 21 by 21 points has %d triangles, want about 800", n)
	}
	for name, points := range map[string][2][]float64{"none wide": {{1, 1, 1}, {2, 2, 2}}, "a line": {{0, 1, 2, 3}, {0, 1, 2, 3}}, "two": {{0, 1}, {0, 0}}} {
		if got := delaunay(points[0], points[1]); len(got) > 3 {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestDelaunayOfAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "n")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = float64(rapid.IntRange(0, 40).Draw(t, "x")), float64(rapid.IntRange(0, 40).Draw(t, "y"))
		}
		checkDelaunay(t, x, y, delaunay(x, y))
	})
}

// A patch of points keeps its hole open, has every triangle face the scanner, and
// no vertex but those measured.
func TestPatchOfPoints(t *testing.T) {
	p := newPart(61, 0.05)
	p.plate(40, true, disc{0, 0, 6.75})
	s := p.seen("tripod")
	center, n := placed.Apply(geom.Vec{}), placed.Turn(geom.Vec{Z: 1})
	eye := center.AddScaled(2500, n)
	for name, from := range map[string]*geom.Vec{"seen from a place": &eye, "laid on the face": nil} {
		m := &scan.Mesh{Origin: center}
		MeshPoints(m, s.Points, from, center, n, 25)
		area := 0.0
		for k := 0; k < len(m.Tri); k += 3 {
			a, b, c := m.At(m.Tri[k]), m.At(m.Tri[k+1]), m.At(m.Tri[k+2])
			across := b.Sub(a).Cross(c.Sub(a))
			area += across.Norm() / 2
			if across.Dot(n) < -1e-3 { // float32 vertices turn slivers
				t.Fatalf("%s: triangle %d looks away", name, k/3)
			}
			if mid := a.Add(b).Add(c).Scale(1.0 / 3); mid.Dist(center) < 5.5 {
				t.Errorf("%s: a triangle at %v closes the hole", name, placed.Inverse().Apply(mid))
			}
		}
		if want := math.Pi * (25*25 - 6.75*6.75); area < 0.9*want || area > 1.05*want {
			t.Errorf("%s: %.0f mm² in %d triangles, want about %.0f", name, area, m.Triangles(), want)
		}
	}
}

func TestPatchOfMesh(t *testing.T) {
	m := &scan.Mesh{}
	for i := range 41 {
		for j := range 41 {
			m.Append(geom.Vec{X: float64(i) - 20, Y: float64(j) - 20})
		}
	}
	for i := range int32(40) {
		for j := range int32(40) {
			a := 41*i + j
			m.Tri = append(m.Tri, a, a+41, a+1, a+1, a+41, a+42)
		}
	}
	center := placed.Apply(geom.Vec{X: 3, Y: 1})
	out := &scan.Mesh{Origin: center}
	CutMesh(out, m, placed, center, 10)
	if n := float64(out.Triangles()) / 2; n < 270 || n > math.Pi*100 {
		t.Errorf("%g cells within 10 mm, want a little less than 314", n)
	}
	for k := range out.Tri {
		if d := out.At(out.Tri[k]).Dist(center); d > 10.001 {
			t.Errorf("a corner %g mm from the centre", d)
		}
	}
}

func TestPatchFiles(t *testing.T) {
	taken := map[string]bool{}
	for _, c := range [][2]string{{"left-front", "left-front.ply"}, {"../../etc", "_.._etc.ply"}, {"links vorn/ä", "links_vorn__.ply"}, {"Left-Front", "Left-Front_2.ply"}, {"..", "mount.ply"}, {"a/b", "a_b.ply"}, {"a b", "a_b_2.ply"}} {
		if got := PatchFile(c[0], taken); got != c[1] {
			t.Errorf("%q becomes %q, want %q", c[0], got, c[1])
		}
	}
}

func BenchmarkPatch(b *testing.B) {
	p := newPart(62, 0.05)
	p.plate(60, false, disc{0, 0, 6.75})
	s := p.seen("tripod")
	center, n := placed.Apply(geom.Vec{}), placed.Turn(geom.Vec{Z: 1})
	b.ReportAllocs()
	for b.Loop() {
		MeshPoints(&scan.Mesh{Origin: center}, s.Points, nil, center, n, 60)
	}
	b.ReportMetric(float64(len(s.Points))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
