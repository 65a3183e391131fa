package network

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// result turns the settled network into what callers see.
func (s *solver) result() Result {
	r := Result{Stations: make([]StationResult, len(s.stations)), PValue: 1}
	for i, st := range s.stations {
		r.Stations[i] = StationResult{Name: st.Name, StationToNetwork: geom.IdentityPose(), Scale: s.scale[i], Spheres: slices.Repeat([]int{-1}, len(s.seen[i]))}
	}
	if s.adjusted == nil {
		s.findings = sorted(s.findings)
		r.Findings = s.findings
		return r
	}
	a := s.adjusted
	r.DOF, r.Chi2 = a.dof, a.chi2
	if a.dof > 0 {
		r.Sigma0 = math.Sqrt(a.chi2 / float64(a.dof))
		r.PValue = fit.ChiSquareTail(a.chi2, a.dof)
		r.Inflated = r.PValue < s.o.Significance
		for i, p := range [2]float64{s.o.Significance / 2, 1 - s.o.Significance/2} {
			r.Accepted[i] = math.Sqrt(fit.ChiSquareQuantile(p, a.dof) / float64(a.dof))
		}
	}
	factor := 1.0
	if r.Inflated {
		factor = a.chi2 / float64(a.dof)
	}
	number := s.fillSpheres(&r, factor)
	alpha := s.level()
	lambda := fit.Noncentrality(alpha, s.o.Power, 3)
	s.fillTests(&r, number, lambda)
	s.fillStations(&r, number, factor)
	s.fillFree(&r, factor)
	s.fillJoint(&r, number, factor)
	s.fillWhole(&r, number, factor)
	r.judgeW(s.o.Significance)
	r.Unseen = r.unseen(s.o.Power)
	s.fillDetectable(&r, alpha, lambda)
	r.Notes = s.notes
	s.reportAll(&r, number)
	r.Findings = sorted(s.findings)
	return r
}

// fillSpheres lists the spheres that were seen, by first sight in input order,
// and returns the index in the list of each place.
func (s *solver) fillSpheres(r *Result, factor float64) []int {
	number := slices.Repeat([]int{-1}, len(s.spheres))
	var order []int
	for _, st := range s.linked {
		for _, at := range s.places[st] {
			if number[at] < 0 {
				number[at] = len(order)
				order = append(order, at)
			}
		}
	}
	ids := s.names(order)
	for _, at := range order {
		x := SphereResult{ID: ids[at], Center: s.spheres[at].center, Stations: s.seers(at), Status: Used}
		if len(x.Stations) == 1 {
			x.Status = Single
		}
		if s.isMoved(at) {
			x.Status = Moved
		}
		x.Cov = s.placeCov(at).Scale(factor)
		r.Spheres = append(r.Spheres, x)
	}
	return number
}

// names gives every place its id: S1, S2 … by first sight; further places of one
// sphere carry its id and a letter from b on.
func (s *solver) names(order []int) map[int]string {
	ids := make(map[int]string, len(order))
	base := make(map[int]string)
	further := make(map[int]int)
	n := 0
	// The place that a moved sphere was split from keeps the plain id, also where the other was seen first.
	main := make(map[int]int)
	for _, x := range s.split {
		if _, ok := main[s.spheres[x.sphere].origin]; !ok {
			main[s.spheres[x.sphere].origin] = x.sphere
		}
	}
	for _, at := range order {
		o := s.spheres[at].origin
		if base[o] == "" {
			n++
			base[o] = fmt.Sprintf("S%d", n)
		}
		if m, split := main[o]; !split || m == at {
			ids[at] = base[o]
			continue
		}
		further[o]++
		ids[at] = base[o] + string(rune('a'+min(further[o], 25)))
	}
	return ids
}

func (s *solver) isMoved(at int) bool {
	return slices.ContainsFunc(s.split, func(x splitOff) bool { return x.resolved && (x.place == at || x.sphere == at) })
}

// placeCov returns the covariance of a place: from the adjustment where two
// stations saw it, else from the one observation and the pose it hangs on.
func (s *solver) placeCov(at int) geom.Mat {
	if c := slices.Index(s.adjusted.spheres, at); c >= 0 {
		return s.adjusted.sphereCov(c)
	}
	st := s.seers(at)[0]
	o := s.seen[st][slices.Index(s.places[st], at)]
	pose := s.poses[st]
	cov := pose.R.Congruent(o.cov)
	if k := slices.Index(s.adjusted.stations, st); k >= 0 {
		m := s.adjusted.poseCofactor(k, k)
		cov = cov.Add(m.At(pose.Turn(o.center.Sub(s.middle(st)))))
	}
	return cov
}

func (s *solver) fillTests(r *Result, number []int, lambda float64) {
	a := s.adjusted
	delta := fit.Delta0(s.o.Significance, s.o.Power)
	for c, list := range a.bySphere {
		for i, k := range list {
			e, d := &a.equations[k], a.displacement(c, []int{i})
			q, _ := e.p.Inv()
			b, root := e.p.MulVec(e.v).Scale(-1), d.m.Sigmas()
			r.Tests = append(r.Tests, Test{Station: e.station, Observation: e.observation, Sphere: number[e.sphere], Residual: e.v,
				Redundancy: q.Mul(d.m), W: over(b, root), Detectable: over(geom.Vec{X: delta, Y: delta, Z: delta}, root), Chi2: d.value})
			if size, ok := detectable(d.m, lambda); ok {
				x, st := &r.Spheres[number[e.sphere]], &r.Stations[e.station]
				x.Detectable, st.Detectable = max(x.Detectable, size), max(st.Detectable, size)
			}
			r.Stations[e.station].Redundancy += q.Mul(d.m).Trace()
		}
	}
}

// detectable returns the size that a displacement must have in the direction that
// the network controls worst to reach the non-centrality lambda.
func detectable(m geom.Mat, lambda float64) (float64, bool) {
	values, _ := geom.Eigen(m)
	if !(values.X > 1e-9*values.Z) {
		return 0, false
	}
	return math.Sqrt(lambda / values.X), true
}

// over divides by components; what nothing controls gives zero.
func over(a, b geom.Vec) geom.Vec {
	div := func(x, y float64) float64 {
		if y < 1e-12 {
			return 0
		}
		return x / y
	}
	return geom.Vec{X: div(a.X, b.X), Y: div(a.Y, b.Y), Z: div(a.Z, b.Z)}
}

func (s *solver) fillStations(r *Result, number []int, factor float64) {
	for _, st := range s.linked {
		x := &r.Stations[st]
		x.Linked, x.StationToNetwork = true, s.poses[st]
		for j, at := range s.places[st] {
			x.Spheres[j] = number[at]
		}
		if k := slices.Index(s.adjusted.stations, st); k >= 0 {
			x.Cov = s.poseCov(k)
			for i := range x.Cov {
				x.Cov[i] *= factor
			}
		}
		var ssr float64
		n := 0
		for _, e := range s.adjusted.equations {
			if e.station == st {
				ssr += e.v.Norm2()
				n++
			}
		}
		x.RMS = math.Sqrt(ssr / float64(max(1, n)))
	}
}
