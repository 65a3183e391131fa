package format

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// drawMesh draws a mesh of float32 coordinates about a drawn origin.
func drawMesh(t *rapid.T, origin float64) *scan.Mesh {
	n := rapid.IntRange(3, 40).Draw(t, "vertices")
	m := &scan.Mesh{Origin: geom.Vec{X: rapid.Float64Range(-origin, origin).Draw(t, "origin")}}
	coordinate := rapid.Float32Range(-5000, 5000)
	for range n {
		m.X = append(m.X, coordinate.Draw(t, "x"))
		m.Y = append(m.Y, coordinate.Draw(t, "y"))
		m.Z = append(m.Z, coordinate.Draw(t, "z"))
	}
	for range 3 * rapid.IntRange(1, 60).Draw(t, "triangles") {
		m.Tri = append(m.Tri, int32(rapid.IntRange(0, n-1).Draw(t, "corner")))
	}
	return m
}

func drawUnit(t *rapid.T) length.Unit { return rapid.SampledFrom(length.Units()).Draw(t, "unit") }

// reread parses what was written, back in millimetres.
func reread(t *rapid.T, name string, raw []byte, u length.Unit) Content {
	r, err := OpenAt(bytes.NewReader(raw), int64(len(raw)), name)
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.Content(t.Context(), u.MM())
	if err != nil {
		t.Fatal(err)
	}
	if c.About.Units != u {
		t.Fatalf("got the unit %q, want %q", c.About.Units, u)
	}
	return c
}

func TestPLYMeshRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, u := drawMesh(t, 1e7), drawUnit(t)
		var b bytes.Buffer
		if err := WritePLYMesh(&b, m, WriteOptions{Units: u, Comments: []string{"two\nlines"}}); err != nil {
			t.Fatal(err)
		}
		got := reread(t, "a.ply", b.Bytes(), u).Mesh
		if len(got.Tri) != len(m.Tri) {
			t.Fatalf("got %d corners, want %d", len(got.Tri), len(m.Tri))
		}
		for i := range m.Tri {
			// Two roundings of at most 1 µm, and the grain about the new origin.
			if d := got.At(got.Tri[i]).Dist(m.At(m.Tri[i])); d > 0.004+1e-6*math.Abs(m.Origin.X)/64 {
				t.Fatalf("corner %d moved by %g mm", i, d)
			}
		}
	})
}

// TestPLYMarksClosed: the marked face has the property, and the mesh reads back as it was.
func TestPLYMarksClosed(t *testing.T) {
	m := &scan.Mesh{X: []float32{0, 1, 1, 0}, Y: []float32{0, 0, 1, 1}, Z: make([]float32, 4), Tri: []int32{0, 1, 2, 0, 2, 3}}
	var out bytes.Buffer
	if err := WritePLYMesh(&out, m, WriteOptions{Closed: []int32{1}}); err != nil {
		t.Fatal(err)
	}
	_, body, _ := bytes.Cut(out.Bytes(), []byte("end_header\n"))
	faces := body[4*12:]
	const face = 1 + 3*4 + 4
	for k, want := range []byte{0, 1} {
		if got := faces[k*face+13]; got != want {
			t.Errorf("face %d: closed is %d, want %d", k, got, want)
		}
	}
	r, err := OpenAt(bytes.NewReader(out.Bytes()), int64(out.Len()), "marked.ply")
	if err != nil {
		t.Fatal(err)
	}
	c, err := r.Content(t.Context(), 1)
	if err != nil || c.Mesh == nil || !slices.Equal(c.Mesh.Tri, m.Tri) {
		t.Errorf("read back %+v, %v", c.Mesh, err)
	}
}

func TestSTLRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, u := drawMesh(t, 1000), drawUnit(t)
		var b bytes.Buffer
		if err := WriteSTL(&b, m, WriteOptions{Units: u}); err != nil {
			t.Fatal(err)
		}
		if want := 84 + 50*m.Triangles(); b.Len() != want { // CV-8.2
			t.Fatalf("got %d bytes, want %d", b.Len(), want)
		}
		got := reread(t, "a.stl", b.Bytes(), u).Mesh
		for i := range m.Tri {
			if d := got.At(got.Tri[i]).Dist(m.At(m.Tri[i])); d > 0.004 {
				t.Fatalf("corner %d moved by %g mm", i, d)
			}
		}
	})
}

func TestPLYCloudRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMesh(t, 0)
		c := &scan.Cloud{X: m.X, Y: m.Y, Z: m.Z, NX: m.Y, NY: m.Z, NZ: m.X}
		if rapid.Bool().Draw(t, "intensity") {
			c.Intensity = m.Z
		}
		var b bytes.Buffer
		if err := WritePLYCloud(&b, c, WriteOptions{}); err != nil {
			t.Fatal(err)
		}
		got := reread(t, "a.ply", b.Bytes(), length.Millimetre).Cloud
		for i := range c.X {
			if got.At(i).Dist(c.At(i)) > 0.004 || got.NX[i] != c.NX[i] || got.NZ[i] != c.NZ[i] {
				t.Fatalf("point %d: got %v, want %v", i, got.At(i), c.At(i))
			}
		}
		if (got.Intensity == nil) != (c.Intensity == nil) {
			t.Fatalf("got intensity %v, want %v", got.Intensity, c.Intensity)
		}
	})
}

// TestDoubleWhereSingleIsCoarse holds the rule of WriteOptions to its boundary.
func TestDoubleWhereSingleIsCoarse(t *testing.T) {
	for _, c := range []struct {
		x    float64
		want string
	}{{singleReach, "property float x"}, {singleReach + 1, "property double x"}} {
		var b bytes.Buffer
		cloud := &scan.Cloud{Origin: geom.Vec{X: c.x}, X: []float32{0}, Y: []float32{0}, Z: []float32{0}}
		if err := WritePLYCloud(&b, cloud, WriteOptions{}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(b.Bytes(), []byte(c.want)) {
			t.Errorf("at %g mm: got %q, want %q", c.x, b.String(), c.want)
		}
	}
	far := &scan.Mesh{Origin: geom.Vec{X: 1e7}, X: []float32{0, 1, 0}, Y: []float32{0, 0, 1}, Z: []float32{0, 0, 0}, Tri: []int32{0, 1, 2}}
	if err := WriteSTL(&bytes.Buffer{}, far, WriteOptions{}); err == nil {
		t.Error("a mesh 10 km away was written as STL")
	}
}
