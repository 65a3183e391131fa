// Package reduce makes a mesh of fewer triangles that departs as little as may be
// from the one it came from, and measures by how much it does.
//
// In comes a mesh with a budget of triangles, a largest allowed departure, or
// both; out comes a mesh and the measured two-sided distance. Edges are collapsed
// in the order of the quadric error (M. Garland & P. S. Heckbert, Surface
// Simplification Using Quadric Error Metrics, SIGGRAPH 97), planes weighted by
// area; the merged vertex is placed where the quadric is least among the places
// that keep the volume (P. Lindstrom & G. Turk, Fast and Memory Efficient Polygonal
// Simplification, IEEE Visualization 1998), which takes 7 % off the error. Where that costs
// far more than the least, as at the edges of thin walls, or is unsound, other places are
// tried, and an edge that turns out dearer waits for its turn: on drawn parts that is worth
// a factor of four to thirteen. The mesh is cut into regions of a fixed number of triangles
// along a Hilbert curve; each is reduced on its own with its seam at rest, at one pace of
// cost for all, and the next level cuts elsewhere, so that neither the number of workers nor
// the seams show. The first level takes the regions out of the mesh one by one, so that no
// more of a large mesh is held with quadrics than that level leaves, a quarter or the budget.
//
// A collapse is refused when it would flip a triangle, make a needle of a better
// one, or make the surface non-manifold. Borders are held by upright planes, and give way
// within the allowed departure where there is one; holes never close or join.
// Vertices where the input is not a manifold stay where they are. The departure is
// measured, and where it is larger than allowed the input is taken back, there alone,
// and reduced less far (restore.go). Where budget and departure contradict each other,
// the departure wins and Stats says so.
package reduce

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// ErrOptions says that Options ask for nothing or for the impossible.
var ErrOptions = errors.New("wrong options of a reduction")

// Options of Reduce. At least one of Triangles and Deviation must be given.
type Options struct {
	Triangles int      // budget; 0 means as few as Deviation allows
	Deviation float64  // largest allowed two-sided departure from the input, mm; 0 means none
	Finer     []Region // where the result must be more exact than elsewhere
	Cell      float64  // mm, of the grid that the mesh was made on: where that was halved, errors shall be four times smaller; 0 for none
	Samples   int      // area samples of the measurement, see distance.Options
	Levels    []int    // budgets of coarser meshes besides, falling; Deviation does not bind them
	Memory    int64    // bytes that may be planned for beside the mesh; 0 for no bound; the result is the same
}

// Region asks for smaller errors in a part of the mesh, such as around a mount.
type Region struct {
	Box    geom.Box // in the frame of the mesh, mm
	Factor float64  // errors there shall be this many times smaller; at least 1
}

// Stats says what a reduction achieved.
type Stats struct {
	Before, After int                // triangles
	Deviation     distance.Deviation // A is the reduced mesh, B the one it came from
	BudgetMet     bool               // After is within the budget; true without one
	DeviationMet  bool               // the largest departure is within the allowed; true without one
	Attempts      int                // measurements made until the departure was met; the input was taken back in places between them
	BorderEdges   int                // of the result: edges of one triangle
	ComplexEdges  int                // of the result: edges of more than two; none that the input had not
}

func (o *Options) validate() error {
	switch {
	case o.Triangles < 0 || !(o.Deviation >= 0) || math.IsInf(o.Deviation, 0):
		return fmt.Errorf("%w: budget %d, departure %v mm", ErrOptions, o.Triangles, o.Deviation)
	case !(o.Cell >= 0) || math.IsInf(o.Cell, 0):
		return fmt.Errorf("%w: a cell of %v mm", ErrOptions, o.Cell)
	case o.Triangles == 0 && o.Deviation == 0:
		return fmt.Errorf("%w: neither a budget nor a departure is given", ErrOptions)
	}
	for _, n := range o.Levels {
		if n <= 0 {
			return fmt.Errorf("%w: a level of %d triangles", ErrOptions, n)
		}
	}
	for _, r := range o.Finer {
		if !(r.Factor >= 1) || math.IsInf(r.Factor, 0) {
			return fmt.Errorf("%w: a region is to be finer by %v, which is not 1 or more", ErrOptions, r.Factor)
		}
	}
	return nil
}

