package fuse

import (
	"testing"

	"trammel/pipeline/geom"
)

// BenchmarkFuse fuses four views of a sphere of 1 m, about 0.9 million points each.
func BenchmarkFuse(b *testing.B) {
	var views []View
	n := 0
	for i := range 4 {
		views = append(views, sphere(500, 1.9, geom.Vec{X: 0.1 * float64(i)}))
		n += views[i].Cloud.Len()
	}
	b.ReportAllocs()
	for b.Loop() {
		mustFuse(b, Options{Voxel: 3}, views...)
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
