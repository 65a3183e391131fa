package datum

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

func planeAt(name string, point, normal geom.Vec) Element {
	return Element{Name: name, Point: point, Normal: normal.Unit(), Points: 100}
}

// threeFaces are z = 0, y = 0 and x = 0, carried by a pose datum → network.
func threeFaces(toNetwork geom.Pose) Elements {
	carry := func(e Element) Element {
		e.Point, e.Normal = toNetwork.Apply(e.Point), toNetwork.Turn(e.Normal)
		return e
	}
	return Elements{
		Primary: carry(planeAt("primary", geom.Vec{X: 700, Y: 300}, geom.Vec{Z: 1})), PrimaryAxis: "Z",
		Secondary: carry(planeAt("secondary", geom.Vec{X: 400, Z: 90}, geom.Vec{Y: 1})), SecondaryAxis: "Y",
		Origin: carry(planeAt("origin", geom.Vec{Y: 250, Z: 60}, geom.Vec{X: 1})),
	}
}

// CV-10.2: planes moved by a known pose give that pose back, inverted; the poses
// are those of CV-1.4 and any other.
func TestPlanesGiveThePoseBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-3, 3)
		pose := geom.Pose{R: geom.RotVec(geom.Vec{X: f.Draw(t, "a"), Y: f.Draw(t, "b"), Z: f.Draw(t, "c")}), T: geom.Vec{X: 1e4 * f.Draw(t, "x"), Y: 1e4 * f.Draw(t, "y"), Z: 1e4 * f.Draw(t, "z")}}
		r := Planes(threeFaces(pose))
		angle, shift := apart(r.NetworkToDatum, pose.Inverse())
		if !r.OK || angle > 1e-11 || shift > 1e-7 {
			t.Fatalf("%v: turned by %g, shifted by %g", r.Findings, angle, shift)
		}
	})
}

// CV-10.2: for planes that are 90° + 0.1° apart, exchanging primary and secondary
// moves a point 5 m out by 5000·tan 0.1° = 8.727 mm.
func TestPrimaryBeforeSecondary(t *testing.T) {
	e := threeFaces(geom.IdentityPose())
	lean := 0.1 * math.Pi / 180
	e.Secondary.Normal = geom.Vec{Y: math.Cos(lean), Z: math.Sin(lean)}
	first := Planes(e)
	e.Primary, e.Secondary, e.PrimaryAxis, e.SecondaryAxis = e.Secondary, e.Primary, "Y", "Z"
	other := Planes(e)
	turn, _ := apart(first.NetworkToDatum, other.NetworkToDatum)
	if d := 5000 * math.Tan(turn); math.Abs(d-8.727) > 0.001 {
		t.Errorf("got %.4f mm, want 8.727", d)
	}
}

func TestSecondaryLineHoldsDirectionAndPlace(t *testing.T) {
	e := threeFaces(geom.IdentityPose())
	e.Secondary = Element{Point: geom.Vec{X: 100, Y: 40, Z: 7}}
	e.To = &Element{Point: geom.Vec{X: 900, Y: 840, Z: -3}}
	e.SecondaryAxis, e.Origin = "X", Element{Point: geom.Vec{X: 500, Y: 500}}
	r := Planes(e)
	if !r.OK {
		t.Fatal(r.Findings)
	}
	x := r.NetworkToDatum.Turn(geom.Vec{X: 1, Y: 1}.Unit())
	from, origin := r.NetworkToDatum.Apply(e.Secondary.Point), r.NetworkToDatum.Apply(e.Origin.Point)
	if x.Dist(geom.Vec{X: 1}) > 1e-12 || math.Abs(from.Y) > 1e-9 || math.Abs(origin.X) > 1e-9 || math.Abs(r.NetworkToDatum.Apply(e.Primary.Point).Z) > 1e-9 {
		t.Errorf("X along %v, line at %v, origin at %v", x, from, origin)
	}
}

func TestAxesAsAsked(t *testing.T) {
	for _, c := range []struct{ first, second job.Axis }{{"Z", "Y"}, {"-Z", "X"}, {"X", "-Z"}, {"-Y", "Z"}} {
		e := threeFaces(geom.IdentityPose())
		e.PrimaryAxis, e.SecondaryAxis = c.first, c.second
		r := Planes(e)
		if !r.OK || math.Abs(r.NetworkToDatum.R.Det()-1) > 1e-12 {
			t.Fatalf("%v: %v, determinant %g", c, r.Findings, r.NetworkToDatum.R.Det())
		}
		n, m := r.NetworkToDatum.Turn(geom.Vec{Z: 1}).Array(), r.NetworkToDatum.Turn(geom.Vec{Y: 1}).Array()
		if math.Abs(n[c.first.Index()]-c.first.Sign()) > 1e-12 || math.Abs(m[c.second.Index()]-c.second.Sign()) > 1e-12 {
			t.Errorf("%v: normals go to %v and %v", c, n, m)
		}
	}
}

func TestParallelElementsAreRefused(t *testing.T) {
	e := threeFaces(geom.IdentityPose())
	e.Secondary.Normal = geom.Vec{Y: 0.1, Z: 1}.Unit()
	if r := Planes(e); r.OK || len(r.Findings) != 1 || r.Findings[0].Code != job.DatumPoor {
		t.Errorf("got %+v", r)
	}
}

