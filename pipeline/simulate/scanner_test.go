package simulate

import (
	"context"
	"math"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

// shapes are one of each, none of them about a special size.
func shapes() map[string]Shape {
	return map[string]Shape{
		"sphere":      Sphere{Radius: 72.5},
		"ellipsoid":   Ellipsoid{Half: geom.Vec{X: 300, Y: 200, Z: 150}},
		"cylinder":    Cylinder{Radius: 40, Length: 310},
		"box":         Box{Half: geom.Vec{X: 150, Y: 90, Z: 33}},
		"plate":       Plate{Half: geom.Vec{X: 150, Y: 120, Z: 6}, Bores: []Bore{{X: 60, Y: 50, Radius: 20}, {X: -80, Y: -10, Radius: 8.75}}},
		"torus":       Torus{Major: 310, Minor: 120},
		"rounded box": RoundedBox{Half: geom.Vec{X: 300, Y: 200, Z: 150}, Radius: 60},
	}
}

func drawDirection(t *rapid.T) geom.Vec {
	z := rapid.Float64Range(-1, 1).Draw(t, "z")
	a := rapid.Float64Range(0, 2*math.Pi).Draw(t, "angle")
	r := math.Sqrt(1 - z*z)
	return geom.Vec{X: r * math.Cos(a), Y: r * math.Sin(a), Z: z}
}

// TestHitsLieOnTheSurface aims at each shape from outside: what is hit must be
// on the surface and face the ray, and nothing may lie before it.
func TestHitsLieOnTheSurface(t *testing.T) {
	for name, s := range shapes() {
		t.Run(name, func(t *testing.T) {
			hits := 0
			rapid.Check(t, func(t *rapid.T) {
				o := drawDirection(t).Scale(1000)
				half := s.Bounds().Max
				aim := geom.Vec{
					X: half.X * rapid.Float64Range(-1, 1).Draw(t, "x"),
					Y: half.Y * rapid.Float64Range(-1, 1).Draw(t, "y"), Z: half.Z * rapid.Float64Range(-1, 1).Draw(t, "z"),
				}
				d := aim.Sub(o).Unit()
				r, n, ok := s.Hit(o, d)
				if !ok {
					return
				}
				hits++
				if off := s.Distance(o.AddScaled(r, d)); off > 1e-5 {
					t.Fatalf("the hit is %g mm off the surface", off)
				}
				if math.Abs(n.Norm()-1) > 1e-9 || n.Dot(d) > 1e-5 {
					t.Fatalf("normal %v of length %g, ray %v", n, n.Norm(), d)
				}
			})
			if hits == 0 {
				t.Error("nothing was ever hit")
			}
		})
	}
}

func TestPlateLetsRaysThroughItsBores(t *testing.T) {
	p := Plate{Half: geom.Vec{X: 100, Y: 100, Z: 6}, Bores: []Bore{{X: 30, Y: 0, Radius: 8.75}}}
	down := geom.Vec{Z: -1}
	if _, _, ok := p.Hit(geom.Vec{X: 30, Y: 8, Z: 50}, down); ok {
		t.Error("a ray down the bore hit something")
	}
	if r, _, ok := p.Hit(geom.Vec{X: 30, Y: 9, Z: 50}, down); !ok || r != 44 {
		t.Errorf("beside the bore: got %g, %v, want 44", r, ok)
	}
	r, n, ok := p.Hit(geom.Vec{X: 30 - 50, Z: 56}, geom.Vec{X: 1, Z: -1}.Unit())
	if want := 58.75 * math.Sqrt2; !ok || math.Abs(r-want) > 1e-9 || n.X > -0.999 {
		t.Errorf("aslant into the bore: got %g, %v, %v, want %g on the wall", r, n, ok, want)
	}
}

// TestCastIsTheNearestOfAllParts compares the hierarchy with trying every part.
func TestCastIsTheNearestOfAllParts(t *testing.T) {
	c := newCapture(DemoOptions{Seed: 1})
	rapid.Check(t, func(t *rapid.T) {
		o := geom.Vec{X: rapid.Float64Range(-5000, 5000).Draw(t, "x"), Y: rapid.Float64Range(3000, 5000).Draw(t, "y"), Z: rapid.Float64Range(100, 3000).Draw(t, "z")}
		d := drawDirection(t)
		got, ok := c.scene.Cast(o, d)
		want := math.Inf(1)
		for i := range c.scene.Parts {
			back := c.scene.back[i]
			if r, _, hit := c.scene.Parts[i].Shape.Hit(back.Apply(o), back.Turn(d)); hit {
				want = min(want, r)
			}
		}
		if ok == math.IsInf(want, 1) || ok && got.Range != want {
			t.Fatalf("got %g, %v, want %g", got.Range, ok, want)
		}
	})
}

// wall is a large plate in front of a scanner at zero, turned about Z by angle.
func wall(distance, angle float64, m Material) *Scene {
	normal := geom.Vec{X: math.Cos(angle), Y: math.Sin(angle)}
	return NewScene(Along("wall", Box{Half: geom.Vec{X: 50000, Y: 50000, Z: 1}}, geom.Vec{X: distance}.Add(normal.Scale(1)), normal, m))
}

// narrow is the demo's scanner with a window of a few degrees around the X axis.
func narrow() Tripod {
	s := NewTripod(0.01)
	s.Azimuth, s.Elevation = [2]float64{-0.7, 0.7}, [2]float64{-0.7, 0.7}
	return s
}

// residuals scans the wall and returns how many rays came back, and mean and
// standard deviation of reading minus true range.
func residuals(t *testing.T, s Tripod, scene *Scene) (share, mean, sigma float64) {
	t.Helper()
	cloud, err := s.Scan(context.Background(), scene, geom.IdentityPose(), 42)
	if err != nil {
		t.Fatal(err)
	}
	columns, rows := s.Rays()
	var e []float64
	for i := range cloud.Len() {
		p := cloud.At(i)
		h, _ := scene.Cast(geom.Vec{}, p.Unit())
		e = append(e, p.Norm()-h.Range)
	}
	for _, x := range e {
		mean += x / float64(len(e))
	}
	for _, x := range e {
		sigma += (x - mean) * (x - mean) / float64(len(e)-1)
	}
	return float64(len(e)) / float64(columns*rows), mean, math.Sqrt(sigma)
}

func TestRangeNoise(t *testing.T) {
	for _, metres := range []float64{2, 5, 10, 20} {
		share, mean, sigma := residuals(t, narrow(), wall(1000*metres, 0, white))
		want := 0.5 + 0.05*metres
		// 19,881 rays: the sample sigma is good to 0.5 %, the mean to 0.01 sigma; five of each are allowed.
		if share < 0.9999 || math.Abs(mean) > 0.05*want || math.Abs(sigma/want-1) > 0.025 {
			t.Errorf("at %g m: share %.4f, mean %.4f, sigma %.4f mm, want 1, 0, %.3f", metres, share, mean, sigma, want)
		}
	}
	_, _, straight := residuals(t, narrow(), wall(5000, 0, concrete))
	_, _, grazing := residuals(t, narrow(), wall(5000, 75*math.Pi/180, concrete))
	if grazing < 1.5*straight {
		t.Errorf("sigma %.3f mm straight on, %.3f mm at 75 degrees, want clearly more", straight, grazing)
	}
}

func TestDropOut(t *testing.T) {
	at := func(m Material, degrees float64) float64 {
		share, _, _ := residuals(t, narrow(), wall(4000, degrees*math.Pi/180, m))
		return share
	}
	for _, c := range []struct {
		name           string
		m              Material
		degrees, least float64
		most           float64
	}{
		{"white straight on", white, 0, 1, 1},
		{"white at 75 degrees", white, 75, 0.99, 1},
		{"rubber straight on", rubber, 0, 0.99, 1},
		{"rubber at 75 degrees", rubber, 75, 0, 0.2},
		{"gloss straight on", paint, 0, 0.99, 1},
		{"gloss at 70 degrees", paint, 70, 0, 0.1},
		{"tank straight on", plastic, 0, 0.6, 0.8},
	} {
		if got := at(c.m, c.degrees); got < c.least || got > c.most {
			t.Errorf("%s: %.3f of the rays came back, want %g to %g", c.name, got, c.least, c.most)
		}
	}
	_, behind, _ := residuals(t, narrow(), wall(4000, 0, plastic))
	if math.Abs(behind-translucentDepth) > 0.2 {
		t.Errorf("a translucent wall reads %.2f mm behind, want about %d", behind, translucentDepth)
	}
}

func TestRangeLimitsAndMixedPixels(t *testing.T) {
	s := narrow()
	for _, metres := range []float64{0.3, 26} {
		if share, _, _ := residuals(t, s, wall(1000*metres, 0, white)); share != 0 {
			t.Errorf("at %g m: %.3f of the rays came back, want none", metres, share)
		}
	}
	scene := NewScene(
		At("front", Box{Half: geom.Vec{X: 1, Y: 20, Z: 1000}}, geom.Vec{X: 4000}, white),
		At("back", Box{Half: geom.Vec{X: 1, Y: 5000, Z: 5000}}, geom.Vec{X: 6000}, white))
	between := func(s Tripod) int {
		cloud, err := s.Scan(context.Background(), scene, geom.IdentityPose(), 1)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for i := range cloud.Len() {
			if x := cloud.At(i).X; x > 4020 && x < 5980 {
				n++
			}
		}
		return n
	}
	_, rows := s.Rays()
	if n := between(s); n < rows/4 || n > rows {
		t.Errorf("got %d points between, want about a fifth of both edges' %d rows", n, rows)
	}
	s.Ideal = true
	if n := between(s); n != 0 {
		t.Errorf("the ideal scanner put %d points between", n)
	}
}
