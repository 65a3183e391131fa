package handoff

import (
	"bytes"
	"math"
	"testing"

	"trammel/pipeline"
	"trammel/pipeline/format"
	"trammel/pipeline/format/glb"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// TestColours: each choice of colours gives another GLB, also with a vertex that has no points.
func TestColours(t *testing.T) {
	b := &pipeline.Built{
		Surface:   &scan.Mesh{X: []float32{0, 100, 0}, Y: []float32{0, 0, 100}, Z: make([]float32, 3), Tri: []int32{0, 1, 2}},
		Departure: []float32{0.1, 0, -0.1},
		FromRaw:   []float32{-0.5, float32(math.NaN()), 0.5},
	}
	seen := map[job.Colour][]byte{}
	for _, c := range []job.Colour{job.NoColour, job.DeviationColour, job.ScansColour} {
		r := Request{Sheet: &job.Sheet{Job: "j", Mesh: job.Mesh{Colour: c, Deviation: 0.2}}}
		var out bytes.Buffer
		if err := r.writeGLB(&out, b); err != nil {
			t.Fatalf("%s: %v", c, err)
		}
		if has := bytes.Contains(out.Bytes(), []byte("COLOR_0")); has != (c != job.NoColour) {
			t.Errorf("%s: has colours is %v", c, has)
		}
		reader, err := format.OpenAt(bytes.NewReader(out.Bytes()), int64(out.Len()), "object.glb")
		if err != nil {
			t.Fatalf("%s: %v", c, err)
		}
		if content, err := reader.Content(t.Context(), 1); err != nil || content.Mesh == nil || content.Mesh.Triangles() != 1 {
			t.Errorf("%s: read back %+v, %v", c, content.Mesh, err)
		}
		for other, raw := range seen {
			if bytes.Equal(raw, out.Bytes()) {
				t.Errorf("%s and %s give the same file", c, other)
			}
		}
		seen[c] = out.Bytes()
	}
}

// TestClosedIsAMeshOfItsOwn: nothing is lost, and closed triangles stand apart.
func TestClosedIsAMeshOfItsOwn(t *testing.T) {
	square := &scan.Mesh{X: []float32{0, 100, 100, 0}, Y: []float32{0, 0, 100, 100}, Z: make([]float32, 4), Tri: []int32{0, 1, 2, 0, 2, 3}}
	got := splitClosed(glb.Named{Name: "reduced", Mesh: square}, []int32{1})
	if len(got) != 2 || got[0].Mesh.Triangles() != 1 || got[1].Mesh.Triangles() != 1 || got[1].Mesh.Vertices() != 3 || len(got[1].RGB) != 9 {
		t.Fatalf("split into %+v", got)
	}
	if area := got[0].Mesh.Area() + got[1].Mesh.Area(); math.Abs(area-square.Area()) > 1e-9 {
		t.Errorf("area %v, before %v", area, square.Area())
	}
	if square.Triangles() != 2 {
		t.Error("the mesh itself was changed")
	}
}
