package distance

import (
	"math"
	"math/bits"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// fanOf returns the triangles around vertex v in ascending order, one as often as it names
// v. The tree finds them: their boxes hold the place of v. What it returns is valid until
// the next call with the same searcher.
func (x *Index) fanOf(v int32, s *searcher) []int32 {
	s.fan = s.fan[:0]
	m := x.mesh
	var q query
	q.lo = [3]float32{m.X[v], m.Y[v], m.Z[v]}
	q.hi = q.lo
	var d [fan]float32
	s.stack[0] = pending{level: int32(len(x.levels) - 1)}
	for top := 1; top > 0; {
		top--
		at := s.stack[top]
		for near := distances2(x.node(s, at.level, at.index), &q, 0, &d); near != 0; near &= near - 1 {
			child := fan*at.index + int32(bits.TrailingZeros32(near))
			if at.level > 0 {
				s.stack[top] = pending{level: at.level - 1, index: child}
				top++
				continue
			}
			t := x.order.triangle(child)
			for _, corner := range m.Tri[3*t : 3*t+3] {
				if corner == v {
					s.fan = append(s.fan, t)
				}
			}
		}
	}
	slices.Sort(s.fan)
	return s.fan
}

// pseudoNormal returns the normal, of any length, that decides on which side of
// the surface a point lies whose closest point is on that feature of triangle t: the
// face's own, the sum of the two faces' at an edge, the angle-weighted sum at a
// corner (Bærentzen & Aanæs 2005, §3).
func (x *Index) pseudoNormal(t int32, on feature, s *searcher) geom.Vec {
	tri := x.mesh.Tri[3*t : 3*t+3]
	switch on {
	case face:
		return unitNormal(x.mesh, t)
	case corner0, corner1, corner2:
		v := tri[on-corner0]
		return cornerNormal(x.mesh, x.fanOf(v, s), v)
	case edge01, edge12, edge20:
		i := on - edge01
		return edgeNormal(x.mesh, x.fanOf(tri[i], s), tri[(i+1)%3])
	}
	return geom.Vec{}
}

func unitNormal(m *scan.Mesh, t int32) geom.Vec {
	var c corners
	c.load(m, t)
	return c.normal()
}

// edgeNormal returns the sum of the normals at the edge to v of the vertex with this fan.
func edgeNormal(m *scan.Mesh, around []int32, v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range around {
		tri := m.Tri[3*t : 3*t+3]
		if tri[0] == v || tri[1] == v || tri[2] == v {
			sum = sum.Add(unitNormal(m, t))
		}
	}
	return sum
}

func cornerNormal(m *scan.Mesh, around []int32, v int32) geom.Vec {
	var sum geom.Vec
	for _, t := range around {
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
