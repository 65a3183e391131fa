package network

import (
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// level is that of each single test: Z. Šidák, Rectangular confidence regions for the
// means of multivariate normal distributions, JASA 62 (1967). Tests may be correlated
// in any way; the chance of a false alarm among all stays below Significance.
func (s *solver) level() float64 {
	return fit.Sidak(s.o.Significance, max(1, len(s.suspicions())))
}

// fillDetectable states the smallest factor and the smallest slip of each set-up that
// would be found with the power asked for; three is the non-centrality that a test of
// three degrees of freedom at the level alpha needs for it.
func (s *solver) fillDetectable(r *Result, alpha, three float64) {
	one := fit.Noncentrality(alpha, s.o.Power, 1)
	for _, st := range s.linked {
		x := &r.Stations[st]
		if e := s.adjusted.scaleError(st); e.m[0] > 0 {
			x.DetectableScale = math.Sqrt(one / e.m[0])
		}
		control := s.adjusted.stationControl(st)
		for _, g := range s.arcs(st) {
			if size, ok := detectable(sumOf(control, g, len(s.adjusted.ofStation(st))), three); ok {
				x.DetectableSlip = max(x.DetectableSlip, size)
			}
		}
	}
}

// sumOf adds the blocks of an m×m block matrix that belong to a group.
func sumOf(blocks []geom.Mat, group []int, m int) geom.Mat {
	var sum geom.Mat
	for _, i := range group {
		for _, j := range group {
			sum = sum.Add(blocks[i*m+j])
		}
	}
	return sum
}
