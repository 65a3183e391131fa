package distance

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// vertexFans lists the triangles around every vertex: those of vertex v are
// tris[first[v]:first[v+1]], in ascending order.
type vertexFans struct {
	first []int32
	tris  []int32
}

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

func (f vertexFans) around(v int32) []int32 { return f.tris[f.first[v]:f.first[v+1]] }

// pseudoNormal returns the normal, of any length, that decides on which side of
// the surface a point lies whose closest point is f's: the face's own, the sum of
// the two faces' at an edge, the angle-weighted sum at a corner (Bærentzen &
// Aanæs 2005, §3).
func (x *Index) pseudoNormal(f *found) geom.Vec {
	t := x.number[f.place]
	tri := x.mesh.Tri[3*t : 3*t+3]
	switch f.on {
	case face:
		return x.unitNormal(t)
	case corner0, corner1, corner2:
		return x.cornerNormal(tri[f.on])
	case edge01, edge12, edge20:
		i := f.on - edge01
		return x.edgeNormal(tri[i], tri[(i+1)%3])
	}
	return geom.Vec{}
}

func (x *Index) unitNormal(t int32) geom.Vec {
	c := cornersOf(x.mesh, t)
	return c.normal()
}

func (x *Index) edgeNormal(u, v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range x.fans.around(u) {
		tri := x.mesh.Tri[3*t : 3*t+3]
		if tri[0] == v || tri[1] == v || tri[2] == v {
			sum = sum.Add(x.unitNormal(t))
		}
	}
	return sum
}

func (x *Index) cornerNormal(v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range x.fans.around(v) {
		sum = sum.AddScaled(x.angleAt(t, v), x.unitNormal(t))
	}
	return sum
}

// angleAt returns the angle of triangle t at its corner v, in radians.
func (x *Index) angleAt(t, v int32) float64 {
	tri := x.mesh.Tri[3*t : 3*t+3]
	i := 0
	for tri[i] != v {
		i++
	}
	p := x.mesh.At(v)
	e, f := x.mesh.At(tri[(i+1)%3]).Sub(p), x.mesh.At(tri[(i+2)%3]).Sub(p)
	return math.Atan2(e.Cross(f).Norm(), e.Dot(f))
}
