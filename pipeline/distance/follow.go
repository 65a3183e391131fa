package distance

import (
	"context"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Follower measures one surface against others that differ little from one another, such as
// the states of a mesh that is being mended: after the first, only what a changed triangle
// can have changed is looked for again. It keeps 4 bytes for each sample and vertex, a bit
// for each vertex, and the mesh that it measured against last.
type Follower struct {
	surface *scan.Mesh
	options Options
	samples *sampling
	used    vertexSet
	last    *scan.Mesh
	nearest []int32 // the triangle of last that each sample, then each vertex, is closest to
}

// NewFollower prepares to measure a, which must not change while the Follower is in use. It
// returns ErrEmpty when a has no triangles, and the errors of Build.
func NewFollower(ctx context.Context, a *scan.Mesh, o Options) (*Follower, error) {
	return NewFollowerWithin(ctx, a, o, 0)
}

// NewFollowerWithin is NewFollower that keeps no more than so many bytes of what it found,
// beside a bit for each vertex; 0 for no bound. The samples and vertices for which that is
// too little are looked for each time; where it is too little for all, the mesh measured
// against last is not kept either. What is measured is the same.
func NewFollowerWithin(ctx context.Context, a *scan.Mesh, o Options, most int64) (*Follower, error) {
	if a.Triangles() == 0 {
		return nil, ErrEmpty
	}
	if err := Check(ctx, a); err != nil {
		return nil, err
	}
	s, err := newSampling(ctx, a, o.samples(a))
	if err != nil {
		return nil, err
	}
	n := int64(s.count + a.Vertices())
	if most > 0 {
		n = min(n, most/4)
	}
	return &Follower{surface: a, options: o, samples: s, used: usedVertices(a), nearest: make([]int32, n)}, nil
}

// Departure measures how far the surface departs from the reference, as Reference.Departure
// does, with the same result. After an error the Follower must not be used again.
func (w *Follower) Departure(ctx context.Context, r *Reference) (Departure, error) {
	c, err := w.changed(ctx, r.x.mesh)
	if err != nil {
		return Departure{}, err
	}
	limit2 := math.Inf(1)
	if w.options.Limit > 0 {
		limit2 = w.options.Limit * w.options.Limit
	}
	s, vertices := w.samples, w.surface.Vertices()
	d2 := make([]float32, s.count)
	onArea, onVertices := make([]peak, len(s.first)-1), make([]peak, par.Count(vertices, blockSize))
	err = par.Each(ctx, len(onArea), func(block int) error {
		l, next := newLook(r.x, c), s.first[block]
		defer l.done()
		s.each(block, func(p geom.Vec) {
			e := w.measure(l, next, p)
			onArea[block].add(e, limit2, p)
			d2[next] = float32(e)
			next++
		})
		return nil
	})
	if err != nil {
		return Departure{}, err
	}
	err = par.Blocks(ctx, vertices, blockSize, func(block, lo, hi int) error {
		l := newLook(r.x, c)
		defer l.done()
		for v := lo; v < hi; v++ {
			if w.used.has(int32(v)) {
				p := w.surface.At(int32(v))
				onVertices[block].add(w.measure(l, s.count+v, p), limit2, p)
			}
		}
		return nil
	})
	if err != nil {
		return Departure{}, err
	}
	return summarize(join(onArea), join(onVertices), d2), nil
}

// changed says how a mesh differs from the last one, which it becomes; nil where all must be
// looked for.
func (w *Follower) changed(ctx context.Context, now *scan.Mesh) (c *change, err error) {
	if len(w.nearest) == 0 {
		return nil, nil
	}
	if w.last != nil {
		c, err = newChange(ctx, w.last, now)
	}
	w.last = now
	return c, err
}

// look is what one piece of work needs to look for closest triangles.
type look struct {
	x        *Index
	c        *change
	near     int32
	searcher *searcher // of x
	fresh    *searcher // of c.fresh
}

func newLook(x *Index, c *change) *look {
	l := &look{x: x, c: c, near: -1, searcher: x.searcher()}
	if c != nil {
		l.fresh = c.fresh.searcher()
	}
	return l
}

func (l *look) done() {
	l.x.done(l.searcher)
	if l.c != nil {
		l.c.fresh.done(l.fresh)
	}
}

// measure brings place i, which is p, up to date, and returns its squared distance.
func (w *Follower) measure(l *look, i int, p geom.Vec) float64 {
	q, kept := l.x.local(p), i < len(w.nearest)
	if kept && l.c != nil {
		if t := l.c.now[w.nearest[i]]; t >= 0 {
			var known corners
			known.load(l.x.mesh, t)
			f := found{place: -1}
			f.d2, _, _ = known.closest(q)
			l.c.fresh.search(q, &f, l.fresh)
			if f.place >= 0 {
				t = l.c.number[l.c.fresh.order.triangle(f.place)]
			}
			w.nearest[i] = t
			return f.d2
		}
	}
	f := l.x.searchFrom(q, math.Inf(1), l.near, l.searcher)
	l.near = f.place
	if kept {
		w.nearest[i] = l.x.order.triangle(f.place)
	}
	return f.d2
}

// change says how a mesh differs from the one before.
type change struct {
	now    []int32 // for each triangle of the one before the same one now, or -1
	number []int32 // the triangles that are new
	fresh  *Index  // of these alone, in the frame of the mesh
}

// most is the share of new triangles above which all is looked for again.
const most = 0.25

// newChange compares triangles by the places of their corners, in their order: distances to
// one that is turned differ in the last bits. It returns nil where so much is new that
// nothing would be saved.
func newChange(ctx context.Context, was, is *scan.Mesh) (*change, error) {
	if was.Origin != is.Origin {
		return nil, nil
	}
	known := newCornerTable(was)
	c := &change{now: make([]int32, was.Triangles())}
	for t := range c.now {
		c.now[t] = -1
	}
	part := &scan.Mesh{Origin: is.Origin, X: is.X, Y: is.Y, Z: is.Z}
	var corners corners
	for t := range int32(is.Triangles()) {
		corners.load(is, t)
		if old := *known.slot(&corners); old != 0 {
			c.now[old-1] = t
			continue
		}
		c.number = append(c.number, t)
		part.Tri = append(part.Tri, is.Tri[3*t:3*t+3]...)
		if float64(len(c.number)) > most*float64(is.Triangles()) {
			return nil, nil
		}
	}
	var err error
	c.fresh, err = build(ctx, part, 0)
	return c, err
}

// cornerTable finds triangles of a mesh by their corners. It is a table with open
// addresses (D. E. Knuth, The Art of Computer Programming 3, 6.4, algorithm L) that holds
// their numbers alone: 8 to 16 bytes a triangle.
type cornerTable struct {
	mesh  *scan.Mesh
	slots []int32 // a triangle plus one, 0 for none
}

func newCornerTable(m *scan.Mesh) *cornerTable {
	n := 2
	for n < 2*m.Triangles() {
		n *= 2
	}
	h := &cornerTable{mesh: m, slots: make([]int32, n)}
	var c corners
	for t := range int32(m.Triangles()) {
		c.load(m, t)
		*h.slot(&c) = t + 1
	}
	return h
}

// slot returns where the triangle with these corners is, or would be.
func (h *cornerTable) slot(c *corners) *int32 {
	var sum uint64
	for _, v := range c {
		sum = (sum ^ uint64(math.Float32bits(v))) * 0x9e3779b97f4a7c15
		sum ^= sum >> 32
	}
	var other corners
	for mask := uint64(len(h.slots) - 1); ; sum++ {
		s := &h.slots[sum&mask]
		if *s == 0 {
			return s
		}
		if other.load(h.mesh, *s-1); other == *c {
			return s
		}
	}
}
