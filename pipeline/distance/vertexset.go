package distance

import (
	"math/bits"
	"sync/atomic"

	"trammel/pipeline/scan"
)

// vertexSet is a set of vertices, a bit each.
type vertexSet []uint64

func newVertexSet(vertices int) vertexSet { return make(vertexSet, (vertices+63)/64) }

// usedVertices returns the vertices that triangles of m name.
func usedVertices(m *scan.Mesh) vertexSet {
	s := newVertexSet(m.Vertices())
	for _, v := range m.Tri {
		s[v>>6] |= 1 << (v & 63)
	}
	return s
}

func (s vertexSet) has(v int32) bool { return s[v>>6]>>(v&63)&1 != 0 }

// addShared adds a vertex, also while others do.
func (s vertexSet) addShared(v int32) {
	if word, bit := &s[v>>6], uint64(1)<<(v&63); atomic.LoadUint64(word)&bit == 0 {
		atomic.OrUint64(word, bit)
	}
}

// vertexRanks counts the vertices of a set that are lower than one of them.
type vertexRanks struct {
	set    vertexSet
	before []int32 // each word of the set
	count  int32
}

func newVertexRanks(s vertexSet) *vertexRanks {
	r := &vertexRanks{set: s, before: make([]int32, len(s))}
	for i, w := range s {
		r.before[i] = r.count
		r.count += int32(bits.OnesCount64(w))
	}
	return r
}

func (r *vertexRanks) rank(v int32) int32 {
	return r.before[v>>6] + int32(bits.OnesCount64(r.set[v>>6]&(1<<(v&63)-1)))
}
