package reduce

import (
	"context"
	"math"

	"trammel/pipeline/scan"
)

// A reduced surface is its input with vertices merged in groups: a triangle of the input
// whose corners lie in three groups is one of the result, any other is gone. So a group
// can be taken apart again at any time, whatever was merged after it: its vertices stand
// for themselves, and the triangles of the input around them come back, joined to the
// groups that stay.

// widen adds the vertices around those that are marked.
func (s *surface) widen(marked []bool) {
	var next []int32
	for t := 0; t < len(s.tri); t += 3 {
		tri := s.tri[t : t+3]
		if marked[tri[0]] || marked[tri[1]] || marked[tri[2]] {
			next = append(next, tri...)
		}
	}
	for _, v := range next {
		marked[v] = true
	}
}

// restore takes the groups that are marked apart again, and those beside them where the
// surface would not be a manifold otherwise. The vertices that come back are held to d.
// It returns the first of the triangles that have one of them; they are the last ones.
func (s *surface) restore(ctx context.Context, m *scan.Mesh, apart []bool, d *demand) (first int, err error) {
	for {
		t, from, first := s.without(m, apart)
		clash := append(t.classifyFrom(s, apart, from, d), t.flipped(s, m, apart)...)
		if len(clash) == 0 {
			*s = *t
			return first, ctx.Err()
		}
		for _, v := range clash {
			apart[v] = true
		}
		tidy(len(s.owner))
		if err := ctx.Err(); err != nil {
			return 0, err
		}
	}
}

// without returns the surface with the groups apart replaced by what they were made of:
// the vertices that stay, in their order, then those that came back, and likewise the
// triangles. from names those of the input that came back.
func (s *surface) without(m *scan.Mesh, apart []bool) (out *surface, from []int32, first int) {
	out = &surface{origin: s.origin, slender: s.slender, halved: s.halved, owner: make([]int32, len(s.owner))}
	n := len(s.x) + len(s.x)/8
	out.x, out.y, out.z, out.tri = make([]float32, 0, n), make([]float32, 0, n), make([]float32, 0, n), make([]int32, 0, len(s.tri)+len(s.tri)/8)
	number := make([]int32, len(s.x))
	for v := range s.x {
		number[v] = -1
		if !apart[v] {
			number[v] = int32(len(out.x))
			out.x, out.y, out.z = append(out.x, s.x[v]), append(out.y, s.y[v]), append(out.z, s.z[v])
		}
	}
	for o, v := range s.owner {
		switch {
		case v < 0:
			out.owner[o] = -1
		case apart[v]:
			out.owner[o] = int32(len(out.x))
			from = append(from, int32(o))
			out.x, out.y, out.z = append(out.x, m.X[o]), append(out.y, m.Y[o]), append(out.z, m.Z[o])
		default:
			out.owner[o] = number[v]
		}
	}
	out.addTriangles(s.tri, number, nil)
	first = out.triangles()
	isApart := make([]bool, len(s.owner))
	for o, v := range s.owner {
		isApart[o] = v >= 0 && apart[v]
	}
	out.addTriangles(m.Tri, out.owner, isApart)
	return out, from, first
}

// addTriangles adds those whose corners have three numbers, and, unless only is nil, of
// those the ones with a corner that it marks.
func (s *surface) addTriangles(tri, number []int32, only []bool) {
	for k := 0; k+2 < len(tri); k += 3 {
		o, p, q := tri[k], tri[k+1], tri[k+2]
		if only != nil && !only[o] && !only[p] && !only[q] {
			continue
		}
		if a, b, c := number[o], number[p], number[q]; a != b && b != c && c != a && min(a, b, c) >= 0 {
			s.tri = append(s.tri, a, b, c)
		}
	}
}

// classifyFrom takes over from before what holds of the vertices that stay and finds it
// for the others. It returns the vertices of before that stay but would touch themselves.
func (s *surface) classifyFrom(before *surface, apart []bool, from []int32, d *demand) (clash []int32) {
	s.grow()
	s.link()
	s.limit = make([]float32, len(s.x))
	if before.boost != nil {
		s.boost = make([]float32, len(s.x))
	}
	var was []int32 // in before, of each that stays
	for v := range before.x {
		if !apart[v] {
			s.inherit(int32(len(was)), before, int32(v))
			was = append(was, int32(v))
		}
	}
	var f fan
	beside := make([]bool, len(was))
	for k := int32(len(was)); k < int32(len(s.x)); k++ {
		f.read(s, k)
		s.flags[k] = f.kind() | returned
		s.q[k], s.area[k] = s.firstQuadric(k, &f)
		var halved uint8
		if d.halved != nil {
			halved = d.halved[from[int(k)-len(was)]]
		}
		d.set(s, k, halved)
		for _, w := range append(f.from, f.to...) {
			if int(w) < len(was) {
				beside[w] = true
			}
		}
	}
	for k, v := range was {
		if beside[k] && before.flags[v]&held == 0 {
			if f.read(s, int32(k)); f.kind() != before.flags[v]&onBorder {
				clash = append(clash, v)
			}
		}
	}
	return clash
}

// flipped returns the vertices of before that stay but would turn a triangle that came back,
// which they join, over on its other side.
func (s *surface) flipped(before *surface, m *scan.Mesh, apart []bool) (out []int32) {
	for k := 0; k+2 < len(m.Tri); k += 3 {
		var was [3]int32
		stays := 0
		for i, o := range m.Tri[k : k+3] {
			if was[i] = before.owner[o]; was[i] >= 0 && !apart[was[i]] {
				stays++
			}
		}
		a, b, c := s.owner[m.Tri[k]], s.owner[m.Tri[k+1]], s.owner[m.Tri[k+2]]
		if stays == 0 || stays == 3 || a == b || b == c || c == a || min(a, b, c) < 0 {
			continue // not one of them
		}
		p, q, r := m.Corners(k / 3)
		x := s.at(a)
		if q.Sub(p).Cross(r.Sub(p)).Dot(s.at(b).Sub(x).Cross(s.at(c).Sub(x))) >= 0 {
			continue
		}
		for _, v := range was {
			if !apart[v] {
				out = append(out, v)
			}
		}
	}
	return out
}

// inherit takes over what holds of a vertex.
func (s *surface) inherit(k int32, before *surface, v int32) {
	s.q[k], s.area[k], s.flags[k], s.limit[k] = before.q[v], before.area[v], before.flags[v], math.MaxFloat32
	if before.limit != nil {
		s.limit[k] = before.limit[v]
	}
	if before.boost != nil {
		s.boost[k] = before.boost[v]
	}
}
