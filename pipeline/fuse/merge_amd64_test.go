package fuse

import (
	"testing"

	"pgregory.net/rapid"
)

// TestMergeRows compares the fast rows with the plain ones, bit for bit.
func TestMergeRows(t *testing.T) {
	if !hasAVX2 {
		t.Skip("this processor has no AVX2: there is only the plain way")
	}
	rapid.Check(t, func(rt *rapid.T) {
		var fast, plain block
		unit := rapid.SampledFrom([]float32{1, transition}).Draw(rt, "unit")
		for range rapid.IntRange(1, 3).Draw(rt, "views") {
			var a sums
			a.begin(unit)
			for range rapid.IntRange(1, 20).Draw(rt, "samples") {
				p := anySample(rt)
				a.splat(&p, p.x, p.y, p.z)
			}
			f, p := merging{unit: unit}, merging{unit: unit}
			mergeRowsAVX2(&a, &fast, &f, a.touched)
			mergeRowsPlain(&a, &plain, &p)
			if f != p {
				rt.Fatalf("the comparisons differ: %+v, want %+v", f, p)
			}
			if fast != plain {
				for i := range fast.mean {
					if fast.mean[i] != plain.mean[i] || fast.weight[i] != plain.weight[i] || fast.cover[i] != plain.cover[i] {
						rt.Fatalf("place %d: %d %d %d, want %d %d %d", i, fast.mean[i], fast.weight[i], fast.cover[i], plain.mean[i], plain.weight[i], plain.cover[i])
					}
				}
			}
		}
	})
}
