package network

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// The frame does not change what is true between set-ups: coordinates stay, the
// uncertainty of distances stays, and the spheres as a whole have none.
func TestInnerConstraints(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 5, sigma: 0.2}.make(41)
	base := solve(t, st, exactly)
	free := solve(t, st, Options{Floor: -1, Datum: Inner})
	p, q := geom.Vec{X: 1500, Y: -700, Z: 300}, geom.Vec{X: -2000, Y: 900, Z: -400}
	for k := range st {
		if base.Stations[k].StationToNetwork != free.Stations[k].StationToNetwork {
			t.Errorf("set-up %d moved", k)
		}
		for l := range st {
			d, sigma := base.DistanceSigma(k, p, l, q)
			d2, sigma2 := free.DistanceSigma(k, p, l, q)
			within(t, "distance", d2, d, 1e-9)
			within(t, "its uncertainty", sigma2, sigma, 1e-6*sigma+1e-8)
		}
		// The pose's own covariance is the joint one seen from its zero point, and Free that at the middle.
		motion, ok := free.Joint.Between(k, k)
		if !ok {
			t.Fatal("no joint covariance")
		}
		for x := range motion {
			scale := math.Sqrt(motion[x/6*7] * motion[x%6*7])
			within(t, "free motion", free.Stations[k].Free[x]/scale, motion[x]/scale, 1e-9)
		}
	}
	var sum, held float64
	for i := range base.Spheres {
		held += base.Spheres[i].Cov.Trace()
		sum += free.Spheres[i].Cov.Trace()
	}
	if !(sum < held) {
		t.Errorf("the inner constraints leave %.4f mm², the first set-up %.4f", sum, held)
	}
	if c, ok := free.NetworkPointCov(p); !ok || c != (geom.Mat{}) {
		t.Errorf("the spheres as a whole are the frame, yet have %v", c)
	}
	// Nothing that holds another set-up has a smaller trace: the defining property.
	for k := range st {
		turned := append([]Station{st[k]}, slices.Delete(slices.Clone(st), k, k+1)...)
		var other float64
		for _, x := range solve(t, turned, exactly).Spheres {
			other += x.Cov.Trace()
		}
		if sum > other {
			t.Errorf("holding %s gives a smaller trace, %.4f, than the inner constraints, %.4f", st[k].Name, other, sum)
		}
	}
}

// The centres' common motion has no uncertainty left in the free network.
func TestInnerConstraintsLeaveNoCommonMotion(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 4, sigma: 0.2}.make(42)
	s := &solver{o: exactly.complete(), stations: st, scale: []float64{1, 1, 1, 1}}
	s.seen, _ = prepare(st, 0)
	if err := s.link(context.Background()); err != nil {
		t.Fatal(err)
	}
	s.settle()
	r := s.result()
	z, ok := s.free(r.Middle)
	if !ok {
		t.Fatal("no free network")
	}
	first := 6 * len(s.linked)
	for axis := range 3 {
		var variance float64
		for c := range s.adjusted.spheres {
			for d := range s.adjusted.spheres {
				variance += z.At(first+3*c+axis, first+3*d+axis)
			}
		}
		within(t, "variance of the centres' sum", variance, 0, 1e-9)
	}
}

// DifferenceCov and the sphere covariances against errors that were made.
func TestJointCovarianceBySimulation(t *testing.T) {
	runs := 250
	p, q := geom.Vec{X: 1500, Y: -700, Z: 300}, geom.Vec{X: -2000, Y: 900, Z: -400}
	var chi, chiInner, one float64
	for i := range runs {
		st, truth := sim{spheres: layout(), stations: 4, sigma: 0.2}.make(uint64(7000 + i))
		r := solve(t, st, exactly)
		base := truth[0].Inverse()
		want := base.After(truth[3]).Apply(q).Sub(base.After(truth[1]).Apply(p))
		got := r.Stations[3].StationToNetwork.Apply(q).Sub(r.Stations[1].StationToNetwork.Apply(p))
		inv, _ := r.DifferenceCov(1, p, 3, q).Inv()
		e := got.Sub(want)
		chi += e.Dot(inv.MulVec(e))
		d, sigma := r.DistanceSigma(1, p, 3, q)
		one += (d - want.Norm()) * (d - want.Norm()) / (sigma * sigma)
		// Points through one set-up twice differ by nothing but its rotation.
		own := r.DifferenceCov(2, p, 2, p)
		chiInner = max(chiInner, own.Trace())
	}
	n := float64(runs)
	within(t, "mean χ² of a difference", chi/n, 3, 4*math.Sqrt(6/n))
	within(t, "mean χ² of a distance", one/n, 1, 4*math.Sqrt(2/n))
	within(t, "covariance of nothing", chiInner, 0, 1e-12)
	r := Result{Stations: []StationResult{{}}}
	if !math.IsInf(r.DifferenceCov(0, p, 0, q)[0], 1) {
		t.Error("an untied set-up has a covariance")
	}
}

// knownPoints gives the coordinates of some spheres in the frame of the truth.
func knownPoints(sigma float64, seed uint64, which ...int) []Known {
	rng := rand.New(rand.NewPCG(seed, 5))
	var list []Known
	for _, i := range which {
		e := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Scale(sigma)
		list = append(list, Known{Name: string(rune('A' + i)), At: layout()[i].Add(e), Cov: geom.Identity().Scale(sigma * sigma)})
	}
	return list
}

