package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
	"trammel/pipeline/geom"
)

// CV-2.1: Gander, Golub & Strebel, BIT 34 (1994), six points.
func TestCircleSixPoints(t *testing.T) {
	c, err := CircleInPlane([]float64{1, 2, 5, 7, 9, 3}, []float64{7, 6, 8, 7, 5, 7}, 0)
	if err != nil {
		t.Fatal(err)
	}
	// The recomputed digits of CV-2.1 end where that iteration did; Newton's method in 80-bit arithmetic ends at
	// the radius 4.714226037792110, and so does this fit.
	within(t, "x", c.X, 4.739782409, 3e-8)
	within(t, "y", c.Y, 2.983532678, 3e-8)
	within(t, "radius", c.Radius, 4.714226037792110, 1e-9)
	within(t, "Σd²", c.RMS*c.RMS*6, 1.227599078, 1e-9)
}

// CV-2.2: 14 points whose residuals are orthogonal to every derivative.
func TestSphereFourteenPoints(t *testing.T) {
	center := geom.Vec{X: 10, Y: -20, Z: 30}
	var p []geom.Vec
	for _, d := range pts(1, 0, 0, -1, 0, 0, 0, 1, 0, 0, -1, 0, 0, 0, 1, 0, 0, -1) {
		p = append(p, center.AddScaled(75.004, d))
	}
	for i := range 8 {
		d := geom.Vec{X: float64(i&1)*2 - 1, Y: float64(i&2) - 1, Z: float64(i&4)/2 - 1}
		p = append(p, center.AddScaled(74.997, d.Unit()))
	}
	for _, held := range []float64{0, 75} {
		s, err := Sphere(p, SphereOptions{Radius: held})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "centre", s.Center, center, 1e-12)
		within(t, "radius", s.Radius, 75, 1e-12)
		within(t, "rms", s.RMS, math.Sqrt(12)*1e-3, 1e-12)
	}
}

// CV-2.3: a cap within a cone of 120°, and what the known radius is worth.
func TestSphereCap(t *testing.T) {
	center := geom.Vec{X: 1, Y: 2, Z: -0.5}
	var p []geom.Vec
	for i := range 32 {
		polar, az := float64(15*(1+i/8))*math.Pi/180, float64(i%8)*math.Pi/4
		d := geom.Vec{X: math.Sin(polar) * math.Cos(az), Y: math.Sin(polar) * math.Sin(az), Z: math.Cos(polar)}
		p = append(p, center.AddScaled(0.050+0.0002*math.Cos(2*az), d))
	}
	free, err := Sphere(p, SphereOptions{Sigma: 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "centre", free.Center, center, 1e-13)
	within(t, "radius", free.Radius, 0.050, 1e-13)
	within(t, "rms", free.RMS, 0.000141421356, 1e-12)
	near(t, "√Q free", free.CenterCov.Sigmas(), geom.Vec{X: 0.399426860, Y: 0.399426860, Z: 1.003844849}, 2e-9)
	within(t, "√Q radius", free.RadiusSigma, 0.782904497, 1e-9)
	held, err := Sphere(p, SphereOptions{Sigma: 1, Radius: 0.050})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "√Q held", held.CenterCov.Sigmas(), geom.Vec{X: 0.399426860, Y: 0.399426860, Z: 0.226664141}, 2e-9)
}

