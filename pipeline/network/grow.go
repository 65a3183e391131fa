package network

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/par"
)

// loose is the slack of the second try with stations that found no place:
// instruments may be worse than their covariances, and the tests will say so.
const loose = 20

// link finds the largest set of stations that hold together, places them, and
// assigns every observation to a sphere.
func (s *solver) link(ctx context.Context) error {
	pairs, err := s.matchAll(ctx)
	if err != nil {
		return err
	}
	for i, p := range pairs {
		pairs[i].match = s.decide(p.match, p.a, p.b)
	}
	parts := s.components(pairs)
	if len(parts) == 0 {
		s.unlinked(pairs)
		return nil
	}
	root := parts[0][0]
	s.poses, s.places = make([]geom.Pose, len(s.stations)), make([]places, len(s.stations))
	s.place(root, geom.IdentityPose(), agree)
	s.spread(pairs, parts[0])
	for s.attachOne() {
		continue // each station that finds its place may bring the spheres that the next one needs
	}
	slices.Sort(s.linked)
	s.rebase()
	s.unlinked(pairs)
	return nil
}

// rebase makes the frame of the first linked station that of the network: growth
// starts elsewhere where that station came in late.
func (s *solver) rebase() {
	home := s.poses[s.linked[0]].Inverse()
	if s.poses[s.linked[0]] == geom.IdentityPose() {
		return
	}
	for _, st := range s.linked {
		s.poses[st] = home.After(s.poses[st])
	}
	s.poses[s.linked[0]] = geom.IdentityPose()
	for i := range s.spheres {
		s.spheres[i].center = home.Apply(s.spheres[i].center)
	}
}

// pairMatch is the match of station b onto station a.
type pairMatch struct {
	a, b int
	match
}

// matchAll matches every pair of stations with three spheres or more.
func (s *solver) matchAll(ctx context.Context) ([]pairMatch, error) {
	var list []pairMatch
	for a := range s.seen {
		for b := a + 1; b < len(s.seen); b++ {
			if len(s.seen[a]) >= 3 && len(s.seen[b]) >= 3 {
				list = append(list, pairMatch{a: a, b: b})
			}
		}
	}
	err := par.Blocks(ctx, len(list), 4, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			list[i].match = findMatch(s.seen[list[i].a], s.seen[list[i].b], agree)
		}
		return nil
	})
	// The strongest ties come first, so that trees grow along them.
	slices.SortStableFunc(list, func(p, q pairMatch) int {
		return cmp.Or(cmp.Compare(len(q.pairs), len(p.pairs)), cmp.Compare(p.a, q.a), cmp.Compare(p.b, q.b))
	})
	return list, err
}

// components returns the sets of stations that trusted matches connect, the
// largest first, of equal ones that with the earliest station; each is sorted.
func (s *solver) components(pairs []pairMatch) [][]int {
	part := make([]int, len(s.stations))
	for i := range part {
		part[i] = i
	}
	for _, p := range pairs {
		if p.trusted() && part[p.a] != part[p.b] {
			from, to := max(part[p.a], part[p.b]), min(part[p.a], part[p.b])
			for i := range part {
				if part[i] == from {
					part[i] = to
				}
			}
		}
	}
	sets := make([][]int, len(part))
	for i, p := range part {
		sets[p] = append(sets[p], i)
	}
	sets = slices.DeleteFunc(sets, func(v []int) bool { return len(v) < 2 })
	slices.SortStableFunc(sets, func(a, b []int) int { return cmp.Compare(len(b), len(a)) })
	return sets
}

// spread places the stations of the set, always along the strongest tie between
// one that has its place and one that has not.
func (s *solver) spread(pairs []pairMatch, set []int) {
	for range set {
		for _, p := range pairs {
			a, b := slices.Contains(s.linked, p.a), slices.Contains(s.linked, p.b)
			if !p.trusted() || a == b {
				continue
			}
			if a {
				s.place(p.b, s.poses[p.a].After(p.toA), agree)
			} else {
				s.place(p.a, s.poses[p.b].After(p.toA.Inverse()), agree)
			}
			if p.decided != "" {
				s.note(s.stations[s.linked[len(s.linked)-1]].Name, "%s", p.decided)
			}
			break
		}
	}
}

