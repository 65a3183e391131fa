package fuse

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"
)

// TestSplatRows compares the fast rows with the plain ones, bit for bit.
func TestSplatRows(t *testing.T) {
	if !hasAVX {
		t.Skip("this processor has no AVX: there is only the plain way")
	}
	defer func() { hasAVX = true }()
	rapid.Check(t, func(rt *rapid.T) {
		var fast, plain sums
		unit := rapid.SampledFrom([]float32{1, transition}).Draw(rt, "unit")
		fast.begin(unit)
		plain.begin(unit)
		for range rapid.IntRange(1, 4).Draw(rt, "samples") {
			p := anySample(rt)
			hasAVX = true
			fast.splat(&p, p.x, p.y, p.z)
			hasAVX = false
			plain.splat(&p, p.x, p.y, p.z)
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
