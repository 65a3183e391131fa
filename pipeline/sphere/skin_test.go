package sphere

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// skin is a sampled surface with noise on points and normals.
type skin struct {
	random *rand.Rand
	cloud  scan.Cloud
	noise  float64
	unit   float64 // of the cloud's numbers, mm
}

func newSkin(seed uint64, unit float64) *skin {
	return &skin{random: rand.New(rand.NewPCG(seed, 3)), noise: 0.05, unit: unit}
}

func (s *skin) gauss() geom.Vec {
	return geom.Vec{X: s.random.NormFloat64(), Y: s.random.NormFloat64(), Z: s.random.NormFloat64()}
}

func (s *skin) put(p, n geom.Vec) {
	s.cloud.Append(p.AddScaled(s.noise*s.random.NormFloat64(), n).Scale(1 / s.unit))
	n = n.Add(s.gauss().Scale(0.04)).Unit()
	s.cloud.NX, s.cloud.NY, s.cloud.NZ = append(s.cloud.NX, float32(n.X)), append(s.cloud.NY, float32(n.Y)), append(s.cloud.NZ, float32(n.Z))
}

// ball puts points on the part of a sphere that lies above a height over its centre, as
// a share of its radius.
func (s *skin) ball(center geom.Vec, diameter, above float64, points int) {
	for range points {
		if u := s.gauss().Unit(); u.Z > above {
			s.put(center.AddScaled(diameter/2, u), u)
		}
	}
}

// pipe is a cylinder of a diameter along X; plate a square of two metres at z = 0.
func (s *skin) pipe(center geom.Vec, diameter, length float64, points int) {
	for range points {
		a := 2 * math.Pi * s.random.Float64()
		u := geom.Vec{Y: math.Cos(a), Z: math.Sin(a)}
		s.put(center.Add(geom.Vec{X: length * (s.random.Float64() - 0.5)}).AddScaled(diameter/2, u), u)
	}
}

func (s *skin) plate(points int) {
	for range points {
		s.put(geom.Vec{X: 2000 * (s.random.Float64() - 0.5), Y: 2000 * (s.random.Float64() - 0.5)}, geom.Vec{Z: 1})
	}
}

func findSkin(t *testing.T, s *skin) Result {
	t.Helper()
	r, err := FindOnSurface(t.Context(), &s.cloud, Options{Diameter: 145 / s.unit, Tolerance: 1 / s.unit})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Of a plate with pipes as thick as the spheres, a ball of another size and a shallow
// cap, the two reference spheres alone are found, in millimetres as in metres and inches.
func TestSpheresOnASurface(t *testing.T) {
	for _, unit := range []float64{1, 25.4, 1000} {
		for seed := range uint64(5) {
			s := newSkin(seed, unit)
			want := []geom.Vec{{X: 300, Y: 200, Z: 140}, {X: -500, Y: 100, Z: 300}}
			s.ball(want[0], 145, -0.5, 6000)
			s.ball(want[1], 145, 0.3, 6000)
			s.ball(geom.Vec{X: 100, Y: -600, Z: 200}, 151, -0.5, 6000) // 6 mm too large
			s.ball(geom.Vec{X: 600, Y: -600, Z: 200}, 145, 0.8, 12000) // a tenth of it
			s.pipe(geom.Vec{Y: 700, Z: 150}, 145, 1200, 60000)
			s.plate(200_000)
			r := findSkin(t, s)
			var used []Sphere
			for _, x := range r.Spheres {
				if x.Usable {
					used = append(used, x)
				}
			}
			if len(used) != 2 {
				t.Errorf("unit %g, seed %d: found %+v, turned down %+v", unit, seed, r.Spheres, r.Rejected)
				continue
			}
			for k, x := range used {
				if d := x.Center.Scale(unit).Dist(want[(k+0)%2]); d > 0.05 && x.Center.Scale(unit).Dist(want[1]) > 0.05 {
					t.Errorf("unit %g, seed %d: %.3f mm off", unit, seed, d)
				}
				if math.Abs(x.Diameter*unit-145) > 0.1 {
					t.Errorf("unit %g, seed %d: diameter %.3f mm", unit, seed, x.Diameter*unit)
				}
			}
		}
	}
}

// Errors over stated covariances follow the chi-square distribution.
func TestSkinCovariance(t *testing.T) {
	const runs = 150
	sum := 0.0
	for seed := range uint64(runs) {
		s := newSkin(seed+100, 1)
		at := geom.Vec{X: 3, Y: -2, Z: 1}
		s.ball(at, 145, 0.2, 3000)
		r := findSkin(t, s)
		if len(r.Spheres) != 1 {
			t.Fatalf("seed %d: %+v", seed, r)
		}
		e := r.Spheres[0].Center.Sub(at)
		inv, ok := r.Spheres[0].Cov.Inv()
		if !ok {
			t.Fatalf("covariance %v", r.Spheres[0].Cov)
		}
		sum += e.Dot(inv.MulVec(e))
	}
	q := sum / (3 * runs)
	t.Logf("chi-square over degrees of freedom %.3f", q)
	if q < 0.75 || q > 1.3 { // four deviations are a quarter
		t.Errorf("chi-square over degrees of freedom %.3f", q)
	}
}

func TestNoSpheresOnASurface(t *testing.T) {
	if r, err := FindOnSurface(t.Context(), &scan.Cloud{X: []float32{1}, Y: []float32{1}, Z: []float32{1}}, Options{Diameter: 145}); err != nil || len(r.Spheres) > 0 {
		t.Errorf("without normals: %+v, %v", r, err)
	}
	if _, err := FindOnSurface(t.Context(), &scan.Cloud{}, Options{}); !errors.Is(err, ErrDiameter) {
		t.Errorf("without a diameter: %v", err)
	}
	s := newSkin(1, 1)
	s.pipe(geom.Vec{}, 145, 2000, 100_000)
	s.plate(100_000)
	if r := findSkin(t, s); len(r.Spheres) > 0 {
		t.Errorf("on a pipe and a plate: %+v", r.Spheres)
	}
}

func BenchmarkFindOnSurface(b *testing.B) {
	s := newSkin(1, 1)
	s.ball(geom.Vec{Z: 300}, 145, -0.5, 20_000)
	s.pipe(geom.Vec{Y: 700, Z: 150}, 145, 1200, 180_000)
	s.plate(800_000)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FindOnSurface(b.Context(), &s.cloud, Options{Diameter: 145, Tolerance: 1}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(s.cloud.Len()*b.N)/b.Elapsed().Seconds(), "points/s")
}
