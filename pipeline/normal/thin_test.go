package normal

import (
	"context"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func mustThin(t testing.TB, c *scan.Cloud, o Options, size float64) (*scan.Cloud, View) {
	t.Helper()
	thin, v, err := Thin(context.Background(), c, o, size)
	if err != nil {
		t.Fatal(err)
	}
	if !thin.HasNormals() || len(v.Cos) != thin.Len() || len(v.Count) != thin.Len() {
		t.Fatalf("%d points, %d normals, %d cosines, %d counts", thin.Len(), len(thin.NX), len(v.Cos), len(v.Count))
	}
	return thin, v
}

// TestAngle compares with the library over all quadrants and sizes.
func TestAngle(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	check := func(y, x float32) {
		if got, want := float64(angle(y, x)), math.Atan2(float64(y), float64(x)); math.Abs(got-want) > 4e-7 {
			t.Fatalf("angle(%v, %v) = %v, want %v", y, x, got, want)
		}
	}
	for range 100_000 {
		check(float32(r.NormFloat64()*math.Exp(3*r.NormFloat64())), float32(r.NormFloat64()*math.Exp(3*r.NormFloat64())))
	}
	for _, p := range [][2]float32{{0, 0}, {0, 1}, {0, -1}, {1, 0}, {-1, 0}, {1, 1}, {-1, -1}, {1e30, 1}, {-1, 1e30}, {1e-40, 1}} {
		check(p[0], p[1])
	}
}

// TestFacetIsThePlane: summed moments give the plane that points give one by one, for
// points in a perfect plane as well.
func TestFacetIsThePlane(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, noise := range []float64{0, 0.3} {
		for range 200 {
			c := &scan.Cloud{Origin: geom.Vec{X: 3000}}
			slant := geom.Vec{X: -1, Y: r.NormFloat64(), Z: r.NormFloat64()}
			for range 25 {
				p := geom.Vec{Y: 10 * r.NormFloat64(), Z: 10 * r.NormFloat64()}
				p.X = 3000 + p.Y*slant.Y + p.Z*slant.Z + noise*r.NormFloat64()
				c.Append(p)
			}
			var near patch
			for i := range c.X {
				near.add(float64(c.Y[i]), float64(c.Z[i]), float64(c.X[i]))
			}
			sums := near.sums()
			p, isPlane := sums.plane()
			depth := (&eye{kind: Parallel, forward: geom.Vec{X: 1}}).depth(c.Origin)
			var m cell
			m.sum(&depth, c.X, c.Y, c.Z)
			f, ok := facetOf(&m.moments, geom.Vec{X: 1})
			if !ok || !isPlane {
				t.Fatal("no plane")
			}
			within(t, "slope", -f.normal.Y/f.normal.X, p.a, 1e-6)
			within(t, "slope", -f.normal.Z/f.normal.X, p.b, 1e-6)
			within(t, "sigma", f.sigma, sums.spread(&p), 1e-4)
			within(t, "residual", math.Abs(f.residual(c.X[0], c.Y[0], c.Z[0])), math.Abs(p.residual(near.u[0], near.v[0], near.w[0])), 1e-5)
		}
	}
}

// TestThinKeepsTheSurface: the means of a noisy sphere lie nearer to it than the points
// by the root of their number, every point is accounted for, and their normals are those
// that Estimate gives.
func TestThinKeepsTheSurface(t *testing.T) {
	center := geom.Vec{X: 2500, Y: 300, Z: -200}
	c := station(-0.3, 0.5, -0.4, 0.3, 0.001, 0.5, toSphere(center, 400))
	before := c.Len()
	thin, v := mustThin(t, c, Options{}, 6)
	if c.Len() != before || c.NX != nil {
		t.Error("the cloud was changed")
	}
	var points, squares, expected float64
	for i := range thin.X {
		n := float64(v.Count[i])
		d := thin.At(i).Sub(center).Norm() - 400
		along := d / float64(v.Cos[i])
		points, squares, expected = points+n, squares+along*along*n, expected+0.25
	}
	within(t, "points accounted for", points+float64(v.Edges), float64(before), 0)
	within(t, "noise times the root of the number", math.Sqrt(squares/expected), 1, 0.15)
	if share := float64(thin.Len()) / points; share > 0.4 { // 2.1 mm apart in cells of 4.2 mm, and singly where the sphere is seen flat
		t.Errorf("%.2f of the points are left", share)
	}
	mean := 0.0
	for i := range thin.X {
		mean += math.Acos(min(1, thin.Normal(i).Dot(thin.At(i).Sub(center).Unit()))) * 180 / math.Pi / float64(thin.Len())
	}
	if mean > 3 {
		t.Errorf("mean angle of the normals %.2f degrees", mean)
	}
	within(t, "noise", v.Noise, 0.5, 0.05)
}

// TestThinKeepsSparsePoints: where points are further apart than size, each stays.
func TestThinKeepsSparsePoints(t *testing.T) {
	c := station(-0.3, 0.3, -0.3, 0.3, 0.004, 0.2, toRoom) // 12 mm apart
	thin, v := mustThin(t, c, Options{}, 3)
	if thin.Len()+v.Edges != c.Len() {
		t.Errorf("%d points and %d edges of %d", thin.Len(), v.Edges, c.Len())
	}
}

// TestThinQuarters: where cells are too large for one mean and hold many points, as on a
// wall two and a half times as far away as most of the scan, each becomes four.
func TestThinQuarters(t *testing.T) {
	const noise, far = 0.3, 2600
	c := station(-0.3, 0.3, -0.1, 0.1, 0.0005, noise, func(d geom.Vec) float64 {
		if d.Y > 0.2 {
			return far / d.X
		}
		return 1000 / d.X
	})
	thin, v := mustThin(t, c, Options{Kind: Station}, 4)
	var all, n, points, squares float64
	for i := range thin.X {
		count := float64(v.Count[i])
		all += count
		if p := thin.At(i); p.Y > 0.22*p.X && p.Y < 0.29*p.X && math.Abs(p.Z) < 0.09*p.X {
			n, points, squares = n+1, points+count, squares+count*(p.X-far)*(p.X-far)
		}
	}
	within(t, "points accounted for", all+float64(v.Edges), float64(c.Len()), 0)
	within(t, "points a mean", points/n, 8, 3) // 2.8 mm at 1000 mm hold 31
	within(t, "noise times the root of the number", math.Sqrt(squares/n), noise, 0.05)
}

// TestThinMixesNoSides: no mean lies between a plate and the wall behind it.
func TestThinMixesNoSides(t *testing.T) {
	c := station(-0.3, 0.3, -0.3, 0.3, 0.001, 0.2, func(d geom.Vec) float64 {
		if math.Abs(d.Y/d.X) < 0.1 && math.Abs(d.Z/d.X) < 0.1 {
			return 1000 / d.X
		}
		return 1020 / d.X
	})
	thin, _ := mustThin(t, c, Options{}, 4)
	for i := range thin.X {
		if x := thin.At(i).X; math.Abs(x-1000) > 1.5 && math.Abs(x-1020) > 1.5 {
			t.Errorf("point %v lies between the two sides", thin.At(i))
		}
	}
}

func TestThinWorkersDoNotMatter(t *testing.T) {
	c := station(-0.3, 0.5, -0.4, 0.3, 0.002, 0.5, toSphere(geom.Vec{X: 2500, Y: 300}, 400))
	run := func(workers int) (*scan.Cloud, View) {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		return mustThin(t, c, Options{}, 8)
	}
	a, v := run(1)
	for _, workers := range []int{2, 3, 8} {
		if b, w := run(workers); !reflect.DeepEqual(a, b) || !reflect.DeepEqual(v, w) {
			t.Errorf("%d workers give another result", workers)
		}
	}
}

func BenchmarkThin(b *testing.B) {
	c := station(-0.7, 0.7, -0.7, 0.7, 0.0014, 0.5, toRoom)
	b.ReportAllocs()
	for b.Loop() {
		mustThin(b, c, Options{}, 3)
	}
	b.ReportMetric(float64(c.Len())*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
