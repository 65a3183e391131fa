package surface

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func motion(degX, degY, degZ, x, y, z float64) geom.Pose {
	return geom.Pose{R: geom.RotVec(geom.Vec{X: degX, Y: degY, Z: degZ}.Scale(math.Pi / 180)), T: geom.Vec{X: x, Y: y, Z: z}}
}

func align(t testing.TB, source, target *scan.Cloud, guess geom.Pose) Result {
	t.Helper()
	r, err := Align(context.Background(), source, target, guess, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// worst returns the largest distance between where two poses put the corners of
// a box, and that distance in reported standard deviations.
func worst(r Result, sourceToTarget geom.Pose, box geom.Box) (dist, sigmas float64) {
	for _, p := range box.Corners() {
		at := sourceToTarget.Apply(p)
		e := r.SourceToTarget.Apply(p).Sub(at)
		dist = math.Max(dist, e.Norm())
		sigmas = math.Max(sigmas, e.Norm()/math.Sqrt(r.At(at).Trace()))
	}
	return dist, sigmas
}

func TestKnownMotions(t *testing.T) {
	target := bracket(1, 0.3, 0, 0.8)
	cases := []struct {
		name           string
		sourceToTarget geom.Pose
	}{
		{"none", geom.IdentityPose()},
		{"small", motion(0.2, -0.1, 0.3, 3, -2, 1)},
		{"a shift of 60 mm", motion(0, 0, 0, 40, -30, 35)},
		{"a turn of 4 degrees and 40 mm", motion(2, 1, -3.3, 20, 30, -17)},
	}
	for k, c := range cases {
		object := bracket(uint64(10+k), 0.3, 0.3, 1)
		source := object.Moved(c.sourceToTarget.Inverse())
		r := align(t, source, target, geom.IdentityPose())
		dist, sigmas := worst(r, c.sourceToTarget, source.Bounds())
		t.Logf("%s: %.3f mm, %.1f sigma, rms %.3f, overlap %.2f, %d pairs, %d steps", c.name, dist, sigmas, r.RMS, r.Overlap, r.Pairs, r.Iterations)
		if dist > 0.3 || sigmas > 4 || !r.Converged || len(r.Loose) > 0 {
			t.Errorf("%s: %.3f mm or %.1f sigma off, converged %v, loose %v", c.name, dist, sigmas, r.Converged, r.Loose)
		}
		if r.Overlap < 0.4 || r.Overlap > 0.9 {
			t.Errorf("%s: overlap %.2f of a scan that shares two thirds", c.name, r.Overlap)
		}
	}
}

// Errors over their reported standard deviations have a mean square near one, if
// the covariance is honest: 48 pairs of scans, two corners each, so within a tenth,
// at any grain.
func TestCovarianceBySimulation(t *testing.T) {
	const runs = 48
	var sum float64
	for k := range uint64(runs) {
		source, target := bracket(100+k, 0.5, 0.2, 1), bracket(200+k, 0.5, 0, 0.9)
		r, err := Align(context.Background(), source, target, geom.IdentityPose(), Options{Grain: []float64{4, 7, 12}[k%3]})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range []geom.Vec{{X: 800, Y: 500, Z: 300}, {X: 0, Y: 0, Z: 300}} {
			e := r.SourceToTarget.Apply(p).Sub(p)
			sum += e.Norm2() / r.At(p).Trace() / (2 * runs)
		}
	}
	t.Logf("error over sigma, rms: %.2f", math.Sqrt(sum))
	if s := math.Sqrt(sum); s < 0.8 || s > 1.25 {
		t.Errorf("errors are %.2f of their reported sigmas", s)
	}
}

func TestSameCloudStaysWhereItIs(t *testing.T) {
	c := bracket(1, 0.3, 0, 1)
	r := align(t, c, c, geom.IdentityPose())
	if angle := geom.Angle(r.SourceToTarget.R); angle > 1e-12 || r.SourceToTarget.T.Norm() > 1e-9 || r.RMS > 1e-9 {
		t.Errorf("moved by %.3g rad and %v, rms %.3g", angle, r.SourceToTarget.T, r.RMS)
	}
	if r.Overlap != 1 {
		t.Errorf("overlap %.3f with itself", r.Overlap)
	}
}

func TestSameResultOnAnyNumberOfProcessors(t *testing.T) {
	source, target := bracket(2, 0.3, 0.2, 1), bracket(3, 0.3, 0, 0.9)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		got := fmt.Sprintf("%v", align(t, source, target, motion(0.5, 0, -0.5, 5, 5, 5))) // %v prints the shortest digits that are exact
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d processors give another result:\n%s\n%s", n, got, want)
		}
	}
}

