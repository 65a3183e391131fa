package distance

import (
	"context"
	"errors"
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func mustCompare(t testing.TB, a, b *scan.Mesh, o Options) Deviation {
	t.Helper()
	d, err := TwoSided(context.Background(), a, b, o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestIcosphereHausdorff holds the distances between a sphere and its inscribed
// icospheres to their closed forms (CV-5.2; the sphere is stood in for by level 7,
// itself within 1.8e-5 of it).
func TestIcosphereHausdorff(t *testing.T) {
	sphere := icosphere(7, 1)
	for level, want := range []float64{0.205345528, 0.065827641, 0.017753054, 0.004528368} {
		d := mustCompare(t, sphere, icosphere(level, 1), Options{Samples: 50_000})
		within(t, "sphere to icosphere", d.AToB.Max, want, 3e-5)
		within(t, "icosphere to sphere", d.BToA.Max, want, 1.2e-3*float64(4-level))
	}
}

// TestIcosphereAreas checks the test's own spheres against CV-5.3.
func TestIcosphereAreas(t *testing.T) {
	for level, want := range []float64{9.574541383, 11.665931392, 12.329848595, 12.506492734, 12.551353880} {
		within(t, "area", icosphere(level, 1).Area(), want, 2e-6)
	}
}

// TestParallelSquares: congruent squares h apart are h apart everywhere (CV-5.2).
func TestParallelSquares(t *testing.T) {
	square := func(z float64) *scan.Mesh {
		return meshOf(geom.Vec{X: 1e7}, []geom.Vec{{Z: z}, {X: 1, Z: z}, {X: 1, Y: 1, Z: z}, {Y: 1, Z: z}}, []int32{0, 1, 2, 0, 2, 3})
	}
	d := mustCompare(t, square(0), square(0.25), Options{})
	for _, s := range []Departure{d.AToB, d.BToA} {
		within(t, "max", s.Max, 0.25, 1e-9)
		within(t, "rms", s.RMS, 0.25, 1e-8)
		within(t, "p999", s.P999, 0.25, 1e-8)
	}
}

// TestConcentricSpheres: the distance is R - r to within the chords (CV-5.2).
func TestConcentricSpheres(t *testing.T) {
	d := mustCompare(t, icosphere(5, 10), icosphere(5, 12), Options{Samples: 20_000})
	within(t, "rms in to out", d.AToB.RMS, 2, 6e-3)
	within(t, "rms out to in", d.BToA.RMS, 2, 6e-3)
}

// TestDirectionsDiffer: a missing half shows only from the whole to the rest, and
// where it shows is where it is missing.
func TestDirectionsDiffer(t *testing.T) {
	whole := meshOf(geom.Vec{}, []geom.Vec{{}, {X: 10}, {X: 10, Y: 10}, {Y: 10}, {X: 20}, {X: 20, Y: 10}}, []int32{0, 1, 2, 0, 2, 3, 1, 4, 5, 1, 5, 2})
	half := &scan.Mesh{X: whole.X, Y: whole.Y, Z: whole.Z, Tri: whole.Tri[:6]} // two vertices now belong to nothing
	d := mustCompare(t, whole, half, Options{Samples: 100_000})
	within(t, "whole to half", d.AToB.Max, 10, 1e-9)
	within(t, "half to whole", d.BToA.Max, 0, 1e-9)
	within(t, "rms whole to half", d.AToB.RMS, math.Sqrt(0.5*100.0/3), 0.01) // half is at 0, half spread over 0..10
	if d.MaxAt().X != 20 || d.Max() != d.AToB.Max {
		t.Errorf("largest departure at %v, want x = 20", d.MaxAt())
	}
}

// TestPulledCorner: pulling in one corner of a cube by δ moves the surface by no
// more than δ (CV-5.2).
func TestPulledCorner(t *testing.T) {
	m, cut := cube(geom.Vec{}, 1), cube(geom.Vec{}, 1)
	const delta = 0.3
	in := float32(1 - delta/math.Sqrt(3))
	cut.X[7], cut.Y[7], cut.Z[7] = in, in, in
	d := mustCompare(t, m, cut, Options{Samples: 50_000})
	h, _ := mustBuild(t, cut).Closest(m.At(7), 10)
	within(t, "max is at the corner", d.AToB.Max, h.Distance, 1e-9)
	if d.AToB.Max > delta+1e-6 || d.AToB.Max <= 0 {
		t.Errorf("departure %v is not in (0, %v]", d.AToB.Max, delta)
	}
}

// TestSamplesAreUniform counts the samples in two halves of very different
// triangles and integrates a polynomial over a square: ∫x²y² = 1/9.
func TestSamplesAreUniform(t *testing.T) {
	v := []geom.Vec{{}, {X: 0.01}, {X: 0.01, Y: 1}, {Y: 1}, {X: 1}, {X: 1, Y: 1}, {X: 0.5}}
	m := meshOf(geom.Vec{}, v, []int32{0, 1, 2, 0, 2, 3, 1, 4, 5, 1, 5, 2, 6, 6, 6})
	s, err := newSampling(context.Background(), m, 90_000)
	if err != nil {
		t.Fatal(err)
	}
	n, left, sum := 0, 0, 0.0
	s.each(0, func(p geom.Vec) {
		n++
		if p.X < 0.5 {
			left++
		}
		sum += p.X * p.X * p.Y * p.Y
	})
	if n != 90_000 {
		t.Fatalf("%d samples, want 90000", n)
	}
	within(t, "share in the left half", float64(left)/float64(n), 0.5, 2e-3)
	within(t, "mean of x²y²", sum/float64(n), 1.0/9, 1e-3)
}

// TestOverListsTheFarPlaces: of a strip at 0..10 against its first half, what is
// beyond the limit is exactly what lies more than the limit to the right.
func TestOverListsTheFarPlaces(t *testing.T) {
	long := meshOf(geom.Vec{}, []geom.Vec{{}, {X: 10}, {X: 10, Y: 1}, {Y: 1}}, []int32{0, 1, 2, 0, 2, 3})
	short := meshOf(geom.Vec{}, []geom.Vec{{}, {X: 5}, {X: 5, Y: 1}, {Y: 1}}, []int32{0, 1, 2, 0, 2, 3})
	d := mustCompare(t, long, short, Options{Samples: 10_000, Limit: 2})
	within(t, "share beyond", float64(len(d.AToB.Over)-2)/10_000, 0.3, 2e-3)
	for _, p := range d.AToB.Over {
		if p.X <= 7 {
			t.Fatalf("%v is listed, but is only %v away", p, p.X-5)
		}
	}
	if len(d.BToA.Over) != 0 {
		t.Errorf("%d places listed in a direction without departure", len(d.BToA.Over))
	}
}

func TestCompareRefuses(t *testing.T) {
	if _, err := TwoSided(context.Background(), &scan.Mesh{}, cube(geom.Vec{}, 1), Options{}); !errors.Is(err, ErrEmpty) {
		t.Errorf("error = %v, want ErrEmpty", err)
	}
	point := meshOf(geom.Vec{}, []geom.Vec{{Z: 3}}, []int32{0, 0, 0})
	d := mustCompare(t, point, cube(geom.Vec{}, 1), Options{})
	within(t, "distance of a mesh without area", d.AToB.Max, 2, 1e-9)
}
