package normal

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestSumSpans compares the fast sums with the plain ones, bit for bit.
func TestSumSpans(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	odd := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 4, 6}
	draw := func() float64 {
		if r.IntN(10) == 0 {
			return odd[r.IntN(len(odd))]
		}
		return 5 + r.NormFloat64()
	}
	for range 20_000 {
		cells := make([]cell, r.IntN(12))
		for i := range cells {
			near, far := draw(), draw()
			cells[i] = cell{moments{float64(r.IntN(9)), draw(), draw(), draw(), draw(), draw(), draw(), draw(), draw(), draw()}, min(near, far), max(near, far)}
		}
		var spans []span
		for range r.IntN(5) {
			lo := r.IntN(len(cells) + 1)
			spans = append(spans, span{lo, lo + r.IntN(len(cells)-lo+1)})
		}
		plain := neighbourhood{near: 4, far: 6}
		fast := plain
		sumSpansPlain(&plain, cells, spans)
		sumSpans(&fast, cells, spans)
		a, b := fast.numbers(), plain.numbers()
		for i := range a {
			if math.Float64bits(a[i]) != math.Float64bits(b[i]) && !(a[i] != a[i] && b[i] != b[i]) {
				t.Fatalf("%v, want %v", a, b)
			}
		}
	}
}

func (s *neighbourhood) numbers() [14]float64 {
	return [14]float64{s.n, s.x, s.y, s.z, s.xx, s.xy, s.xz, s.yy, s.yz, s.zz, s.near, s.far, s.beyond, s.mixed}
}
