package datum

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// layout is the six-sphere layout of CV-3.1 (J. M. Fitzpatrick, J. B. West,
// C. R. Maurer, 1998, with our own coordinates).
var layout = []geom.Vec{{}, {X: 5000, Z: 200}, {X: 5000, Y: 2200}, {Y: 2200, Z: 300}, {X: 2500, Y: -300, Z: 1800}, {X: 2500, Y: 2500, Z: 1600}}

// stations holds the poses of CV-1.5: rational rotations with exact values.
var stations = []geom.Pose{
	geom.IdentityPose(),
	{R: geom.Mat{2, -1, 2, 2, 2, -1, -1, 2, 2}.Scale(1.0 / 3), T: geom.Vec{X: 4000, Y: -300, Z: 50}},
	{R: geom.Mat{1, -2, 2, 2, 2, 1, -2, 1, 2}.Scale(1.0 / 3), T: geom.Vec{X: -2500, Y: 3600, Z: -120}},
}

func controls(at []geom.Vec) []job.ControlPoint {
	var out []job.ControlPoint
	for i, p := range at {
		out = append(out, job.ControlPoint{Name: fmt.Sprintf("P%d", i+1), At: p})
	}
	return out
}

// spheresAt returns the spheres that a network frame sees, in reverse order so
// that nothing rests on the order of the sheet.
func spheresAt(at []geom.Vec, networkToDatum geom.Pose, sigma float64) []Sphere {
	var out []Sphere
	for i, p := range slices.Backward(at) {
		out = append(out, Sphere{ID: fmt.Sprintf("s%d", i+1), Center: networkToDatum.Inverse().Apply(p), Cov: geom.Diag(sigma*sigma, sigma*sigma, sigma*sigma)})
	}
	return out
}

func apart(a, b geom.Pose) (angle, shift float64) {
	return geom.Angle(a.R.Mul(b.R.T())), a.T.Dist(b.T)
}

func TestExactPosesWithoutLabels(t *testing.T) {
	for k, pose := range stations {
		stray := append([]Sphere{{ID: "stray", Center: geom.Vec{X: 123, Y: 456, Z: 789}}}, spheresAt(layout, pose, 0.05)...)
		r := Control(controls(layout), stray, 2)
		if angle, shift := apart(r.NetworkToDatum, pose); !r.OK || angle > 1e-12 || shift > 1e-8 {
			t.Errorf("station %d: ok %v, %.3g rad and %.3g mm off", k, r.OK, angle, shift)
		}
		for i, p := range r.Points {
			if !p.Used || p.Name != fmt.Sprintf("P%d", i+1) || p.Sphere != fmt.Sprintf("s%d", i+1) || p.Residual.Norm() > 1e-8 {
				t.Errorf("station %d: point %d came back as %+v", k, i+1, p)
			}
		}
		if r.RMS > 1e-8 || len(r.Findings) != 0 {
			t.Errorf("station %d: rms %.3g, %v", k, r.RMS, r.Findings)
		}
	}
}

// Any motion, near and 10 km away, any order of the sheet.
func TestPosesProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-3, 3)
		far := rapid.SampledFrom([]float64{0, 1e6, 1e7}).Draw(t, "far")
		pose := geom.Pose{R: geom.RotVec(geom.Vec{X: f.Draw(t, "a"), Y: f.Draw(t, "b"), Z: f.Draw(t, "c")}), T: geom.Vec{X: far, Y: -far, Z: 7}}
		at := rapid.Permutation(layout).Draw(t, "order")
		r := Control(controls(at), spheresAt(at, pose, 0.05), 2)
		for i, p := range r.Points {
			if !r.OK || p.Sphere != fmt.Sprintf("s%d", i+1) || p.Residual.Norm() > 1e-3*math.Max(1, far/1e6) {
				t.Errorf("%.0f mm away: %+v, %v", far, p, r.Findings)
			}
		}
	})
}

// A residual is the placed sphere minus the known coordinates, in datum axes: with
// the alternating errors of CV-1.5 on a cube, the fit is exact and residuals are
// those errors. The cube itself is symmetric, so points around it hold the labels.
func TestResiduals(t *testing.T) {
	pose := stations[1]
	var at, errs []geom.Vec
	for i := range 8 {
		s := geom.Vec{X: float64(i>>2&1)*2 - 1, Y: float64(i>>1&1)*2 - 1, Z: float64(i&1)*2 - 1}
		at = append(at, s.Scale(1000))
		errs = append(errs, s.Unit().Scale(0.05*s.X*s.Y*s.Z))
	}
	spheres := spheresAt(at, pose, 0.05)
	for i := range spheres {
		spheres[i].Center = spheres[i].Center.Add(pose.R.T().MulVec(errs[len(errs)-1-i]))
	}
	m := matcher{points: controls(at), spheres: spheres, tolerance: 2}
	r := m.result(m.fit([]int{7, 6, 5, 4, 3, 2, 1, 0}))
	if angle, shift := apart(r.NetworkToDatum, pose); angle > 1e-12 || shift > 1e-9 {
		t.Errorf("%.3g rad and %.3g mm off", angle, shift)
	}
	for i, p := range r.Points {
		if d := p.Residual.Dist(errs[i]); d > 1e-9 {
			t.Errorf("%s: residual %v, want %v", p.Name, p.Residual, errs[i])
		}
	}
	if math.Abs(r.RMS-0.05) > 1e-12 {
		t.Errorf("rms %.15g, want 0.05", r.RMS)
	}
}

