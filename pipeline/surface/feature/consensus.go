package feature

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// ErrNoConsensus says that too few pairs agree on any one motion.
var ErrNoConsensus = errors.New("too few of the point pairs agree on one motion")

// ConsensusOptions steers Consensus.
type ConsensusOptions struct {
	Bound     float64 // largest distance of a right pair after the motion, mm; must be positive
	FreeScale bool    // the scale is unknown, not one
}

// Agreement is what a list of doubtful point pairs agrees on.
type Agreement struct {
	fit.SimilarityTransform         // from → to
	Inliers                 []int   // the pairs within the bound, ascending
	RMS                     float64 // of their distances, mm
	Proven                  bool    // no larger set of the pairs looked at agrees in its lengths
}

const (
	leastAgreeing = 4       // three pairs make a triangle, and any two triangles of like sides agree
	mostNodes     = 600     // pairs in the graph of lengths: 180,000 lengths, a fraction of a second
	cliqueSteps   = 100_000 // branches before the largest set so far is taken
	refits        = 20      // rounds of fitting and collecting again
)

// Consensus returns the rotation, translation and, if it is free, the scale that
// the largest set of point pairs agrees on, whatever the others say. from[i] and
// to[i] are a pair; the slices are not kept. It returns ErrNoConsensus when fewer than
// four pairs agree or those lie on one line.
//
// After H. Yang, J. Shi, L. Carlone, TEASER: Fast and Certifiable Point Cloud
// Registration (T-RO 2020), §§IV to VI: lengths between points do not depend on
// rotation and translation; their ratios vote for the scale, each with the interval
// that the bound allows; pairs whose lengths agree are joined in a graph, and the
// largest clique is kept. It is then fitted by least squares, and the fit collects
// what lies within the bound. Of more than mostNodes pairs every k-th goes into the graph.
func Consensus(ctx context.Context, from, to []geom.Vec, o ConsensusOptions) (Agreement, error) {
	if len(from) != len(to) || !(o.Bound > 0) {
		return Agreement{}, fmt.Errorf("%d points against %d within %g mm: %w", len(from), len(to), o.Bound, ErrNoConsensus)
	}
	c := consensus{from: from, to: to, bound: o.Bound, free: o.FreeScale, scale: 1}
	c.chosen = c.nodes()
	if o.FreeScale {
		c.scale = c.vote()
	}
	g, err := newGraph(ctx, len(c.chosen), c.agree)
	if err != nil {
		return Agreement{}, err
	}
	set, proven := g.largestClique(cliqueSteps)
	for i, k := range set {
		set[i] = c.chosen[k]
	}
	a, err := c.refine(set)
	a.Proven = proven
	return a, err
}

type consensus struct {
	from, to []geom.Vec
	bound    float64
	free     bool
	scale    float64
	chosen   []int
}

// nodes returns the finite pairs, thinned evenly to mostNodes.
func (c *consensus) nodes() []int {
	var all []int
	for i := range c.from {
		if c.from[i].IsFinite() && c.to[i].IsFinite() {
			all = append(all, i)
		}
	}
	n := len(all)
	if n <= mostNodes {
		return all
	}
	out := make([]int, mostNodes)
	for k := range out {
		out[k] = all[k*n/mostNodes]
	}
	return out
}

// agree says whether the lengths between two pairs differ by no more than the bound
// allows at both ends.
func (c *consensus) agree(i, j int) bool {
	a, b := c.chosen[i], c.chosen[j]
	d := c.to[a].Dist(c.to[b]) - c.scale*c.from[a].Dist(c.from[b])
	return math.Abs(d) <= 2*c.bound
}

// vote returns the scale that lies in the most intervals which the lengths allow,
// each weighted by what it says: the inverse of its width squared would let one long
// length outvote the rest, so that all count one. Of equal counts the narrowest place
// wins.
func (c *consensus) vote() float64 {
	type edge struct {
		at   float64
		open int
	}
	var edges []edge
	for k, a := range c.chosen {
		for _, b := range c.chosen[:k] {
			l, m := c.from[a].Dist(c.from[b]), c.to[a].Dist(c.to[b])
			if lo, hi := (m-2*c.bound)/l, (m+2*c.bound)/l; lo > 0 && !math.IsInf(hi, 0) {
				edges = append(edges, edge{lo, 1}, edge{hi, -1})
			}
		}
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(b.open, a.open)) })
	scale, count, most, width := 1.0, 0, 0, 0.0
	for k, e := range edges {
		count += e.open
		if e.open < 0 || k+1 == len(edges) {
			continue
		}
		if w := (edges[k+1].at - e.at) / e.at; count > most || count == most && w < width {
			most, width, scale = count, w, (e.at+edges[k+1].at)/2
		}
	}
	return scale
}

// refine fits the set, collects the pairs within the bound and repeats until the
// set stays.
func (c *consensus) refine(set []int) (Agreement, error) {
	var a Agreement
	for range refits {
		if len(set) < leastAgreeing {
			return a, fmt.Errorf("%d of %d pairs agree, at least %d are needed: %w", len(set), len(c.from), leastAgreeing, ErrNoConsensus)
		}
		s, rms, err := c.fit(set)
		if err != nil {
			return a, fmt.Errorf("%w: %w", ErrNoConsensus, err)
		}
		a.SimilarityTransform, a.RMS, a.Inliers = s, rms, set
		next := c.within(s)
		if slices.Equal(next, set) {
			break
		}
		set = next
	}
	return a, nil
}

func (c *consensus) fit(set []int) (fit.SimilarityTransform, float64, error) {
	p, q := make([]geom.Vec, len(set)), make([]geom.Vec, len(set))
	for k, i := range set {
		p[k], q[k] = c.from[i], c.to[i]
	}
	if c.free {
		return fit.Similarity(p, q, nil)
	}
	pose, rms, err := fit.Rigid(p, q, nil)
	return fit.SimilarityTransform{Scale: 1, R: pose.R, T: pose.T}, rms, err
}

func (c *consensus) within(s fit.SimilarityTransform) []int {
	var out []int
	for i := range c.from {
		if s.Apply(c.from[i]).Dist(c.to[i]) <= c.bound {
			out = append(out, i)
		}
	}
	return out
}
