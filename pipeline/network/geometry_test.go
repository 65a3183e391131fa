package network

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// targets are places on the object: four corners and two mounts.
func targets() []geom.Vec {
	return []geom.Vec{{X: 300, Y: 100}, {X: 4700, Y: 200, Z: 2000}, {X: 4500, Y: 2200, Z: 100}, {X: 200, Y: 2000, Z: 2000}, {X: 2300, Y: 1200, Z: 500}, {X: 9000, Y: 1200, Z: 1500}}
}

// predicted compares, over simulated networks, the errors of places on the object
// with what Predict says of them, and returns the mean Mahalanobis distance and
// the share within the 95 % ellipsoid. Errors are those left once the spheres as a
// whole were laid onto the truth.
func predicted(t *testing.T, runs int, seed uint64) (mean, inside float64) {
	limit := fit.ChiSquareQuantile(0.95, 3)
	n := 0.0
	for run := range runs {
		m := sim{spheres: layout(), stations: 5, sigma: 0.2}
		st, truth := m.make(seed + uint64(run))
		r := solve(t, st, exactly)
		var from, to []geom.Vec
		for _, s := range r.Spheres {
			from = append(from, s.Center)
			to = append(to, nearestOf(layout(), truth[0].Apply(s.Center)))
		}
		toTruth, _, err := fit.Rigid(from, to, nil)
		if err != nil {
			t.Fatal(err)
		}
		for k, x := range r.Stations {
			for _, p := range targets() {
				in := x.StationToNetwork.Apply(truth[k].Inverse().Apply(p)) // where the station would put it
				e := toTruth.Inverse().R.MulVec(p.Sub(toTruth.Apply(in)))
				inv, ok := x.Free.At(in.Sub(r.Middle)).Inv()
				if !ok {
					t.Fatal("a predicted covariance is singular")
				}
				d := e.Dot(inv.MulVec(e))
				mean += d
				if d <= limit {
					inside++
				}
				n++
			}
		}
	}
	return mean / n, inside / n
}

func nearestOf(list []geom.Vec, p geom.Vec) geom.Vec {
	return slices.MinFunc(list, func(a, b geom.Vec) int {
		if a.Dist(p) < b.Dist(p) {
			return -1
		}
		return 1
	})
}

// CV-3.3 in the first order: the target registration error that is predicted is
// the one that simulation finds.
func TestPredictedUncertaintyIsTheOneFound(t *testing.T) {
	mean, inside := predicted(t, 150, 500)
	// 4500 places, but only some 150 independent networks of thirty degrees of freedom.
	if math.Abs(mean-3) > 0.15 || math.Abs(inside-0.95) > 0.015 {
		t.Errorf("mean Mahalanobis distance %.3f, want 3; %.2f %% inside, want 95", mean, 100*inside)
	}
}

// A place that the spheres do not surround is predicted worst, and a sphere near
// it helps most.
func TestAdvise(t *testing.T) {
	st, truth := sim{spheres: layout()[:5], stations: 5, sigma: 0.2}.make(3)
	r := solve(t, st, Options{})
	toNetwork := truth[0].Inverse()
	var points, candidates []geom.Vec
	for _, p := range targets() {
		points = append(points, toNetwork.Apply(p))
	}
	far := geom.Vec{X: 9500, Y: 1300, Z: 900}
	for _, p := range []geom.Vec{{X: 2300, Y: 1200, Z: 1800}, far, {X: -1500, Y: 1000, Z: 500}} {
		candidates = append(candidates, toNetwork.Apply(p))
	}
	a, ok := r.Advise(st, points, candidates, Options{})
	if !ok || a.Worst != 5 || a.At.Dist(toNetwork.Apply(far)) > 1e-9 || a.After >= a.Before {
		t.Errorf("got %+v, %v", a, ok)
	}
	// What was promised is what a network with that sphere has.
	st2, truth2 := sim{spheres: append(slices.Clone(layout()[:5]), far), stations: 5, sigma: 0.2}.make(3)
	r2 := solve(t, st2, Options{})
	cov, _, _ := r2.Predict(truth2[0].Inverse().Apply(targets()[5]))
	if got := math.Sqrt(cov.Trace()); math.Abs(got/a.After-1) > 0.3 {
		t.Errorf("promised %.3f mm, found %.3f mm", a.After, got)
	}
	var nothing Result
	if _, ok := nothing.Advise(nil, points, candidates, Options{}); ok {
		t.Error("advice without a network")
	}
	if _, _, ok := nothing.Predict(geom.Vec{}); ok {
		t.Error("a prediction without a network")
	}
}

