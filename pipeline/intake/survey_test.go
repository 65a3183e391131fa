package intake

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// hall is a set-up's scan of a room of 8 × 6 × 3 m around the scanner, with
// steps of stepRad and range noise of sigma, in millimetres.
func hall(stepRad, sigma float64, seed uint64) *scan.Cloud {
	rnd := rand.New(rand.NewPCG(seed, 7))
	c := &scan.Cloud{}
	half := geom.Vec{X: 4000, Y: 3000, Z: 1500}
	for az := -math.Pi; az < math.Pi; az += stepRad {
		for el := -1.0; el < 1.0; el += stepRad {
			d := geom.Vec{X: math.Cos(el) * math.Cos(az), Y: math.Cos(el) * math.Sin(az), Z: math.Sin(el)}
			r := min(half.X/math.Abs(d.X), half.Y/math.Abs(d.Y), half.Z/math.Abs(d.Z))
			c.Append(d.Scale(r + sigma*rnd.NormFloat64()))
		}
	}
	return c
}

func TestSurveyFindsNoiseAndSpacingOfASetUp(t *testing.T) {
	for _, sigma := range []float64{0.3, 1, 3} {
		s, err := SurveyPoints(t.Context(), hall(0.006, sigma, 1), true)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.Noise/sigma-1) > 0.15 {
			t.Errorf("sigma %g: found %.3f", sigma, s.Noise)
		}
		if step := s.Spacing / s.Distance; math.Abs(step/0.006-1) > 0.25 {
			t.Errorf("sigma %g: step of %.5f rad, want 0.006", sigma, step)
		}
		if s.Lone > 0 || s.Doubled > 0 {
			t.Errorf("sigma %g: %d lone, %d doubled", sigma, s.Lone, s.Doubled)
		}
	}
}

// A scan of an object in its own frame: noise across the surface, spacing of a
// square grid.
func TestSurveyOfATrackedScan(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	c := &scan.Cloud{Origin: geom.Vec{X: 1e7}}
	for x := range 300 {
		for y := range 300 {
			c.Append(geom.Vec{X: 1e7 + 2*float64(x), Y: 2 * float64(y), Z: 0.1 * rnd.NormFloat64()})
		}
	}
	s, err := SurveyPoints(t.Context(), c, false)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(s.Noise/0.1-1) > 0.15 || math.Abs(s.Spacing/2-1) > 0.05 || s.Distance != 0 {
		t.Errorf("noise %.4f, want 0.1; spacing %.3f, want 2; distance %g", s.Noise, s.Spacing, s.Distance)
	}
}

func TestSurveyLocatesLonePoints(t *testing.T) {
	c := hall(0.006, 1, 5)
	far := geom.Vec{X: 2000, Y: 12000, Z: 900}
	for _, p := range []geom.Vec{{X: 900, Y: 100, Z: 40}, far, {X: -1500, Y: 700, Z: 200}} {
		c.Append(p)
	}
	s, err := SurveyPoints(t.Context(), c, true)
	if err != nil {
		t.Fatal(err)
	}
	if s.Lone != 3 || s.LoneAt.Dist(far) > 0.01 {
		t.Errorf("found %d lone points, the farthest at %v; want 3 and %v", s.Lone, s.LoneAt, far)
	}
}

func TestSurveyCountsDoubledPoints(t *testing.T) {
	c := hall(0.006, 1, 6)
	n := c.Len()
	for i := 0; i < n; i += 10 {
		c.X, c.Y, c.Z = append(c.X, c.X[i]), append(c.Y, c.Y[i]), append(c.Z, c.Z[i])
	}
	if got, want := doubled(c), int64((n+9)/10); got != want {
		t.Errorf("found %d doubled points, want %d", got, want)
	}
}

// Above a million points the count is an estimate from every second or fourth.
func TestDoubledIsEstimatedForLargeScans(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	c := &scan.Cloud{}
	for range 1_500_000 {
		c.Append(geom.Vec{X: rnd.Float64(), Y: rnd.Float64(), Z: rnd.Float64()})
	}
	c.X, c.Y, c.Z = append(c.X, c.X[:750_000]...), append(c.Y, c.Y[:750_000]...), append(c.Z, c.Z[:750_000]...)
	if got := float64(doubled(c)); math.Abs(got/750_000-1) > 0.01 {
		t.Errorf("found %.0f doubled points of 750000", got)
	}
}

func TestSurveyIsTheSameOnAnyNumberOfCores(t *testing.T) {
	c := hall(0.004, 1, 8)
	var first Survey
	for i, n := range []int{1, 2, 3, 8} {
		old := runtime.GOMAXPROCS(n)
		s, err := SurveyPoints(t.Context(), c, true)
		runtime.GOMAXPROCS(old)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = s
		} else if s != first {
			t.Errorf("%d cores: %+v, want %+v", n, s, first)
		}
	}
}

