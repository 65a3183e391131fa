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
// can have changed is looked for again. It keeps 12 bytes for each sample and vertex.
type Follower struct {
	surface *scan.Mesh
	options Options
	samples *sampling
	used    []bool // vertices
	last    *scan.Mesh
	d2      []float64 // mm², of the samples, then of the vertices
	nearest []int32   // the triangle of last that each of these is closest to
}

// NewFollower prepares to measure a, which must not change while the Follower is in use. It
// returns ErrEmpty when a has no triangles, and the errors of Build.
func NewFollower(ctx context.Context, a *scan.Mesh, o Options) (*Follower, error) {
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
	w := &Follower{surface: a, options: o, samples: s, used: make([]bool, a.Vertices())}
	for _, v := range a.Tri {
		w.used[v] = true
	}
	w.d2, w.nearest = make([]float64, s.count+a.Vertices()), make([]int32, s.count+a.Vertices())
	return w, nil
}

// Departure measures how far the surface departs from the reference, as Reference.Departure
// does. The mesh of the reference is kept until the next one comes. After an error the
// Follower must not be used again.
func (w *Follower) Departure(ctx context.Context, r *Reference) (Departure, error) {
	var c *change
	if w.last != nil {
		var err error
		if c, err = newChange(ctx, w.last, r.x.mesh); err != nil {
			return Departure{}, err
		}
	}
	w.last = r.x.mesh
	limit2 := math.Inf(1)
	if w.options.Limit > 0 {
		limit2 = w.options.Limit * w.options.Limit
	}
	s := w.samples
	onArea, onVertices := make([]peak, len(s.first)-1), make([]peak, par.Count(len(w.used), blockSize))
	err := par.Each(ctx, len(onArea), func(block int) error {
		l, next := newLook(r.x, c), s.first[block]
		defer l.done()
		s.each(block, func(p geom.Vec) {
			onArea[block].add(w.measure(l, next, p), limit2, p)
			next++
		})
		return nil
	})
	if err != nil {
		return Departure{}, err
	}
	err = par.Blocks(ctx, len(w.used), blockSize, func(block, lo, hi int) error {
		l := newLook(r.x, c)
		defer l.done()
		for v := lo; v < hi; v++ {
			if w.used[v] {
				p := w.surface.At(int32(v))
				onVertices[block].add(w.measure(l, s.count+v, p), limit2, p)
			}
		}
		return nil
	})
	if err != nil {
		return Departure{}, err
	}
	d2 := make([]float32, s.count)
	for i := range d2 {
		d2[i] = float32(w.d2[i])
	}
	return summarize(join(onArea), join(onVertices), d2), nil
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
	if l.c != nil {
		if t := l.c.now[w.nearest[i]]; t >= 0 {
			f := found{d2: w.d2[i], place: -1}
			l.c.fresh.search(l.c.fresh.local(p), &f, l.fresh)
			if f.place >= 0 {
				w.d2[i], t = f.d2, l.c.number[l.c.fresh.number[f.place]]
			}
			w.nearest[i] = t
			return w.d2[i]
		}
	}
	f := l.x.searchFrom(l.x.local(p), math.Inf(1), l.near, l.searcher)
	l.near = f.place
	w.d2[i], w.nearest[i] = f.d2, l.x.number[f.place]
	return f.d2
}

// change says how a mesh differs from the one before.
type change struct {
	now    []int32 // for each triangle of the one before the same one now, or -1
	number []int32 // the triangles that are new
	fresh  *Index  // of these alone
}

// most is the share of new triangles above which all is looked for again.
const most = 0.25

// newChange compares triangles by the places of their corners. It returns nil where so much
// is new that nothing would be saved.
func newChange(ctx context.Context, was, is *scan.Mesh) (*change, error) {
	if was.Origin != is.Origin {
		return nil, nil
	}
	known := make(map[[9]float32]int32, was.Triangles())
	var corners corners
	for t := range int32(was.Triangles()) {
		corners.load(was, t)
		known[turnedFirst(corners)] = t
	}
	c := &change{now: make([]int32, was.Triangles())}
	for t := range c.now {
		c.now[t] = -1
	}
	part := &scan.Mesh{Origin: is.Origin, X: is.X, Y: is.Y, Z: is.Z}
	for t := range int32(is.Triangles()) {
		corners.load(is, t)
		if old, ok := known[turnedFirst(corners)]; ok {
			c.now[old] = t
			continue
		}
		c.number = append(c.number, t)
		part.Tri = append(part.Tri, is.Tri[3*t:3*t+3]...)
	}
	if float64(len(c.number)) > most*float64(is.Triangles()) {
		return nil, nil
	}
	var err error
	c.fresh, err = build(ctx, part, 0)
	return c, err
}

// turnedFirst turns the corners of a triangle so that the lowest comes first.
func turnedFirst(t corners) corners {
	turned := corners{t[3], t[4], t[5], t[6], t[7], t[8], t[0], t[1], t[2]}
	again := corners{t[6], t[7], t[8], t[0], t[1], t[2], t[3], t[4], t[5]}
	for _, o := range [2]corners{turned, again} {
		if o[0] < t[0] || o[0] == t[0] && (o[1] < t[1] || o[1] == t[1] && o[2] < t[2]) {
			t = o
		}
	}
	return t
}
