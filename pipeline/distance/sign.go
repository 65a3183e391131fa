package distance

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// vertexFans lists the triangles around vertices: those of vertex v are
// tris[first[r]:first[r+1]], in ascending order, with r the rank of v among those.
type vertexFans struct {
	of    *vertexRanks // nil for all vertices
	first []int32
	tris  []int32
}

// newVertexFans makes the fans of all vertices.
func newVertexFans(m *scan.Mesh) vertexFans {
	f := vertexFans{first: make([]int32, m.Vertices()+1), tris: make([]int32, len(m.Tri))}
	for _, v := range m.Tri {
		f.first[v+1]++
	}
	for v := range m.Vertices() {
		f.first[v+1] += f.first[v]
	}
	// Filling from the back moves each count to its start.
	for i, v := range slices.Backward(m.Tri) {
		v++
		f.first[v]--
		f.tris[f.first[v]] = int32(i / 3)
	}
	for v := range m.Vertices() {
		f.first[v] = f.first[v+1]
	}
	f.first[m.Vertices()] = int32(len(m.Tri))
	return f
}

// newFansOf makes the fans of some vertices, in one pass over the triangles.
func newFansOf(ctx context.Context, m *scan.Mesh, some vertexSet) (vertexFans, error) {
	f := vertexFans{of: newVertexRanks(some)}
	if f.of.count == 0 {
		return f, ctx.Err()
	}
	type member struct{ rank, triangle int32 }
	found := make([][]member, par.Count(m.Triangles(), 16*blockSize))
	err := par.Blocks(ctx, m.Triangles(), 16*blockSize, func(block, lo, hi int) error {
		for i, v := range m.Tri[3*lo : 3*hi] {
			if some.has(v) {
				found[block] = append(found[block], member{f.of.rank(v), int32(lo + i/3)})
			}
		}
		return nil
	})
	if err != nil {
		return f, err
	}
	f.first = make([]int32, f.of.count+2) // counts first, one further than they will be
	for _, block := range found {
		for _, m := range block {
			f.first[m.rank+2]++
		}
	}
	for r := range f.of.count {
		f.first[r+2] += f.first[r+1]
	}
	f.tris = make([]int32, f.first[f.of.count+1])
	for _, block := range found {
		for _, m := range block {
			f.tris[f.first[m.rank+1]] = m.triangle
			f.first[m.rank+1]++
		}
	}
	return f, nil
}

func (f *vertexFans) around(v int32) []int32 {
	if f.of != nil {
		v = f.of.rank(v)
	}
	return f.tris[f.first[v]:f.first[v+1]]
}

// sign gives the hits of the points their signs.
func (x *Index) sign(ctx context.Context, p []geom.Vec, hits []Hit) error {
	some := newVertexSet(x.mesh.Vertices())
	err := par.Blocks(ctx, len(p), blockSize, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			if hits[i].Triangle < 0 {
				continue
			}
			if on, _ := x.place(p[i], hits[i].Triangle); on != face {
				some.addShared(x.mesh.Tri[3*hits[i].Triangle+cornerOf(on)])
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	fans, err := newFansOf(ctx, x.mesh, some)
	if err != nil {
		return err
	}
	return par.Blocks(ctx, len(p), blockSize, func(_, lo, hi int) error {
		for i := lo; i < hi; i++ {
			h := &hits[i]
			if h.Triangle < 0 {
				continue
			}
			on, off := x.place(p[i], h.Triangle)
			if pseudoNormal(x.mesh, &fans, int32(h.Triangle), on).Dot(off) < 0 {
				h.Signed = -h.Distance
			}
		}
		return nil
	})
}

// place returns what of a triangle is closest to p, and the way from there to p.
func (x *Index) place(p geom.Vec, triangle int) (on feature, off geom.Vec) {
	var t corners
	t.load(x.mesh, int32(triangle))
	q := x.local(p)
	_, point, on := t.closest(q)
	return on, q.Sub(point)
}

// cornerOf returns the corner whose fan tells the pseudo-normal at a corner or an edge: the
// first one of the edge.
func cornerOf(on feature) int {
	if on >= edge01 {
		return int(on - edge01)
	}
	return int(on - corner0)
}

// pseudoNormal returns the normal, of any length, that decides on which side of
// the surface a point lies whose closest point is on that feature of triangle t: the
// face's own, the sum of the two faces' at an edge, the angle-weighted sum at a
// corner (Bærentzen & Aanæs 2005, §3).
func pseudoNormal(m *scan.Mesh, fans *vertexFans, t int32, on feature) geom.Vec {
	tri := m.Tri[3*t : 3*t+3]
	switch on {
	case face:
		return unitNormal(m, t)
	case corner0, corner1, corner2:
		return cornerNormal(m, fans, tri[cornerOf(on)])
	case edge01, edge12, edge20:
		i := cornerOf(on)
		return edgeNormal(m, fans, tri[i], tri[(i+1)%3])
	}
	return geom.Vec{}
}

func unitNormal(m *scan.Mesh, t int32) geom.Vec {
	var c corners
	c.load(m, t)
	return c.normal()
}

func edgeNormal(m *scan.Mesh, fans *vertexFans, u, v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range fans.around(u) {
		tri := m.Tri[3*t : 3*t+3]
		if tri[0] == v || tri[1] == v || tri[2] == v {
			sum = sum.Add(unitNormal(m, t))
		}
	}
	return sum
}

func cornerNormal(m *scan.Mesh, fans *vertexFans, v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range fans.around(v) {
		sum = sum.AddScaled(angleAt(m, t, v), unitNormal(m, t))
	}
	return sum
}

// angleAt returns the angle of triangle t at its corner v, in radians.
func angleAt(m *scan.Mesh, t, v int32) float64 {
	tri := m.Tri[3*t : 3*t+3]
	i := 0
	for tri[i] != v {
		i++
	}
	p := m.At(v)
	e, f := m.At(tri[(i+1)%3]).Sub(p), m.At(tri[(i+2)%3]).Sub(p)
	return math.Atan2(e.Cross(f).Norm(), e.Dot(f))
}
