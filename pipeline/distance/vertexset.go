package distance

import "trammel/pipeline/scan"

// vertexSet is a set of vertices, a bit each.
type vertexSet []uint64

// usedVertices returns the vertices that triangles of m name.
func usedVertices(m *scan.Mesh) vertexSet {
	s := make(vertexSet, (m.Vertices()+63)/64)
	for _, v := range m.Tri {
		s[v>>6] |= 1 << (v & 63)
	}
	return s
}

func (s vertexSet) has(v int32) bool { return s[v>>6]>>(v&63)&1 != 0 }
