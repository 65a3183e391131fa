package fuse

import (
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// meanCurvature returns the integral of the mean curvature of a closed mesh: half the sum
// of length times turning angle over its edges, the derivative of area and volume of the
// parallel surfaces (J. Steiner, Über parallele Flächen, 1840; from memory).
func meanCurvature(m *scan.Mesh) float64 {
	type side struct{ normal, opposite geom.Vec }
	seen := map[[2]int32]side{}
	sum := 0.0
	for t := range m.Triangles() {
		p, q, r := m.Corners(t)
		n := q.Sub(p).Cross(r.Sub(p)).Unit()
		for k := range 3 {
			a, b, c := m.Tri[3*t+k], m.Tri[3*t+(k+1)%3], m.Tri[3*t+(k+2)%3]
			key := [2]int32{min(a, b), max(a, b)}
			other, met := seen[key]
			if !met {
				seen[key] = side{n, m.At(c)}
				continue
			}
			edge := m.At(b).Sub(m.At(a))
			turn := math.Atan2(n.Cross(other.normal).Norm(), n.Dot(other.normal))
			if other.opposite.Sub(m.At(a)).Dot(n) > 0 { // the other triangle rises: hollow
				turn = -turn
			}
			sum += edge.Norm() * turn / 2
		}
	}
	return sum
}

// TestClosedForms: area, volume and integral of the mean curvature of spheres and tori
// against 4πr², 4πr³/3, 4πr and 4π²Rr, 2π²Rr², 2π²R (CV-6.3; the last by
// integration of (R + 2r cos θ)/2). The errors fall with the square of the cell.
func TestClosedForms(t *testing.T) {
	const r, major, minor = 50.0, 60.0, 25.0
	for name, c := range map[string]struct {
		view  func(step float64) View
		exact [3]float64
	}{
		"sphere": {func(step float64) View { return sphere(r, step, geom.Vec{X: 0.3, Y: 40.7, Z: -1.1}) }, [3]float64{4 * math.Pi * r * r, 4 * math.Pi * r * r * r / 3, 4 * math.Pi * r}},
		"torus":  {func(step float64) View { return torus(major, minor, step) }, [3]float64{4 * math.Pi * math.Pi * major * minor, 2 * math.Pi * math.Pi * major * minor * minor, 2 * math.Pi * math.Pi * major}},
	} {
		var last [3]float64
		for _, h := range []float64{4, 2} {
			m, _ := mustFuse(t, Options{Voxel: h}, c.view(h/3))
			for k, got := range [3]float64{m.Area(), volume(m), meanCurvature(m)} {
				e := got/c.exact[k] - 1
				if ratio := last[k] / e; last[k] != 0 && math.Abs(e) > 2e-4 && (ratio < 3 || ratio > 6) {
					t.Errorf("%s: %s off by %.2e and %.2e: not of second order", name, [3]string{"area", "volume", "curvature"}[k], last[k], e)
				}
				if math.Abs(e) > 2e-3*h*h {
					t.Errorf("%s: %s off by %.2e at %v mm", name, [3]string{"area", "volume", "curvature"}[k], e, h)
				}
				last[k] = e
			}
		}
	}
}