// Level is a reduced mesh and what it is.
type Level struct {
	Mesh  *scan.Mesh
	Stats Stats
}

// Reduce returns a reduced copy of m; Options.Levels is left alone. It returns
// ErrOptions, distance.ErrEmpty, distance.ErrNotFinite or distance.ErrIndex for what
// cannot be reduced. Where the allowed departure is exceeded, the triangles of the input
// are taken back, there alone.
func Reduce(ctx context.Context, m *scan.Mesh, o Options) (*scan.Mesh, Stats, error) {
	o.Levels = nil
	all, err := Levels(ctx, m, nil, o)
	if err != nil {
		return nil, Stats{}, err
	}
	return all[0].Mesh, all[0].Stats, nil
}

// Levels returns what Reduce does and a coarser mesh for each of Options.Levels, each
// reduced further from the one before and measured against m. Where prepared is not nil it
// is asked for the reference of m, once the mesh is reduced and memory is free, so that the
// caller may use it too; it is told how many bytes are held besides while it is in use.
func Levels(ctx context.Context, m *scan.Mesh, prepared func(ctx context.Context, held int64) (*distance.Reference, error), o Options) ([]Level, error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	if err := distance.Check(ctx, m); err != nil {
		return nil, fmt.Errorf("reduce a mesh of %d triangles: %w", m.Triangles(), err)
	}
	if m.Triangles() == 0 {
		return nil, fmt.Errorf("reduce a mesh: %w", distance.ErrEmpty)
	}
	if prepared == nil {
		prepared = func(ctx context.Context, _ int64) (*distance.Reference, error) { return distance.NewReference(ctx, m) }
	}
	all, err := o.levels(ctx, m, prepared)
	if err != nil {
		return nil, fmt.Errorf("reduce a mesh of %d triangles: %w", m.Triangles(), err)
	}
	return all, nil
}

func (o *Options) levels(ctx context.Context, m *scan.Mesh, prepared func(context.Context, int64) (*distance.Reference, error)) ([]Level, error) {
	s, err := o.first(ctx, m)
	if err != nil {
		return nil, err
	}
	s.shrink()
	input, err := prepared(ctx, s.measuring(m))
	if err != nil {
		return nil, err
	}
	r, stats, err := o.settle(ctx, s, m, input)
	if err != nil {
		return nil, err
	}
	all := []Level{o.describe(r, m, stats)}
	for _, n := range o.Levels {
		next := Options{Triangles: n, Finer: o.Finer, Samples: o.Samples, Memory: o.Memory}
		s.limit = nil
		if err := s.solve(ctx, n); err != nil {
			return nil, err
		}
		if r, stats, err = next.settle(ctx, s, m, input); err != nil {
			return nil, err
		}
		all = append(all, next.describe(r, m, stats))
	}
	return all, nil
}

// describe completes what is said of a reduced mesh.
func (o *Options) describe(r, m *scan.Mesh, s Stats) Level {
	s.Before, s.After = m.Triangles(), r.Triangles()
	s.BudgetMet = o.Triangles == 0 || s.After <= o.Triangles
	s.BorderEdges, s.ComplexEdges = Edges(r)
	return Level{Mesh: r, Stats: s}
}