func TestLooseMotionsAreNamed(t *testing.T) {
	pipe := func(seed uint64) *scan.Cloud {
		s := newScene(seed, 0.2, 0.02)
		s.pipe(geom.Vec{}, 100, 400, 5)
		return s.cloud
	}
	cases := []struct {
		name           string
		source, target *scan.Cloud
		loose          []string // in any order; prefixes
	}{
		{"a plane alone", plane(1, 0, 0.2), plane(2, 0, 0.2), []string{"a turn about (0", "a shift along (", "a shift along ("}},
		{"a pipe alone", pipe(1), pipe(2), []string{"a turn about (0.0", "a shift along (0.0"}},
	}
	for _, c := range cases {
		r := align(t, c.source, c.target, geom.Pose{R: geom.Identity(), T: geom.Vec{X: 1, Y: 1}})
		if len(r.Loose) != len(c.loose) {
			t.Errorf("%s: got %q, want %d motions", c.name, r.Loose, len(c.loose))
		}
		for _, kind := range []string{"a turn", "a shift"} {
			if count(r.Loose, kind) != count(c.loose, kind) {
				t.Errorf("%s: got %q", c.name, r.Loose)
			}
		}
		if s := math.Sqrt(r.At(r.Center).Trace()); math.IsNaN(s) {
			t.Errorf("%s: covariance %v", c.name, r.Cov)
		}
	}
}

func count(list []string, prefix string) int {
	n := 0
	for _, s := range list {
		if strings.HasPrefix(s, prefix) {
			n++
		}
	}
	return n
}

// A motion that the shape does not hold stays as the guess had it.
func TestLooseMotionIsNotGuessed(t *testing.T) {
	guess := geom.Vec{X: 11, Y: -7, Z: 5}
	r := align(t, plane(1, 0, 0.2), plane(2, 0, 0.2), geom.Pose{R: geom.Identity(), T: guess})
	got := r.SourceToTarget.Apply(geom.Vec{X: 250, Y: 200})
	if d := got.Sub(geom.Vec{X: 261, Y: 193}); math.Hypot(d.X, d.Y) > 0.5 || math.Abs(d.Z) > 0.1 {
		t.Errorf("the middle of the plane went to %v", got)
	}
}

func TestNoOverlap(t *testing.T) {
	c := bracket(1, 0.3, 0, 1)
	bare := &scan.Cloud{X: c.X, Y: c.Y, Z: c.Z}
	few := &scan.Cloud{X: c.X[:20], Y: c.Y[:20], Z: c.Z[:20], NX: c.NX[:20], NY: c.NY[:20], NZ: c.NZ[:20]}
	cases := []struct {
		name           string
		source, target *scan.Cloud
	}{
		{"apart", shifted(c, geom.Vec{X: 5000}), c},
		{"source without normals", bare, c},
		{"target without normals", c, bare},
		{"empty source", &scan.Cloud{}, c},
		{"empty target", c, &scan.Cloud{}},
		{"twenty points", few, c},
		{"seen from opposite sides", c, c.Moved(motion(180, 0, 0, 0, 500, 5000))},
	}
	for _, k := range cases {
		if _, err := Align(context.Background(), k.source, k.target, geom.IdentityPose(), Options{}); !errors.Is(err, ErrNoOverlap) {
			t.Errorf("%s: got %v", k.name, err)
		}
	}
}

func TestPointsWithoutNumbersDoNoHarm(t *testing.T) {
	nan := float32(math.NaN())
	c := bracket(1, 0.3, 0, 1)
	c.X[7], c.NX[9], c.Y[11] = nan, nan, float32(math.Inf(1))
	r, err := Align(context.Background(), c, bracket(2, 0.3, 0, 1), geom.IdentityPose(), Options{})
	if err == nil && !(r.SourceToTarget.T.Norm() < 1) {
		t.Errorf("got %v", r.SourceToTarget)
	}
}

