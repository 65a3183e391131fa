package normal

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

func mustEstimate(t testing.TB, c *scan.Cloud, o Options) View {
	t.Helper()
	v, err := Estimate(context.Background(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// station casts rays in equal steps of azimuth and elevation from the zero point and
// adds noise along them; hit returns the range along a direction, or +Inf.
func station(az0, az1, el0, el1, step, noise float64, hit func(d geom.Vec) float64) *scan.Cloud {
	r := rand.New(rand.NewPCG(4, 4))
	c := &scan.Cloud{}
	for az := az0; az < az1; az += step {
		for el := el0; el < el1; el += step {
			d := geom.Vec{X: math.Cos(el) * math.Cos(az), Y: math.Cos(el) * math.Sin(az), Z: math.Sin(el)}
			if t := hit(d); !math.IsInf(t, 0) {
				c.Append(d.Scale(t + noise*r.NormFloat64()))
			}
		}
	}
	return c
}

// toSphere is the range to a sphere.
func toSphere(center geom.Vec, radius float64) func(geom.Vec) float64 {
	return func(d geom.Vec) float64 {
		b := d.Dot(center)
		if disc := b*b - center.Norm2() + radius*radius; disc > 0 {
			return b - math.Sqrt(disc)
		}
		return math.Inf(1)
	}
}

// toRoom is the range to the walls of a box around the zero point.
func toRoom(d geom.Vec) float64 {
	return min(3000/math.Abs(d.X), 2000/math.Abs(d.Y), 1500/math.Abs(d.Z))
}

// relief is a grid of points over x and y.
func relief(n int, step, noise float64, f func(x, y float64) float64) *scan.Cloud {
	r := rand.New(rand.NewPCG(5, 5))
	c := &scan.Cloud{}
	for i := range n {
		for j := range n {
			x, y := (float64(i)-float64(n)/2)*step, (float64(j)-float64(n)/2)*step
			c.Append(geom.Vec{X: x, Y: y, Z: f(x, y) + noise*r.NormFloat64()})
		}
	}
	return c
}

// dome is part of a sphere of radius 80 about (0, 0, -60): the zero point is inside.
func dome(x, y float64) float64 { return math.Sqrt(max(0, 80*80-x*x-y*y)) - 60 }

// angles returns the mean angle between normals and truth over the points that are no
// edges, in degrees, and how many point to the wrong side.
func angles(c *scan.Cloud, v View, truth func(p geom.Vec) geom.Vec) (mean float64, wrong int) {
	n := 0
	for i := range c.X {
		if v.Edge[i] {
			continue
		}
		a := c.Normal(i).Dot(truth(c.At(i)))
		if a < 0 {
			wrong++
		}
		mean += math.Acos(min(1, max(-1, a))) * 180 / math.Pi
		n++
	}
	return mean / float64(max(n, 1)), wrong
}

// TestStationSphere: normals of a sphere seen from the zero point lead away from its
// middle, the noise comes out as it went in, and so does the step.
func TestStationSphere(t *testing.T) {
	center := geom.Vec{X: 2500, Y: 300, Z: -200}
	c := station(-0.3, 0.5, -0.4, 0.3, 0.002, 0.5, toSphere(center, 400))
	v := mustEstimate(t, c, Options{})
	if v.Kind != Station || v.Position != (geom.Vec{}) {
		t.Fatalf("kind %v at %v, want a station at the zero point", v.Kind, v.Position)
	}
	mean, wrong := angles(c, v, func(p geom.Vec) geom.Vec { return p.Sub(center).Unit() })
	if mean > 3 || wrong > 0 { // 0.5 mm over a baseline of 5 mm steps and 25 points is about 2 degrees
		t.Errorf("mean angle %.2f degrees, %d wrong", mean, wrong)
	}
	within(t, "noise", v.Noise, 0.5, 0.04) // the curvature adds a little
	within(t, "step", v.Spacing, 0.002, 2e-4)
	for i := range c.X {
		if n := c.Normal(i); math.Abs(n.Norm()-1) > 1e-5 || n.Dot(c.At(i)) > 0 {
			t.Fatalf("normal %v of point %v is not a unit vector towards the scanner", n, c.At(i))
		}
	}
}

// TestIncidence: the cosine is that of the angle between line of sight and plane.
func TestIncidence(t *testing.T) {
	slant := geom.Vec{X: 1, Y: -1.5}.Unit() // plane through (1000, 0, 0)
	c := station(-0.2, 0.2, -0.2, 0.2, 0.004, 0, func(d geom.Vec) float64 { return 1000 * slant.X / d.Dot(slant) })
	v := mustEstimate(t, c, Options{Kind: Station})
	for i := range c.X {
		if p := c.At(i); !v.Edge[i] {
			within(t, "cosine", float64(v.Cos[i]), math.Abs(p.Unit().Dot(slant)), 2e-3)
		}
	}
	for i, w := range v.Weights() {
		want := float64(v.Cos[i] * v.Cos[i])
		if v.Edge[i] || v.Cos[i] < 0.258 {
			want = 0
		}
		within(t, "weight", float64(w), want, 1e-6)
	}
}

// TestAllAround: in a room every direction is seen; the picture closes on itself, and
// floor and ceiling reach the poles.
func TestAllAround(t *testing.T) {
	c := station(-math.Pi, math.Pi, -1.2, 1.2, 0.012, 0.3, toRoom)
	v := mustEstimate(t, c, Options{})
	mean, wrong := angles(c, v, func(p geom.Vec) geom.Vec {
		d := p.Unit()
		switch toRoom(d) {
		case 3000 / math.Abs(d.X):
			return geom.Vec{X: -math.Copysign(1, d.X)}
		case 2000 / math.Abs(d.Y):
			return geom.Vec{Y: -math.Copysign(1, d.Y)}
		}
		return geom.Vec{Z: -math.Copysign(1, d.Z)}
	})
	if v.Kind != Station || mean > 3 || wrong > 0 {
		t.Errorf("kind %v, mean angle %.2f degrees, %d wrong", v.Kind, mean, wrong)
	}
	if share := float64(v.Edges) / float64(c.Len()); share > 0.1 {
		t.Errorf("%.3f of the points in a room without edges are edges", share)
	}
}

// TestParallelAxes: a dome over a plane, its middle near the zero point, seen along
// each axis from either side.
func TestParallelAxes(t *testing.T) {
	turns := []geom.Mat{geom.Identity(), geom.RotVec(geom.Vec{X: math.Pi / 2}), geom.RotVec(geom.Vec{Y: math.Pi / 2}), geom.Diag(1, -1, -1)}
	for _, origin := range []geom.Vec{{}, {X: 1e7, Y: -1e7}} {
		for k, turn := range turns {
			flat := relief(100, 1, 0.05, dome)
			c := &scan.Cloud{Origin: origin}
			for i := range flat.X {
				c.Append(origin.Add(turn.MulVec(flat.At(i))))
			}
			v := mustEstimate(t, c, Options{})
			if v.Kind != Parallel {
				t.Fatalf("turn %d, origin %v: kind %v", k, origin, v.Kind)
			}
			if got := v.Direction.Dot(turn.Col(2)); got > -0.999 {
				t.Errorf("turn %d: direction %v is not down the dome", k, v.Direction)
			}
			mean, wrong := angles(c, v, func(p geom.Vec) geom.Vec {
				return turn.MulVec(turn.T().MulVec(p.Sub(origin)).Add(geom.Vec{Z: 60}).Unit())
			})
			if wrong > 0 || mean > 4 {
				t.Errorf("turn %d: mean angle %.2f degrees, %d wrong", k, mean, wrong)
			}
			within(t, "step", v.Spacing, 1, 0.1)
		}
	}
}

// TestDepthEdge: a plate in front of a wall. Its rim and the wall beside its shadow are
// edges, little else is, and no normal is bent across.
func TestDepthEdge(t *testing.T) {
	hit := func(d geom.Vec) float64 {
		if math.Abs(d.Y/d.X) < 0.1 && math.Abs(d.Z/d.X) < 0.1 {
			return 1000 / d.X
		}
		return 1400 / d.X
	}
	c := station(-0.3, 0.3, -0.3, 0.3, 0.004, 0.2, hit)
	v := mustEstimate(t, c, Options{})
	missed := 0
	for i := range c.X {
		p := c.At(i)
		off := max(math.Abs(p.Y/p.X), math.Abs(p.Z/p.X)) - 0.1
		border := max(math.Abs(p.Y/p.X), math.Abs(p.Z/p.X)) > 0.26
		switch {
		case math.Abs(off) < 0.002 && !v.Edge[i]:
			missed++
		case math.Abs(off) > 0.02 && !border && v.Edge[i]:
			t.Fatalf("point %v is called an edge", p)
		}
		if !v.Edge[i] && c.NX[i] > -0.97 {
			t.Errorf("normal %v of %v leans over the edge", c.Normal(i), p)
		}
	}
	if missed > 100 { // of about 400 along the rim
		t.Errorf("%d points at the rim are not edges", missed)
	}
}

// TestMixedPixels: points hanging between plate and wall are edges.
func TestMixedPixels(t *testing.T) {
	c := station(-0.2, 0.2, -0.2, 0.2, 0.004, 0.2, func(d geom.Vec) float64 {
		if d.Y < 0 {
			return 1000 / d.X
		}
		if d.Y < 0.004 {
			return 1200 / d.X
		}
		return 1400 / d.X
	})
	v := mustEstimate(t, c, Options{})
	for i := range c.X {
		if x := c.X[i]; x > 1100 && x < 1300 && !v.Edge[i] {
			t.Errorf("mixed pixel %v is no edge", c.At(i))
		}
	}
}

// TestRefusesManyViews: points all around an object are no view from one place.
func TestRefusesManyViews(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	c := &scan.Cloud{}
	for range 40_000 {
		d := geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}.Unit()
		c.Append(geom.Vec{X: 500}.AddScaled(300, d))
	}
	if _, err := Estimate(context.Background(), c, Options{}); !errors.Is(err, ErrView) {
		t.Errorf("error = %v, want ErrView", err)
	}
}

// TestUnitsDoNotMatter: the same cloud in another unit has the same normals.
func TestUnitsDoNotMatter(t *testing.T) {
	c := station(-0.3, 0.5, -0.4, 0.3, 0.004, 0.5, toSphere(geom.Vec{X: 2500, Y: 300}, 400))
	d := &scan.Cloud{}
	for i := range c.X {
		d.X, d.Y, d.Z = append(d.X, c.X[i]/1024), append(d.Y, c.Y[i]/1024), append(d.Z, c.Z[i]/1024)
	}
	v, w := mustEstimate(t, c, Options{}), mustEstimate(t, d, Options{})
	within(t, "noise", w.Noise*1024, v.Noise, 1e-6)
	for i := range c.X {
		if c.Normal(i).Dist(d.Normal(i)) > 1e-4 || v.Edge[i] != w.Edge[i] {
			t.Fatalf("point %d: normal %v and %v", i, c.Normal(i), d.Normal(i))
		}
	}
}

func TestWorkersDoNotMatter(t *testing.T) {
	run := func(workers int) (*scan.Cloud, View) {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		c := station(-0.3, 0.5, -0.4, 0.3, 0.002, 0.5, toSphere(geom.Vec{X: 2500, Y: 300}, 400))
		return c, mustEstimate(t, c, Options{})
	}
	c, v := run(1)
	for _, workers := range []int{2, 3, 8} {
		if d, w := run(workers); !reflect.DeepEqual(c, d) || !reflect.DeepEqual(v, w) {
			t.Errorf("%d workers give another result", workers)
		}
	}
}

// TestBadInput: too few points are refused; points that are not finite, or all in one
// place or on a line, give neither a panic nor a normal without length.
func TestBadInput(t *testing.T) {
	if _, err := Estimate(context.Background(), &scan.Cloud{}, Options{}); !errors.Is(err, ErrFew) {
		t.Errorf("empty cloud: %v", err)
	}
	c := station(-0.2, 0.2, -0.2, 0.2, 0.004, 0.2, toRoom)
	for i := 0; i < c.Len(); i += 50 {
		c.X[i] = float32(math.NaN())
		c.Y[i+1] = float32(math.Inf(1))
	}
	v := mustEstimate(t, c, Options{Kind: Station})
	for i := range c.X {
		if math.Abs(c.Normal(i).Norm()-1) > 1e-5 || !c.At(i).IsFinite() && !v.Edge[i] {
			t.Fatalf("point %v: normal %v, edge %v", c.At(i), c.Normal(i), v.Edge[i])
		}
	}
	for name, f := range map[string]func(i float64) geom.Vec{
		"zero":  func(float64) geom.Vec { return geom.Vec{} },
		"place": func(float64) geom.Vec { return geom.Vec{X: 5} },
		"line":  func(i float64) geom.Vec { return geom.Vec{X: 5, Y: i} },
		"NaN":   func(float64) geom.Vec { return geom.Vec{X: math.NaN()} },
	} {
		for _, kind := range []Kind{Auto, Station, Parallel} {
			c := &scan.Cloud{}
			for i := range 1000 {
				c.Append(f(float64(i)))
			}
			if _, err := Estimate(context.Background(), c, Options{Kind: kind}); err != nil && !errors.Is(err, ErrView) {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

func BenchmarkEstimate(b *testing.B) {
	c := station(-0.7, 0.7, -0.7, 0.7, 0.0014, 0.5, toRoom)
	b.ReportAllocs()
	for b.Loop() {
		mustEstimate(b, c, Options{})
	}
	b.ReportMetric(float64(c.Len())*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
