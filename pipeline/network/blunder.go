package network

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// splitOff is a sphere that was found to stand in two places.
type splitOff struct {
	sphere, place int // the sphere it was, and the place that the smaller side saw it in
	by            geom.Vec
	sigma         float64
	resolved      bool // false where the network cannot tell which of its spheres it was
}

// settle adjusts the network and takes out what does not belong, the strongest
// evidence first, until nothing is left that chance would not bring about.
func (s *solver) settle() {
	if len(s.linked) < 2 {
		return
	}
	if !s.adjust() {
		s.giveUp()
		return
	}
	s.reunite()
	s.joinPlaces()
	for range 3 * len(s.stations) { // more blunders than that are no network
		c, ok := s.strongest()
		if !ok || !s.take(c) {
			break
		}
	}
	s.joinSplits()
	s.reconsider()
	s.absorb()
}

// joinSplits puts places of one sphere together again that were split from it one
// after the other and turn out to be one: while another blunder was in the network,
// a part of the stations on the moved side may have stood out before the rest.
func (s *solver) joinSplits() {
	for i := 0; i < len(s.split); i++ {
		for j := i + 1; j < len(s.split); j++ {
			x, y := s.split[i], s.split[j]
			if !x.resolved || !y.resolved || x.sphere != y.sphere || s.spheres[x.place].center.Dist(s.spheres[y.place].center) > 3.5*math.Hypot(x.sigma, y.sigma) {
				continue
			}
			s.move(s.seers(y.place), y.place, x.place)
			s.split = slices.Delete(s.split, j, j+1)
			for k := range s.split { // what was split off the place that is gone was split off the one it joined
				if s.split[k].sphere == y.place {
					s.split[k].sphere = x.place
				}
			}
			s.adjust()
			j--
		}
	}
}

// giveUp reports a network that matched but does not hold: some pose stays open.
func (s *solver) giveUp() {
	for _, st := range s.linked {
		s.report(job.StationUnlinked, job.Hold, s.stations[st].Name, "Its spheres match those of other set-ups, but together they leave a direction open, so that no position can be computed. Add a sphere well aside of the others and scan again.")
	}
	s.linked, s.adjusted = nil, nil
}

// reunite gives spheres that only one station holds another try, now that all
// poses are known at their best: growth assigned them by poses that hung on few.
func (s *solver) reunite() {
	for range 3 {
		changed := false
		count := s.counts()
		for _, st := range s.linked {
			again := s.assign(st, s.poses[st], 2*agree)
			for j, at := range s.places[st] {
				if count[at] == 1 && again[j] >= 0 && again[j] != at && !slices.Contains(s.places[st], again[j]) {
					s.places[st][j] = again[j]
					changed = true
				}
			}
		}
		if !changed || !s.adjust() {
			return
		}
	}
}

// counts returns how many stations saw each sphere.
func (s *solver) counts() []int {
	n := make([]int, len(s.spheres))
	for _, st := range s.linked {
		for _, at := range s.places[st] {
			n[at]++
		}
	}
	return n
}

// seers returns the stations that saw a sphere, in input order.
func (s *solver) seers(at int) []int {
	var list []int
	for _, st := range s.linked {
		if slices.Contains(s.places[st], at) {
			list = append(list, st)
		}
	}
	return list
}

// joinPlaces recognises a sphere that was moved further than the gate of matching:
// two places nearer than Nudge that no station saw at once, one of them seen by
// two stations or more. Two places of one station each must be nearer by a third,
// since either may be no sphere at all.
func (s *solver) joinPlaces() {
	for p := range s.spheres {
		for q := p + 1; q < len(s.spheres); q++ {
			if s.spheres[p].kind != s.spheres[q].kind || s.spheres[p].center.Dist(s.spheres[q].center) > s.o.Nudge {
				continue
			}
			a, b := s.seers(p), s.seers(q)
			if len(a) == 0 || len(b) == 0 || max(len(a), len(b)) < 2 && s.spheres[p].center.Dist(s.spheres[q].center) > s.o.Nudge/3 {
				continue
			}
			if slices.ContainsFunc(a, func(st int) bool { return slices.Contains(b, st) }) {
				continue
			}
			from, to := p, q
			if len(b) > len(a) {
				from, to = q, p
			}
			s.spheres[to].origin = s.spheres[from].origin
			s.split = append(s.split, splitOff{sphere: from, place: to, by: s.spheres[to].center.Sub(s.spheres[from].center),
				sigma: math.Hypot(s.spheres[from].sigma, s.spheres[to].sigma) * math.Sqrt(3), resolved: true})
		}
	}
}

// blunder is a kind of hypothesis.
type blunder int

const (
	displaced blunder = iota // some set-ups saw a sphere elsewhere
	scaled                   // all distances of one set-up are wrong by a factor
	shifted                  // a part of what one set-up saw moved together, without a turn
	slipped                  // the same with a turn
	foreign                  // a sphere appears nearer or farther to everyone: its diameter is another
)

// freedom is the number of parameters of each kind of blunder.
func (b blunder) freedom() int { return [...]int{3, 1, 3, 6, 1}[b] }

// A suspicion is a hypothesis with its evidence.
type suspicion struct {
	kind     blunder
	sphere   int   // column in the adjustment
	group    []int // displaced: which of the sphere's equations; shifted and slipped: which of the station's observations
	station  int
	estimate geom.Vec
	sigma    float64
	excess   float64 // test value above its critical value
}

