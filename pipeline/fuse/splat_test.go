package fuse

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

// anySample draws a sample in or near a block.
func anySample(rt *rapid.T) sample {
	n, c := rapid.Float64Range(-1, 1), rapid.Float32Range(-6, 13)
	normal := geom.Vec{X: n.Draw(rt, "nx"), Y: n.Draw(rt, "ny"), Z: n.Draw(rt, "nz")}.Unit()
	return sample{
		x: c.Draw(rt, "x"), y: c.Draw(rt, "y"), z: c.Draw(rt, "z"),
		nx: float32(normal.X), ny: float32(normal.Y), nz: float32(normal.Z), weight: rapid.Float32Range(0, 100).Draw(rt, "weight"),
		reach: rapid.Float32Range(0.3, mostReach).Draw(rt, "reach"), cover: rapid.Float32Range(0, 2).Draw(rt, "cover"),
	}
}

// TestSplat compares what a sample adds to a block with its definition, place by place.
func TestSplat(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		unit := rapid.SampledFrom([]float32{1, transition}).Draw(rt, "unit")
		p := anySample(rt)
		var a sums
		a.begin(unit)
		a.splat(&p, p.x, p.y, p.z)
		for i := range blockSize {
			w, d, cover, isSure := p.at(i, float64(unit))
			if !isSure {
				continue
			}
			near := func(got float32, want float64) bool { return math.Abs(float64(got)-want) < 1e-4*(1+math.Abs(want)) }
			if !near(a.mass[i], w) || !near(a.distance[i], w*d) || !near(a.cover[i], cover) {
				rt.Fatalf("place %d: %v %v %v, want %v %v %v", i, a.mass[i], a.distance[i], a.cover[i], w, w*d, cover)
			}
			if row := i / side; a.mass[i] != 0 && a.touched>>row&1 == 0 {
				rt.Fatalf("row %d is not marked", row)
			}
		}
	})
}

// at returns what a sample says of a place: a weight, a distance and a cover. It is not
// sure where the place lies at a border of the sample's reach.
func (p *sample) at(i int, unit float64) (w, d, cover float64, isSure bool) {
	to := geom.Vec{X: float64(i%side) - float64(p.x), Y: float64(i/side%side) - float64(p.y), Z: float64(i/side/side) - float64(p.z)}
	normal := geom.Vec{X: float64(p.nx), Y: float64(p.ny), Z: float64(p.nz)}
	r, limit := float64(p.reach), band*unit
	box := max(r, limit)
	d = to.Dot(normal)
	side2 := to.Norm2() - d*d
	for _, x := range []float64{math.Abs(to.X) - box, math.Abs(to.Y) - box, math.Abs(to.Z) - box, math.Abs(d) - limit, math.Sqrt(math.Max(side2, 0)) - r} {
		if math.Abs(x) < 1e-4 {
			return 0, 0, 0, false
		}
		if x > 0 {
			return 0, d, 0, true
		}
	}
	q := (1 - side2/(r*r)) * (1 - side2/(r*r))
	w = q * float64(p.weight)
	if d < -unit {
		w *= 1 + (d+unit)/(2*(limit-unit))
	}
	return w, d, q * float64(p.cover), true
}
