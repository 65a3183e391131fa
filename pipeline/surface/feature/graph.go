package feature

import (
	"cmp"
	"context"
	"math/bits"
	"slices"

	"trammel/pipeline/par"
)

// graph says which of n things go together, one row of bits a thing.
type graph struct {
	n    int
	rows [][]uint64
}

// blockRows is the number of rows a parallel block of a graph.
const blockRows = 16

// newGraph joins those i and j that agree; the question must be symmetric.
func newGraph(ctx context.Context, n int, agree func(i, j int) bool) (*graph, error) {
	g := &graph{n: n, rows: make([][]uint64, n)}
	for i := range g.rows {
		g.rows[i] = make([]uint64, (n+63)/64)
	}
	err := par.Blocks(ctx, n, blockRows, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			for j := range i {
				if agree(i, j) {
					g.rows[i][j/64] |= 1 << (j % 64)
				}
			}
		}
		return nil
	})
	for i := range g.rows {
		for j := range members(g.rows[i]) {
			if j < i {
				g.rows[j][i/64] |= 1 << (i % 64)
			}
		}
	}
	return g, err
}

func (g *graph) joined(i, j int) bool { return g.rows[i][j/64]>>(j%64)&1 == 1 }

func (g *graph) degree(i int) int { return size(g.rows[i]) }

// common counts what goes together with both.
func (g *graph) common(i, j int) int {
	n := 0
	for w, v := range g.rows[i] {
		n += bits.OnesCount64(v & g.rows[j][w])
	}
	return n
}

func size(row []uint64) int {
	n := 0
	for _, w := range row {
		n += bits.OnesCount64(w)
	}
	return n
}

// members goes through the numbers of the bits that are set, ascending.
func members(row []uint64) func(func(int) bool) {
	return func(yield func(int) bool) {
		for w, v := range row {
			for ; v != 0; v &= v - 1 {
				if !yield(64*w + bits.TrailingZeros64(v)) {
					return
				}
			}
		}
	}
}

// clique is a search for the largest set of things that all go together.
type clique struct {
	g     *graph
	best  []int
	left  int // steps that may still be taken
	order []int
}

// largestClique returns the largest set that all go together, ascending, and whether
// it is proven that none is larger: after steps branches the search stops with the
// best so far. Branch and bound with a greedy colouring as the bound, after
// E. Tomita, T. Seki, An efficient branch-and-bound algorithm for finding a maximum
// clique (2003), on bit rows.
func (g *graph) largestClique(steps int) (set []int, proven bool) {
	c := clique{g: g, left: steps}
	all := make([]uint64, (g.n+63)/64)
	for i := range g.n {
		all[i/64] |= 1 << (i % 64)
	}
	c.order = make([]int, g.n)
	for i := range c.order {
		c.order[i] = i
	}
	slices.SortStableFunc(c.order, func(a, b int) int { return cmp.Compare(g.degree(b), g.degree(a)) })
	c.expand(nil, all)
	slices.Sort(c.best)
	return c.best, c.left > 0
}

// expand tries all candidates that could lead to more than the best set.
func (c *clique) expand(set []int, candidates []uint64) {
	vertices, colors := c.color(candidates)
	for k, v := range slices.Backward(vertices) {
		if len(set)+colors[k] <= len(c.best) || c.left <= 0 {
			return
		}
		c.left--
		grown := append(slices.Clone(set), v)
		if len(grown) > len(c.best) {
			c.best = grown
		}
		next := make([]uint64, len(candidates))
		for w := range next {
			next[w] = candidates[w] & c.g.rows[v][w]
		}
		if size(next) > 0 {
			c.expand(grown, next)
		}
		candidates[v/64] &^= 1 << (v % 64)
	}
}

// color puts the candidates into classes of which no two go together; a set can
// have one of each class at most. Vertices come out in the order of their classes.
func (c *clique) color(candidates []uint64) (vertices, colors []int) {
	left := slices.Clone(candidates)
	for class := 1; size(left) > 0; class++ {
		free := slices.Clone(left)
		for _, v := range c.order {
			if free[v/64]>>(v%64)&1 == 0 {
				continue
			}
			vertices, colors = append(vertices, v), append(colors, class)
			left[v/64] &^= 1 << (v % 64)
			for w := range free {
				free[w] &^= c.g.rows[v][w]
			}
			free[v/64] &^= 1 << (v % 64)
		}
	}
	return vertices, colors
}
