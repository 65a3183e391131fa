package network

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// disturbed lists the stations for which alone two spheres or more stand
// elsewhere: it was the station that moved between them.
func (s *solver) disturbed(r *Result, number []int) []int {
	own := map[int]int{}
	for _, x := range s.split {
		if place := r.Spheres[number[x.place]]; x.resolved && len(place.Stations) == 1 {
			own[place.Stations[0]]++
		}
	}
	var list []int
	for _, st := range s.linked {
		if own[st] >= 2 {
			list = append(list, st)
		}
	}
	return list
}

func (s *solver) reportDisturbed(r *Result, st int, number []int) {
	n, largest := 0, 0.0
	for _, x := range s.split {
		place := r.Spheres[number[x.place]]
		if x.resolved && len(place.Stations) == 1 && place.Stations[0] == st {
			n++
			largest = max(largest, place.Center.Dist(r.Spheres[number[x.sphere]].Center))
		}
	}
	s.report(job.StationDisturbed, job.Hold, r.Stations[st].Name, sentence("%d of its %d spheres stand elsewhere for it alone, by up to %.2f mm, while the others fit: the set-up was moved while it scanned, or it sank. "+
		"Its position rests on the spheres that fit; what it saw with the others is displaced. Look at the tripod's feet and the floor, and scan this set-up again.",
		n, len(s.seen[st]), largest), r.Stations[st].Name)
}

// samePlace is how near two set-ups stand, in mm, that were not put up twice: a
// tripod that was carried away does not come back to a hand's breadth.
const samePlace = 20.0

// reportRepeated names set-ups that stand where an earlier one did.
func (s *solver) reportRepeated(r *Result) {
	for i, b := range s.linked {
		for _, a := range s.linked[:i] {
			d := s.poses[a].T.Dist(s.poses[b].T)
			sigma := math.Sqrt(r.Stations[a].Cov.Block(3, 3).Trace() + r.Stations[b].Cov.Block(3, 3).Trace())
			if d > samePlace+3*sigma {
				continue
			}
			s.report(job.StationRepeated, job.Warn, r.Stations[b].Name, sentence("It stands %.1f mm from where %s stood (standard uncertainty %.1f mm): the tripod was not moved between the two, so this set-up sees nothing new and adds little to the network. "+
				"If another place was meant, move the tripod there and scan again.", d, r.Stations[a].Name, sigma), r.Stations[a].Name, r.Stations[b].Name)
			break
		}
	}
}

// towards says in words which way a motion from a place leads: up, down, or along
// the line to the set-up that lies best in its direction.
func (s *solver) towards(from, by geom.Vec) string {
	if by.Norm() == 0 {
		return "nowhere"
	}
	d := by.Unit()
	switch {
	case d.Z > 0.8:
		return "upwards"
	case d.Z < -0.8:
		return "downwards"
	}
	flat := geom.Vec{X: d.X, Y: d.Y}.Unit()
	cosine := func(st int) float64 {
		to := s.poses[st].T.Sub(from)
		return geom.Vec{X: to.X, Y: to.Y}.Unit().Dot(flat)
	}
	best := slices.MaxFunc(s.linked, func(a, b int) int { return cmp.Compare(math.Abs(cosine(a)), math.Abs(cosine(b))) })
	name := s.stations[best].Name
	switch c := cosine(best); {
	case c > 0.7:
		return "towards " + name
	case c < -0.7:
		return "away from " + name
	}
	return "across the line to " + name
}
