package reduce

import (
	"context"
	"math"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// perforated is a sheet of n × n squares of the given pitch with the height f, and a round
// hole in the middle of each: rings of triangles between circle and square.
func perforated(n int, pitch, radius float64, f func(x, y float64) float64) *scan.Mesh {
	const around, rings = 48, 5
	m := &scan.Mesh{}
	number := map[[2]int64]int32{} // by place, so that squares share their sides
	at := func(x, y float64) int32 {
		k := [2]int64{int64(math.Round(x * 1e6)), int64(math.Round(y * 1e6))}
		if _, ok := number[k]; !ok {
			number[k] = m.Append(geom.Vec{X: x, Y: y, Z: f(x, y)})
		}
		return number[k]
	}
	for cell := range n * n {
		cx, cy := (float64(cell%n)+0.5)*pitch, (float64(cell/n)+0.5)*pitch
		p := func(ring, i int) int32 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i%around) / around)
			side := pitch / 2 / math.Max(math.Abs(sin), math.Abs(cos))
			r := radius + (side-radius)*float64(ring)/rings
			return at(cx+r*cos, cy+r*sin)
		}
		for ring := range rings {
			for i := range around {
				a, b, c, d := p(ring, i), p(ring+1, i), p(ring+1, i+1), p(ring, i+1)
				m.Tri = append(m.Tri, a, b, c, a, c, d)
			}
		}
	}
	return m
}

// TestPerforatedSheetMeetsItsBudget: the borders of many holes give way within the allowed
// departure, as surface does; none of the holes closes, joins another, or grows beyond it.
func TestPerforatedSheetMeetsItsBudget(t *testing.T) {
	for _, c := range []struct {
		name   string
		height func(x, y float64) float64
		radius float64
	}{{"flat, holes of 6 mm", flat, 3}, {"flat, holes of 12 mm", flat, 6}, {"wavy, holes of 6 mm", waves, 3}, {"wavy, holes of 12 mm", waves, 6}} {
		m := perforated(8, 20, c.radius, c.height)
		const allowed = 0.5
		// A hole of radius r as a polygon that is off by at most 0.5 mm takes 6 to 8 corners.
		r, s := mustReduce(t, m, Options{Triangles: m.Triangles() / 20, Deviation: allowed})
		if !s.BudgetMet || !s.DeviationMet || s.Deviation.Max() > allowed {
			t.Errorf("%s: %d triangles, budget %d, departure %v", c.name, r.Triangles(), m.Triangles()/20, s.Deviation.Max())
		}
		if s.ComplexEdges != 0 || euler(r) != euler(m) {
			t.Errorf("%s: %d complex edges, Euler characteristic %d instead of %d", c.name, s.ComplexEdges, euler(r), euler(m))
		}
		d, err := distance.TwoSided(context.Background(), ribbon(r), ribbon(m), distance.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if d.Max() > allowed {
			t.Errorf("%s: a border is off by %.3f mm", c.name, d.Max())
		}
	}
}
