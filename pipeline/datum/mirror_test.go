package datum

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// hullRadius is that of a closed body about the zero point, 4 m long, that is its own mirror
// image in y = 0 and in no other plane: blunt at one end, with a pair of lumps on
// its flanks.
func hullRadius(azimuth, elevation float64) float64 {
	c, s := math.Cos(azimuth), math.Sin(azimuth)
	base := 1 / math.Sqrt(c*c/(2000*2000)+s*s/(800*800))
	flank := math.Pow(math.Abs(s), 9) * 120 * math.Exp(-(c-0.3)*(c-0.3)/0.0625)
	return (base*(1+0.18*c) + flank) * math.Pow(math.Cos(elevation), 0.3)
}

func hullPoint(azimuth, elevation float64) geom.Vec {
	r := hullRadius(azimuth, elevation)
	return geom.Vec{X: r * math.Cos(elevation) * math.Cos(azimuth), Y: r * math.Cos(elevation) * math.Sin(azimuth), Z: 0.6 * r * math.Sin(elevation)}
}

func hull(pose geom.Pose, sigma float64) *scan.Cloud {
	rnd := rand.New(rand.NewPCG(9, 9))
	c := &scan.Cloud{}
	const step, h = 0.035, 1e-4
	for az := -math.Pi; az < math.Pi; az += step {
		for el := -1.2; el < 1.2; el += step {
			a, e := az+step*rnd.Float64(), el+step*rnd.Float64()
			n := hullPoint(a+h, e).Sub(hullPoint(a-h, e)).Cross(hullPoint(a, e+h).Sub(hullPoint(a, e-h))).Unit()
			p := pose.Apply(hullPoint(a, e).AddScaled(sigma*rnd.NormFloat64(), n))
			n = pose.Turn(n)
			c.Append(p)
			c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
		}
	}
	return c
}

func TestMirrorsFindTheOnePlane(t *testing.T) {
	for _, turn := range []float64{0, 0.3, 1.5, 1.6, -2.2, 3.1} {
		pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: turn}), T: geom.Vec{X: 5000, Y: -3000, Z: 700}}
		found := Mirrors(hull(pose, 1), geom.Vec{Z: 1})
		if len(found) == 0 {
			t.Fatalf("turned by %g: no plane", turn)
		}
		want := pose.Turn(geom.Vec{Y: 1})
		angle := math.Acos(min(1, math.Abs(found[0].Normal.Dot(want)))) * 180 / math.Pi
		shift := math.Abs(found[0].Point.Sub(pose.T).Dot(want))
		if angle > 1.5 || shift > 40 {
			t.Errorf("turned by %g: off by %.2f° and %.1f mm", turn, angle, shift)
		}
		if len(found) > 1 && found[1].Share > 0.8 {
			t.Errorf("turned by %g: a second plane with %.2f of the votes", turn, found[1].Share)
		}
	}
}

// A box has two upright planes of symmetry, and both are told.
func TestMirrorsTellASecondPlane(t *testing.T) {
	c := &scan.Cloud{}
	put := func(p, n geom.Vec) {
		c.Append(p)
		c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
	}
	for z := 0.0; z < 600; z += 40 {
		for x := -1000.0; x <= 1000; x += 40 {
			put(geom.Vec{X: x, Y: 600, Z: z}, geom.Vec{Y: 1})
			put(geom.Vec{X: x, Y: -600, Z: z}, geom.Vec{Y: -1})
		}
		for y := -600.0; y <= 600; y += 40 {
			put(geom.Vec{X: 1000, Y: y, Z: z}, geom.Vec{X: 1})
			put(geom.Vec{X: -1000, Y: y, Z: z}, geom.Vec{X: -1})
		}
	}
	found := Mirrors(c, geom.Vec{Z: 1})
	if len(found) < 2 || found[1].Share < 0.4 || math.Abs(found[0].Normal.Dot(found[1].Normal)) > 0.1 {
		t.Errorf("got %+v", found)
	}
}