const (
	// startShare is the allowed root mean square distance to the planes of a vertex
	// as a share of the allowed departure. The largest departure of a smooth surface
	// is about twice that root mean square.
	startShare = 0.5
	// carvedRounds: where the surface was taken back it is reduced again, by half the
	// limit from round to round; after these many it stays.
	carvedRounds = 4
	// mostRounds: what stays grows by a ring of triangles a round and soon joins, so that
	// the last rounds are never reached but by rounding.
	mostRounds = 40
	// outlier: a departure of this many root mean squares to the planes of the vertices is
	// looked after even where none is forbidden. The bench meshes of one and ten million
	// triangles have 3.7 and, at one place, 5.8; the distance to the surface is about half
	// of that to the planes.
	outlier = 4
	// outlierRounds ends that where it does not help.
	outlierRounds = 2
	// outlierPrice: by how much the root mean square may grow for a smaller largest departure.
	outlierPrice = 1.02
	// widenings is how often limits are doubled for the sake of the budget before they go.
	widenings = 6
)

// settle measures. Where the departure is larger than allowed, the input is taken back and
// reduced less far, until it is as allowed everywhere.
func (o *Options) settle(ctx context.Context, s *surface, m *scan.Mesh, input *distance.Reference) (*scan.Mesh, Stats, error) {
	if o.Deviation == 0 {
		return o.smooth(ctx, s, m, input)
	}
	c, err := o.comparison(ctx, m, input, o.Deviation)
	if err != nil {
		return nil, Stats{}, err
	}
	for n := 1; s.triangles() > 0 && n <= mostRounds; n++ {
		r := s.mesh()
		d, spots, err := c.measure(ctx, r)
		if err != nil {
			return nil, Stats{}, err
		}
		if d.Max() <= o.Deviation {
			return r, Stats{Deviation: d, DeviationMet: true, Attempts: n}, nil
		}
		if err := o.takeBack(ctx, s, m, spots, o.Deviation, n); err != nil {
			return nil, Stats{}, err
		}
	}
	return unreduced(m), Stats{DeviationMet: true, Attempts: mostRounds}, nil // a mesh of nothing but degenerate triangles
}

// smooth measures where nothing is said of the departure. What is far beyond the usual is
// taken back and reduced again within the budget, and the better result stays.
func (o *Options) smooth(ctx context.Context, s *surface, m *scan.Mesh, input *distance.Reference) (*scan.Mesh, Stats, error) {
	limit := outlier * s.rms()
	c, err := o.comparison(ctx, m, input, limit)
	if err != nil {
		return nil, Stats{}, err
	}
	best := *s
	var mesh *scan.Mesh
	var stats Stats
	for n := 1; ; n++ {
		r := s.mesh()
		d, spots, err := c.measure(ctx, r)
		if err != nil {
			return nil, Stats{}, err
		}
		if n > 1 && (d.Max() >= stats.Deviation.Max() || d.RMS() > outlierPrice*stats.Deviation.RMS()) {
			*s = best
			stats.Attempts = n
			return mesh, stats, nil
		}
		best, mesh, stats = *s, r, Stats{Deviation: d, DeviationMet: true, Attempts: n}
		if d.Max() <= limit || n == outlierRounds || s.triangles() == 0 {
			return mesh, stats, nil
		}
		tidy(m.Triangles())
		if err := o.takeBack(ctx, s, m, spots, limit, n); err != nil {
			return nil, Stats{}, err
		}
		if err := s.insist(ctx, o.Triangles); err != nil {
			return nil, Stats{}, err
		}
	}
}

// insist reduces to the budget though that takes wider limits.
func (s *surface) insist(ctx context.Context, budget int) error {
	for range widenings {
		if s.triangles() <= budget {
			return nil
		}
		for v := range s.limit {
			s.limit[v] *= 2
		}
		if err := s.solve(ctx, budget); err != nil {
			return err
		}
	}
	s.limit = nil
	return s.solve(ctx, budget)
}

