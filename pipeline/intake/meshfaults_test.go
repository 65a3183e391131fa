package intake

import (
	"slices"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// tetrahedron is closed and faces outward.
func tetrahedron() *scan.Mesh {
	m := &scan.Mesh{}
	for _, p := range []geom.Vec{{}, {X: 1}, {Y: 1}, {Z: 1}} {
		m.Append(p)
	}
	m.Tri = []int32{0, 2, 1, 0, 1, 3, 0, 3, 2, 1, 2, 3}
	return m
}

func reversed(tri []int32) []int32 {
	r := slices.Clone(tri)
	for t := 0; t < len(r); t += 3 {
		r[t+1], r[t+2] = r[t+2], r[t+1]
	}
	return r
}

func TestSurveyMesh(t *testing.T) {
	whole := tetrahedron().Tri
	cases := []struct {
		name string
		tri  []int32
		want MeshSurvey
	}{
		{"closed", whole, MeshSurvey{}},
		{"inside out", reversed(whole), MeshSurvey{InsideOut: true}},
		{"open", whole[:9], MeshSurvey{Boundary: 3}},
		{"open and reversed: nobody can tell", reversed(whole[:9]), MeshSurvey{Boundary: 3}},
		{"one triangle flipped", append(reversed(whole[:3]), whole[3:]...), MeshSurvey{Flipped: 3}},
		{"one triangle twice", append(slices.Clone(whole), 2, 1, 0), MeshSurvey{Doubled: 1, NonManifold: 3}},
		{"a triangle without area", append(slices.Clone(whole), 1, 1, 2), MeshSurvey{Degenerate: 1, NonManifold: 1}},
		{"nothing", nil, MeshSurvey{}},
	}
	for _, c := range cases {
		m := tetrahedron()
		m.Tri = c.tri
		got, err := SurveyMesh(t.Context(), m)
		if err != nil || got != c.want {
			t.Errorf("%s: got %+v, %v; want %+v", c.name, got, err, c.want)
		}
	}
}

func TestMeshFlaws(t *testing.T) {
	for _, c := range []struct {
		survey MeshSurvey
		want   job.Severity
	}{
		{MeshSurvey{Boundary: 50}, ""}, {MeshSurvey{Degenerate: 1}, job.Note}, {MeshSurvey{NonManifold: 20}, job.Warn}, {MeshSurvey{InsideOut: true}, job.Warn},
	} {
		var got job.Severity
		if f := c.survey.MeshFlaws("a.stl", 1000); len(f) > 0 {
			got = f[0].Severity
		}
		if got != c.want {
			t.Errorf("%+v: got %q, want %q", c.survey, got, c.want)
		}
	}
}

func BenchmarkSurveyMesh(b *testing.B) {
	const n = 700
	m := &scan.Mesh{}
	for x := range n {
		for y := range n {
			m.Append(geom.Vec{X: float64(x), Y: float64(y)})
		}
	}
	for x := range n - 1 {
		for y := range n - 1 {
			i := int32(x*n + y)
			m.Tri = append(m.Tri, i, i+n, i+1, i+1, i+n, i+n+1)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := SurveyMesh(b.Context(), m); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(m.Triangles())*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mtriangles/s")
}
