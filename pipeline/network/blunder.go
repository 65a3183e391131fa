package network

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
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
	if len(s.linked) < 2 || !s.adjust() {
		s.adjusted = nil
		return
	}
	s.reunite()
	s.joinPlaces()
	for range 3 * len(s.stations) { // more blunders than that are no network
		c, ok := s.strongest()
		if !ok || !s.take(c) {
			return
		}
	}
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
// two stations or more.
func (s *solver) joinPlaces() {
	for p := range s.spheres {
		for q := p + 1; q < len(s.spheres); q++ {
			a, b := s.seers(p), s.seers(q)
			if len(a) == 0 || len(b) == 0 || max(len(a), len(b)) < 2 || s.spheres[p].center.Dist(s.spheres[q].center) > s.o.Nudge {
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

// A suspicion is a hypothesis with its evidence: either some stations saw a sphere
// elsewhere, or all distances of one station are wrong by a factor.
type suspicion struct {
	sphere   int // column in the adjustment, -1 for a scale
	group    []int
	station  int
	estimate geom.Vec
	sigma    float64
	excess   float64 // test value above its critical value
}

// strongest returns the suspicion with the most evidence beyond the level that
// keeps the chance of any false alarm in the network at Significance (Šidák).
func (s *solver) strongest() (suspicion, bool) {
	a := s.adjusted
	list := s.suspicions()
	if len(list) == 0 {
		return suspicion{}, false
	}
	alpha := fit.Sidak(s.o.Significance, len(list))
	limit := map[int]float64{1: fit.ChiSquareQuantile(1-alpha, 1), 3: fit.ChiSquareQuantile(1-alpha, 3)}
	spread := s.spread2()
	for i := range list {
		h := s.hypothesis(list[i])
		estimate, m, value := a.test(h)
		list[i].estimate, list[i].excess = estimate, value/spread-limit[h.dof]
		if inv, ok := invert(m, h.dof); ok {
			list[i].sigma = math.Sqrt(inv.Trace())
		}
	}
	best := slices.MaxFunc(list, func(x, y suspicion) int { return cmp.Compare(x.excess, y.excess) })
	return best, best.excess > 0
}

// spread2 is the factor that test values are divided by where covariances are
// plainly too small: the median test value of all observations over the median of
// chi-square of three (2.366). One blunder hardly moves a median; up to 1.5 (a
// fifth of a sigma) it is left alone as chance.
func (s *solver) spread2() float64 {
	var values []float64
	for k := range s.adjusted.equations {
		_, _, v := s.adjusted.test(hypothesis{rows: map[int]geom.Mat{k: geom.Identity()}, dof: 3})
		values = append(values, v)
	}
	if len(values) == 0 {
		return 1
	}
	slices.Sort(values)
	if f := values[len(values)/2] / 2.366; f > 1.5 {
		return f
	}
	return 1
}

func (s *solver) suspicions() []suspicion {
	var list []suspicion
	for c, equations := range s.adjusted.bySphere {
		for _, g := range groups(len(equations)) {
			members := make([]int, 0, len(equations))
			for i, k := range equations {
				if g&(1<<i) != 0 {
					members = append(members, k)
				}
			}
			list = append(list, suspicion{sphere: c, group: members})
		}
	}
	for _, st := range s.linked {
		list = append(list, suspicion{sphere: -1, station: st})
	}
	return list
}

// groups returns, as bit sets, the smaller sides of the ways to part n stations in
// input order: one against the rest, those before against those after, and for up
// to five stations every other way. Of two halves it is the later one.
func groups(n int) []uint64 {
	if n < 2 || n > 63 {
		return nil
	}
	all := uint64(1)<<n - 1
	var list []uint64
	add := func(g uint64) {
		if c := all &^ g; bits.OnesCount64(c) < bits.OnesCount64(g) || bits.OnesCount64(c) == bits.OnesCount64(g) && c > g {
			g = c
		}
		if !slices.Contains(list, g) {
			list = append(list, g)
		}
	}
	for i := range n {
		add(1 << i)
	}
	for i := 1; i < n; i++ {
		add(all &^ (1<<i - 1))
	}
	for g := uint64(1); n <= 5 && g < all; g++ {
		add(g)
	}
	return list
}

func (s *solver) hypothesis(c suspicion) hypothesis {
	rows := make(map[int]geom.Mat)
	if c.sphere >= 0 {
		for _, k := range c.group {
			rows[k] = geom.Identity()
		}
		return hypothesis{rows, 3}
	}
	for k, e := range s.adjusted.equations {
		if e.station == c.station {
			rows[k] = geom.Mat{e.arm.X, 0, 0, e.arm.Y, 0, 0, e.arm.Z, 0, 0}
		}
	}
	return hypothesis{rows, 1}
}

// take acts on a suspicion and adjusts again; it returns false when the network
// cannot stand without what was suspected, and leaves it as it was.
func (s *solver) take(c suspicion) bool {
	if c.sphere < 0 {
		s.rescale(c.station, 1+c.estimate.X)
		return s.adjust()
	}
	at := s.adjusted.spheres[c.sphere]
	stations := make([]int, len(c.group))
	for i, k := range c.group {
		stations[i] = s.adjusted.equations[k].station
	}
	found := splitOff{sphere: at, place: len(s.spheres), by: c.estimate, sigma: c.sigma, resolved: true}
	s.spheres = append(s.spheres, sphere{center: s.spheres[at].center.Add(c.estimate), sigma: s.spheres[at].sigma, origin: s.spheres[at].origin})
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
