package sphere

import (
	"testing"

	"trammel/pipeline/geom"
)

func TestStraysAreTurnedDown(t *testing.T) {
	ball := func(x, rms float64) Sphere { return Sphere{Center: geom.Vec{X: x}, RMS: rms, Points: 100} }
	r := withoutStrays(Result{Spheres: []Sphere{ball(1, 0.6), ball(2, 0.7), ball(3, 2.4), ball(4, 0.8), ball(5, 0.9)}})
	if len(r.Spheres) != 4 || len(r.Rejected) != 1 || r.Rejected[0].Center.X != 3 || r.Rejected[0].Reason == "" {
		t.Errorf("kept %v, rejected %v", r.Spheres, r.Rejected)
	}
	if few := withoutStrays(Result{Spheres: []Sphere{ball(1, 0.6), ball(2, 0.7), ball(3, 2.4)}}); len(few.Spheres) != 3 {
		t.Errorf("three spheres cannot say what is usual, but %d remain", len(few.Spheres))
	}
}