func TestOneWrongCoordinateIsNamed(t *testing.T) {
	for wrong := range layout {
		at := append([]geom.Vec(nil), layout...)
		at[wrong] = at[wrong].Add(geom.Vec{X: 30, Z: -10})
		r := Control(controls(at), spheresAt(layout, stations[2], 0.05), 2)
		if angle, shift := apart(r.NetworkToDatum, stations[2]); !r.OK || angle > 1e-11 || shift > 1e-7 {
			t.Errorf("point %d wrong: ok %v, %.3g rad and %.3g mm off", wrong+1, r.OK, angle, shift)
		}
		for i, p := range r.Points {
			if p.Used != (i != wrong) {
				t.Errorf("point %d wrong, point %d used: %v", wrong+1, i+1, p.Used)
			}
		}
		name := fmt.Sprintf("P%d", wrong+1)
		wants(t, r, name, "31.6 mm", "(-30.0, 0.0, 10.0)", "the limit is 2.0 mm", "the other 5 points fit", "sphere s"+name[1:])
	}
}

// wants checks that there is one finding about subject that says all words.
func wants(t *testing.T, r Result, subject string, says ...string) {
	t.Helper()
	if len(r.Findings) != 1 || r.Findings[0].Code != job.DatumPoor || r.Findings[0].Severity != job.Hold || r.Findings[0].Subject != subject {
		t.Errorf("want one finding about %s, got %v", subject, r.Findings)
		return
	}
	for _, s := range append(says, "To do: ") {
		if !strings.Contains(r.Findings[0].Text, s) {
			t.Errorf("the text does not say %q: %s", s, r.Findings[0].Text)
		}
	}
}

func TestMissingSphereIsNamed(t *testing.T) {
	r := Control(controls(layout), spheresAt(layout, stations[1], 0.05)[1:], 2)
	if !r.OK || r.Points[5].Used || r.Points[5].Sphere != "" {
		t.Errorf("ok %v, %+v", r.OK, r.Points[5])
	}
	wants(t, r, "P6", "No sphere stands at control point P6", "the other 5 points fit")
}

func TestUsualMistakesAreRecognised(t *testing.T) {
	change := func(f func(geom.Vec) geom.Vec) []geom.Vec {
		var out []geom.Vec
		for _, p := range layout {
			out = append(out, f(p))
		}
		return out
	}
	scale := func(f float64) []geom.Vec {
		return change(func(p geom.Vec) geom.Vec { return p.Scale(f) })
	}
	wrong := change(func(p geom.Vec) geom.Vec { return geom.Vec{X: -p.X, Y: p.Y, Z: p.Z} })
	wrong[5] = wrong[5].Add(geom.Vec{X: 100})
	cases := []struct {
		name string
		at   []geom.Vec
		says []string
	}{
		{"inches read as millimetres", scale(1 / 25.4), []string{"multiplied by 25.4", "written in mm where in is meant"}},
		{"metres read as millimetres", scale(0.001), []string{"multiplied by 1000", "written in mm where m is meant"}},
		{"millimetres read as metres", scale(1000), []string{"multiplied by 0.001", "written in m where mm is meant"}},
		{"an axis with the wrong sign", change(func(p geom.Vec) geom.Vec { return geom.Vec{X: p.X, Y: -p.Y, Z: p.Z} }), []string{"mirror image"}},
		{"two axes swapped", change(func(p geom.Vec) geom.Vec { return geom.Vec{X: p.Y, Y: p.X, Z: p.Z} }), []string{"mirror image"}},
		{"mirrored, and one coordinate wrong", wrong, []string{"mirror image"}},
		{"another object", []geom.Vec{{}, {X: 4100}, {Y: 1310}, {X: 777, Y: 200, Z: 3000}}, []string{"no three of the 4 points agree", "6 spheres"}},
	}
	for _, c := range cases {
		r := Control(controls(c.at), spheresAt(layout, stations[1], 0.05), 2)
		if r.OK || r.NetworkToDatum != geom.IdentityPose() || len(r.Points) != len(c.at) || r.Points[0].Used {
			t.Errorf("%s: ok %v, %+v", c.name, r.OK, r.Points)
		}
		wants(t, r, "control", c.says...)
	}
}

