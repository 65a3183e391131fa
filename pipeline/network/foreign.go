package network

import (
	"maps"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// offset is how much nearer than it is a sphere appears to all that see it.
type offset struct {
	nearer, sigma float64
	plain         []plain
}

// plain is an observation's covariance before its distance was left out.
type plain struct {
	station, observation int
	cov                  geom.Mat
}

// sights returns the unit vectors from each set-up to a sphere, in the order of its
// equations.
func (s *solver) sights(c int) []geom.Vec {
	var list []geom.Vec
	for _, k := range s.adjusted.bySphere[c] {
		e := &s.adjusted.equations[k]
		list = append(list, s.spheres[e.sphere].center.Sub(s.poses[e.station].T).Unit())
	}
	return list
}

// sightError supposes that all who saw a sphere saw it too far away by one length:
// what a sphere of another diameter looks like to a fit that holds the calibrated one.
func (a *adjustment) sightError(c int, sights []geom.Vec) estimate {
	list := a.bySphere[c]
	var b, m float64
	for i, k := range list {
		e := &a.equations[k]
		b -= sights[i].Dot(e.p.MulVec(e.v))
		for j := range list {
			m += sights[i].Dot(a.control[c][i*len(list)+j].MulVec(sights[j]))
		}
	}
	if !(m > 1e-9*a.equations[list[0]].p.Trace()) {
		return estimate{}
	}
	return estimate{size: geom.Vec{X: b / m}, sigma: 1 / math.Sqrt(m), value: b * b / m}
}

// blinded is what the variance of a foreign sphere's distance is set to, times the
// largest of the observation's own: its weight along the sight becomes nothing.
const blinded = 1e6

// takeForeign leaves the distance of a foreign sphere out of all its observations;
// its direction stays, which no diameter moves.
func (s *solver) takeForeign(c suspicion) bool {
	at := s.adjusted.spheres[c.sphere]
	off := offset{nearer: -c.estimate.X, sigma: c.sigma}
	for i, k := range s.adjusted.bySphere[c.sphere] {
		e := &s.adjusted.equations[k]
		o := &s.seen[e.station][e.observation]
		u := s.poses[e.station].R.T().MulVec(s.sights(c.sphere)[i])
		off.plain = append(off.plain, plain{e.station, e.observation, o.cov})
		o.cov = o.cov.Add(geom.Outer(u, u).Scale(blinded * o.sigma * o.sigma))
	}
	s.foreign = append(s.foreign, at)
	if s.offsets == nil {
		s.offsets = map[int]offset{}
	}
	s.offsets[at] = off
	return s.adjust()
}

// trustAgain takes back that a sphere is foreign.
func (s *solver) trustAgain(at int) {
	for _, p := range s.offsets[at].plain {
		s.seen[p.station][p.observation].cov = p.cov
	}
	s.foreign = slices.DeleteFunc(s.foreign, func(x int) bool { return x == at })
	delete(s.offsets, at)
}

// capFactor is by how much a centre moves along the sight for each millimetre that the
// held radius is wrong, of a cap of 60° about the sight seen from afar: 56/45. The
// general case is -E[n]/E[n²] of the normals' components along the sight; spheres
// scanned for a public data set gave 1.240 to 1.243.
const capFactor = 56.0 / 45

func (s *solver) reportForeign(r *Result, at int, number []int) {
	x := r.Spheres[number[at]]
	o := s.offsets[at]
	how := "nearer to"
	size := "larger"
	if o.nearer < 0 {
		how, size = "farther from", "smaller"
	}
	var names []string
	for _, st := range x.Stations {
		names = append(names, s.stations[st].Name)
	}
	s.report(job.SphereDiameter, job.Warn, x.ID, sentence("%s appears %.2f mm (standard uncertainty %.2f mm) %s all %d set-ups that see it than the network allows, as a sphere does that is about %.1f mm %s in diameter than the calibrated one. "+
		"Its distance is not used, only its direction. Measure it with a calliper, and look for dirt, a dent or a sphere of another set.",
		x.ID, math.Abs(o.nearer), o.sigma, how, len(x.Stations), 2*math.Abs(o.nearer)/capFactor, size), names...)
}

// reportSwaps names spheres of different kinds that some set-ups saw in each other's
// place. Spheres of one kind carry no label: exchanging them changes nothing.
func (s *solver) reportSwaps(r *Result, number []int) {
	for p := range s.spheres {
		for q := range s.spheres[:p] {
			if s.spheres[p].kind == s.spheres[q].kind || s.spheres[p].center.Dist(s.spheres[q].center) > s.o.Nudge/3 {
				continue
			}
			a, b := s.seers(q), s.seers(p)
			if len(a) == 0 || len(b) == 0 || slices.ContainsFunc(a, func(st int) bool { return slices.Contains(b, st) }) {
				continue
			}
			x, y := r.Spheres[number[q]], r.Spheres[number[p]]
			if len(b) > len(a) {
				x, y = y, x
			}
			var names []string
			for _, st := range y.Stations {
				names = append(names, s.stations[st].Name)
			}
			s.report(job.SphereMoved, job.Hold, x.ID, sentence("Where %s stands for the other set-ups, a sphere of another diameter, %s, stands for some, %.1f mm away: the two were exchanged, or one was put in the other's place. "+
				"They are kept apart, each with the set-ups that saw it. Put the spheres back or say which scans came first, and leave the stands alone until the last set-up is done.",
				x.ID, y.ID, x.Center.Dist(y.Center)), names...)
		}
	}
}

// state is what a trial changes and may have to put back.
type state struct {
	places  []places
	poses   []geom.Pose
	spheres []sphere
	seen    [][]sight
	split   []splitOff
	foreign []int
	offsets map[int]offset
}

func (s *solver) save() state {
	x := state{poses: slices.Clone(s.poses), spheres: slices.Clone(s.spheres), split: slices.Clone(s.split), foreign: slices.Clone(s.foreign), offsets: maps.Clone(s.offsets)}
	for i := range s.places {
		x.places, x.seen = append(x.places, slices.Clone(s.places[i])), append(x.seen, slices.Clone(s.seen[i]))
	}
	return x
}

func (s *solver) restore(x state) {
	s.places, s.poses, s.spheres, s.seen, s.split, s.foreign, s.offsets = x.places, x.poses, x.spheres, x.seen, x.split, x.foreign, x.offsets
	s.adjust()
}

// reconsider looks at every sphere that was taken for three places or more: one that
// each set-up sees nearer than it is explains that better, where it explains it at all.
func (s *solver) reconsider() {
	for origin := range s.spheres {
		var of []splitOff
		for _, x := range s.split {
			if x.resolved && s.spheres[x.sphere].origin == origin {
				of = append(of, x)
			}
		}
		if len(of) < 2 {
			continue
		}
		before := s.save()
		main := of[0].sphere
		s.trustAgain(main)
		for _, x := range of {
			s.trustAgain(x.place)
			s.move(s.seers(x.place), x.place, main)
		}
		s.split = slices.DeleteFunc(s.split, func(x splitOff) bool { return s.spheres[x.sphere].origin == origin })
		if !s.explains(main) {
			s.restore(before)
		}
	}
}

// explains reports whether one foreign sphere leaves nothing to be suspected.
func (s *solver) explains(at int) bool {
	if !s.adjust() {
		return false
	}
	c := slices.Index(s.adjusted.spheres, at)
	if c < 0 || len(s.adjusted.bySphere[c]) < 3 {
		return false
	}
	e := s.adjusted.sightError(c, s.sights(c))
	if !(e.value > 0) || !s.takeForeign(suspicion{kind: foreign, sphere: c, estimate: e.size, sigma: e.sigma}) {
		return false
	}
	_, more := s.strongest()
	return !more
}
