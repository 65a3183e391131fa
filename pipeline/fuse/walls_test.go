package fuse

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// noisy adds range noise along the normals of a view and weights it accordingly.
func noisy(v View, sigma float64, seed uint64) View {
	r := rand.New(rand.NewPCG(seed, 3))
	for i := range v.Cloud.X {
		e := float32(sigma * r.NormFloat64())
		v.Cloud.X[i] += e * v.Cloud.NX[i]
		v.Cloud.Y[i] += e * v.Cloud.NY[i]
		v.Cloud.Z[i] += e * v.Cloud.NZ[i]
		v.Weight[i] = float32(1 / (sigma * sigma))
	}
	return v
}

// TestDoubleWallIsFound: one of three views lies apart by more than half a cell. Place,
// area, gap and view come out, whether the two are mixed or stand side by side.
func TestDoubleWallIsFound(t *testing.T) {
	for _, turn := range []geom.Mat{geom.Identity(), askew} {
		for _, c := range []struct {
			offset, gap float64
			view        int
		}{
			{offset: 4, gap: 4, view: 2},
			{offset: -4, gap: 4, view: 2},
			{offset: 2.5, gap: 2.5, view: 2},
			{offset: 13, gap: 13, view: -1},
			{offset: -20, gap: 20, view: -1},
		} {
			_, s := mustFuse(t, Options{Voxel: 3}, noisy(slab(300, 1.5, 0, 1, turn, geom.Vec{}), 0.5, 1), noisy(slab(300, 1.7, 0, 1, turn, geom.Vec{}), 0.5, 2),
				noisy(slab(200, 1.5, c.offset, 1, turn, geom.Vec{}), 0.5, 3))
			if len(s.Doubles) != 1 {
				t.Errorf("offset %v: %d double walls, want one: %+v", c.offset, len(s.Doubles), s.Doubles)
				continue
			}
			d := s.Doubles[0]
			within(t, "gap", d.Gap, c.gap, 0.15*c.gap)
			within(t, "area", d.Area, 200*200, 0.25*200*200)
			if d.View != c.view {
				t.Errorf("offset %v: view %d, want %d", c.offset, d.View, c.view)
			}
			if far := d.Center.Norm(); far > 30 {
				t.Errorf("offset %v: %.0f mm from where it is", c.offset, far)
			}
		}
	}
}

// TestWallsThatAreNotDouble: noise, agreeing views, the two sides of thin plates, a
// curved surface, a step and a slot.
func TestWallsThatAreNotDouble(t *testing.T) {
	flat := func(size, height, face float64, seed uint64) View {
		return noisy(slab(size, 1.5, height, face, askew, geom.Vec{}), 0.5, seed)
	}
	for name, views := range map[string][]View{
		"noise of a millimetre": {noisy(slab(300, 2, 0, 1, askew, geom.Vec{}), 1, 1), noisy(slab(300, 2, 0, 1, askew, geom.Vec{}), 1, 2), noisy(slab(300, 3, 0, 1, askew, geom.Vec{}), 1, 3)},
		"within half a cell":    {flat(300, 0, 1, 1), flat(300, 1, 1, 2)},
		"plate of 10 mm":        {flat(300, 5, 1, 1), flat(300, -5, -1, 2)},
		"plate of 6 mm":         {flat(300, 3, 1, 1), flat(300, -3, -1, 2)},
		"plate of 3 mm":         {flat(300, 1.5, 1, 1), flat(300, -1.5, -1, 2)},
		"slot of 8 mm":          {flat(300, 4, -1, 1), flat(300, -4, 1, 2)},
		"spheres":               {noisy(sphere(60, 1.5, geom.Vec{}), 0.5, 1), noisy(sphere(60, 2.5, geom.Vec{}), 0.5, 2)},
		"torus":                 {noisy(torus(60, 25, 1.5), 0.5, 1), noisy(torus(60, 25, 2.5), 0.5, 2)},
	} {
		if _, s := mustFuse(t, Options{Voxel: 3}, views...); len(s.Doubles) != 0 {
			t.Errorf("%s: double walls %+v", name, s.Doubles)
		}
	}
}

// TestStepIsAllowed: what the caller holds for possible is not called double.
func TestStepIsAllowed(t *testing.T) {
	a, b := noisy(slab(300, 1.5, 0, 1, askew, geom.Vec{}), 0.5, 1), noisy(slab(300, 1.5, 2.5, 1, askew, geom.Vec{}), 0.5, 2)
	if _, s := mustFuse(t, Options{Voxel: 3, Step: 3}, a, b); len(s.Doubles) != 0 {
		t.Errorf("double walls %+v", s.Doubles)
	}
}

// TestSheetsOfAClosedBody: a sphere in a sphere faces the same way 12 mm behind.
func TestSheetsOfAClosedBody(t *testing.T) {
	_, s := mustFuse(t, Options{Voxel: 2}, sphere(80, 1.2, geom.Vec{}), sphere(68, 1.2, geom.Vec{}))
	if len(s.Doubles) != 1 {
		t.Fatalf("%d double walls, want one: %+v", len(s.Doubles), s.Doubles)
	}
	within(t, "gap", s.Doubles[0].Gap, 12, 1)
	if area, want := s.Doubles[0].Area, 4*math.Pi*80*80; area < 0.5*want || area > 1.2*want {
		t.Errorf("area %.0f mm², want about %.0f", area, want)
	}
}

// TestSeamIsMeasured: the step between a preferred view and another is found with its sign,
// over the area that both saw; without a preferred view there is none.
func TestSeamIsMeasured(t *testing.T) {
	hand := noisy(slab(200, 1.5, 0, 1, askew, geom.Vec{}), 0.1, 1)
	hand.Prefer = true
	for _, step := range []float64{0.8, -0.4} {
		_, s := mustFuse(t, Options{Voxel: 3}, noisy(slab(300, 1.5, step, 1, askew, geom.Vec{}), 0.3, 2), hand)
		within(t, "step", s.Seam.Mean, step, 0.05)
		within(t, "rms", s.Seam.RMS, math.Abs(step), 0.1)
		within(t, "area", s.Seam.Area, 200*200, 0.15*200*200)
	}
	hand.Prefer = false
	if _, s := mustFuse(t, Options{Voxel: 3}, hand, hand); s.Seam != (Seam{}) {
		t.Errorf("%+v without a preferred view", s.Seam)
	}
}