// Two kinds of spheres in a layout that is symmetric but for them.
func TestKindsAreNeverMixed(t *testing.T) {
	square := []geom.Vec{{X: 1000, Y: 1000}, {X: -1000, Y: 1000}, {X: -1000, Y: -1000}, {X: 1000, Y: -1000}, {Z: 900}}
	st, truth := sim{spheres: square, stations: 4, sigma: 0.1}.make(2)
	if r := solve(t, st, Options{}); len(r.Findings) == 0 {
		t.Fatal("a symmetric layout was tied without a word")
	}
	for k := range st {
		for j := range st[k].Observations {
			o := &st[k].Observations[j]
			p := truth[k].Apply(o.Center)
			if p.X > 0 && p.Y > 0 && p.Z < 500 {
				o.Kind = 1
			}
		}
	}
	r := solve(t, st, Options{})
	sameCodes(t, r)
	for k := range st {
		if !r.Stations[k].Linked {
			t.Errorf("%s is not tied", st[k].Name)
		}
	}
}

func TestDisturbedSetUp(t *testing.T) {
	slip := geom.Pose{R: geom.RotVec(geom.Vec{Z: 0.002}), T: geom.Vec{X: 4, Y: 1, Z: -3}}
	m := sim{spheres: layout(), stations: 6, sigma: 0.1, move: func(k, s int) geom.Vec {
		if k == 2 && s >= 5 {
			return slip.Apply(layout()[s]).Sub(layout()[s])
		}
		return geom.Vec{}
	}}
	st, _ := m.make(21)
	r := solve(t, st, Options{})
	sameCodes(t, r, "station-disturbed s03.ply")
	if len(r.Findings) > 0 && !strings.Contains(r.Findings[0].Text, "3 of its 8 spheres") {
		t.Error(r.Findings[0].Text)
	}
}

func TestRepeatedSetUp(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 5, sigma: 0.1}.make(31)
	twin, _ := sim{spheres: layout(), stations: 5, sigma: 0.1}.make(32)
	turn := geom.Pose{R: geom.RotVec(geom.Vec{Z: 1})} // the same stand, another zero direction
	again := Station{Name: "s06.ply"}
	for i := range layout() {
		p := turn.Apply(truth[1].Inverse().Apply(layout()[i]))
		again.Observations = append(again.Observations, Observation{Center: p.Add(geom.Vec{X: 0.05 * float64(i%3), Y: -0.04}), Cov: twin[0].Observations[0].Cov})
	}
	r := solve(t, append(st, again), Options{})
	sameCodes(t, r, "station-repeated s06.ply")
}

func TestTowards(t *testing.T) {
	s := &solver{stations: []Station{{Name: "a"}, {Name: "b"}}, linked: []int{0, 1}, poses: []geom.Pose{{T: geom.Vec{X: 5000}}, {T: geom.Vec{Y: 3000}}}}
	for _, c := range []struct {
		by   geom.Vec
		want string
	}{{geom.Vec{Z: 3}, "upwards"}, {geom.Vec{X: 1, Z: -8}, "downwards"}, {geom.Vec{X: 2}, "towards a"}, {geom.Vec{Y: -2}, "away from b"}, {geom.Vec{}, "nowhere"}} {
		if got := s.towards(geom.Vec{}, c.by); got != c.want {
			t.Errorf("%v: %q, want %q", c.by, got, c.want)
		}
	}
}

// Spheres that stand like identical domes on a wall fit in many ways.
func TestWallOfDomes(t *testing.T) {
	var wall []geom.Vec
	for x := range 10 {
		for y := range 5 {
			wall = append(wall, geom.Vec{X: 400 * float64(x), Y: 0, Z: 400 * float64(y)})
		}
	}
	st, _ := sim{spheres: wall, stations: 3, sigma: 0.1}.make(8)
	r := solve(t, st, Options{})
	for _, s := range r.Stations {
		if s.Linked {
			t.Error("a set-up was tied to a wall of identical domes")
		}
	}
	for _, f := range r.Findings {
		if f.Severity != job.Hold {
			t.Errorf("%v", f)
		}
	}
	if len(r.Findings) == 0 {
		t.Error("nothing was said")
	}
}

func BenchmarkTypical(b *testing.B) {
	st, _ := sim{spheres: layout(), stations: 16, sigma: 0.15}.make(1)
	b.ReportAllocs()
	for b.Loop() {
		solve(b, st, Options{})
	}
	b.ReportMetric(float64(len(st))*float64(b.N)/b.Elapsed().Seconds(), "stations/s")
}

func BenchmarkAdvise(b *testing.B) {
	st, truth := sim{spheres: layout(), stations: 16, sigma: 0.15}.make(1)
	r := solve(b, st, Options{})
	rng := rand.New(rand.NewPCG(1, 1))
	var points, candidates []geom.Vec
	for _, p := range targets() {
		points = append(points, truth[0].Inverse().Apply(p))
	}
	for range 48 {
		candidates = append(candidates, truth[0].Inverse().Apply(geom.Vec{X: 8000 * rng.Float64(), Y: 6000*rng.Float64() - 2000, Z: 2000 * rng.Float64()}))
	}
	b.ReportAllocs()
	for b.Loop() {
		r.Advise(st, points, candidates, Options{})
	}
}
