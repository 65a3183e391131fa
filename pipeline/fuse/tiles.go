package fuse

import (
	"context"
	"errors"
	"math"

	"trammel/pipeline/scan"
)

// A grid that does not fit into memory is cut into slabs of whole layers of blocks. The
// views are loaded once more for each, and every block comes out as if all were there, as
// it depends on samples near it alone. Blocks are numbered by layers, so the parts of the
// mesh follow one another, and nothing tells where they were cut.

// layers is a range of layers of blocks of level 0, the upper end left out.
type layers struct{ from, to int32 }

func (s layers) grow(n int32) layers      { return layers{s.from - n, s.to + n} }
func (s layers) contains(z int32) bool    { return s.from <= z && z < s.to }
func (s layers) meets(other layers) bool  { return s.from < other.to && other.from < s.to }
func (s layers) including(z int32) layers { return layers{min(s.from, z), max(s.to, z+1)} }
func everything() layers                  { return layers{math.MinInt32 / 2, math.MaxInt32 / 2} }
func nothing() layers                     { return layers{math.MaxInt32, math.MinInt32} }

// halo returns the number of layers around a slab that are filled besides: vertices on the
// last layer before and the first one after are counted, and that looks at one more. A
// feather looks for the ends of the preferred views as far as it is wide.
func (t *tree) halo() int32 {
	n := int32(2)
	if t.o.Feather > 0 {
		n += 2 + int32(math.Ceil((t.o.Feather+goesOn*t.o.Voxel)/(side*t.o.Voxel)))
	}
	return n
}

// counts holds the number of blocks in each layer.
type counts map[int32]int64

// around returns the number of blocks that a slab takes, its halo included.
func (c counts) around(s layers, halo int32) (n int64) {
	for z := s.from - halo; z < s.to+halo; z++ {
		n += c[z]
	}
	return n
}

// only returns a tree of the same plan that holds a slab.
func (t *tree) only(s layers) *tree {
	u := newTree(t.o)
	u.origin, u.placed, u.plan, u.reach = t.origin, true, t.plan, t.reach
	u.whole, u.lookers, u.gone = t, t.lookers, t.gone
	u.isCounted = true
	u.window = s.grow(t.halo())
	u.grow()
	return u
}

// tiled fuses the views slab by slab. What is to be left out is known after the last one; if
// there is anything, all are fused once more.
func (t *tree) tiled(ctx context.Context, from source, c *census) (*surface, error) {
	isKnown := t.gone != nil || !t.areLooks()
	m, err := t.allSlabs(ctx, from, c)
	if err != nil || isKnown {
		return m, err
	}
	t.decide(c)
	t.lookers = nil
	if t.gone.n == 0 {
		return m, nil
	}
	*c = census{}
	return t.allSlabs(ctx, from, c)
}

func (t *tree) allSlabs(ctx context.Context, from source, c *census) (*surface, error) {
	in, all := counts{}, nothing()
	for _, g := range t.levels {
		g.layersAt(1, in)
	}
	for z := range in {
		all = all.including(z)
	}
	t.stats.Tiles = 0
	m := &surface{Mesh: &scan.Mesh{Origin: t.origin}}
	for at := all.from; at < all.to; {
		s := t.next(in, at, all.to)
		err := t.addSlab(ctx, s, from, c, m)
		for ; errors.Is(err, errFull) && s.to > s.from+1; err = t.addSlab(ctx, s, from, c, m) {
			s.to = s.from + (s.to-s.from)/2 // preferred views have more there than elsewhere
		}
		if errors.Is(err, errFull) {
			return nil, t.tooLarge()
		}
		if err != nil {
			return nil, err
		}
		at = s.to
	}
	return m, nil
}

// next returns the slab from a layer on that memory holds, of one layer at least.
func (t *tree) next(in counts, from, end int32) layers {
	mesh := t.mesh
	if mesh == 0 {
		mesh = t.likelyMesh() // nobody knows how large the mesh will be
	}
	s := layers{from, from + 1}
	for s.to < end {
		if n := in.around(layers{from, s.to + 1}, t.halo()); !t.fits(n, t.likelyExtra(n), mesh) {
			break
		}
		s.to++
	}
	return s
}

// errFull says that memory does not hold a slab.
var errFull = errors.New("a slab does not fit into memory")

// addSlab fuses what concerns a slab and appends its part to the mesh.
func (t *tree) addSlab(ctx context.Context, s layers, from source, c *census, m *surface) error {
	u := t.only(s)
	u.into = m
	if err := u.addAll(ctx, from); err != nil {
		return err
	}
	if u.isFull {
		return errFull
	}
	if _, err := u.extract(ctx, c, s, int64(m.Vertices())); err != nil {
		return err
	}
	t.stats.Tiles++
	return nil
}

// room returns a mesh for so many vertices and corners of triangles: a new one, or the end of
// the one that the slabs go into, for all of which the blocks so far stand by a share.
func (t *tree) room(vertices, corners int, share float64) *surface {
	if t.into == nil {
		m := &scan.Mesh{Origin: t.origin, Tri: make([]int32, corners), X: make([]float32, vertices), Y: make([]float32, vertices), Z: make([]float32, vertices)}
		return &surface{m, make([]uint8, vertices)}
	}
	m, w := t.into, t.whole
	v, k := m.Vertices(), len(m.Tri)
	const margin = 1.05 // so that growing does not hold it twice
	all := func(n int) int { return max(n, int(margin*share*float64(n))) }
	if v+vertices > cap(m.X) || k+corners > cap(m.Tri) {
		m.X, m.Y, m.Z = grown(m.X, all(v+vertices)), grown(m.Y, all(v+vertices)), grown(m.Z, all(v+vertices))
		m.cover, m.Tri = grown(m.cover, all(v+vertices)), grown(m.Tri, all(k+corners))
	}
	m.X, m.Y, m.Z, m.Tri = m.X[:v+vertices], m.Y[:v+vertices], m.Z[:v+vertices], m.Tri[:k+corners]
	m.cover = m.cover[:v+vertices]
	w.mesh = meshBytes(max(cap(m.X), all(v+vertices)), max(cap(m.Tri), all(k+corners))/3)
	return &surface{&scan.Mesh{Origin: m.Origin, X: m.X[v:], Y: m.Y[v:], Z: m.Z[v:], Tri: m.Tri[k:]}, m.cover[v:]}
}

// grown returns a slice of the same content with room for n in all.
func grown[T any](s []T, n int) []T { return append(make([]T, 0, max(n, len(s))), s...) }

// meshBytes is what a mesh takes, and the cover of its vertices.
func meshBytes(vertices, triangles int) int64 { return 13*int64(vertices) + 12*int64(triangles) }
