package sticker

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// skin is a sheet of 370 mm square, bent to a cylinder, with discs on it.
type skin struct {
	bend    float64 // radius, mm
	noise   float64 // mm
	alike   float64 // part of the noise that neighbours within 3 mm share, 0 to 1
	spacing float64
	discs   []Disc // Center.X and Center.Y count
	holes   []geom.Vec
}

func (s skin) scan(seed uint64) *scan.Cloud {
	random := rand.New(rand.NewPCG(seed, 11))
	const side = 370
	n := int(side / s.spacing)
	shared := map[[2]int]float64{}
	c := &scan.Cloud{}
	for i := range n {
		for j := range n {
			x, y := (float64(i)+0.6*random.Float64())*s.spacing, (float64(j)+0.6*random.Float64())*s.spacing
			if s.isHole(x, y) {
				continue
			}
			key := [2]int{int(x / 3), int(y / 3)}
			if _, ok := shared[key]; !ok {
				shared[key] = random.NormFloat64()
			}
			h := s.noise * (math.Sqrt(s.alike)*shared[key] + math.Sqrt(1-s.alike)*random.NormFloat64())
			for _, d := range s.discs {
				if math.Hypot(x-d.Center.X, y-d.Center.Y) < d.Diameter/2 {
					h += d.Height
				}
			}
			a := (x - side/2) / s.bend
			out := geom.Vec{X: math.Sin(a), Z: math.Cos(a)}
			c.Append(geom.Vec{Y: y}.AddScaled(s.bend+h, out))
			wobble := out.Add(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}.Scale(0.04)).Unit()
			c.NX, c.NY, c.NZ = append(c.NX, float32(wobble.X)), append(c.NY, float32(wobble.Y)), append(c.NZ, float32(wobble.Z))
		}
	}
	return c
}

func (s skin) isHole(x, y float64) bool {
	for _, h := range s.holes {
		if math.Hypot(x-h.X, y-h.Y) < h.Z {
			return true
		}
	}
	return false
}

// at returns where a place of the flat sheet lies when it is bent.
func (s skin) at(d Disc) geom.Vec {
	a := (d.Center.X - 185) / s.bend
	return geom.Vec{X: s.bend * math.Sin(a), Y: d.Center.Y, Z: s.bend * math.Cos(a)}
}

// layout puts discs on a lattice with jitter.
func layout(seed uint64, diameters []float64, heights []float64) []Disc {
	random := rand.New(rand.NewPCG(seed, 3))
	var out []Disc
	for i := range 8 {
		for j := range 8 {
			out = append(out, Disc{Center: geom.Vec{X: 22 + 45*float64(i) + 10*random.Float64(), Y: 22 + 45*float64(j) + 10*random.Float64()},
				Diameter: diameters[(i+j)%len(diameters)], Height: heights[i%len(heights)]})
		}
	}
	return out
}

