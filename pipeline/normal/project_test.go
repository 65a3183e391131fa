package normal

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// TestProjectFours compares the fast projection with the plain one, bit for bit, over
// directions, sizes, and what is not finite.
func TestProjectFours(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 8))
	odd := []float32{0, float32(math.Copysign(0, -1)), 1, -1, 1e-45, -1e-40, 1e-30, 1e19, -1e30, 3e38, -3e38,
		float32(math.Inf(1)), float32(math.Inf(-1)), float32(math.NaN())}
	draw := func() float32 {
		if r.IntN(8) == 0 {
			return odd[r.IntN(len(odd))]
		}
		return float32(r.NormFloat64() * math.Exp(5*r.NormFloat64()))
	}
	for range 2000 {
		const n = 16
		e := newEye(Station, geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
		var origin geom.Vec
		if r.IntN(2) == 0 {
			origin = geom.Vec{X: 1e3 * r.NormFloat64(), Y: 1e6 * r.NormFloat64(), Z: r.NormFloat64()}
		}
		l := e.lens(origin)
		var x, y, z, fastU, fastV, plainU, plainV [n]float32
		for i := range n {
			x[i], y[i], z[i] = draw(), draw(), draw()
		}
		var fast lanes
		for k := range 4 {
			fast[0][k], fast[1][k], fast[2][k], fast[3][k] = noBorder.u0, noBorder.u1, noBorder.v0, noBorder.v1
		}
		plain := fast
		projectFours(l, &fast, fastU[:], fastV[:], x[:], y[:], z[:])
		projectPlain(l, &plain, plainU[:], plainV[:], x[:], y[:], z[:])
		if fast != plain {
			t.Fatalf("borders %v, want %v", fast, plain)
		}
		for i := range n {
			if !same(fastU[i], plainU[i]) || !same(fastV[i], plainV[i]) {
				t.Fatalf("%v %v %v: %v %v, want %v %v", x[i], y[i], z[i], fastU[i], fastV[i], plainU[i], plainV[i])
			}
		}
	}
}

// same reports whether two numbers have the same bits, or are both NaN.
func same(a, b float32) bool {
	return math.Float32bits(a) == math.Float32bits(b) || a != a && b != b
}
