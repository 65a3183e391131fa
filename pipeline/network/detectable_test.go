package network

import (
	"math"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// The redundancy numbers of all observations add up to the redundancy of the network.
func TestRedundancyNumbersAddUp(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 5, sigma: 0.2, hidden: func(k, s int) bool { return (k+s)%4 == 0 }}.make(82)
	r := solve(t, st, exactly)
	var sum, byStation float64
	for _, q := range r.Tests {
		sum += q.Redundancy.Trace()
	}
	for _, s := range r.Stations {
		byStation += s.Redundancy
	}
	within(t, "sum", sum, float64(r.DOF), 1e-6)
	within(t, "sum by set-ups", byStation, float64(r.DOF), 1e-6)
}

// Errors of the size called detectable are found as often as promised.
func TestDetectableIsFoundAsOftenAsPromised(t *testing.T) {
	runs, sphere, factor := 120, 0, 0
	for i := range runs {
		clean, _ := sim{spheres: layout(), stations: 5, sigma: 0.2}.make(uint64(8300 + i))
		r := solve(t, clean, exactly)
		// The worst direction of one observation, by the size that its own test promises.
		q := r.Tests[7]
		control := controlOf(r, clean, q)
		_, axes := geom.Eigen(control)
		size, ok := detectable(control, fit.Noncentrality(prepared(t, clean).level(), 0.8, 3))
		if !ok {
			t.Fatal("not controlled")
		}
		st, _ := sim{spheres: layout(), stations: 5, sigma: 0.2}.make(uint64(8300 + i))
		o := &st[q.Station].Observations[q.Observation]
		o.Center = o.Center.Add(r.Stations[q.Station].StationToNetwork.R.T().MulVec(axes.Col(0).Scale(size)))
		if len(solve(t, st, exactly).Findings) > 0 {
			sphere++
		}
		st, _ = sim{spheres: layout(), stations: 5, sigma: 0.2, scale: func(k int) float64 {
			if k == 3 {
				return 1 + r.Stations[3].DetectableScale
			}
			return 1
		}}.make(uint64(8300 + i))
		if len(solve(t, st, exactly).Findings) > 0 {
			factor++
		}
	}
	for what, n := range map[string]int{"displacements": sphere, "factors": factor} {
		if share := float64(n) / float64(runs); math.Abs(share-0.8) > 4*math.Sqrt(0.16/float64(runs)) {
			t.Errorf("%s of the detectable size are found in %.0f %%, promised 80", what, 100*share)
		}
	}
}

// controlOf recovers P·Qvv·P of one observation from its test.
func controlOf(r Result, st []Station, q Test) geom.Mat {
	p, _ := r.Stations[q.Station].StationToNetwork.R.Congruent(st[q.Station].Observations[q.Observation].Cov).Inv()
	return p.Mul(q.Redundancy)
}

func TestDetectableScaleAndSlip(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 5, sigma: 0.2}.make(84)
	r := solve(t, st, exactly)
	for _, s := range r.Stations {
		if !(s.DetectableScale > 1e-5 && s.DetectableScale < 1e-3) || !(s.DetectableSlip > 0.2 && s.DetectableSlip < 20) {
			t.Errorf("%s: scale %g, slip %g mm", s.Name, s.DetectableScale, s.DetectableSlip)
		}
	}
}
