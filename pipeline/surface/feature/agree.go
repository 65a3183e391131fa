package feature

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Motion is a proposed placement of one surface on another.
type Motion struct {
	Pose    geom.Pose
	Support int // points that speak for it, or votes
}

// Limits of agreement between two pairs. Directions of thinned points scatter by 5
// to 10 degrees from the noise of the normals and from which part of a bend fell into a
// cell: cosines then differ by up to 0.25, reached at right angles by 14 degrees.
const (
	cosTolerance = 0.25
	leastLength  = 4   // in tolerances: shorter lengths agree for any two places
	leastFacing  = 0.8 // cosine between the normals of a pair after the motion: 37 degrees
	leastSupport = 4
	lever        = 6 // in tolerances: how far along the normal a pair's second point lies
	nearReach    = 4 // in tolerances: motions nearer than this at the middle are one
	mostTries    = 8 // seeds looked at for a motion that is returned
)

// Agree returns up to most motions of from onto to under which many of the pairs
// agree within tolerance (mm), the best supported first, different ones only.
//
// Two pairs agree when their distance, the angles of their normals to each other and to
// the line between them, and the sense of the turn from one normal to the other
// are the same on both surfaces. Each pair is then scored by the partner with which it
// shares the most agreeing others: wrong pairs may agree with each other by chance, but
// not with the same third ones. After Z. Chen and others, SC2-PCR: a second order
// spatial compatibility for efficient and robust point cloud registration (CVPR
// 2022), §3.2, with normals added and without any sampling.
func Agree(ctx context.Context, from, to Points, pairs []Pair, tolerance float64, most int) ([]Motion, error) {
	a := agreement{from: from, to: to, pairs: pairs, tol: tolerance}
	g, err := newGraph(ctx, len(pairs), a.agree)
	if err != nil {
		return nil, err
	}
	seeds, err := g.seeds(ctx)
	if err != nil {
		return nil, err
	}
	var out []Motion
	center := middle(from.At)
	for tries := 0; tries < len(seeds) && tries < mostTries*most && len(out) < most; tries++ {
		if a.isExplained(seeds[tries], out) {
			continue
		}
		m, ok := a.motion(g, seeds[tries])
		if ok && !slices.ContainsFunc(out, func(o Motion) bool { return o.IsNear(m, center, nearReach*tolerance, sameAngle) }) {
			out = append(out, m)
		}
	}
	slices.SortStableFunc(out, func(a, b Motion) int { return cmp.Compare(b.Support, a.Support) })
	return out, nil
}

func middle(points []geom.Vec) geom.Vec {
	b := geom.EmptyBox()
	for _, p := range points {
		b = b.Extend(p)
	}
	return b.Center()
}

type agreement struct {
	from, to Points
	pairs    []Pair
	tol      float64
}

func (a *agreement) agree(i, j int) bool {
	p, q := a.pairs[i], a.pairs[j]
	if p.From == q.From || p.To == q.To {
		return false
	}
	u, v := a.from.At[q.From].Sub(a.from.At[p.From]), a.to.At[q.To].Sub(a.to.At[p.To])
	lu, lv := u.Norm(), v.Norm()
	if math.Abs(lu-lv) > a.tol || lu < leastLength*a.tol {
		return false
	}
	u, v = u.Scale(1/lu), v.Scale(1/lv)
	n1, n2 := a.from.Normal[p.From], a.from.Normal[q.From]
	m1, m2 := a.to.Normal[p.To], a.to.Normal[q.To]
	return math.Abs(n1.Dot(u)-m1.Dot(v)) < cosTolerance && math.Abs(n2.Dot(u)-m2.Dot(v)) < cosTolerance &&
		math.Abs(n1.Dot(n2)-m1.Dot(m2)) < cosTolerance && math.Abs(n1.Cross(n2).Dot(u)-m1.Cross(m2).Dot(v)) < cosTolerance
}

// seed is a pair and the partner with which it shares the most agreeing others.
type seed struct{ i, j, common int }

// seeds returns a seed for every thing that goes together with another, those that
// share the most first.
func (g *graph) seeds(ctx context.Context) ([]seed, error) {
	best, degrees := make([]seed, g.n), make([]int, g.n)
	for i := range degrees {
		degrees[i] = g.degree(i)
	}
	err := par.Blocks(ctx, g.n, blockRows, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			best[i] = seed{i: i, j: -1}
			for j := range members(g.rows[i]) {
				if degrees[j] <= best[i].common {
					continue
				}
				if n := g.common(i, j); n > best[i].common {
					best[i].j, best[i].common = j, n
				}
			}
		}
		return nil
	})
	best = slices.DeleteFunc(best, func(s seed) bool { return s.j < 0 })
	slices.SortStableFunc(best, func(a, b seed) int { return cmp.Compare(b.common, a.common) })
	return best, err
}

// isExplained says that a motion already found carries both pairs of the seed.
func (a *agreement) isExplained(s seed, found []Motion) bool {
	for _, m := range found {
		if a.holds(m.Pose, a.pairs[s.i]) && a.holds(m.Pose, a.pairs[s.j]) {
			return true
		}
	}
	return false
}

func (a *agreement) holds(pose geom.Pose, p Pair) bool {
	return pose.Apply(a.from.At[p.From]).Dist(a.to.At[p.To]) < a.tol &&
		pose.Turn(a.from.Normal[p.From]).Dot(a.to.Normal[p.To]) > leastFacing
}

// motion fits the pairs that agree with both of the seed, then what the fit carries.
func (a *agreement) motion(g *graph, s seed) (Motion, bool) {
	set := []Pair{a.pairs[s.i], a.pairs[s.j]}
	for k := range members(g.rows[s.i]) {
		if g.joined(s.j, k) {
			set = append(set, a.pairs[k])
		}
	}
	var m Motion
	for range 4 {
		pose, ok := a.fit(set)
		if !ok {
			return m, false
		}
		m.Pose = pose
		set = set[:0]
		for _, p := range a.pairs {
			if a.holds(pose, p) {
				set = append(set, p)
			}
		}
	}
	m.Support = distinct(set)
	return m, m.Support >= leastSupport
}

// fit carries points and, at the end of a lever along the normals, second points.
func (a *agreement) fit(set []Pair) (geom.Pose, bool) {
	p, q := make([]geom.Vec, 0, 2*len(set)), make([]geom.Vec, 0, 2*len(set))
	for _, s := range set {
		f, t := a.from.At[s.From], a.to.At[s.To]
		p = append(p, f, f.AddScaled(lever*a.tol, a.from.Normal[s.From]))
		q = append(q, t, t.AddScaled(lever*a.tol, a.to.Normal[s.To]))
	}
	pose, _, err := fit.Rigid(p, q, nil)
	return pose, err == nil
}

// distinct counts the different points that pairs start from.
func distinct(set []Pair) int {
	from := make([]int32, len(set))
	for k, p := range set {
		from[k] = p.From
	}
	slices.Sort(from)
	return len(slices.Compact(from))
}
