package network

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// reportAmbiguous names a station whose spheres fit in several ways, and the one whose
// shift would make the layout unique.
func (s *solver) reportAmbiguous(st int, m match, with string) {
	advice := "Shift one of them by a hand's breadth, so that no two distances are alike, and scan again from all set-ups that need it."
	ways := sentence("%d ways", m.rivals+1)
	if len(m.others) < m.rivals {
		ways = "very many ways"
	}
	if which, by, how, ok := s.shiftThatHelps(st, m); ok {
		p := s.seen[st][which].center
		advice = sentence("Shift the sphere that stands %.2f m from this set-up, at (%.2f, %.2f, %.2f) m of its own axes, %s by at least %.0f mm, and scan again from all set-ups that see it.",
			p.Norm()/1000, p.X/1000, p.Y/1000, p.Z/1000, how, by)
	}
	s.report(job.LayoutAmbiguous, job.Hold, s.stations[st].Name, sentence("Its spheres fit %s in %s that agree equally well on %d spheres, since the distances between these repeat within %d standard uncertainties. %s", with, ways, len(m.pairs), agree, advice))
}

// mostTried is the largest layout whose shifts are tried out: the trials grow with its
// sixth power, and symmetric layouts are small or walls.
const mostTried = 6

// shiftThatHelps tries for each sphere of an ambiguous match, in the station's frame,
// by how much it must be shifted before the layout fits itself in one way only. It
// returns the observation with the least shift, twice that shift rounded up to
// centimetres, and the direction in words.
func (s *solver) shiftThatHelps(st int, m match) (which int, by float64, how string, ok bool) {
	if len(m.pairs) > mostTried || len(m.others) < m.rivals {
		return 0, 0, "", false
	}
	var layout []sight
	for _, p := range m.pairs {
		layout = append(layout, s.seen[st][p[1]])
	}
	unit := largest(layout)
	for step := 8.0; step <= 256; step *= math.Sqrt2 {
		for i := range layout {
			for _, way := range s.ways(layout, i) {
				tried := slices.Clone(layout)
				tried[i].center = tried[i].center.AddScaled(step*unit, way.along)
				if f := findMatch(tried, tried, agree); f.rivals == 0 && len(f.pairs) == len(tried) {
					return m.pairs[i][1], 10 * math.Ceil(2*step*unit/10), way.words, true
				}
			}
		}
	}
	return 0, 0, "", false
}

// way is a direction to shift a sphere in.
type way struct {
	along geom.Vec
	words string
}

// ways lists the directions that a stand is easily shifted in: towards the next sphere,
// and across that line on the floor. Up and down comes last.
func (s *solver) ways(layout []sight, i int) []way {
	next := -1
	for k := range layout {
		if k != i && (next < 0 || layout[k].center.Dist(layout[i].center) < layout[next].center.Dist(layout[i].center)) {
			next = k
		}
	}
	to := layout[next].center.Sub(layout[i].center).Unit()
	up := geom.Vec{Z: 1}
	if math.Abs(to.Z) > 0.9 {
		up = geom.Vec{X: 1}
	}
	return []way{{to, "straight towards its nearest neighbour"}, {up.Cross(to).Unit(), "square to the line to its nearest neighbour"}, {up, "upwards"}}
}
