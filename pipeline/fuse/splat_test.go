package fuse

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

// TestSplatRows compares the fast rows with the plain ones, bit for bit.
func TestSplatRows(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var fast, plain sums
		c, n := rapid.Float32Range(-6, 13), rapid.Float64Range(-1, 1)
		for range rapid.IntRange(1, 4).Draw(rt, "samples") {
			normal := geom.Vec{X: n.Draw(rt, "nx"), Y: n.Draw(rt, "ny"), Z: n.Draw(rt, "nz")}.Unit()
			p := sample{nx: float32(normal.X), ny: float32(normal.Y), nz: float32(normal.Z), weight: rapid.Float32Range(0, 100).Draw(rt, "weight"),
				reach: rapid.Float32Range(0.3, mostReach).Draw(rt, "reach"), cover: rapid.Float32Range(0, 2).Draw(rt, "cover")}
			unit := rapid.SampledFrom([]float32{1, transition}).Draw(rt, "unit")
			x, y, z := c.Draw(rt, "x"), c.Draw(rt, "y"), c.Draw(rt, "z")
			for _, a := range []*sums{&fast, &plain} {
				a.unit, a.limit = unit, unit*band
			}
			s, ok := plain.splatOf(&p, x, y, z)
			if !ok {
				continue
			}
			splatRowsPlain(&plain, &s)
			splatRows(&fast, &s)
		}
		if fast != plain {
			rt.Fatalf("the sums differ: %s", firstDifference(&fast, &plain))
		}
	})
}

func firstDifference(a, b *sums) string {
	for i := range blockSize {
		if a.distance[i] != b.distance[i] || a.mass[i] != b.mass[i] || a.cover[i] != b.cover[i] {
			return fmt.Sprintf("place %d: %v %v %v, want %v %v %v", i, a.distance[i], a.mass[i], a.cover[i], b.distance[i], b.mass[i], b.cover[i])
		}
	}
	return "nowhere among the places"
}