// place puts a station into the network: its spheres are assigned to the nearest
// known ones, the pose is refined on all of them, and new spheres are entered.
func (s *solver) place(station int, pose geom.Pose, slack float64) {
	got := s.assign(station, pose, 4*slack)
	if refined, ok := s.refine(station, got); ok {
		pose = refined
		got = s.assign(station, pose, 2*slack)
	}
	for j, at := range got {
		if at < 0 {
			got[j] = len(s.spheres)
			o := s.seen[station][j]
			s.spheres = append(s.spheres, sphere{center: pose.Apply(o.center), sigma: o.sigma, kind: o.kind, origin: len(s.spheres)})
		}
	}
	s.poses[station], s.places[station] = pose, got
	s.linked = append(s.linked, station)
}

// assign returns the nearest sphere of each observation within gate standard
// uncertainties, each sphere once, nearest pairs first.
func (s *solver) assign(station int, pose geom.Pose, gate float64) places {
	type pairing struct {
		j, at int
		gap   float64
	}
	var list []pairing
	for j, o := range s.seen[station] {
		p := pose.Apply(o.center)
		for at, x := range s.spheres {
			if d := x.center.Dist(p); x.kind == o.kind && d <= gate*math.Hypot(o.sigma, x.sigma) {
				list = append(list, pairing{j, at, d})
			}
		}
	}
	slices.SortFunc(list, func(a, b pairing) int {
		return cmp.Or(cmp.Compare(a.gap, b.gap), cmp.Compare(a.j, b.j), cmp.Compare(a.at, b.at))
	})
	got := slices.Repeat(places{-1}, len(s.seen[station]))
	taken := make([]bool, len(s.spheres))
	for _, p := range list {
		if got[p.j] < 0 && !taken[p.at] {
			got[p.j], taken[p.at] = p.at, true
		}
	}
	return got
}

func (s *solver) refine(station int, got places) (geom.Pose, bool) {
	var from, to []geom.Vec
	var w []float64
	for j, at := range got {
		if at >= 0 {
			o, x := s.seen[station][j], s.spheres[at]
			from, to, w = append(from, o.center), append(to, x.center), append(w, 1/(o.sigma*o.sigma+x.sigma*x.sigma))
		}
	}
	pose, _, err := fit.Rigid(from, to, w)
	return pose, err == nil
}

// known returns the network's spheres as one station's sights. Where there are
// very many, only those that two stations saw: the others are mostly no spheres.
func (s *solver) known() []sight {
	count := s.counts()
	var list []sight
	for i, x := range s.spheres {
		if count[i] > 1 || len(s.spheres) <= 60 {
			list = append(list, sight{center: x.center, sigma: x.sigma, kind: x.kind})
		}
	}
	return list
}

// attachOne places one more station against the network as a whole: a station may
// share three spheres with it and with no other station. Where the usual slack
// finds nothing, a free scale and a loose slack are tried on all that are left.
func (s *solver) attachOne() bool {
	known := s.known()
	for _, try := range []func(known, b []sight) (match, float64){asMeasured, strained} {
		for st := range s.stations {
			if slices.Contains(s.linked, st) || len(s.seen[st]) < 3 {
				continue
			}
			m, slack := try(known, s.seen[st])
			if m = s.decide(m, -1, st); m.trusted() {
				if m.decided != "" {
					s.note(s.stations[st].Name, "%s", m.decided)
				}
				s.rescale(st, m.scale)
				s.place(st, m.toA, slack)
				return true
			}
		}
	}
	return false
}

func asMeasured(known, b []sight) (match, float64) { return findMatch(known, b, agree), agree }

// strained matches a station whose distances are all off by a factor, or that is
// worse than its covariances say: whichever explains more spheres.
func strained(known, b []sight) (match, float64) {
	scaled, rough := findScaledMatch(known, b, 2*agree), findMatch(known, b, loose)
	// A free scale spends one of the distances: four spheres are the least that can show it.
	if scaled.trusted() && len(scaled.pairs) >= max(4, len(rough.pairs)) {
		return scaled, 2 * agree
	}
	return rough, loose
}

// rescale takes the factor out of a station's observations.
func (s *solver) rescale(station int, factor float64) {
	if factor == 1 {
		return
	}
	s.scale[station] *= factor
	for j := range s.seen[station] {
		o := &s.seen[station][j]
		o.center = o.center.Scale(1 / factor)
	}
}

// unlinked reports the stations that have no place, and why.
func (s *solver) unlinked(pairs []pairMatch) {
	for st, station := range s.stations {
		if slices.Contains(s.linked, st) {
			continue
		}
		if n := len(s.seen[st]); n < 3 {
			s.report(job.SpheresFew, job.Hold, station.Name, sentence("It shows %s, and three are needed to tie a set-up to the others. Move the set-up or a stand so that at least four spheres are in view, and scan again.", count(n, "usable sphere")))
			continue
		}
		s.explain(st, pairs)
	}
}