func find(t testing.TB, c *scan.Cloud, o Options) []Disc {
	t.Helper()
	found, err := Find(context.Background(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// match counts the true discs that were found, and those found that are none.
func match(s skin, found []Disc) (hits, wrong int, off, dia, height float64) {
	used := make([]bool, len(s.discs))
	for _, f := range found {
		ok := false
		for i, d := range s.discs {
			if e := f.Center.Dist(s.at(d)); e < d.Diameter/2 && !used[i] {
				used[i], ok = true, true
				off, dia, height = math.Max(off, e), math.Max(dia, math.Abs(f.Diameter-d.Diameter)), math.Max(height, math.Abs(f.Height-d.Height))
				hits++
				break
			}
		}
		if !ok {
			wrong++
		}
	}
	return hits, wrong, off, dia, height
}

func TestFindsTargets(t *testing.T) {
	cases := []struct {
		name    string
		skin    skin
		used    []float64
		heights []float64
	}{
		{"flat, fine", skin{bend: 1e6, noise: 0.03, spacing: 0.7}, []float64{6, 8}, []float64{0.1, 0.2}},
		{"bent, as usual", skin{bend: 400, noise: 0.05, spacing: 1}, []float64{6, 8}, []float64{0.15, 0.3}},
		{"thick ones", skin{bend: 700, noise: 0.05, spacing: 1}, []float64{8, 12}, []float64{0.5}},
		{"noise that neighbours share", skin{bend: 600, noise: 0.05, spacing: 1, alike: 0.4}, []float64{8}, []float64{0.3}},
		{"small ones, fine", skin{bend: 600, noise: 0.02, spacing: 0.5}, []float64{3}, []float64{0.1}},
	}
	for k, c := range cases {
		if testing.Short() && k > 1 {
			break // each skin takes long with -race
		}
		s := c.skin
		s.discs = layout(uint64(k), c.used, c.heights)
		hits, wrong, off, dia, height := match(s, find(t, s.scan(uint64(k)), Options{Diameters: c.used}))
		t.Logf("%s: %d of %d found, %d wrong; off by %.2f mm, diameter by %.2f mm, height by %.3f mm at most", c.name, hits, len(s.discs), wrong, off, dia, height)
		if float64(hits) < 0.95*float64(len(s.discs)) || wrong > 0 {
			t.Errorf("%s: %d of %d found, %d wrong", c.name, hits, len(s.discs), wrong)
		}
		if off > 1 || dia > 0.25*c.used[len(c.used)-1] || height > 0.08 {
			t.Errorf("%s: off by %.2f mm, diameter by %.2f mm, height by %.3f mm", c.name, off, dia, height)
		}
	}
}

// 0.4 square metres of bare skin, with holes and noise that neighbours
// share, have not one.
func TestFindsNothingOnBareSkin(t *testing.T) {
	for k, s := range []skin{
		{bend: 1e6, noise: 0.05, spacing: 1},
		{bend: 300, noise: 0.05, spacing: 1, alike: 0.5},
		{bend: 800, noise: 0.1, spacing: 0.8, holes: []geom.Vec{{X: 150, Y: 150, Z: 6.75}, {X: 260, Y: 300, Z: 4}, {X: 300, Y: 105, Z: 20}}},
	} {
		if testing.Short() && k > 0 {
			break
		}
		if found := find(t, s.scan(uint64(50+k)), Options{}); len(found) > 0 {
			t.Errorf("skin %d: %d discs, the first %+v", k, len(found), found[0])
		}
	}
}

// What is raised but no disc is left alone: a bolt's head, a rib, a dome, a step.
func TestOtherThingsAreNoTargets(t *testing.T) {
	shapes := map[string]func(x, y float64) float64{
		"a bolt's head": func(x, y float64) float64 { return step(math.Hypot(x-50, y-50) < 5) * 4 },
		"a rib":         func(x, _ float64) float64 { return step(math.Abs(x-50) < 3) * 0.3 },
		"a dome":        func(x, y float64) float64 { return 0.3 * math.Exp(-((x-50)*(x-50)+(y-50)*(y-50))/(2*36)) },
		"a step":        func(x, _ float64) float64 { return step(x > 50) * 0.3 },
		"a dent":        func(x, y float64) float64 { return -0.2 * step(math.Hypot(x-50, y-50) < 4) },
		"a strip":       func(x, y float64) float64 { return step(math.Abs(x-50) < 4 && math.Abs(y-50) < 20) * 0.2 },
	}
	for name, height := range shapes {
		random := rand.New(rand.NewPCG(9, 9))
		c := &scan.Cloud{}
		for i := range 140 {
			for j := range 140 {
				x, y := (float64(i)+0.5*random.Float64())*0.7, (float64(j)+0.5*random.Float64())*0.7
				c.Append(geom.Vec{X: x, Y: y, Z: height(x, y) + 0.03*random.NormFloat64()})
				c.NX, c.NY, c.NZ = append(c.NX, 0), append(c.NY, 0), append(c.NZ, 1)
			}
		}
		if found := find(t, c, Options{Diameters: []float64{6, 8}}); len(found) > 0 {
			t.Errorf("%s: %+v", name, found)
		}
	}
}

func step(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func TestSameOnAnyNumberOfProcessors(t *testing.T) {
	s := skin{bend: 500, noise: 0.05, spacing: 2}
	s.discs = layout(1, []float64{12}, []float64{0.4})
	c := s.scan(1)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		got := fmt.Sprint(find(t, c, Options{Diameters: []float64{12}}))
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d processors: %s, want %s", n, got, want)
		}
	}
}

func TestNothingToLookAt(t *testing.T) {
	nan := float32(math.NaN())
	for name, c := range map[string]*scan.Cloud{
		"empty": {}, "no normals": {X: []float32{1}, Y: []float32{1}, Z: []float32{1}},
		"no numbers": {X: []float32{nan}, Y: []float32{nan}, Z: []float32{nan}, NX: []float32{nan}, NY: []float32{0}, NZ: []float32{1}},
	} {
		if found := find(t, c, Options{}); len(found) > 0 {
			t.Errorf("%s: %+v", name, found)
		}
	}
}

func BenchmarkFind(b *testing.B) {
	s := skin{bend: 500, noise: 0.05, spacing: 1}
	s.discs = layout(1, []float64{6, 8}, []float64{0.2})
	c := s.scan(1)
	b.ReportAllocs()
	for b.Loop() {
		find(b, c, Options{Diameters: []float64{6, 8}})
	}
	b.ReportMetric(float64(c.Len()*b.N)/b.Elapsed().Seconds(), "points/s")
}
