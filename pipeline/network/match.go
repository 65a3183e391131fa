package network

import (
	"cmp"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// A match is a set of pairs (i of a, j of b) whose mutual distances all agree,
// with the motion of b onto a that they hold.
type match struct {
	pairs   [][2]int
	toA     geom.Pose
	scale   float64 // of b's lengths against a's, 1 unless it was searched for
	rivals  int     // other matches of the same size that place b elsewhere
	others  []match // the rivals, unless there are too many to have found all
	decided string  // how it was told from its rivals, where something else did
	chance  float64 // expected number of matches of this size among unrelated spheres
}

// agree is how many standard uncertainties of their difference two distances may
// differ and still be held for equal. Six leaves room for covariances that are
// too small by a half; the adjustment tests what was let in.
const agree = 6

// unlikely is the largest expected number of chance matches at which a match is
// believed: one in a thousand networks of a hundred pairs of stations.
const unlikely = 1e-5

// trusted reports whether the match holds a pose, one only, and not by chance.
func (m match) trusted() bool { return len(m.pairs) >= 3 && m.rivals == 0 && m.chance < unlikely }

// edge is the distance between two spheres of a station.
type edge struct {
	i, k   int
	length float64
}

func edges(s []sight) []edge {
	var list []edge
	for i := range s {
		for k := i + 1; k < len(s); k++ {
			list = append(list, edge{i, k, s[i].center.Dist(s[k].center)})
		}
	}
	slices.SortFunc(list, func(a, b edge) int {
		return cmp.Or(cmp.Compare(a.length, b.length), cmp.Compare(a.i, b.i), cmp.Compare(a.k, b.k))
	})
	return list
}

// mostMatches is how many different matches two stations may have before their
// layout counts as one that repeats itself, such as a wall of equal domes. Thirty
// candidates a station, of which eight are real, were seen to have two.
const mostMatches = 200

// isFull reports whether the search has found too many matches to go on. A dozen
// spheres are searched to the end: the corners of a cube fit themselves in hundreds of
// ways, most of them in part, and something else may decide between the whole ones.
func (m *matcher) isFull() bool {
	most := mostMatches
	if max(len(m.a), len(m.b)) <= 12 {
		most *= 10
	}
	return len(m.found) > most
}

// matcher looks for matches of b onto a. slack is agree, or more.
type matcher struct {
	a, b   []sight
	da, db [][]float64
	slack  float64
	reach  float64 // no two distances that differ by more can agree
	found  []match
}

func newMatcher(a, b []sight, slack float64) *matcher {
	return &matcher{a: a, b: b, da: table(a), db: table(b), slack: slack, reach: 2 * slack * max(largest(a), largest(b))}
}

// findMatch returns the largest set of spheres of b that fits onto a rigidly.
// Every pair of equal distances, completed to a triangle, proposes a motion,
// which is refined and verified on all spheres; a mirrored layout fails there.
func findMatch(a, b []sight, slack float64) match {
	m := newMatcher(a, b, slack)
	ea, eb := edges(a), edges(b)
	first := 0
	for _, e := range ea {
		for first < len(eb) && eb[first].length < e.length-m.reach {
			first++
		}
		for _, f := range eb[first:] {
			if f.length > e.length+m.reach {
				break
			}
			m.propose(e.i, e.k, f.i, f.k, 1)
			m.propose(e.i, e.k, f.k, f.i, 1)
		}
	}
	return m.best()
}

// findScaledMatch is findMatch for a b whose lengths are all off by one factor
// within a tenth: from the largest triangles down, the ratio of two distances
// proposes the factor.
func findScaledMatch(a, b []sight, slack float64) match {
	m := newMatcher(a, b, slack)
	ea, eb := edges(a), edges(b)
	for _, f := range eb[len(eb)/2:] {
		for _, e := range ea {
			if s := f.length / e.length; s > 0.9 && s < 1.1 {
				m.propose(e.i, e.k, f.i, f.k, s)
				m.propose(e.i, e.k, f.k, f.i, s)
			}
		}
	}
	return m.best()
}

func table(s []sight) [][]float64 {
	d := make([][]float64, len(s))
	for i := range s {
		d[i] = make([]float64, len(s))
		for k := range s {
			d[i][k] = s[i].center.Dist(s[k].center)
		}
	}
	return d
}

func largest(s []sight) float64 {
	var m float64
	for _, x := range s {
		m = max(m, x.sigma)
	}
	return m
}

// same reports whether the distance i-k of a equals the distance j-l of b over scale.
func (m *matcher) same(i, k, j, l int, scale float64) bool {
	e := m.da[i][k] - m.db[j][l]/scale
	return math.Abs(e) <= m.reach && m.within(e, i, k, j, l)
}

func (m *matcher) within(e float64, i, k, j, l int) bool {
	a, b, c, d := m.a[i].sigma, m.a[k].sigma, m.b[j].sigma, m.b[l].sigma
	return e*e <= m.slack*m.slack*(a*a+b*b+c*c+d*d)
}

func (m *matcher) propose(i, k, j, l int, scale float64) {
	if m.isFull() || m.a[i].kind != m.b[j].kind || m.a[k].kind != m.b[l].kind || !m.same(i, k, j, l, scale) {
		return
	}
	fromJ, fromL, per := m.db[j], m.db[l], 1/scale
	for x := range m.a {
		if x == i || x == k {
			continue
		}
		di, dk := m.da[i][x], m.da[k][x]
		for y := range fromJ {
			e, f := di-fromJ[y]*per, dk-fromL[y]*per
			if max(math.Abs(e), math.Abs(f)) > m.reach || y == j || y == l {
				continue
			}
			if three := [3][2]int{{i, j}, {k, l}, {x, y}}; m.within(e, i, x, j, y) && m.within(f, k, x, l, y) && m.isNew(three) {
				m.verify(three[:], scale)
			}
		}
	}
}

// isNew reports whether a third pair makes a triangle worth looking into: of one
// kind, not nearly on one line, where the rotation about it would be open, and not
// in a match already.
func (m *matcher) isNew(three [3][2]int) bool {
	i, k, x := three[0][0], three[1][0], three[2][0]
	return !m.isFull() && m.a[x].kind == m.b[three[2][1]].kind && m.height(i, k, x) > 10*m.slack*m.a[x].sigma && !m.known(three)
}

// height returns the distance of x from the line through i and k, in a.
func (m *matcher) height(i, k, x int) float64 {
	u := m.a[k].center.Sub(m.a[i].center).Unit()
	return u.Cross(m.a[x].center.Sub(m.a[i].center)).Norm()
}

// known reports whether a match found before holds all three pairs.
func (m *matcher) known(three [3][2]int) bool {
	return slices.ContainsFunc(m.found, func(f match) bool {
		return slices.Contains(f.pairs, three[0]) && slices.Contains(f.pairs, three[1]) && slices.Contains(f.pairs, three[2])
	})
}

// verify fits the pairs, takes in what agrees with the fit, and repeats; it keeps
// the match when the three pairs it began with are still in it.
func (m *matcher) verify(pairs [][2]int, scale float64) {
	seed := pairs
	free := scale != 1
	var toA geom.Pose
	for range 4 {
		var ok bool
		if toA, scale, ok = m.pose(pairs, scale, free); !ok {
			return
		}
		next := m.agreeing(toA, scale)
		if slices.Equal(next, pairs) {
			break
		}
		pairs = next
		if len(pairs) < 3 {
			return
		}
	}
	for _, p := range seed {
		if !slices.Contains(pairs, p) {
			return
		}
	}
	if !slices.ContainsFunc(m.found, func(f match) bool { return slices.Equal(f.pairs, pairs) }) {
		m.found = append(m.found, match{pairs: pairs, toA: toA, scale: scale})
	}
}

func (m *matcher) pose(pairs [][2]int, scale float64, free bool) (geom.Pose, float64, bool) {
	from, to, w := make([]geom.Vec, len(pairs)), make([]geom.Vec, len(pairs)), make([]float64, len(pairs))
	for k, p := range pairs {
		a, b := m.a[p[0]], m.b[p[1]]
		from[k], to[k], w[k] = b.center.Scale(1/scale), a.center, 1/(a.sigma*a.sigma+b.sigma*b.sigma)
	}
	if free && len(pairs) > 3 {
		s, _, err := fit.Similarity(from, to, w)
		if err != nil {
			return geom.Pose{}, scale, false
		}
		scale /= s.Scale
		return geom.Pose{R: s.R, T: s.T}, scale, true
	}
	pose, _, err := fit.Rigid(from, to, w)
	return pose, scale, err == nil
}

// agreeing returns the pairs of each sphere of b with the nearest of a, where
// they agree, sorted. The gate is doubled: a pose that hangs on three spheres
// carries their errors outwards.
func (m *matcher) agreeing(toA geom.Pose, scale float64) [][2]int {
	var pairs [][2]int
	taken := make([]int, len(m.a)) // index of b plus one
	gap := make([]float64, len(m.a))
	for j, b := range m.b {
		p := toA.Apply(b.center.Scale(1 / scale))
		best, at := math.Inf(1), -1
		for i, a := range m.a {
			if d := a.center.Sub(p).Norm2(); d < best && a.kind == b.kind {
				best, at = d, i
			}
		}
		if at < 0 {
			continue
		}
		s := m.a[at].sigma
		if best <= 4*m.slack*m.slack*(s*s+b.sigma*b.sigma) && (taken[at] == 0 || best < gap[at]) {
			taken[at], gap[at] = j+1, best
		}
	}
	for i, j := range taken {
		if j > 0 {
			pairs = append(pairs, [2]int{i, j - 1})
		}
	}
	return pairs
}

// best returns the largest match and counts its rivals: matches of the same size
// that place b elsewhere. Two that differ by a moved sphere place it almost alike,
// and are no rivals: the adjustment finds out which sphere it was.
func (m *matcher) best() match {
	var b match
	for _, f := range m.found {
		if len(f.pairs) > len(b.pairs) {
			b = f
		}
	}
	for _, f := range m.found {
		if len(f.pairs) == len(b.pairs) && m.apart(f, b) > 20*m.reach {
			b.rivals++
			b.others = append(b.others, f)
		}
	}
	if m.isFull() {
		b.rivals++
		b.others = nil
	}
	b.chance = m.chance(len(b.pairs))
	return b
}

// apart returns the largest distance between the places that two matches give to
// one sphere of b.
func (m *matcher) apart(f, g match) float64 {
	var d float64
	for _, o := range m.b {
		d = max(d, f.toA.Apply(o.center.Scale(1/f.scale)).Dist(g.toA.Apply(o.center.Scale(1/g.scale))))
	}
	return d
}

// chance returns how many sets of n pairs would agree in all distances if the
// distances were drawn at random: the number of ways to choose and pair n of each,
// times the chance of one distance to the power of the 3n-6 that must agree.
func (m *matcher) chance(n int) float64 {
	if n < 3 {
		return math.Inf(1)
	}
	var span float64
	for _, row := range m.da {
		span = max(span, slices.Max(row))
	}
	one := min(1, 4*m.slack*max(largest(m.a), largest(m.b))/span)
	ways := 1.0
	for k := range n {
		ways *= float64(len(m.a)-k) * float64(len(m.b)-k) / float64(k+1)
	}
	return ways * math.Pow(one, float64(3*n-6))
}
