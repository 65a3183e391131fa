package distance

import (
	"context"
	"math"
	"math/bits"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Hit is the point of a mesh that is closest to a query.
type Hit struct {
	Point    geom.Vec // millimetres, in the frame of the mesh
	Triangle int      // of the mesh; the lowest of several at the same distance; -1 when nothing was found
	Distance float64  // millimetres
	Signed   float64  // the distance, negative when the query lies on the inner side
}

// found is the state of a search: what is closest so far.
type found struct {
	d2    float64
	place int32 // in the tree, -1 for nothing
	point geom.Vec
	on    feature
}

// Closest returns the point of the mesh closest to p, when one lies within limit
// (millimetres, may be +Inf). A query that is not finite finds nothing. The
// result does not depend on the order of the search.
func (x *Index) Closest(p geom.Vec, limit float64) (Hit, bool) {
	f := found{d2: limit * limit, place: -1}
	q := x.local(p)
	if !q.IsFinite() || !(limit >= 0) {
		return Hit{Triangle: -1}, false
	}
	s := x.searcher()
	defer x.done(s)
	x.search(q, &f, s)
	return x.hit(q, &f, s), f.place >= 0
}

// ClosestAll answers for many points at once, in parallel; hits[i] belongs to
// p[i] and has Triangle -1 where nothing lies within limit. The points are
// visited in the order of a Hilbert curve, so that each search starts from its
// neighbour's answer. The error is that of ctx.
func (x *Index) ClosestAll(ctx context.Context, p []geom.Vec, limit float64) ([]Hit, error) {
	order, err := x.pointOrder(ctx, p)
	if err != nil {
		return nil, err
	}
	hits := make([]Hit, len(p))
	err = par.Blocks(ctx, len(p), blockSize, func(_, lo, hi int) error {
		near, s := int32(-1), x.searcher()
		defer x.done(s)
		for _, i := range order[lo:hi] {
			q := x.local(p[i])
			if !q.IsFinite() || !(limit >= 0) {
				hits[i] = Hit{Triangle: -1}
				continue
			}
			f := x.searchFrom(q, limit*limit, near, s)
			hits[i] = x.hit(q, &f, s)
			near = f.place
		}
		return nil
	})
	return hits, err
}

// pointOrder returns the order of the points along the mesh's Hilbert curve.
func (x *Index) pointOrder(ctx context.Context, p []geom.Vec) ([]int32, error) {
	grid := newHilbertGrid(x.mesh.Bounds(), x.mesh.Origin)
	return curveOrder(ctx, grid, len(p), func(i int32) (px, py, pz float32) {
		q := x.local(p[i])
		return float32(q.X), float32(q.Y), float32(q.Z)
	})
}

// hit turns the state of a finished search for q into the answer.
func (x *Index) hit(q geom.Vec, f *found, s *searcher) Hit {
	if f.place < 0 {
		return Hit{Triangle: -1}
	}
	h := Hit{Point: f.point.Add(x.mesh.Origin), Triangle: int(x.order.triangle(f.place)), Distance: math.Sqrt(f.d2)}
	h.Signed = h.Distance
	if x.pseudoNormal(int32(h.Triangle), f.on, s).Dot(q.Sub(f.point)) < 0 {
		h.Signed = -h.Distance
	}
	return h
}

// searchFrom searches with the triangle at place near, when there is one, as the
// first candidate. A good candidate prunes the tree; it does not change the answer.
func (x *Index) searchFrom(q geom.Vec, limit2 float64, near int32, s *searcher) found {
	f := found{d2: limit2, place: -1}
	if near >= 0 {
		x.try(q, near, &f)
	}
	x.search(q, &f, s)
	return f
}

// try takes the triangle at a place when it is closer than the best so far, or
// as close and of a lower number.
func (x *Index) try(q geom.Vec, place int32, f *found) {
	var t corners
	t.load(x.mesh, x.order.triangle(place))
	d2, point, on := t.closest(q)
	if d2 > f.d2 || d2 == f.d2 && f.place >= 0 && x.order.triangle(place) >= x.order.triangle(f.place) {
		return
	}
	*f = found{d2, place, point, on}
}

// query is a point as the tree sees it: an interval an axis that surely holds
// the exact point, so that no box is thrown away by rounding.
type query struct{ lo, hi [3]float32 }

func (x *Index) query(q geom.Vec) query {
	var r query
	for k, v := range q.Array() {
		s := x.slack + float32(math.Abs(v))*0x1p-22
		r.lo[k], r.hi[k] = float32(v)-s, float32(v)+s
	}
	return r
}

// distances2Plain writes the squared distances from the query to the eight boxes,
// rounded down by no more than the rounding of four float32 operations, and
// returns a bit for each that is not above most.
func distances2Plain(n *node, q *query, most float32, d *[fan]float32) (near uint32) {
	for c := range fan {
		dx := min(q.hi[0]-n.lo[0][c], n.hi[0][c]-q.lo[0], 0)
		dy := min(q.hi[1]-n.lo[1][c], n.hi[1][c]-q.lo[1], 0)
		dz := min(q.hi[2]-n.lo[2][c], n.hi[2][c]-q.lo[2], 0)
		d[c] = dx*dx + dy*dy + dz*dz
		if d[c] <= most {
			near |= 1 << c
		}
	}
	return near
}

// pending is a node still to be visited, with the squared distance of its box.
type pending struct {
	d2    float32
	index int32
	level int32
}

// stackSize holds seven waiting children a level and the last one visited; 2³¹
// triangles make 11 levels, of which the lowest is not put on the stack.
const stackSize = 80

// search walks the tree depth first, nearest child first, and leaves the closest
// triangle in f.
func (x *Index) search(p geom.Vec, f *found, s *searcher) {
	if len(x.levels) == 0 {
		return
	}
	q := x.query(p)
	var d [fan]float32
	stack := &s.stack
	stack[0] = pending{level: int32(len(x.levels) - 1)}
	for top := 1; top > 0; {
		top--
		at := stack[top]
		if float64(at.d2) > f.d2*pruneMargin {
			continue
		}
		most := float32(min(f.d2*pruneMargin, math.MaxFloat32))
		near := distances2(x.node(s, at.level, at.index), &q, most, &d)
		if at.level > 0 {
			top = push(stack, top, at, &d, near)
			continue
		}
		x.tryAll(p, at.index, &d, near, f)
	}
}

// tryAll tries the triangles of a node that are near enough, first the one whose
// box is nearest.
func (x *Index) tryAll(p geom.Vec, index int32, d *[fan]float32, near uint32, f *found) {
	if near == 0 {
		return
	}
	first := bits.TrailingZeros32(near) % fan
	for rest := near & (near - 1); rest != 0; rest &= rest - 1 {
		if c := bits.TrailingZeros32(rest) % fan; d[c] < d[first] {
			first = c
		}
	}
	x.try(p, fan*index+int32(first), f)
	for rest := near &^ (1 << first); rest != 0; rest &= rest - 1 {
		c := bits.TrailingZeros32(rest) % fan
		if float64(d[c]) <= f.d2*pruneMargin {
			x.try(p, fan*index+int32(c), f)
		}
	}
}

// pruneMargin covers the rounding of the box distance: six float32 operations
// of relative error 2⁻²⁴ each stay far below 2⁻²⁰.
const pruneMargin = 1 + 0x1p-20

// push puts the children of a node that are near enough on the stack, the
// nearest on top.
func push(stack *[stackSize]pending, top int, at pending, d *[fan]float32, near uint32) int {
	base := top
	for ; near != 0; near &= near - 1 {
		c := bits.TrailingZeros32(near)
		i := top
		for i > base && stack[i-1].d2 < d[c%fan] {
			stack[i] = stack[i-1]
			i--
		}
		stack[i] = pending{d[c%fan], fan*at.index + int32(c), at.level - 1}
		top++
	}
	return top
}