// Nothing is guessed where the layout is the same seen from several sides.
func TestSymmetricLayoutsAreRefused(t *testing.T) {
	cases := []struct {
		name string
		at   []geom.Vec
	}{
		{"square", []geom.Vec{{}, {X: 2000}, {X: 2000, Y: 2000}, {Y: 2000}}},
		{"rectangle", []geom.Vec{{}, {X: 5000}, {X: 5000, Y: 2000}, {Y: 2000}}},
		{"equilateral triangle", []geom.Vec{{}, {X: 2000}, {X: 1000, Y: 1000 * math.Sqrt(3)}}},
		{"cube of CV-1.5", []geom.Vec{{}, {X: 2e3}, {Y: 2e3}, {X: 2e3, Y: 2e3}, {Z: 2e3}, {X: 2e3, Z: 2e3}, {Y: 2e3, Z: 2e3}, {X: 2e3, Y: 2e3, Z: 2e3}}},
	}
	for _, c := range cases {
		r := Control(controls(c.at), spheresAt(c.at, stations[1], 0.05), 2)
		if r.OK || r.NetworkToDatum != geom.IdentityPose() {
			t.Errorf("%s: a placement was guessed", c.name)
		}
		wants(t, r, "control", "in more than one way", fmt.Sprintf("%d points each", len(c.at)), "breaks the symmetry")
	}
}

func TestTooLittleToHoldAFrame(t *testing.T) {
	line := []geom.Vec{{}, {X: 1000}, {X: 2500}, {X: 4700}}
	cases := []struct {
		name    string
		points  []job.ControlPoint
		spheres []Sphere
	}{
		{"no points", nil, spheresAt(layout, stations[1], 1)},
		{"no spheres", controls(layout), nil},
		{"two points", controls(layout[:2]), spheresAt(layout, stations[1], 1)},
		{"two spheres", controls(layout), spheresAt(layout[:2], stations[1], 1)},
		{"a line", controls(line), spheresAt(line, stations[1], 1)},
		{"all at one place", controls(make([]geom.Vec, 4)), spheresAt(make([]geom.Vec, 4), stations[1], 1)},
	}
	for _, c := range cases {
		r := Control(c.points, c.spheres, 2)
		if r.OK || len(r.Points) != len(c.points) {
			t.Errorf("%s: got %+v", c.name, r)
		}
		wants(t, r, "control", "do not fit")
	}
}

// The trace of the covariance at a target is TRE²: the figures of CV-3.1, with an
// rms error of 1 mm a sphere (Fitzpatrick, West, Maurer 1998).
func TestCovarianceIsTheTargetErrorOfTheLiterature(t *testing.T) {
	sigma := 1 / math.Sqrt(3)
	r := Control(controls(layout), spheresAt(layout, stations[2], sigma), 5)
	cases := []struct {
		at   geom.Vec
		want float64
	}{
		{geom.Vec{X: 2500, Y: 1100, Z: 700}, 0.408368},
		{geom.Vec{X: 5200, Y: 1100, Z: 900}, 0.571806},
		{geom.Vec{X: -600, Y: 1100, Z: 500}, 0.612745},
		{geom.Vec{X: 2500, Y: 1100, Z: 3000}, 0.618844},
	}
	for _, c := range cases {
		if got := math.Sqrt(r.Cov.At(c.at.Sub(r.Center)).Trace()); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("at %v: %.6f mm, want %.6f mm", c.at, got, c.want)
		}
	}
}

// The reported covariance against the spread of many simulated jobs, whether the
// spheres know their own noise or only the residuals show it. The residuals of one
// job scatter, so the reported variances are averaged.
func TestCovarianceBySimulation(t *testing.T) {
	for _, told := range []float64{1, 0.1} {
		simulate(t, told)
	}
}

func simulate(t *testing.T, known float64) {
	const runs, sigma = 2000, 0.5
	random := rand.New(rand.NewPCG(31, 7))
	target := geom.Vec{X: 5200, Y: 1100, Z: 900}
	truth := stations[1].Inverse().Apply(target)
	var seen, told geom.Mat
	for range runs {
		spheres := spheresAt(layout, stations[1], known*sigma)
		for i := range spheres {
			spheres[i].Center = spheres[i].Center.Add(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}.Scale(sigma))
		}
		r := Control(controls(layout), spheres, 10)
		if !r.OK {
			t.Fatal(r.Findings)
		}
		e := r.NetworkToDatum.Apply(truth).Sub(target)
		seen = seen.Add(geom.Outer(e, e).Scale(1.0 / runs))
		told = told.Add(r.Cov.At(target.Sub(r.Center)).Scale(1.0 / runs))
	}
	for k := range 3 {
		a, b := math.Sqrt(seen.Diagonal().At(k)), math.Sqrt(told.Diagonal().At(k))
		t.Logf("share %.1f of the noise known, axis %d: seen %.4f mm, told %.4f mm", known, k, a, b)
		if math.Abs(b/a-1) > 0.1 {
			t.Errorf("share %.1f of the noise known, axis %d: %.4f mm were seen, %.4f mm are told", known, k, a, b)
		}
	}
}

func BenchmarkControl(b *testing.B) {
	points, spheres := controls(layout), spheresAt(layout, stations[1], 0.05)
	b.ReportAllocs()
	for b.Loop() {
		if !Control(points, spheres, 2).OK {
			b.Fatal("no datum")
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "datums/s")
}
