package pipeline

import (
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/stage"
)

// Patches are kept as one mesh and come apart as they went in; names that give the
// same file get two, and a mount without a triangle has none.
func TestPatchesComeApart(t *testing.T) {
	all := &scan.Mesh{Origin: geom.Vec{X: 100}}
	for i := range 7 {
		all.Append(geom.Vec{X: 100 + float64(i), Y: float64(i * i)})
	}
	all.Tri = []int32{0, 1, 2, 3, 4, 5, 4, 5, 6}
	got := separate(stage.Pair[[]span, *scan.Mesh]{Facts: []span{{"a/b", 3, 3}, {"empty", 3, 3}, {"a b", 7, 9}}, Value: all})
	if len(got) != 2 || got[0].File != "a_b.ply" || got[1].File != "a_b_2.ply" || got[1].Mount != "a b" {
		t.Fatalf("%+v", got)
	}
	m := got[1].Mesh
	if m.Vertices() != 4 || m.Triangles() != 2 || m.At(m.Tri[0]) != (geom.Vec{X: 103, Y: 9}) || m.At(m.Tri[5]) != (geom.Vec{X: 106, Y: 36}) {
		t.Errorf("%+v", m)
	}
}
