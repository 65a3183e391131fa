package network

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/geom"
)

// Note is something worth knowing about a set-up that needs nothing done.
type Note struct {
	Subject string // a file
	Text    string // a sentence or two
}

func (s *solver) note(subject, format string, values ...any) {
	s.notes = append(s.notes, Note{subject, sentence(format, values...)})
}

// lying is the tilt beyond which no levelled instrument's pose is believed, rad: two
// degrees, far above what levels leave and far below the quarter turns that symmetric layouts allow.
const lying = 2 * math.Pi / 180

// decide picks one of the ways that station b fits onto a by what else is known: the
// instruments' level, the poses in the files, the overlap of the scans. It returns the
// match unchanged where nothing of that settles it. a is a station, or -1 for the
// network as it stands.
func (s *solver) decide(m match, a, b int) match {
	if m.rivals == 0 || len(m.others) == 0 {
		return m
	}
	rest := append([]match{m}, m.others...)
	for _, rule := range []struct {
		name string
		pick func(list []match, a, b int) []match
	}{{"the levels of the instruments", s.levelOnes}, {"the poses that the files give", s.nearestOnes}, {"the overlap of the scans", s.overlappingOnes}} {
		if rest = rule.pick(rest, a, b); s.isOne(rest, b) {
			chosen := rest[0]
			chosen.chance, chosen.rivals, chosen.others = m.chance, 0, nil
			chosen.decided = sentence("Its spheres fit in %d ways; %s decided which.", m.rivals+1, rule.name)
			return chosen
		}
	}
	return m
}

// isOne reports whether the matches place the station alike.
func (s *solver) isOne(list []match, b int) bool {
	return len(list) > 0 && !slices.ContainsFunc(list, func(m match) bool { return spread(s.seen[b], list[0], m) > 0.5*spreadOf(s.seen[b]) })
}

// spread returns the largest distance between the places that two matches give to one
// of the spheres, which are those of the later station.
func spread(b []sight, f, g match) float64 {
	var d float64
	for _, o := range b {
		d = max(d, f.toA.Apply(o.center).Dist(g.toA.Apply(o.center)))
	}
	return d
}

// spreadOf returns a tenth of the largest distance between a station's spheres.
func spreadOf(seen []sight) float64 {
	var d float64
	for _, o := range seen {
		d = max(d, o.center.Dist(seen[0].center))
	}
	return d / 10
}

// levelOnes keeps the matches that leave the instrument upright, all where none does.
func (s *solver) levelOnes(list []match, _, _ int) []match {
	if s.o.Levelled <= 0 {
		return list
	}
	var out []match
	for _, m := range list {
		if math.Acos(min(1, m.toA.R[8])) < lying {
			out = append(out, m)
		}
	}
	if len(out) == 0 {
		return list
	}
	return out
}

// nearestOnes keeps the match nearest to the poses of the files, where it is nearer
// than half of the second best; all, where the files give none or the same one twice.
func (s *solver) nearestOnes(list []match, a, b int) []match {
	toA, ok := s.approximate(a, b)
	if !ok {
		return list
	}
	want := match{toA: toA}
	slices.SortStableFunc(list, func(x, y match) int { return cmp.Compare(spread(s.seen[b], x, want), spread(s.seen[b], y, want)) })
	best := spread(s.seen[b], list[0], want)
	for i, m := range list[1:] {
		if spread(s.seen[b], m, list[0]) > 0.5*spreadOf(s.seen[b]) { // the best that is another way
			if best < spread(s.seen[b], m, want)/2 {
				return list[:i+1]
			}
			return list
		}
	}
	return list
}

// approximate returns the motion of station b's frame onto a's, or onto the network's,
// that the files give.
func (s *solver) approximate(a, b int) (geom.Pose, bool) {
	own := s.stations[b].Approx
	if a < 0 {
		at := slices.IndexFunc(s.linked, func(st int) bool { return s.stations[st].Approx != nil })
		if at < 0 || own == nil {
			return geom.Pose{}, false
		}
		a = s.linked[at]
		toA, ok := s.approximate(a, b)
		return s.poses[a].After(toA), ok
	}
	other := s.stations[a].Approx
	if own == nil || other == nil || *own == *other || !own.T.IsFinite() || !other.T.IsFinite() {
		return geom.Pose{}, false
	}
	return other.Inverse().After(*own), true
}

// overlappingOnes keeps the match with the best overlap where it is above a third and
// twice the second best.
func (s *solver) overlappingOnes(list []match, a, b int) []match {
	if s.o.Overlap == nil {
		return list
	}
	score := func(m match) float64 {
		if a >= 0 {
			return s.o.Overlap(a, b, m.toA)
		}
		best := 0.0
		for _, st := range s.linked {
			best = max(best, s.o.Overlap(st, b, s.poses[st].Inverse().After(m.toA)))
		}
		return best
	}
	best, second, at := 0.0, 0.0, -1
	for i, m := range list {
		switch v := score(m); {
		case v > best:
			best, second, at = v, best, i
		case v > second:
			second = v
		}
	}
	if at < 0 || best < 1.0/3 || second > best/2 {
		return list
	}
	return list[at : at+1]
}