// The covariance is that of 4000 simulated datums, element by element.
func TestCovarianceOfPlanes(t *testing.T) {
	e := threeFaces(geom.IdentityPose())
	u, n := geom.Vec{X: 1}, geom.Vec{Y: 1}
	e.Primary.PointCov, e.Primary.NormalCov = geom.Diag(0, 0, 0.01), geom.Diag(1e-8, 4e-8, 0)
	e.Secondary.PointCov, e.Secondary.NormalCov = geom.Outer(n, n).Scale(0.04), geom.Outer(u, u).Scale(9e-8)
	e.Origin.PointCov = geom.Diag(0.09, 0, 0)
	want := Planes(e)
	rnd := rand.New(rand.NewPCG(11, 12))
	var got fit.Mat6
	const runs = 4000
	for range runs {
		x := e
		x.Primary.Point = x.Primary.Point.Add(geom.Vec{Z: 0.1 * rnd.NormFloat64()})
		x.Primary.Normal = x.Primary.Normal.Add(geom.Vec{X: 1e-4 * rnd.NormFloat64(), Y: 2e-4 * rnd.NormFloat64()}).Unit()
		x.Secondary.Point = x.Secondary.Point.Add(geom.Vec{Y: 0.2 * rnd.NormFloat64()})
		x.Secondary.Normal = x.Secondary.Normal.Add(u.Scale(3e-4 * rnd.NormFloat64())).Unit()
		x.Origin.Point = x.Origin.Point.Add(geom.Vec{X: 0.3 * rnd.NormFloat64()})
		change := Planes(x).NetworkToDatum.After(want.NetworkToDatum.Inverse())
		w, d := geom.RotVecOf(change.R), change.Apply(want.Center).Sub(want.Center)
		v := [6]float64{w.X, w.Y, w.Z, d.X, d.Y, d.Z}
		for i := range 6 {
			for j := range 6 {
				got[6*i+j] += v[i] * v[j] / runs
			}
		}
	}
	for i := range 6 {
		g, w := math.Sqrt(got[7*i]), math.Sqrt(want.Cov[7*i])
		if math.Abs(g/w-1) > 0.05 { // of 4000 runs a standard deviation is known to 1.1 %
			t.Errorf("component %d: simulated %.4g, stated %.4g", i, g, w)
		}
	}
}

// sheetOf is a square of points around the zero point with normals, bent to a
// sphere of the given radius where it is not 0, with some scatter.
func sheetOf(half, bend, sigma float64) *scan.Cloud {
	rnd := rand.New(rand.NewPCG(3, 3))
	c := &scan.Cloud{}
	for x := -half; x <= half; x += 5 {
		for y := -half; y <= half; y += 5 {
			n := geom.Vec{Z: 1}
			z := 0.0
			if bend != 0 {
				z = bend - math.Sqrt(bend*bend-x*x-y*y)
				n = geom.Vec{X: -x, Y: -y, Z: bend - z}.Unit()
			}
			c.Append(geom.Vec{X: x, Y: y, Z: z + sigma*rnd.NormFloat64()})
			c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
		}
	}
	return c
}

func TestFitPlane(t *testing.T) {
	clutter := sheetOf(100, 0, 0.1)
	for i := range 200 { // a wall that stands on the sheet, and its fillet
		clutter.Append(geom.Vec{X: 60, Y: float64(i) - 100, Z: float64(i % 20)})
		clutter.NX, clutter.NY, clutter.NZ = append(clutter.NX, -1), append(clutter.NY, 0), append(clutter.NZ, 0)
	}
	for name, c := range map[string]*scan.Cloud{"clean": sheetOf(100, 0, 0.1), "with a wall on it": clutter} {
		e, err := FitPlane(c, geom.Vec{X: 10, Y: 5, Z: 1}, 90)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if tilt := math.Acos(min(1, e.Normal.Z)); tilt > 1e-3 || math.Abs(e.Point.Z) > 0.02 || math.Abs(e.RMS-0.1) > 0.02 {
			t.Errorf("%s: tilt %g, height %g, rms %g", name, tilt, e.Point.Z, e.RMS)
		}
	}
	down := sheetOf(100, 0, 0.1)
	for i := range down.NZ {
		down.NZ[i] = -1
	}
	if e, err := FitPlane(down, geom.Vec{}, 90); err != nil || e.Normal.Z > -0.99 {
		t.Errorf("seen from below: normal %v, %v", e.Normal, err)
	}
}

func TestFitPlaneRefuses(t *testing.T) {
	for _, c := range []struct {
		name, says string
		cloud      *scan.Cloud
		seed       geom.Vec
	}{
		{"nothing there", "0 points", sheetOf(100, 0, 0.1), geom.Vec{X: 5000}},
		{"a curved skin", "curved", sheetOf(100, 900, 0.1), geom.Vec{}},
	} {
		if _, err := FitPlane(c.cloud, c.seed, 90); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: got %v", c.name, err)
		}
	}
}
