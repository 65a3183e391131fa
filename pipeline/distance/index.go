// Package distance answers how far a point lies from a triangle mesh, and how
// far two meshes depart from each other.
//
// In comes a mesh, out comes an Index that finds the closest point of the
// surface for any point, with a sign: positive outside, negative inside. The
// triangles are put in the order of a Hilbert curve, which is then made tidier by
// halving, and packed, eight to a node, into a tree that needs no pointers (after
// I. Kamel & C. Faloutsos, Hilbert R-tree: An Improved R-tree Using Fractals, VLDB
// 1994); building it is two sorts and one pass a level. The sign is that of the
// angle-weighted pseudo-normal (J. A. Bærentzen & H. Aanæs, Signed Distance
// Computation Using the Angle Weighted Pseudonormal, IEEE TVCG 11(3), 2005),
// which is right also where the closest point is an edge or a corner. TwoSided
// measures both directions apart (P. Cignoni, C. Rocchini & R. Scopigno,
// Measuring Error on Simplified Surfaces, CGF 17(2), 1998), on every vertex and
// on samples spread evenly over the area.
//
// Triangles without area are kept and have a distance like any other. A mesh
// with coordinates that are not finite, or with indices that point nowhere, is
// refused. The sign needs a welded mesh: corners that should be one vertex must
// be one vertex.
package distance

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// ErrNotFinite says that a mesh has a coordinate that is NaN or infinite.
var ErrNotFinite = errors.New("the mesh has a coordinate that is not finite")

// ErrIndex says that a triangle names a vertex that does not exist.
var ErrIndex = errors.New("a triangle names a vertex that does not exist")

// fan is the number of children of a node. A leaf is one triangle.
const fan = 8

// blockSize is the number of triangles or queries in one piece of parallel work.
const blockSize = 4096

// node holds the boxes of its eight children; a child that does not exist has an
// empty box, which is infinitely far from everything.
type node struct {
	lo, hi [3][fan]float32
}

// corners are the three corners of a triangle relative to the mesh's origin.
type corners [9]float32

// Index finds closest points on one mesh. It does not change after Build and may be
// used by many goroutines at once. It keeps the mesh, which must not change either.
type Index struct {
	mesh   *scan.Mesh
	order  order    // the triangle of the mesh at each place of the tree
	levels [][]node // levels[0] holds the boxes of the leaves; the last level is the root
	lowest int32    // the lowest level that is held; those below are made when they are asked for
	slack  float32  // millimetres by which rounding to float32 can move a query, see search
	shelf  shelf
}

// Build makes the index of m in O(n log n) time. It holds about 32 bytes a triangle.
// It returns ErrNotFinite or ErrIndex for a mesh that is broken. A mesh without
// triangles gives an index that finds nothing.
func Build(ctx context.Context, m *scan.Mesh) (*Index, error) {
	x, err := build(ctx, m, 0)
	if err != nil {
		return nil, fmt.Errorf("index a mesh of %d triangles: %w", m.Triangles(), err)
	}
	return x, nil
}

// build makes an index that holds no more than so many bytes beside the mesh, as far as
// that can be; 0 for no bound.
func build(ctx context.Context, m *scan.Mesh, most int64) (*Index, error) {
	if err := Check(ctx, m); err != nil {
		return nil, err
	}
	x := &Index{mesh: m, slack: slackOf(m)}
	byEights, err := x.limit(ctx, most)
	if err != nil {
		return nil, err
	}
	if x.order, err = newOrder(ctx, m, byEights); err != nil {
		return nil, err
	}
	return x, x.pack(ctx)
}

// Check returns ErrNotFinite or ErrIndex for a mesh that no distance can be
// measured to, nil for any other, also for one without triangles.
func Check(ctx context.Context, m *scan.Mesh) error {
	if !m.Origin.IsFinite() {
		return ErrNotFinite
	}
	n := int32(m.Vertices())
	err := par.Blocks(ctx, m.Vertices(), 16*blockSize, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			s := m.X[i] - m.X[i] + m.Y[i] - m.Y[i] + m.Z[i] - m.Z[i] // 0, or NaN
			if s != 0 {
				return ErrNotFinite
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return par.Blocks(ctx, 3*m.Triangles(), 16*blockSize, func(_, lo, hi int) error {
		for _, v := range m.Tri[lo:hi] {
			if uint32(v) >= uint32(n) {
				return ErrIndex
			}
		}
		return nil
	})
}

// load takes the corners of triangle i of m.
func (t *corners) load(m *scan.Mesh, i int32) {
	tri := m.Tri[3*i : 3*i+3]
	a, b, c := tri[0], tri[1], tri[2]
	t[0], t[1], t[2] = m.X[a], m.Y[a], m.Z[a]
	t[3], t[4], t[5] = m.X[b], m.Y[b], m.Z[b]
	t[6], t[7], t[8] = m.X[c], m.Y[c], m.Z[c]
}

// slackOf returns twice the rounding unit of float32 at the largest coordinate.
func slackOf(m *scan.Mesh) float32 {
	b := m.Bounds()
	if b.IsEmpty() {
		return 0
	}
	lo, hi := b.Min.Sub(m.Origin), b.Max.Sub(m.Origin)
	most := math.Max(lo.Scale(-1).Max(hi).At(0), math.Max(lo.Scale(-1).Max(hi).At(1), lo.Scale(-1).Max(hi).At(2)))
	return float32(most * 0x1p-22)
}

// local returns p relative to the origin of the mesh.
func (x *Index) local(p geom.Vec) geom.Vec { return p.Sub(x.mesh.Origin) }