// first reduces to the budget, or as far as the limits allow. Limits that are met with
// more triangles than the budget widen for the rest, the narrower ones of finer places too,
// to the allowed departure: what goes too far is seen when it is measured.
func (o *Options) first(ctx context.Context, m *scan.Mesh) (*surface, error) {
	s, err := o.begin(ctx, m)
	if err != nil {
		return nil, err
	}
	if err := s.solve(ctx, o.Triangles); err != nil {
		return nil, err
	}
	if s.limit == nil || o.Triangles == 0 {
		return s, nil
	}
	for range 1 + mostHalved {
		if s.triangles() <= o.Triangles {
			break
		}
		for v := range s.limit {
			s.limit[v] = min(2*s.limit[v], max(s.limit[v], float32(2*startShare*o.Deviation)))
		}
		if err := s.solve(ctx, o.Triangles); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// begin returns the surface of m with what is asked of it. Where it goes far below the number
// of triangles of m, the first level is done already.
func (o *Options) begin(ctx context.Context, m *scan.Mesh) (*surface, error) {
	d := o.demand(m)
	order, err := orderOf(ctx, m)
	if err != nil {
		return nil, err
	}
	if goal, ok := levelGoal(len(order), o.Triangles); ok {
		g, err := newPieces(ctx, m, order, d)
		if err != nil {
			return nil, err
		}
		if err := level(ctx, g, len(g.left), float64(goal)/float64(len(order))); err != nil {
			return nil, err
		}
		return g.join(), nil
	}
	s := newSurface(m, order)
	s.halved = d.halved
	return s, s.classify(ctx, d)
}

// comparison measures the states of a reduced mesh against its input, one after the other.
type comparison struct {
	input *distance.Reference
	back  *distance.Follower // of the input's surface
	how   distance.Options
}

// followShare is how much of the memory what a Follower remembers may take.
const followShare = 1.0 / 16

func (o *Options) comparison(ctx context.Context, m *scan.Mesh, input *distance.Reference, limit float64) (*comparison, error) {
	how := distance.Options{Samples: o.Samples, Limit: limit}
	back, err := distance.NewFollowerWithin(ctx, m, how, int64(followShare*float64(o.Memory)))
	if err != nil {
		return nil, fmt.Errorf("measure against the reduced mesh: %w", err)
	}
	return &comparison{input, back, how}, nil
}

// measure takes both directions and returns the triangles of r that places beyond the limit
// belong to.
func (c *comparison) measure(ctx context.Context, r *scan.Mesh) (d distance.Deviation, spots []int32, err error) {
	if d.AToB, err = c.input.Departure(ctx, r, c.how); err != nil {
		return d, nil, fmt.Errorf("measure the reduced mesh: %w", err)
	}
	reduced, err := distance.NewReference(ctx, r)
	if err != nil {
		return d, nil, err
	}
	if d.BToA, err = c.back.Departure(ctx, reduced); err != nil {
		return d, nil, fmt.Errorf("measure against the reduced mesh: %w", err)
	}
	spots, err = reduced.Triangles(ctx, append(d.AToB.Over, d.BToA.Over...))
	return d, spots, err
}

// takeBack puts the input back around the triangles in spots. In the first rounds it is
// reduced again there, less far; then the rings of triangles around are taken back too.
func (o *Options) takeBack(ctx context.Context, s *surface, m *scan.Mesh, spots []int32, allowed float64, round int) error {
	far := make([]bool, len(s.x))
	for _, t := range spots {
		for _, v := range s.tri[3*t : 3*t+3] {
			far[v] = true
		}
	}
	for range round - carvedRounds {
		s.widen(far)
	}
	limit := startShare * allowed / float64(int(1)<<min(round, carvedRounds))
	defer s.shrink()
	lo, err := s.restore(ctx, m, far, &demand{regions: o.Finer, limit: limit, halved: s.halved})
	if err != nil || round > carvedRounds {
		return err
	}
	s.carve(lo, s.triangles(), s.triangles(), returned)
	if o.Triangles > 0 && s.triangles() > o.Triangles {
		return s.solve(ctx, o.Triangles)
	}
	return nil
}

func unreduced(m *scan.Mesh) *scan.Mesh {
	clone := func(v []float32) []float32 { return append([]float32(nil), v...) }
	return &scan.Mesh{Origin: m.Origin, X: clone(m.X), Y: clone(m.Y), Z: clone(m.Z), Tri: append([]int32(nil), m.Tri...)}
}
