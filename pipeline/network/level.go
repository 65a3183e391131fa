package network

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// reportTilts notes, where set-ups are said to be levelled, which ones lean against
// the common vertical by more than the levels allow and three standard uncertainties.
func (s *solver) reportTilts(r *Result) {
	if s.o.Levelled <= 0 || len(s.linked) < 3 {
		return
	}
	up := s.vertical()
	for _, st := range s.linked {
		lean := angle(s.poses[st].R.Col(2), up)
		sigma := math.Sqrt(r.Stations[st].Cov.Block(0, 0).Trace())
		if lean > s.o.Levelled+3*sigma {
			s.report(job.StationTilted, job.Note, s.stations[st].Name, sentence("It leans by %.3f° against the common vertical of the set-ups; levelled ones should agree within %.3f° (standard uncertainty %.4f°). The network does not depend on it. "+
				"To do: look at the level of this set-up, and whether a leg of the tripod slipped.", degrees(lean), degrees(s.o.Levelled), degrees(sigma)))
		}
	}
}

// vertical returns the z axis of that station which has the smallest sum of angles
// to those of all, so that a leaning one does not pull it.
func (s *solver) vertical() geom.Vec {
	var best geom.Vec
	least := math.Inf(1)
	for _, st := range s.linked {
		axis := s.poses[st].R.Col(2)
		var sum float64
		for _, other := range s.linked {
			sum += angle(axis, s.poses[other].R.Col(2))
		}
		if sum < least {
			best, least = axis, sum
		}
	}
	return best
}

func angle(a, b geom.Vec) float64 { return math.Atan2(a.Cross(b).Norm(), a.Dot(b)) }

func degrees(rad float64) float64 { return rad * 180 / math.Pi }
