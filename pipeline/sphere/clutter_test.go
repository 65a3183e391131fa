package sphere

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// A sphere that something hides in part is found where the rest of it stands, or
// turned down; it is never placed elsewhere.
func TestHiddenInPart(t *testing.T) {
	c := geom.Vec{X: 4000, Y: 100, Z: 200}
	front := func(y0, y1, z0, z1 float64) surface { // a board one metre in front
		return func(d geom.Vec) float64 {
			p := d.Scale(3000 / d.X)
			if p.Y > y0 && p.Y < y1 && p.Z > z0 && p.Z < z1 {
				return p.Norm()
			}
			return math.Inf(1)
		}
	}
	cases := []struct {
		name string
		hide surface
		want bool
	}{
		{"a thin pole across the middle", post(3000, 75, 8, -1500, 2000), true},
		{"a third from the left", front(95, 1000, -500, 1500), true},
		{"the lower half", front(-500, 1000, -1000, 150), true},
		{"all but a sliver", front(35, 1000, -500, 1500), false},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			scene := hall(append(stand(c), k.hide)...)
			r := find(t, shoot(window{-8, 12, -10, 12, 8e-4}, scene, 0.7, 0.1e-3, 13), Options{Diameter: 145, Tolerance: 1})
			if k.want {
				match(t, k.name, r.Spheres, []geom.Vec{c})
			}
			for _, s := range r.Spheres {
				if d := s.Center.Dist(c); d > 1 {
					t.Errorf("placed %.1f mm off", d)
				}
			}
			t.Logf("%+v", r)
		})
	}
}

// clutter counts, among rooms full of pipes, balls of other sizes, tanks and
// boards at random, those that show a sphere of 145 mm; there is none.
func clutter(t *testing.T, rooms int, seed uint64) (shown int) {
	rng := rand.New(rand.NewPCG(seed, 14))
	for i := range rooms {
		scene := hall()
		for range 25 {
			scene = append(scene, thing(rng))
		}
		c := shoot(window{-60, 60, -35, 20, 3e-3}, scene, 0.3+1.5*rng.Float64(), 0.2e-3, uint64(i))
		if r := find(t, c, Options{Diameter: 145, Tolerance: 1}); len(r.Spheres) > 0 {
			shown++
			t.Logf("room %d: %+v", i, r.Spheres)
		}
	}
	return shown
}

// One in two hundred rooms may show a sphere that is not there.
func TestClutterHoldsNoSphere(t *testing.T) {
	if shown := clutter(t, 12, 14); shown > 1 {
		t.Errorf("%d of 12 rooms show a sphere that is not there", shown)
	}
}

// thing returns a round or flat thing of random size at a random place, never a
// ball within a tenth of the size looked for.
func thing(rng *rand.Rand) surface {
	x, y, z := 2000+6000*rng.Float64(), 10000*rng.Float64()-5000, 2500*rng.Float64()-1300
	switch rng.IntN(4) {
	case 0:
		return post(x, y, 20+130*rng.Float64(), z-1500*rng.Float64(), z+1500*rng.Float64())
	case 1:
		r := 30 + 35*rng.Float64()
		if rng.IntN(2) == 0 {
			r = 80 + 250*rng.Float64()
		}
		return ball(geom.Vec{X: x, Y: y, Z: z}, r)
	case 2:
		return bowl(geom.Vec{X: x, Y: y, Z: z}, 40+100*rng.Float64())
	default:
		n := geom.Vec{X: 1, Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Unit()
		at := geom.Vec{X: x, Y: y, Z: z}
		size := 50 + 500*rng.Float64()
		return func(d geom.Vec) float64 {
			t := n.Dot(at) / n.Dot(d)
			if p := d.Scale(t); t > 0 && p.Dist(at) < size {
				return t
			}
			return math.Inf(1)
		}
	}
}
