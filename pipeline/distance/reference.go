package distance

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Reference is a mesh that others are measured against, one after the other. Many
// goroutines may use it at once.
type Reference struct{ x *Index }

// NewReference prepares m, which must not change while it is in use. It returns
// ErrEmpty when m has no triangles, and the errors of Build. It holds about 32 bytes a
// triangle beside m.
func NewReference(ctx context.Context, m *scan.Mesh) (*Reference, error) {
	return NewReferenceWithin(ctx, m, 0)
}

// NewReferenceWithin is NewReference that holds no more than so many bytes beside m; 0
// for no bound. Where the whole does not fit, what can be made again from m is left out:
// 4.5 bytes a triangle stay or, where that is too much and triangles that follow each
// other in m lie near each other, 1 byte; and for each goroutine that measures 0.1 to 7
// MB. Less is never held, whatever the bound; preparing takes some megabytes more for a
// while. What is measured is the same to the last bit. Asking takes 1.3 times as long
// within a half, 1.9 times within an eighth and 3 times within a thirtieth of the bytes
// (BenchmarkWithin), preparing the last two half as long; 3 to 5 times where the places
// measured one after the other are far apart.
func NewReferenceWithin(ctx context.Context, m *scan.Mesh, most int64) (*Reference, error) {
	if m.Triangles() == 0 {
		return nil, ErrEmpty
	}
	x, err := build(ctx, m, most)
	if err != nil {
		return nil, err
	}
	return &Reference{x: x}, nil
}

// Departure measures how far the surface a departs from the reference; see TwoSided. It
// holds 4 bytes for each sample and a bit for each vertex of a.
func (r *Reference) Departure(ctx context.Context, a *scan.Mesh, o Options) (Departure, error) {
	if a.Triangles() == 0 {
		return Departure{}, ErrEmpty
	}
	if err := Check(ctx, a); err != nil {
		return Departure{}, err
	}
	s, err := newSampling(ctx, a, o.samples(a))
	if err != nil {
		return Departure{}, err
	}
	limit2 := math.Inf(1)
	if o.Limit > 0 {
		limit2 = o.Limit * o.Limit
	}
	onArea, d2, err := r.x.measureArea(ctx, s, limit2)
	if err != nil {
		return Departure{}, err
	}
	onVertices, err := r.x.measureVertices(ctx, a, limit2)
	if err != nil {
		return Departure{}, err
	}
	return summarize(onArea, onVertices, d2), nil
}

// Triangles returns for each place the triangle of the reference that is closest.
func (r *Reference) Triangles(ctx context.Context, places []geom.Vec) ([]int32, error) {
	out := make([]int32, len(places))
	err := par.Blocks(ctx, len(places), blockSize, func(_, lo, hi int) error {
		near, s := int32(-1), r.x.searcher()
		defer r.x.done(s)
		for i := lo; i < hi; i++ {
			f := r.x.searchFrom(r.x.local(places[i]), math.Inf(1), near, s)
			near = f.place
			out[i] = r.x.order.triangle(f.place)
		}
		return nil
	})
	return out, err
}

// ClosestAll is Index.ClosestAll. Beside the hits it holds 4 bytes a point.
func (r *Reference) ClosestAll(ctx context.Context, p []geom.Vec, limit float64) ([]Hit, error) {
	return r.x.ClosestAll(ctx, p, limit)
}