func TestStops(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	stop()
	c := bracket(1, 0.3, 0, 1)
	if _, err := Align(ctx, c, c, geom.IdentityPose(), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

// A result and its inverse say the same: where a point is, and how well that is
// known, in the axes of the other frame.
func TestInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-2, 2)
		var r Result
		r.SourceToTarget = motion(57*f.Draw(t, "a"), 57*f.Draw(t, "b"), 57*f.Draw(t, "c"), 900, -800, 3)
		r.Center = geom.Vec{X: 100, Y: 200, Z: 300}
		var root [36]float64
		for i := range root {
			root[i] = f.Draw(t, "root")
		}
		for i := range 36 {
			for k := range 6 {
				r.Cov[i] += root[6*(i/6)+k] * root[6*(i%6)+k] * unit(i/6) * unit(i%6)
			}
		}
		back, p := r.Inverse(), geom.Vec{X: 700, Y: -50, Z: 20}
		at := r.SourceToTarget.Apply(p)
		if d := back.SourceToTarget.Apply(at).Dist(p); d > 1e-9 {
			t.Errorf("the way back misses by %.3g mm", d)
		}
		compare(t, back.At(p), r.SourceToTarget.R.T().Congruent(r.At(at)))
		again := back.Inverse()
		compare(t, again.At(at), r.At(at))
		if again.Center.Dist(r.Center) > 1e-9 {
			t.Errorf("centre %v, want %v", again.Center, r.Center)
		}
	})
}

// unit makes angles a thousand times smaller than shifts, as they are in practice.
func unit(i int) float64 {
	if i < 3 {
		return 1e-3
	}
	return 1
}

func compare(t *rapid.T, got, want geom.Mat) {
	for i := range got {
		if math.Abs(got[i]-want[i]) > 1e-9*(1+want.Trace()) {
			t.Errorf("covariance %v, want %v", got, want)
			return
		}
	}
}

func TestThinKeepsPlanesAndDropsEdges(t *testing.T) {
	s := newScene(4, 0, 0)
	s.rectangle(geom.Vec{Z: 50}, geom.Vec{X: 500}, geom.Vec{Y: 400}, 5)
	thin := Thin(s.cloud, 20)
	if thin.Len() != 25*20 || !thin.HasNormals() {
		t.Errorf("%d points of 500 cells", thin.Len())
	}
	for i := range thin.Len() {
		if p := thin.At(i); math.Abs(p.Z-50) > 1e-9 || thin.Normal(i).Dist(geom.Vec{Z: 1}) > 1e-6 {
			t.Errorf("point %v with normal %v left the plane", p, thin.Normal(i))
		}
	}
	corner := newScene(5, 0, 0)
	corner.rectangle(geom.Vec{X: 1, Z: 11}, geom.Vec{X: 398}, geom.Vec{Y: 400}, 3)
	corner.rectangle(geom.Vec{X: 1, Z: 11}, geom.Vec{Y: 400}, geom.Vec{Z: 389}, 3)
	for i, thin := 0, Thin(corner.cloud, 20); i < thin.Len(); i++ {
		if p := thin.At(i); p.X < 20 && p.Z < 20 {
			t.Errorf("the edge cell at %v was kept", p)
		}
	}
	if Thin(&scan.Cloud{}, 20).Len() != 0 {
		t.Error("points out of nothing")
	}
}

func TestWitnessMeasuresAKnownOffset(t *testing.T) {
	for _, offset := range []float64{0, 0.5, -1.25, 3} {
		d, patches, err := NewWitness(plane(1, 0, 0.2), 20).Compare(context.Background(), plane(2, offset, 0.2), 0.3)
		if err != nil {
			t.Fatal(err)
		}
		// The median of 8000 differences of two points of 0.2 mm noise each, and one
		// in a hundred, since the nearest points are those with the noise towards us.
		if math.Abs(d.Median-offset) > 0.02+0.01*math.Abs(offset) {
			t.Errorf("offset %.2f mm: median %.4f mm", offset, d.Median)
		}
		if sigma := madToSigma * d.MAD; math.Abs(sigma-0.2*math.Sqrt2) > 0.03 {
			t.Errorf("offset %.2f mm: spread %.4f mm, want %.4f mm", offset, sigma, 0.2*math.Sqrt2)
		}
		if d.Points < 7900 {
			t.Errorf("only %d places compared", d.Points)
		}
		if offset == 0 && math.Abs(d.Within-0.966) > 0.01 { // 2 × 0.3 of √2 × 0.2 mm: 2.12 sigma
			t.Errorf("%.3f of the distances are within the noise", d.Within)
		}
		for _, p := range patches {
			if math.Abs(p.Mean-offset) > 5*p.Sigma+0.02 {
				t.Errorf("offset %.2f mm: patch at %v says %.3f mm, sigma %.3f mm", offset, p.At, p.Mean, p.Sigma)
			}
		}
	}
}

func TestWitnessOfNothing(t *testing.T) {
	w := NewWitness(plane(1, 0, 0.2), 20)
	for name, b := range map[string]*scan.Cloud{"beyond reach": plane(2, 50, 0.2), "empty": {}} {
		if d, _, err := w.Compare(context.Background(), b, 0); err != nil || d != (Distances{}) {
			t.Errorf("%s: %+v, %v", name, d, err)
		}
	}
}