func TestControlPoints(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 4, sigma: 0.1}.make(51)
	for _, sigma := range []float64{0, 0.3} {
		r := solve(t, st, Options{Floor: -1, Datum: Control, Known: knownPoints(sigma, 1, 0, 2, 4, 7)})
		sameCodes(t, r)
		if len(r.Stations) != 4 || len(r.Control) != 4 || len(r.Joint.Stations) != 4 || r.Joint.Stations[0] != 0 {
			t.Fatalf("σ %g: %d set-ups, %d control points, joint of %v", sigma, len(r.Stations), len(r.Control), r.Joint.Stations)
		}
		for k, p := range truth {
			at := geom.Vec{X: 800, Y: 300}
			e := r.Stations[k].StationToNetwork.Apply(at).Sub(p.Apply(at))
			inv, ok := r.PointCov(k, at).Inv()
			if d := inv.MulVec(e).Dot(e); !ok || d > fit.ChiSquareQuantile(0.9999, 3) {
				t.Errorf("σ %g: set-up %d is off by %v, χ² %.1f", sigma, k, e, d)
			}
		}
		for i, c := range r.Control {
			if c.Sphere < 0 {
				t.Fatalf("σ %g: control point %s has no sphere", sigma, c.Name)
			}
			if d := c.Residual.Norm(); sigma == 0 && d > 1e-6 || d > 5*sigma+1e-6 {
				t.Errorf("σ %g: control point %d is off by %g", sigma, i, d)
			}
		}
		// 4·8 observations and 4 control points, 4 poses and 8 centres unknown.
		if want := 3*(4*8+4) - 6*4 - 3*8; r.DOF != want {
			t.Errorf("σ %g: redundancy %d, want %d", sigma, r.DOF, want)
		}
	}
}

// One wrong coordinate among five is named as such and does not bend the network.
func TestWrongControlPoint(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 4, sigma: 0.1}.make(52)
	known := knownPoints(0.1, 2, 0, 2, 4, 6, 7)
	known[1].At.X += 12
	r := solve(t, st, Options{Datum: Control, Known: known})
	if len(r.Findings) != 1 || r.Findings[0].Code != job.SphereMoved || !slices.Equal(r.Findings[0].Stations, []string{controlName}) {
		t.Fatalf("findings %v", codes(r))
	}
	if d := r.Stations[2].StationToNetwork.T.Dist(truth[2].T); d > 1 {
		t.Errorf("the network is bent by %.2f mm", d)
	}
}

func TestControlThatDoesNotFit(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 3, sigma: 0.1}.make(53)
	square := []Known{{At: geom.Vec{}}, {At: geom.Vec{X: 9000}}, {At: geom.Vec{X: 9000, Y: 9000}}}
	r := solve(t, st, Options{Datum: Control, Known: square})
	sameCodes(t, r, "datum-poor datum")
	if len(r.Stations) != 3 || r.Stations[0].StationToNetwork != geom.IdentityPose() || len(r.Control) != 0 {
		t.Error("the first set-up does not hold the frame")
	}
	// A square of control points on a square of spheres fits in four ways.
	plate := []geom.Vec{{}, {X: 2000}, {X: 2000, Y: 2000}, {Y: 2000}, {X: 700, Y: 300, Z: 900}}
	st, _ = sim{spheres: plate, stations: 3, sigma: 0.1}.make(54)
	var known []Known
	for _, p := range plate[:4] {
		known = append(known, Known{At: p})
	}
	r = solve(t, st, Options{Datum: Control, Known: known})
	sameCodes(t, r, "datum-poor datum")
	if len(r.Findings) > 0 && !strings.Contains(r.Findings[0].Text, "more than one way") {
		t.Error(r.Findings[0].Text)
	}
	for _, bad := range []Known{{At: geom.Vec{X: math.NaN()}}, {Cov: geom.Diag(1, -1, 1)}} {
		if _, err := Solve(context.Background(), st, Options{Datum: Control, Known: []Known{bad}}); !errors.Is(err, ErrControl) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if _, err := Solve(context.Background(), st, Options{Datum: "north"}); err == nil {
		t.Error("an unknown datum was accepted")
	}
}

// The frame is that of the first tied set-up, also where it came in last.
func TestFrameOfALateFirstStation(t *testing.T) {
	// The first set-up shares three spheres with the network and two with any other one.
	st, truth := sim{spheres: layout(), stations: 4, sigma: 0.1, hidden: func(k, s int) bool {
		return k == 0 && s > 2 || k == 1 && s == 0 || k == 2 && s == 1 || k == 3 && s == 2
	}}.make(55)
	r := solve(t, st, Options{})
	if !r.Stations[0].Linked || r.Stations[0].StationToNetwork != geom.IdentityPose() {
		t.Fatalf("the first set-up: %+v", r.Stations[0])
	}
	if d := r.Stations[3].StationToNetwork.T.Dist(truth[0].Inverse().After(truth[3]).T); d > 3 {
		t.Errorf("the last set-up is %.2f mm off", d)
	}
}