func TestSurveyStandsOddClouds(t *testing.T) {
	same, zero := &scan.Cloud{}, &scan.Cloud{}
	for range 500 {
		same.Append(geom.Vec{X: 3, Y: 4, Z: 5})
		zero.Append(geom.Vec{})
	}
	for name, c := range map[string]*scan.Cloud{"none": {}, "one place": same, "zero": zero} {
		for _, setUp := range []bool{true, false} {
			s, err := SurveyPoints(t.Context(), c, setUp)
			if err != nil || math.IsNaN(s.Noise) || math.IsNaN(s.Spacing) || s.Lone != 0 {
				t.Errorf("%s: %+v, %v", name, s, err)
			}
		}
	}
}

func TestSaturated(t *testing.T) {
	for _, c := range []struct {
		v    []float32
		want float64
	}{{nil, 0}, {[]float32{5, 5, 5}, 0}, {[]float32{1, 2, 4, 4}, 0.5}, {[]float32{0, 255}, 0.5}} {
		if got := saturated(c.v); got != c.want {
			t.Errorf("%v: got %g, want %g", c.v, got, c.want)
		}
	}
}

func TestSameScan(t *testing.T) {
	a := hall(0.02, 1, 9)
	shuffled := &scan.Cloud{}
	for _, i := range rand.New(rand.NewPCG(5, 5)).Perm(a.Len()) {
		shuffled.Append(a.At(i))
	}
	inMetres := &scan.Cloud{}
	for i := range a.X { // four decimals of a metre, as a text export writes them
		p := a.At(i)
		inMetres.Append(geom.Vec{X: math.Round(p.X*10) / 1e4, Y: math.Round(p.Y*10) / 1e4, Z: math.Round(p.Z*10) / 1e4})
	}
	changed := a.Moved(geom.IdentityPose())
	changed.X[17] += 500
	for name, c := range map[string]struct {
		cloud *scan.Cloud
		mm    float64
		want  bool
	}{
		"itself": {a, 1, true}, "another order": {shuffled, 1, true}, "rounded, in metres": {inMetres, 1000, true}, "one point changed": {changed, 1, true},
		"the same room again": {hall(0.02, 1, 10), 1, false}, "read in another unit": {a, 1000, false},
	} {
		if got := SameScan(Sketch(a, 1), Sketch(c.cloud, c.mm)); got != c.want {
			t.Errorf("%s: got %v, want %v", name, got, c.want)
		}
	}
}

func TestDropZero(t *testing.T) {
	c := &scan.Cloud{X: []float32{1, 0, 2, 0, 0, 0}, Y: make([]float32, 6), Z: make([]float32, 6), Intensity: []float32{0, 1, 2, 3, 4, 5}}
	l := DropZero(c)
	if l.Zero != 4 || l.Tail != 3 || c.Len() != 2 || !slices.Equal(c.Intensity, []float32{0, 2}) {
		t.Errorf("%+v, %+v", l, c)
	}
	corner := &scan.Cloud{X: []float32{0, 5}, Y: make([]float32, 2), Z: make([]float32, 2)}
	if l := DropZero(corner); l != (Left{}) || corner.Len() != 2 {
		t.Errorf("a single corner at zero was taken for a missing return: %+v", l)
	}
}

func TestZeroTail(t *testing.T) {
	for _, c := range []struct {
		tail, total int64
		want        int
	}{{99, 1000, 0}, {100, 1000, 1}, {100, 1_000_000, 0}, {5000, 1_000_000, 1}} {
		f := ZeroTail("a.ply", Left{Zero: c.tail, Tail: c.tail}, c.total)
		if len(f) != c.want || c.want > 0 && (f[0].Code != job.FileTruncated || f[0].Severity != job.Hold) {
			t.Errorf("%d of %d: %v", c.tail, c.total, f)
		}
	}
}

func TestQuality(t *testing.T) {
	clean := Survey{Noise: 1, Doubled: 9, Lone: 9, Saturated: 0.01}
	if f := clean.Quality("a", 1000, 1); len(f) != 0 {
		t.Errorf("a clean scan has findings: %v", f)
	}
	bad := Survey{Noise: 1.6, Doubled: 11, Lone: 11, Saturated: 0.03}
	var codes []job.Code
	for _, f := range bad.Quality("a", 1000, 1) {
		codes = append(codes, f.Code)
	}
	if want := []job.Code{job.PointsDoubled, job.PointsStray, job.ScanNoisy, job.Saturated}; !slices.Equal(codes, want) {
		t.Errorf("got %v, want %v", codes, want)
	}
	if f := (Survey{Noise: 99}).Quality("a", 1000, 0); len(f) != 0 {
		t.Errorf("noise was judged without a stated one: %v", f)
	}
}

func BenchmarkSurveyPoints(b *testing.B) {
	c := hall(0.0025, 1, 1)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := SurveyPoints(b.Context(), c, true); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(c.Len())*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpoints/s")
}