func TestSpacing(t *testing.T) {
	for _, want := range []float64{2, 5, 20} {
		s := newScene(uint64(want), 0, 0)
		s.rectangle(geom.Vec{X: 7000}, geom.Vec{X: 1200}, geom.Vec{Y: 600, Z: 500}, want)
		s.pipe(geom.Vec{X: 7000, Y: 500}, 200, 900, want)
		if got := spacing(s.cloud); math.Abs(got/want-1) > 0.2 {
			t.Errorf("spacing %.2f mm, want %.2f mm", got, want)
		}
	}
	if got := spacing(&scan.Cloud{X: []float32{1, 1}, Y: []float32{1, 1}, Z: []float32{1, 1}, NX: make([]float32, 2), NY: make([]float32, 2), NZ: make([]float32, 2)}); !(got > 0) {
		t.Errorf("two points in one place: spacing %v", got)
	}
}

// The nearest point by cells is the nearest point by looking at all of them.
func TestGridFindsTheNearest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newScene(rapid.Uint64().Draw(t, "seed"), 0, 0)
		n := geom.Vec{Z: 1}
		far := geom.Vec{X: float64(rapid.IntRange(-1e6, 1e6).Draw(t, "far"))}
		s.cloud.Origin = far
		for range rapid.IntRange(0, 200).Draw(t, "points") {
			s.add(far.Add(geom.Vec{X: s.random.Float64(), Y: s.random.Float64(), Z: s.random.Float64()}.Scale(100)), n)
		}
		g := newGrid(s.cloud, rapid.Float64Range(5, 60).Draw(t, "cell"))
		p := far.Add(geom.Vec{X: s.random.Float64(), Y: s.random.Float64(), Z: s.random.Float64()}.Scale(110))
		want, least := int32(-1), g.cell*g.cell
		for i := range s.cloud.Len() {
			if d := s.cloud.At(i).Sub(p).Norm2(); d < least {
				want, least = int32(i), d
			}
		}
		if got := g.nearest(p, n, 0.7); got != want {
			t.Errorf("got point %d, want %d", got, want)
		}
		if got := g.nearest(p, n.Scale(-1), 0.7); got != -1 {
			t.Errorf("point %d faces the other way", got)
		}
	})
}

func TestTenKilometresAway(t *testing.T) {
	source, target := bracket(6, 0.3, 0.2, 1), bracket(7, 0.3, 0, 0.9)
	near := align(t, source, target, geom.IdentityPose())
	// A shift by whole coarse and fine cells would hide nothing: this one is not.
	for _, by := range []geom.Vec{{X: 1e7}, {X: -1e7, Y: 1e7, Z: 1e6}} {
		far := align(t, shifted(source, by), shifted(target, by), geom.IdentityPose())
		p := geom.Vec{X: 400, Y: 250, Z: 300}
		d := far.SourceToTarget.Apply(p.Add(by)).Sub(by).Dist(near.SourceToTarget.Apply(p))
		s := math.Sqrt(near.At(p).Trace())
		if d > 2*s {
			t.Errorf("shifted by %v: %.4f mm apart, the reported sigma is %.4f mm", by, d, s)
		}
		if q := math.Sqrt(far.At(p.Add(by)).Trace()) / s; q < 0.7 || q > 1.4 {
			t.Errorf("shifted by %v: sigma is %.2f times that near zero", by, q)
		}
	}
}

func TestMat6IsSymmetric(t *testing.T) {
	r := align(t, bracket(6, 0.3, 0.2, 1), bracket(7, 0.3, 0, 0.9), geom.IdentityPose())
	for i := range 36 {
		if a, b := r.Cov[i], r.Cov[6*(i%6)+i/6]; math.Abs(a-b) > 1e-9*math.Abs(a)+1e-18 {
			t.Errorf("entry %d: %g and %g", i, a, b)
		}
	}
	if r.Cov == (fit.Mat6{}) {
		t.Error("no covariance")
	}
}

func BenchmarkAlign(b *testing.B) {
	source, target := bracket(6, 0.3, 0.2, 1), bracket(7, 0.3, 0, 0.9)
	start := motion(1, 1, 1, 10, 10, 10)
	b.ReportAllocs()
	for b.Loop() {
		align(b, source, target, start)
	}
	b.ReportMetric(float64(source.Len())*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

func BenchmarkThin(b *testing.B) {
	c := bracket(6, 0.3, 0, 1)
	b.ReportAllocs()
	for b.Loop() {
		Thin(c, 20)
	}
	b.ReportMetric(float64(c.Len())*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
