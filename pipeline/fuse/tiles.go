package fuse

import (
	"context"
	"math"
	"slices"

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

// next returns the slab from a layer on that most bytes hold, of one layer at least.
func (c counts) next(from, end, halo int32, most int64) layers {
	s := layers{from, from + 1}
	for s.to < end && c.around(layers{from, s.to + 1}, halo)*blockBytes <= most {
		s.to++
	}
	return s
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
func (t *tree) tiled(ctx context.Context, from source, c *census) (*scan.Mesh, error) {
	isKnown := t.gone != nil || !t.areLooks()
	m, err := t.allSlabs(ctx, from, c)
	if err != nil || isKnown {
		return m, err
	}
	if t.decide(c); t.gone.n == 0 {
		return m, nil
	}
	*c = census{}
	return t.allSlabs(ctx, from, c)
}

func (t *tree) allSlabs(ctx context.Context, from source, c *census) (*scan.Mesh, error) {
	in, all := counts{}, nothing()
	for _, g := range t.levels {
		g.layersAt(1, in)
	}
	for z := range in {
		all = all.including(z)
	}
	t.stats.Tiles = 0
	m := &scan.Mesh{Origin: t.origin}
	for at := all.from; at < all.to; {
		left := t.o.Memory - t.mesh
		if t.mesh == 0 {
			left /= 2 // nobody knows how large the mesh will be
		}
		s := in.next(at, all.to, t.halo(), left)
		if in.around(s, t.halo())*blockBytes > t.o.Memory-t.mesh {
			return nil, t.tooLarge()
		}
		if err := t.addSlab(ctx, s, from, c, m); err != nil {
			return nil, err
		}
		at = s.to
	}
	return m, nil
}

// addSlab fuses what concerns a slab and appends its part to the mesh.
func (t *tree) addSlab(ctx context.Context, s layers, from source, c *census, m *scan.Mesh) error {
	u := t.only(s)
	if err := u.addAll(ctx, from); err != nil {
		return err
	}
	if u.isFull {
		return t.tooLarge()
	}
	part, err := u.extract(ctx, c, s, int64(m.Vertices()))
	if err != nil {
		return err
	}
	t.append(m, part, float64(t.n)/float64(c.blocks))
	t.stats.Tiles++
	return nil
}

// append adds a part to a mesh, whose blocks are a share of all, and reckons how large all
// of it will be.
func (t *tree) append(m, part *scan.Mesh, share float64) {
	room := func(n, more int) int {
		if n > 0 {
			return more
		}
		const margin = 1.05
		return max(more, int(margin*share*float64(more))) // so that growing does not hold it twice
	}
	vertices := room(m.Vertices(), part.Vertices())
	m.X, m.Y, m.Z = append(slices.Grow(m.X, vertices), part.X...), append(slices.Grow(m.Y, vertices), part.Y...), append(slices.Grow(m.Z, vertices), part.Z...)
	m.Tri = append(slices.Grow(m.Tri, room(len(m.Tri), len(part.Tri))), part.Tri...)
	t.mesh = int64(share * float64(meshBytes(m.Vertices(), m.Triangles())))
}

// meshBytes is what a mesh takes.
func meshBytes(vertices, triangles int) int64 { return 12 * (int64(vertices) + int64(triangles)) }
