package surface

import (
	"context"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// BenchmarkLocate places a hand scan of half a million vertices, which is a million
// triangles, on an object of five million points, normals included.
func BenchmarkLocate(b *testing.B) {
	r := rand.New(rand.NewPCG(20, 20))
	body := machine(r)
	target := viewing{spacing: 0.42, noise: 0.5, tilt: 0.05}.around(r, body, 8)
	away := motion(20, 130, -75, 500, -900, 40)
	source := viewing{spacing: 0.85, noise: 0.05, tilt: 0.03}.look(r, body, geom.Vec{X: 1, Y: -0.5, Z: -0.7}).Moved(away.Inverse())
	points := source.Len() + target.Len()
	b.Logf("%d points on %d", source.Len(), target.Len())
	b.ReportAllocs()
	for b.Loop() {
		found, err := Locate(context.Background(), source, target, LocateOptions{})
		if err != nil {
			b.Fatal(err)
		}
		e := away.Inverse().After(found[0].SourceToTarget)
		if !found[0].Confident() || e.T.Norm() > 1 {
			b.Fatalf("%v off, doubts %v", e.T, found[0].Doubts)
		}
	}
	b.ReportMetric(float64(points)*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
