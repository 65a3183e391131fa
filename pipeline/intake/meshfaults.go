package intake

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"trammel/pipeline/job"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// MeshSurvey counts what is wrong with a mesh. A clean one has boundary edges and
// nothing else.
type MeshSurvey struct {
	Degenerate  int64 // triangles without area
	Doubled     int64 // triangles with the corners of an earlier one
	Boundary    int64 // edges of one triangle
	NonManifold int64 // edges of three triangles or more
	Flipped     int64 // edges whose two triangles disagree about which side is out
	InsideOut   bool  // the mesh is closed, or nearly, and its triangles face inward
}

// Clean reports whether nothing is wrong with the mesh.
func (m MeshSurvey) Clean() bool {
	return m.Degenerate == 0 && m.Doubled == 0 && m.NonManifold == 0 && m.Flipped == 0 && !m.InsideOut
}

// nearlyClosed is the largest share of boundary edges at which the volume that a
// mesh encloses still tells its sides apart.
const nearlyClosed = 0.02

// SurveyMesh looks at the triangles of a mesh in linear time: triangles and edges
// are gathered by their smallest vertex, and compared there.
func SurveyMesh(ctx context.Context, m *scan.Mesh) (MeshSurvey, error) {
	var s MeshSurvey
	var err error
	if s.Degenerate, s.Doubled, err = surveyTriangles(ctx, m); err != nil {
		return s, err
	}
	edges, err := surveyEdges(ctx, m, &s)
	if err != nil {
		return s, err
	}
	s.InsideOut = edges > 0 && float64(s.Boundary) <= nearlyClosed*float64(edges) && s.Flipped == 0 && volume(m) < 0
	return s, nil
}

// lists holds for every vertex a list of items, one behind the other.
type lists[T any] struct {
	start []int32
	items []T
}

func (l *lists[T]) of(v int) []T { return l.items[l.start[v]:l.start[v+1]] }

// gather makes lists by counting first: each calls its argument with the vertex
// and the item, in the same order both times.
func gather[T any](vertices int, each func(put func(v int32, item T))) lists[T] {
	l := lists[T]{start: make([]int32, vertices+2)}
	each(func(v int32, _ T) { l.start[v+2]++ })
	for v := range vertices + 1 {
		l.start[v+1] += l.start[v]
	}
	l.items = make([]T, l.start[vertices+1])
	each(func(v int32, item T) {
		l.items[l.start[v+1]] = item
		l.start[v+1]++
	})
	return l
}

const vertexBlock = 1 << 16

// overVertices sums what f counts over all vertices.
func overVertices[T any](ctx context.Context, vertices int, f func(v int) T, add func(sum *T, x T)) (T, error) {
	parts := make([]T, par.Count(vertices, vertexBlock))
	err := par.Blocks(ctx, vertices, vertexBlock, func(block, lo, hi int) error {
		for v := lo; v < hi; v++ {
			add(&parts[block], f(v))
		}
		return nil
	})
	var sum T
	for _, p := range parts {
		add(&sum, p)
	}
	return sum, err
}

type corners struct{ middle, largest int32 }

func surveyTriangles(ctx context.Context, m *scan.Mesh) (degenerate, doubled int64, err error) {
	for t := range m.Triangles() {
		a, b, c := m.Corners(t)
		if b.Sub(a).Cross(c.Sub(a)).Norm2() == 0 {
			degenerate++
		}
	}
	byVertex := gather(m.Vertices(), func(put func(v int32, item corners)) {
		for t := range m.Triangles() {
			a, b, c := m.Tri[3*t], m.Tri[3*t+1], m.Tri[3*t+2]
			lo, hi := min(a, b, c), max(a, b, c)
			put(lo, corners{a + b + c - lo - hi, hi})
		}
	})
	doubled, err = overVertices(ctx, m.Vertices(), func(v int) int64 {
		list := byVertex.of(v)
		slices.SortFunc(list, func(x, y corners) int {
			return cmp.Or(cmp.Compare(x.middle, y.middle), cmp.Compare(x.largest, y.largest))
		})
		n := int64(0)
		for i := 1; i < len(list); i++ {
			if list[i] == list[i-1] {
				n++
			}
		}
		return n
	}, func(sum *int64, x int64) { *sum += x })
	return degenerate, doubled, err
}

type edgeCounts struct{ all, boundary, nonManifold, flipped int64 }

// surveyEdges counts the kinds of edges and returns how many there are. An edge
// is kept at its smaller end as the other end, doubled, plus one where it runs
// from the smaller to the larger.
func surveyEdges(ctx context.Context, m *scan.Mesh, s *MeshSurvey) (int64, error) {
	byVertex := gather(m.Vertices(), func(put func(v int32, item uint32)) {
		for t := range m.Triangles() {
			tri := m.Tri[3*t : 3*t+3]
			for k := range 3 {
				switch a, b := tri[k], tri[(k+1)%3]; {
				case a < b:
					put(a, uint32(b)<<1|1)
				case b < a:
					put(b, uint32(a)<<1)
				}
			}
		}
	})
	sum, err := overVertices(ctx, m.Vertices(), func(v int) edgeCounts {
		list := byVertex.of(v)
		slices.Sort(list)
		return countEdges(list)
	}, func(sum *edgeCounts, x edgeCounts) {
		sum.all += x.all
		sum.boundary += x.boundary
		sum.nonManifold += x.nonManifold
		sum.flipped += x.flipped
	})
	s.Boundary, s.NonManifold, s.Flipped = sum.boundary, sum.nonManifold, sum.flipped
	return sum.all, err
}

func countEdges(sorted []uint32) (c edgeCounts) {
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j]>>1 == sorted[i]>>1 {
			j++
		}
		c.all++
		switch {
		case j-i == 1:
			c.boundary++
		case j-i > 2:
			c.nonManifold++
		case sorted[i] == sorted[i+1]:
			c.flipped++
		}
		i = j
	}
	return c
}

// volume returns what the mesh encloses, negative where it is inside out; seen
// from the middle of its box, so that a small gap changes little.
func volume(m *scan.Mesh) float64 {
	middle := m.Bounds().Center()
	sum := 0.0
	for t := range m.Triangles() {
		a, b, c := m.Corners(t)
		sum += a.Sub(middle).Dot(b.Sub(middle).Cross(c.Sub(middle)))
	}
	return sum / 6
}

// MeshFlaws turns a survey into findings about the file called subject.
func (m MeshSurvey) MeshFlaws(subject string, triangles int64) []job.Finding {
	if m.Clean() {
		return nil
	}
	f := job.Finding{Code: job.MeshFlawed, Severity: job.Note, Subject: subject}
	name := job.Printable(subject)
	if m.InsideOut {
		f.Severity = job.Warn
		f.Text = fmt.Sprintf("The triangles of %s face inward: the mesh is inside out, or mirrored. To do: export it again with its triangles counter-clockwise seen from outside.", name)
		return []job.Finding{f}
	}
	f.Text = fmt.Sprintf("%s has %d triangles without area, %d twice there, %d edges of more than two triangles and %d where neighbours face opposite sides, of %d triangles. To do: nothing, if they are few; else look at the settings of the export.",
		name, m.Degenerate, m.Doubled, m.NonManifold, m.Flipped, triangles)
	if bad := m.Degenerate + m.Doubled + m.NonManifold + m.Flipped; bad*100 > triangles {
		f.Severity = job.Warn
	}
	return []job.Finding{f}
}