// strongest returns the suspicion with the most evidence beyond the level that
// keeps the chance of any false alarm in the network at Significance: that of
// Z. Šidák, JASA 62 (1967), which holds for tests correlated in any way.
func (s *solver) strongest() (suspicion, bool) {
	list := s.suspicions()
	if len(list) == 0 {
		return suspicion{}, false
	}
	alpha := fit.Sidak(s.o.Significance, len(list))
	var critical [7]float64
	for _, dof := range [...]int{1, 3, 6} {
		critical[dof] = fit.ChiSquareQuantile(1-alpha, dof)
	}
	spread := s.spread2()
	for i := range list {
		c := &list[i]
		dof := c.kind.freedom()
		e := s.evidence(c)
		c.excess = e.value/s.tempered(spread, e.value, dof) - critical[dof]
		c.estimate, c.sigma = e.size, e.sigma
	}
	best := slices.MaxFunc(list, func(x, y suspicion) int { return cmp.Compare(x.excess, y.excess) })
	return best, best.excess > 0
}

// evidence tests one suspicion.
func (s *solver) evidence(c *suspicion) estimate {
	switch c.kind {
	case displaced:
		return s.adjusted.displacement(c.sphere, c.group)
	case scaled:
		return s.adjusted.scaleError(c.station)
	case foreign:
		return s.adjusted.sightError(c.sphere, s.sights(c.sphere))
	case shifted, slipped:
		break
	}
	return s.adjusted.slip(c.station, c.group, s.adjusted.stationControl(c.station), c.kind == slipped)
}

// tempered returns what a test value is divided by: 1, unless the covariances are
// plainly too small. Two estimates of that must agree, the smaller counts: spread,
// which several blunders do not move, and the variance factor that is left when
// this suspicion explains its part, which one blunder in a small network does not
// move. Up to 1.5 (a fifth of a sigma) either is left alone as chance.
func (s *solver) tempered(spread, value float64, dof int) float64 {
	if rest := s.adjusted.dof - dof; rest > 0 {
		spread = min(spread, (s.adjusted.chi2-value)/float64(rest))
	}
	if spread > 1.5 {
		return spread
	}
	return 1
}

// spread2 is the median test value of all observations over the median of
// chi-square of three, 2.366.
func (s *solver) spread2() float64 {
	var values []float64
	for c, list := range s.adjusted.bySphere {
		for i := range list {
			values = append(values, s.adjusted.displacement(c, []int{i}).value)
		}
	}
	if len(values) == 0 {
		return 1
	}
	slices.Sort(values)
	return values[len(values)/2] / 2.366
}

func (s *solver) suspicions() []suspicion {
	var list []suspicion
	for c, equations := range s.adjusted.bySphere {
		for _, g := range groups(len(equations)) {
			list = append(list, suspicion{sphere: c, group: g})
		}
		if len(equations) >= 3 && !slices.Contains(s.foreign, s.adjusted.spheres[c]) {
			list = append(list, suspicion{kind: foreign, sphere: c})
		}
	}
	for _, st := range s.linked {
		list = append(list, suspicion{kind: scaled, station: st})
		for _, g := range s.arcs(st) {
			list = append(list, suspicion{kind: shifted, station: st, group: g})
			if len(g) >= 3 {
				list = append(list, suspicion{kind: slipped, station: st, group: g})
			}
		}
	}
	return list
}

// groups returns the smaller sides of the ways to part n stations in input order:
// one against the rest, those before against those after, and for up to five
// stations every other way. Of two halves it is the later one.
func groups(n int) [][]int {
	var list [][]int
	add := func(in func(i int) bool) {
		var g, rest []int
		for i := range n {
			if in(i) {
				g = append(g, i)
			} else {
				rest = append(rest, i)
			}
		}
		if len(rest) < len(g) || len(rest) == len(g) && rest[0] > g[0] {
			g = rest
		}
		if len(g) > 0 && !slices.ContainsFunc(list, func(h []int) bool { return slices.Equal(g, h) }) {
			list = append(list, g)
		}
	}
	for k := range n {
		add(func(i int) bool { return i == k })
		add(func(i int) bool { return i > k })
	}
	for set := 1; n <= 5 && set < 1<<n; set++ {
		add(func(i int) bool { return set>>i&1 == 1 })
	}
	return list
}

// take acts on a suspicion and adjusts again; it returns false when the network
// cannot stand without what was suspected, and leaves it as it was.
func (s *solver) take(c suspicion) bool {
	switch c.kind {
	case scaled:
		s.rescale(c.station, 1+c.estimate.X)
		return s.adjust()
	case shifted, slipped:
		return s.takeSlip(c)
	case foreign:
		return s.takeForeign(c)
	case displaced:
		break
	}
	at := s.adjusted.spheres[c.sphere]
	stations := make([]int, len(c.group))
	for i, g := range c.group {
		stations[i] = s.adjusted.equations[s.adjusted.bySphere[c.sphere][g]].station
	}
	found := splitOff{sphere: at, place: len(s.spheres), by: c.estimate, sigma: c.sigma, resolved: true}
	s.spheres = append(s.spheres, sphere{center: s.spheres[at].center.Add(c.estimate), sigma: s.spheres[at].sigma, kind: s.spheres[at].kind, origin: s.spheres[at].origin})
	s.move(stations, at, found.place)
	if s.isHeld() && s.adjust() {
		s.split = append(s.split, found)
		return true
	}
	s.move(stations, found.place, at)
	found.resolved = false
	s.split = append(s.split, found)
	s.spheres[found.place].center = s.spheres[at].center
	s.adjust()
	return false
}

func (s *solver) move(stations []int, from, to int) {
	for _, st := range stations {
		s.places[st][slices.Index(s.places[st], from)] = to
	}
}

// isHeld reports whether every station still shares three spheres with others.
func (s *solver) isHeld() bool {
	count := s.counts()
	for _, st := range s.linked {
		n := 0
		for _, at := range s.places[st] {
			if count[at] > 1 {
				n++
			}
		}
		if n < 3 {
			return false
		}
	}
	return true
}