// A plane that is off by a little, and the motion that lays the image made in it
// onto the object, give the true plane back.
func TestRefinedPlane(t *testing.T) {
	truth := Symmetry{Normal: geom.Vec{X: 0.6, Y: 0.8}, Point: geom.Vec{X: 100, Y: 50, Z: 20}}
	rough := Symmetry{Normal: geom.Vec{X: 0.61, Y: 0.79, Z: 0.01}.Unit(), Point: geom.Vec{X: 108, Y: 47}}
	reflection := func(s Symmetry) (geom.Mat, geom.Vec) {
		m := geom.Identity().Add(geom.Outer(s.Normal, s.Normal).Scale(-2))
		return m, s.Normal.Scale(2 * s.Normal.Dot(s.Point))
	}
	m, a := reflection(truth)
	n, b := reflection(rough)
	motion := geom.Pose{R: m.Mul(n.T())} // p′ = M p + a, and the rough image is N p + b
	motion.T = a.Sub(motion.R.MulVec(b))
	var cov fit.Mat6
	for i := range 6 {
		cov[7*i] = 4
	}
	e := rough.Refined(motion, cov, geom.Vec{X: 500, Y: 900, Z: -300}, 0.1, 1000)
	if e.Normal.Dist(truth.Normal) > 1e-12 || math.Abs(e.Point.Sub(truth.Point).Dot(truth.Normal)) > 1e-9 {
		t.Errorf("normal %v, want %v; off by %g", e.Normal, truth.Normal, e.Point.Sub(truth.Point).Dot(truth.Normal))
	}
	if got := e.Normal.Dot(e.PointCov.MulVec(e.Normal)); math.Abs(got-1) > 1e-12 {
		t.Errorf("variance across the plane %g, want 4/4", got)
	}
	if got := e.NormalCov.Trace(); math.Abs(got-2) > 1e-12 {
		t.Errorf("variance of the normal %g, want 2 · 4/4", got)
	}
}

func TestReflectedIsAMirrorImage(t *testing.T) {
	c := hull(geom.Pose{R: geom.Identity(), T: geom.Vec{X: 1e7}}, 0)
	s := Symmetry{Normal: geom.Vec{Y: 1}, Point: geom.Vec{X: 1e7}}
	m := s.Reflected(c)
	for i := 0; i < c.Len(); i += 97 {
		p, q := c.At(i), m.At(i)
		if math.Abs(p.X-q.X) > 1e-3 || math.Abs(p.Y+q.Y) > 1e-3 || math.Abs(float64(c.NY[i]+m.NY[i])) > 1e-6 || c.NX[i] != m.NX[i] {
			t.Fatalf("%v went to %v", p, q)
		}
	}
}

// A floor lies around a body, and a post stands there that does not touch it.
func TestComponentAndFloor(t *testing.T) {
	c := hull(geom.Pose{R: geom.Identity(), T: geom.Vec{Z: 1500}}, 0.5)
	body := c.Len()
	put := func(p, n geom.Vec) {
		c.Append(p)
		c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
	}
	rnd := rand.New(rand.NewPCG(4, 4))
	for x := -5000.0; x <= 5000; x += 50 {
		for y := -5000.0; y <= 5000; y += 50 {
			put(geom.Vec{X: x, Y: y, Z: 0.5 * rnd.NormFloat64()}, geom.Vec{Z: 1})
		}
	}
	for z := 0.0; z < 1500; z += 20 {
		put(geom.Vec{X: 3000, Y: 3000, Z: z}, geom.Vec{X: 1})
	}
	floor, err := Floor(c, geom.Vec{Z: 1}, 500)
	if err != nil || math.Abs(floor.Point.Z) > 0.3 || floor.Normal.Z < 0.99999 {
		t.Fatalf("floor at %v facing %v, %v", floor.Point, floor.Normal, err)
	}
	part := Component(c, floor, geom.Vec{X: 1500, Z: 1500}, 120)
	if part.Len() != body || part.Bounds().Max.X > 2900 {
		t.Errorf("%d points up to %v, want the %d of the body", part.Len(), part.Bounds().Max, body)
	}
}

func TestMirrorsStandOddClouds(t *testing.T) {
	one := &scan.Cloud{}
	for range 100 {
		one.Append(geom.Vec{X: 1})
		one.NX, one.NY, one.NZ = append(one.NX, 1), append(one.NY, 0), append(one.NZ, 0)
	}
	for name, c := range map[string]*scan.Cloud{"nothing": {}, "one place": one} {
		if found := Mirrors(c, geom.Vec{Z: 1}); len(found) != 0 {
			t.Errorf("%s: %+v", name, found)
		}
		if _, err := Floor(c, geom.Vec{Z: 1}, 100); err == nil {
			t.Errorf("%s has a floor", name)
		}
	}
}

func BenchmarkMirrors(b *testing.B) {
	c := hull(geom.IdentityPose(), 1)
	b.ReportAllocs()
	for b.Loop() {
		Mirrors(c, geom.Vec{Z: 1})
	}
}