// CV-3.5: the covariance of a centre from a cap of 60°, points even on the surface.
func TestSphereCapCovariance(t *testing.T) {
	const n, half = 40000, math.Pi / 3
	var p []geom.Vec
	golden := math.Pi * (3 - math.Sqrt(5))
	for i := range n {
		z := 1 - (float64(i)+0.5)/n*(1-math.Cos(half))
		h := math.Sqrt(1 - z*z)
		p = append(p, geom.Vec{X: h * math.Cos(golden*float64(i)), Y: h * math.Sin(golden*float64(i)), Z: z}.Scale(72.5))
	}
	k := math.Sqrt(n)
	held, err := Sphere(p, SphereOptions{Radius: 72.5, Sigma: 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "held", held.CenterCov.Sigmas().Scale(k), geom.Vec{X: 2.190890, Y: 2.190890, Z: 1.309307}, 1e-3)
	free, err := Sphere(p, SphereOptions{Sigma: 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "free", free.CenterCov.Sigmas().Scale(k), geom.Vec{X: 2.190890, Y: 2.190890, Z: 6.928203}, 3e-3)
	within(t, "radius", free.RadiusSigma*k, 5.291503, 2e-3)
	within(t, "correlation", free.CenterRad.Z/math.Sqrt(free.CenterCov[8])/free.RadiusSigma, -0.981981, 1e-5)
	wrong, err := Sphere(p, SphereOptions{Radius: 72.55})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "dz/dR", wrong.Center.Z/0.05, -9.0/7, 1e-3)
}

// CV-2.5: 25 points on a plane.
func TestPlaneGrid(t *testing.T) {
	u, n := geom.Vec{X: 1, Y: 2}.Scale(1/math.Sqrt(5)), geom.Vec{X: 2, Y: -1, Z: 2}.Scale(1.0/3)
	v := n.Cross(u)
	var p []geom.Vec
	for i := range 25 {
		x, y := float64(i/5-2), float64(i%5-2)
		e := 0.0
		if x*y != 0 {
			e = math.Copysign(0.001, x*y)
		}
		p = append(p, geom.Vec{X: 1, Y: 1, Z: 1}.AddScaled(x, u).AddScaled(y, v).AddScaled(e, n))
	}
	f, err := Plane(p, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "centroid", f.Point, geom.Vec{X: 1, Y: 1, Z: 1}, 1e-14)
	near(t, "normal", f.Normal, n, 1e-14)
	within(t, "rms", f.RMS, 0.0008, 1e-15)
	within(t, "σ of the tilt about v", math.Sqrt(f.NormalCov.MulVec(u).Dot(u)), 1/math.Sqrt(50), 1e-6)
	within(t, "σ of the height", math.Sqrt(f.PointCov.MulVec(n).Dot(n)), 0.2, 1e-12)
}

// CV-2.6: 24 points on a cylinder, found without a start.
func TestCylinderGrid(t *testing.T) {
	u, d := geom.Vec{X: 1, Y: 2}.Scale(1/math.Sqrt(5)), geom.Vec{X: 2, Y: -1, Z: 2}.Scale(1.0/3)
	v := d.Cross(u)
	var p []geom.Vec
	for i := range 24 {
		az := float64(i%8) * math.Pi / 4
		r := 4 + 0.002*math.Cos(2*az)
		p = append(p, geom.Vec{X: 5, Y: 6, Z: 7}.AddScaled(float64(10*(i/8)), d).AddScaled(r*math.Cos(az), u).AddScaled(r*math.Sin(az), v))
	}
	c, err := Cylinder(p, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "direction", c.Direction, d, 1e-12)
	within(t, "radius", c.Radius, 4, 1e-12)
	within(t, "rms", c.RMS, 0.001414213562, 1e-12)
	near(t, "foot at z = 0", c.Point.AddScaled(-c.Point.Z/c.Direction.Z, c.Direction), geom.Vec{X: -2, Y: 9.5}, 1e-11)
	from, err := CylinderFrom(p, geom.Vec{X: 2, Y: -1, Z: 1.5}, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "direction from a start", from.Direction, d, 1e-12)
}

// CV-2.7: five points on a line.
func TestLineFivePoints(t *testing.T) {
	u, d := geom.Vec{X: 1, Y: 2}.Scale(1/math.Sqrt(5)), geom.Vec{X: 2, Y: -1, Z: 2}.Scale(1.0/3)
	var p []geom.Vec
	for j, e := range []float64{1, -2, 2, -2, 1} {
		p = append(p, geom.Vec{X: 5, Y: 6, Z: 7}.AddScaled(float64(j-2), d).AddScaled(0.001*e, u))
	}
	l, err := Line(p, 1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "centroid", l.Point, geom.Vec{X: 5, Y: 6, Z: 7}, 1e-14)
	near(t, "direction", l.Direction, d, 1e-14)
	within(t, "rms", l.RMS, 0.001673320, 1e-9)
	within(t, "σ of the direction", math.Sqrt(l.DirectionCov.MulVec(u).Dot(u)), 1/math.Sqrt(10), 1e-6)
}

// CV-2.8: minimal constructions, and sets that hold no element.
func TestMinimalAndRefused(t *testing.T) {
	s, err := Sphere(pts(2, 0, 0, 0, 2, 0, -2, 0, 0, 0, 0, 2), SphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "centre", s.Center, geom.Vec{}, 1e-12)
	within(t, "radius", s.Radius, 2, 1e-12)
	c, err := CircleInPlane([]float64{1, 0, -1}, []float64{0, 1, 0}, 0)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "radius", c.Radius, 1, 1e-12)
	flatSet := pts(0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0, 2, 1, 0, 1, 3, 0)
	line := pts(0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4, 6, 6, 6)
	for name, f := range map[string]func() error{
		"sphere through coplanar points": func() error { _, err := Sphere(flatSet, SphereOptions{}); return err },
		"sphere through a line":          func() error { _, err := Sphere(line, SphereOptions{Radius: 5}); return err },
		"circle through a line":          func() error { _, err := Circle(line, 0); return err },
		"plane through a line":           func() error { _, err := Plane(line, 0); return err },
		"line through one place":         func() error { _, err := Line(pts(1, 1, 1, 1, 1, 1), 0); return err },
		"line through a square":          func() error { _, err := Line(flatSet[:4], 0); return err },
		"cylinder through a line":        func() error { _, err := Cylinder(line, 0); return err },
	} {
		if err := f(); !errors.Is(err, ErrDegenerate) {
			t.Errorf("%s: got %v, want %v", name, err, ErrDegenerate)
		}
	}
	if _, err := Sphere(flatSet[:3], SphereOptions{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("a sphere of three points: %v", err)
	}
	if _, err := Plane(append(pts(math.NaN(), 0, 0), flatSet...), 0); !errors.Is(err, ErrNotFinite) {
		t.Errorf("a plane with NaN: %v", err)
	}
}

// The sets of ../shared/data/reference-fits/shapes with their independent answers.
func TestReferenceShapes(t *testing.T) {
	t.Run("circles", func(t *testing.T) {
		for _, c := range []struct {
			file         string
			x, y, r, rms float64
		}{{"bopp-circle", 124.971060508, 85.7491957367, 41.5028307537, 0.0111937}, {"nine-point-circle", 635.822328165, 271.506298906, 1.57977525316, 0.0133525}} {
			var x, y []float64
			for _, r := range readCSV(t, "shapes/"+c.file+".csv") {
				x, y = append(x, r[0]), append(y, r[1])
			}
			got, err := CircleInPlane(x, y, 0)
			if err != nil {
				t.Fatal(err)
			}
			within(t, c.file+" x", got.X, c.x, 1e-8)
			within(t, c.file+" y", got.Y, c.y, 1e-8)
			within(t, c.file+" radius", got.Radius, c.r, 1e-8)
			within(t, c.file+" rms", got.RMS, c.rms, 1e-7)
		}
	})
	t.Run("plane", func(t *testing.T) {
		p, err := Plane(cloud(t, "shapes/niemeier-plane.csv"), 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "normal", p.Normal, geom.Vec{X: -0.286426772491, Y: -0.428732992464, Z: 0.856824209026}, 1e-11)
		within(t, "distance", p.Normal.Dot(p.Point), -0.858999493341, 1e-11)
		within(t, "rms", p.RMS, 0.00223998, 1e-8)
	})
	t.Run("spheres", func(t *testing.T) {
		s, err := Sphere(cloud(t, "shapes/noisy-sphere-1.csv"), SphereOptions{})
		if err != nil {
			t.Fatal(err)
		}
		near(t, "centre", s.Center, geom.Vec{X: 1.51107844571, Y: 2.49252496514, Z: 3.49085241575}, 1e-9)
		within(t, "radius", s.Radius, 6.21897294432, 1e-9)
		within(t, "rms", s.RMS, 0.0523767, 1e-7)
		p := cloud(t, "shapes/sphere-one-outlier.csv")
		w := make([]float64, len(p))
		for i := range w {
			w[i] = 1
		}
		w[9] = 0
		if s, err = Sphere(p, SphereOptions{Weights: w}); err != nil {
			t.Fatal(err)
		}
		near(t, "centre without the outlier", s.Center, geom.Vec{X: 2.000022, Y: 1.999879, Z: 1.999803}, 2e-6)
		within(t, "radius without the outlier", s.Radius, 0.9999147, 1e-6)
	})
	t.Run("cylinder", func(t *testing.T) {
		c, err := Cylinder(cloud(t, "shapes/cylinder.csv"), 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "axis", c.Direction, geom.Vec{X: -7.29110223e-05, Y: 8.1877656e-05, Z: 0.999999994}, 2e-8)
		within(t, "radius", c.Radius, 0.499971621, 1e-8)
		near(t, "point", c.Point.AddScaled(-c.Point.Z/c.Direction.Z, c.Direction), geom.Vec{X: -0.499986973, Y: 1.69991329}, 1e-8)
		within(t, "rms", c.RMS, 9.23994e-05, 1e-9)
	})
}

func cloud(t *testing.T, name string) []geom.Vec {
	t.Helper()
	var p []geom.Vec
	for _, r := range readCSV(t, name) {
		p = append(p, geom.FromArray([3]float64{r[0], r[1], r[2]}))
	}
	return p
}

// Turning, moving by ten kilometres and changing the unit carry every fit along.
func TestShapesAreInvariant(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		scale := rapid.SampledFrom([]float64{1e-3, 1 / 25.4, 1, 10}).Draw(t, "scale")
		motion := geom.Pose{R: geom.RotVec(geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}), T: geom.Vec{X: 1e7, Y: -1e6, Z: 1e7}}
		var ball, ballMoved, pipe, pipeMoved []geom.Vec
		for range 40 {
			d := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: math.Abs(rng.NormFloat64())}.Unit()
			p := d.Scale(72.5 + 0.5*rng.NormFloat64())
			q := geom.Vec{X: d.X, Y: d.Y}.Unit().Scale(30 + 0.1*rng.NormFloat64()).Add(geom.Vec{Z: 200 * rng.Float64()})
			ball, ballMoved = append(ball, p), append(ballMoved, motion.Apply(p).Scale(scale))
			pipe, pipeMoved = append(pipe, q), append(pipeMoved, motion.Apply(q).Scale(scale))
		}
		a, err1 := Sphere(ball, SphereOptions{})
		b, err2 := Sphere(ballMoved, SphereOptions{})
		c, err3 := Cylinder(pipe, 0)
		d, err4 := Cylinder(pipeMoved, 0)
		if err := errors.Join(err1, err2, err3, err4); err != nil {
			t.Fatal(err)
		}
		if e := b.Center.Dist(motion.Apply(a.Center).Scale(scale)); e > 1e-6*scale {
			t.Fatalf("the centre moved by %g", e/scale)
		}
		if e := math.Abs(d.Radius - scale*c.Radius); e > 1e-6*scale {
			t.Fatalf("the radius of the pipe changed by %g", e/scale)
		}
		if e := motion.Turn(c.Direction).Cross(d.Direction).Norm(); e > 1e-8 {
			t.Fatalf("the axis of the pipe turned by %g", e)
		}
	})
}

