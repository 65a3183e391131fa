package network

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// What is below the detectable size is said, with the figure of the fields; so is
// what one set-up alone saw, and what too few shared spheres control.
func TestUnseen(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 5, sigma: 0.1, hidden: func(k, s int) bool { return s == 7 && k > 0 }}.make(48)
	r := solve(t, st, Options{})
	var worst float64
	for _, x := range r.Spheres {
		worst = max(worst, x.Detectable)
	}
	for _, want := range []string{fmt.Sprintf("%.2f mm or more", worst), "80 %", "Seen by one set-up only"} {
		if !strings.Contains(r.Unseen, want) {
			t.Errorf("%q does not say %q", r.Unseen, want)
		}
	}
	if open := (Result{Spheres: []SphereResult{{ID: "S4", Stations: []int{0, 1}}}}); !strings.Contains(open.unseen(0.8), "Nothing controls where S4 stood") {
		t.Error(open.unseen(0.8))
	}
}

// The variance factor is tested on both sides: CV-3.4 gives the quantiles of the 36
// degrees of freedom of CV-1.5's network. Covariances three times too large are as
// plain as ones three times too small.
func TestVarianceFactorOnBothSides(t *testing.T) {
	s := exact(func(int, int, geom.Vec) geom.Vec { return geom.Vec{} })
	s.o.Significance = 0.002
	if !s.adjust() {
		t.Fatal("the network did not adjust")
	}
	r := s.result()
	within(t, "upper bound", r.Accepted[1]*r.Accepted[1]*36, 67.9852, 5e-5) // CV-3.4, 0.999
	within(t, "tail below the lower bound", fit.ChiSquareTail(r.Accepted[0]*r.Accepted[0]*36, 36), 0.999, 1e-9)
	for _, factor := range []float64{1, 9, 1.0 / 9} {
		st, _ := sim{spheres: layout(), stations: 6, sigma: 0.1}.make(49)
		for _, x := range st {
			for j := range x.Observations {
				x.Observations[j].Cov = x.Observations[j].Cov.Scale(factor)
			}
		}
		r := solve(t, st, exactly)
		if ok := r.Sigma0 > r.Accepted[0] && r.Sigma0 < r.Accepted[1]; ok != (factor == 1) {
			t.Errorf("covariances times %g: σ₀ %.3f, accepted %.3f", factor, r.Sigma0, r.Accepted)
		}
	}
}

// CV-1.6: w of the bad observation, 7.07, is beyond what the largest of 72 may
// reach; so are those of 3.54 and less not, since Holm's first limit is 4.4.
func TestHolmOnTheExactNetwork(t *testing.T) {
	s := exact(func(k, i int, _ geom.Vec) geom.Vec {
		if k == 1 && i == 7 {
			return geom.Vec{X: 0.5}
		}
		return geom.Vec{}
	})
	s.o.Significance = 0.001
	if !s.adjust() {
		t.Fatal("the network did not adjust")
	}
	r := s.result()
	within(t, "largest |w| that chance allows", r.WLimit, fit.CriticalW(1-math.Pow(0.999, 1.0/72)), 1e-9)
	for _, x := range r.Tests {
		if x.Suspect != (x.Station == 1 && x.Sphere == 7) {
			t.Errorf("station %d, sphere %d, w %v: suspect %v", x.Station, x.Sphere, x.W, x.Suspect)
		}
	}
}

// A set-up that leans is noted when asked, and only then; it holds nothing.
func TestTiltedStation(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 5, sigma: 0.1}.make(46)
	for k, pose := range truth { // stand them upright, the fourth but for 0.01 rad
		up := pose.R
		if k == 3 {
			up = geom.RotVec(geom.Vec{X: 0.01}).T().Mul(up)
		}
		for j, o := range st[k].Observations {
			st[k].Observations[j].Center, st[k].Observations[j].Cov = up.MulVec(o.Center), up.Congruent(o.Cov)
		}
	}
	sameCodes(t, solve(t, st, Options{}))
	r := solve(t, st, Options{Levelled: 0.001})
	sameCodes(t, r, "station-tilted s04.ply")
	if job.Holds(r.Findings) || !slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return strings.Contains(f.Text, "leans by 0.57") }) {
		t.Errorf("%+v", r.Findings)
	}
}
