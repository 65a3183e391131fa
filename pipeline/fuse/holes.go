package fuse

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Hole is a border that was closed: surface that nobody saw.
type Hole struct {
	Center geom.Vec // in the frame of the mesh
	Size   float64  // mm, the largest distance between two of its corners
	Area   float64  // mm², of the triangles that close it
}

// closeHoles closes the holes that are no larger than most, but for those with a corner
// in a box of keep, with triangles between the vertices of their borders, and returns
// what it closed. The new triangles are the last ones of the mesh. A border around a
// piece of surface is not a hole; nor is one that the surface runs into rather than
// around, such as the end of a pipe. Holes whose border touches itself, or that no
// triangles fill without folding, stay open.
func closeHoles(m *scan.Mesh, most float64, keep []geom.Box) []Hole {
	var closed []Hole
	b := newBorder(m)
	for _, loop := range b.loops() {
		size := extent(m, loop, most)
		if size > most || touches(m, loop, keep) || !b.isHole(loop) {
			continue
		}
		tri, ok := b.fill(loop)
		if !ok {
			continue
		}
		h := Hole{Size: size}
		for _, v := range loop {
			h.Center = h.Center.AddScaled(1/float64(len(loop)), m.At(v))
		}
		for t := 0; t < len(tri); t += 3 {
			h.Area += areaOf(m, tri[t], tri[t+1], tri[t+2]).Norm()
		}
		m.Tri = append(m.Tri, tri...)
		closed = append(closed, h)
	}
	return closed
}

// areaOf returns the vector area of a triangle.
func areaOf(m *scan.Mesh, a, b, c int32) geom.Vec {
	p := m.At(a)
	return m.At(b).Sub(p).Cross(m.At(c).Sub(p)).Scale(0.5)
}

// extent returns the largest distance between two corners of a loop, or something
// larger than most as soon as that is clear.
func extent(m *scan.Mesh, loop []int32, most float64) float64 {
	far := 0.0
	for _, v := range loop {
		far = max(far, m.At(loop[0]).Dist(m.At(v)))
	}
	if far > most {
		return far
	}
	for i, v := range loop {
		for _, w := range loop[i+1:] {
			far = max(far, m.At(v).Dist(m.At(w)))
		}
	}
	return far
}

func touches(m *scan.Mesh, loop []int32, boxes []geom.Box) bool {
	return slices.ContainsFunc(loop, func(v int32) bool {
		return slices.ContainsFunc(boxes, func(b geom.Box) bool { return b.Contains(m.At(v)) })
	})
}

// border knows the edges of a mesh that have a triangle on one side alone.
type border struct {
	m     *scan.Mesh
	next  map[int32]int32   // along the border, with the surface on the left; -1 where it branches
	face  map[int32]int32   // the triangle at the edge from a vertex to the next
	edges map[[2]int32]bool // of the mesh, both ways, between vertices of the border
	start []int32           // vertices with a next, in the order of their edges in the mesh
}

func newBorder(m *scan.Mesh) *border {
	b := &border{m: m, next: map[int32]int32{}, face: map[int32]int32{}, edges: map[[2]int32]bool{}}
	isBorder := borderVertices(m)
	var corners []int
	for c, v := range m.Tri {
		if w := m.Tri[c-c%3+(c+1)%3]; isBorder[v] && isBorder[w] {
			b.edges[[2]int32{v, w}] = true
			corners = append(corners, c)
		}
	}
	for _, c := range corners {
		v, w := m.Tri[c], m.Tri[c-c%3+(c+1)%3]
		if b.edges[[2]int32{w, v}] {
			continue
		}
		if _, branches := b.next[v]; branches {
			b.next[v] = -1
			continue
		}
		b.next[v], b.face[v] = w, int32(c/3)
		b.start = append(b.start, v)
	}
	return b
}

// borderVertices finds the vertices where the surface ends. Around any other one, as
// many edges lead away as come in, each to the vertices that the others come from, so
// sums of their ends, mixed well, agree.
func borderVertices(m *scan.Mesh) []bool {
	sum := make([]uint32, m.Vertices())
	for c, v := range m.Tri {
		w := m.Tri[c-c%3+(c+1)%3]
		sum[v] += mix(w)
		sum[w] -= mix(v)
	}
	out := make([]bool, len(sum))
	for v := range sum {
		out[v] = sum[v] != 0
	}
	return out
}

func mix(v int32) uint32 {
	x := uint32(v) * 2654435769
	x ^= x >> 15
	return x * 2246822519
}

// loops returns the borders that meet no vertex twice, in the order of the mesh.
func (b *border) loops() [][]int32 {
	var out [][]int32
	done := map[int32]bool{}
	for _, first := range b.start {
		var loop []int32
		v, ok := first, true
		for ok && v >= 0 && !done[v] {
			done[v] = true
			loop = append(loop, v)
			v, ok = b.next[v]
		}
		if ok && v == first && len(loop) >= 3 {
			out = append(out, loop)
		}
	}
	return out
}

// isHole reports whether triangles across the loop would carry on the surface around
// it, within about 70 degrees on average.
func (b *border) isHole(loop []int32) bool {
	var across, around geom.Vec
	for i, v := range loop {
		across = across.Add(areaOf(b.m, loop[0], loop[(i+1)%len(loop)], v)) // against the border's sense
		t := b.face[v]
		around = around.Add(areaOf(b.m, b.m.Tri[3*t], b.m.Tri[3*t+1], b.m.Tri[3*t+2]).Unit())
	}
	const leastCos = 0.35
	return across.Unit().Dot(around) > leastCos*float64(len(loop))
}

// fill cuts the loop into triangles, one corner after the other, always the one with
// the shortest new edge that folds nothing and repeats no edge of the mesh.
func (b *border) fill(loop []int32) (tri []int32, ok bool) {
	left := slices.Clone(loop)
	slices.Reverse(left)
	var up geom.Vec
	for i, v := range left {
		up = up.Add(areaOf(b.m, left[0], v, left[(i+1)%len(left)]))
	}
	for len(left) > 3 {
		best, shortest := -1, math.Inf(1)
		for i := range left {
			a, v, c := left[i], left[(i+1)%len(left)], left[(i+2)%len(left)]
			if d := b.m.At(a).Dist(b.m.At(c)); d < shortest && !b.edges[[2]int32{a, c}] && !b.edges[[2]int32{c, a}] && b.isEar(left, a, v, c, up) {
				best, shortest = i, d
			}
		}
		if best < 0 {
			return nil, false
		}
		v := (best + 1) % len(left)
		a, c := left[best], left[(best+2)%len(left)]
		tri = append(tri, a, left[v], c)
		b.edges[[2]int32{a, c}] = true
		left = slices.Delete(left, v, v+1)
	}
	return append(tri, left...), true
}

// isEar reports whether the corner v between a and c can be cut off: it faces up, and no
// other corner lies above or below its triangle.
func (b *border) isEar(left []int32, a, v, c int32, up geom.Vec) bool {
	if areaOf(b.m, a, v, c).Dot(up) <= 0 {
		return false
	}
	for _, w := range left {
		if w == a || w == v || w == c {
			continue
		}
		if areaOf(b.m, a, v, w).Dot(up) >= 0 && areaOf(b.m, v, c, w).Dot(up) >= 0 && areaOf(b.m, c, a, w).Dot(up) >= 0 {
			return false
		}
	}
	return true
}