// Estimated minus true, over the reported covariance, is chi-square: the centre
// of a circle in space, a sphere and the point and direction of a cylinder.
func TestCovariancesHold(t *testing.T) {
	const runs = 1500
	rng := rand.New(rand.NewPCG(77, 1))
	var circle, sphere, pipe float64
	for range runs {
		var ring, ball, tube []geom.Vec
		noise := func() float64 { return 0.05 * rng.NormFloat64() }
		for i := range 24 {
			a := float64(i) * math.Pi / 16
			s, c := math.Sincos(a)
			h := 0.2 + 0.8*float64(i%5)/4
			r := 20 + noise()
			ring = append(ring, geom.Vec{X: r * c, Y: noise(), Z: r * s})
			ball = append(ball, geom.Vec{X: math.Sqrt(1-h*h) * c, Y: math.Sqrt(1-h*h) * s, Z: h}.Scale(50+noise()))
			q := 20 + noise()
			tube = append(tube, geom.Vec{X: q * c, Y: q * s, Z: 40 * h})
		}
		k, err1 := Circle(ring, 0.05)
		s, err2 := Sphere(ball, SphereOptions{Sigma: 0.05})
		y, err3 := CylinderFrom(tube, geom.Vec{Z: 1}, 0.05)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		circle += mahalanobis(k.CenterCov, k.Center)
		sphere += mahalanobis(s.CenterCov, s.Center)
		pipe += y.Direction.X*y.Direction.X/y.DirCov[0] + y.Direction.Y*y.Direction.Y/y.DirCov[4]
	}
	// The mean of runs chi-square variables of k has a standard deviation of √(2k/runs); four of them are allowed.
	within(t, "circle", circle/runs, 3, 4*math.Sqrt(6.0/runs))
	within(t, "sphere", sphere/runs, 3, 4*math.Sqrt(6.0/runs))
	within(t, "pipe", pipe/runs, 2, 4*math.Sqrt(6.0/runs))
}

func mahalanobis(cov geom.Mat, v geom.Vec) float64 {
	inv, _ := cov.Inv()
	return inv.MulVec(v).Dot(v)
}

func BenchmarkSphereHeld(b *testing.B) {
	var p []geom.Vec
	rng := rand.New(rand.NewPCG(5, 5))
	for range 10000 {
		d := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: math.Abs(rng.NormFloat64())}.Unit()
		p = append(p, d.Scale(72.5+0.5*rng.NormFloat64()))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Sphere(p, SphereOptions{Radius: 72.5}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(p))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}
