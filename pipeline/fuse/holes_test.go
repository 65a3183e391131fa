package fuse

import (
	"math"
	"testing"

	"trammel/pipeline/geom"
)

// TestCloseSmallerHolesOnly: a curved surface with holes of 12, 20 and 40 mm, and a pipe,
// closed up to 30 mm. The border of the surface itself, which is larger, stays, and so do
// the ends of the pipe and a hole that is to be kept.
func TestCloseSmallerHolesOnly(t *testing.T) {
	at := []geom.Vec{{X: -60, Y: -50}, {X: 50, Y: -50}, {X: 0, Y: 50}, {X: 70, Y: 60}}
	radius := []float64{6, 10, 20, 6}
	dish := patch(200, 1.5, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		p := geom.Vec{X: 240 * (u - 0.5), Y: 240 * (v - 0.5)}
		for i := range at {
			if p.Dist(at[i]) < radius[i] {
				return p, p, false
			}
		}
		q := p.Add(geom.Vec{Z: 400}).Unit()
		return geom.Vec{Z: -400}.AddScaled(400, q), q, true
	})
	pipe := patch(100, 1.2, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		q := geom.Vec{X: math.Cos(2 * math.Pi * u), Y: math.Sin(2 * math.Pi * u)}
		return geom.Vec{X: 500, Z: 100 * v}.AddScaled(12, q), q, true
	})
	keep := geom.Box{Min: geom.Vec{X: 60, Y: 50, Z: -50}, Max: geom.Vec{X: 80, Y: 70, Z: 50}}
	open, _ := mustFuse(t, Options{Voxel: 2}, dish, pipe)
	m, s := mustFuse(t, Options{Voxel: 2, Close: 30, Keep: []geom.Box{keep}}, dish, pipe)
	checkManifold(t, m)
	if len(s.Closed) != 2 {
		t.Fatalf("%d holes closed, want two: %+v", len(s.Closed), s.Closed)
	}
	for _, h := range s.Closed {
		i := 0
		if h.Center.X > 0 {
			i = 1
		}
		if h.Center.Sub(at[i]).Norm() > 12 { // the dish is 8 mm deep there
			t.Errorf("closed at %v, not at %v", h.Center, at[i])
		}
		within(t, "size", h.Size, 2*radius[i], 5)
		within(t, "area", h.Area, math.Pi*radius[i]*radius[i], 0.35*math.Pi*radius[i]*radius[i]) // the border is jagged by a cell
	}
	before, after := factsOf(open), factsOf(m)
	if after.border >= before.border || after.euler() != before.euler()+2 {
		t.Errorf("Euler characteristic %d before and %d after, want two more", before.euler(), after.euler())
	}
	for i := range int32(m.Vertices()) { // nothing bulges
		if p := m.At(i); p.X < 300 && math.Abs(p.Sub(geom.Vec{Z: -400}).Norm()-400) > 0.2 {
			t.Fatalf("vertex at %v", p)
		}
	}
}

// TestCloseNothingByItself: without a size every hole stays.
func TestCloseNothingByItself(t *testing.T) {
	v := patch(100, 1, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		p := geom.Vec{X: 100 * (u - 0.5), Y: 100 * (v - 0.5)}
		return p, geom.Vec{Z: 1}, p.Norm() > 10
	})
	m, s := mustFuse(t, Options{Voxel: 2}, v)
	if f := checkManifold(t, m); len(s.Closed) != 0 || f.euler() != 0 {
		t.Errorf("%d holes closed, Euler characteristic %d", len(s.Closed), f.euler())
	}
}
