package surface

import (
	"context"
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func patchesOf(t *testing.T, a, b *scan.Cloud) []Patch {
	t.Helper()
	_, patches, err := NewWitness(a, 24).Compare(context.Background(), b, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	return patches
}

// The motion suggested takes back the one that was made, within its uncertainty.
func TestSuggestsTheWayBack(t *testing.T) {
	for k, moved := range []geom.Pose{motion(0, 0, 0, 1.5, 0, 0), motion(0.1, 0, -0.1, 0, 1, 0.7), motion(0, 0.05, 0, 0, 0, -2)} {
		a, b := bracket(uint64(10+k), 0.3, 0, 1), bracket(uint64(20+k), 0.3, 0.1, 1).Moved(moved)
		m, ok := Suggest(patchesOf(t, a, b))
		if !ok {
			t.Fatal("no motion")
		}
		for _, p := range b.Bounds().Corners() {
			back := p.Add(m.Shift).Add(m.Turn.Cross(p.Sub(m.Center)))
			if d := back.Dist(moved.Inverse().Apply(p)); d > 0.35 {
				t.Errorf("motion %d: corner %v goes back to %.3f mm from where it was", k, p, d)
			}
		}
		if m.Lowers < 10*m.Sigma || m.After > 0.3*m.Before {
			t.Errorf("motion %d: %+v", k, m)
		}
	}
}

// Where nothing moved, what a motion would lower is what its sigma says: above
// three of them in fewer than one pair of 40.
func TestSuggestsNothingWhereNothingMoved(t *testing.T) {
	const runs = 40
	beyond, sum := 0, 0.0
	for k := range uint64(runs) {
		m, ok := Suggest(patchesOf(t, bracket(300+k, 0.5, 0, 0.9), bracket(400+k, 0.5, 0.2, 1)))
		if !ok {
			t.Fatal("no motion")
		}
		if m.Lowers > 3*m.Sigma {
			beyond++
		}
		sum += m.Lowers * m.Lowers / (m.Sigma * m.Sigma) / runs
	}
	t.Logf("lowers over sigma, rms: %.2f", math.Sqrt(sum))
	if beyond > 1 || math.Sqrt(sum) > 1.3 || math.Sqrt(sum) < 0.6 {
		t.Errorf("%d of %d beyond three sigmas, rms %.2f", beyond, runs, math.Sqrt(sum))
	}
}

// beam is three metres long, with flanges that look all ways; give bends it.
func beam(seed uint64, give func(p geom.Vec) geom.Vec) *scan.Cloud {
	s := newScene(seed, 0.3, 0.02)
	long, wide, high := geom.Vec{X: 3000}, geom.Vec{Y: 300}, geom.Vec{Z: 200}
	s.rectangle(high, long, wide, 8)
	s.rectangle(geom.Vec{}, wide, long, 8)
	s.rectangle(geom.Vec{}, long, high, 8)
	s.rectangle(wide, high, long, 8)
	for _, x := range []float64{300, 1500, 2700} {
		s.rectangle(geom.Vec{X: x, Z: 200}, geom.Vec{Y: 300}, geom.Vec{Z: 150}, 8)
	}
	out := &scan.Cloud{NX: s.cloud.NX, NY: s.cloud.NY, NZ: s.cloud.NZ}
	for i := range s.cloud.Len() {
		p := s.cloud.At(i)
		if give != nil {
			p = p.Add(give(p))
		}
		out.Append(p)
	}
	return out
}

func TestWarpTellsHowAThingGives(t *testing.T) {
	across := func(p geom.Vec) float64 { return (p.X - 1500) / 1500 }
	cases := []struct {
		name  string
		give  func(p geom.Vec) geom.Vec
		bow   float64 // size
		twist float64
		grow  float64
	}{
		{"rigid", nil, 0, 0, 0},
		{"sags by 2 mm", func(p geom.Vec) geom.Vec { return geom.Vec{Z: -2 * across(p) * across(p)} }, 2, 0, 0},
		{"twists", func(p geom.Vec) geom.Vec {
			a := 0.004 * across(p)
			return geom.Vec{Y: -a * (p.Z - 100), Z: a * (p.Y - 150)}
		}, 0, 0.008, 0},
		{"grows", func(p geom.Vec) geom.Vec { return geom.Vec{X: 1.5 * across(p)} }, 0, 0, 3},
	}
	for k, c := range cases {
		b, ok := Warp(patchesOf(t, beam(uint64(k), nil), beam(uint64(10+k), c.give)))
		if !ok {
			t.Fatalf("%s: nothing could be said", c.name)
		}
		t.Logf("%s: %+v", c.name, b)
		share := b.Length / 3000 // the overlap's ends are not quite the beam's
		if bow := math.Hypot(b.Bow[0], b.Bow[1]); math.Abs(bow-c.bow*share*share) > 0.15 {
			t.Errorf("%s: bow %.2f mm, want %.2f", c.name, bow, c.bow*share*share)
		}
		if math.Abs(math.Abs(b.TwistRad)-c.twist*share) > 5e-4 {
			t.Errorf("%s: twist %.5f, want %.5f", c.name, b.TwistRad, c.twist*share)
		}
		if math.Abs(b.Stretch-c.grow*share) > 3*b.Sigma[3] { // three narrow ribs alone see it
			t.Errorf("%s: grew by %.2f mm, want %.2f", c.name, b.Stretch, c.grow*share)
		}
		if c.give == nil && (math.Abs(b.Bow[0]) > 4*b.Sigma[0] || math.Abs(b.Bow[1]) > 4*b.Sigma[1] || math.Abs(b.TwistRad) > 4*b.Sigma[2] || math.Abs(b.Stretch) > 4*b.Sigma[3]) {
			t.Errorf("a rigid beam gives: %+v", b)
		}
		if c.bow+c.twist > 0 && b.Explained < 0.5 {
			t.Errorf("%s: only %.2f explained", c.name, b.Explained)
		}
	}
}

func TestTooFewPatches(t *testing.T) {
	few := patchesOf(t, plane(1, 0, 0.2), plane(2, 1, 0.2))[:10]
	if _, ok := Suggest(few); ok {
		t.Error("a motion from ten patches")
	}
	if _, ok := Warp(few); ok {
		t.Error("a bend from ten patches")
	}
	if m, ok := Suggest(patchesOf(t, plane(1, 0, 0.2), plane(2, 1, 0.2))); ok && (math.Abs(m.Shift.Z+1) > 0.05 || math.Hypot(m.Shift.X, m.Shift.Y) > 0.05) {
		t.Errorf("a plane 1 mm too high is moved by %v", m.Shift)
	}
}
