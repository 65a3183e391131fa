package format

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// sampleFolder holds odd, good and broken files of the test folders of general
// mesh libraries; its SOURCE.md names sources and licences.
const sampleFolder = "../../../shared/data/mesh-files"

// expectation is one entry of expected.json there: counts and bounds by an
// independent script.
type expectation struct {
	Path   string
	Expect struct {
		Verdict string
		Read    struct {
			Vertices   *int64
			Triangles  *int64
			Fan        *int64 `json:"triangles_fan"`
			NonFinite  int64  `json:"nonfinite_vertices"`
			Lines      *int64
			Bounds     *struct{ Min, Max [3]float64 }
			Trailing   int64           `json:"trailing_bytes"`
			PointsLAS  json.RawMessage `json:"points"`
			FormatName string          `json:"format"`
		}
	}
}

func samples(t *testing.T) []expectation {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(sampleFolder, "expected.json"))
	if err != nil {
		t.Skip("the sample files are not here: ", err)
	}
	var all struct{ Files []expectation }
	if err := json.Unmarshal(raw, &all); err != nil {
		t.Fatal(err)
	}
	return all.Files
}

func TestSamples(t *testing.T) {
	for _, s := range samples(t) {
		t.Run(s.Path, func(t *testing.T) {
			c, err := Read(context.Background(), filepath.Join(sampleFolder, s.Path), 0, 1)
			switch {
			case s.Path == "pdal--text--text.txt":
				// The list says "read" of this line of prose, as text in general.
				// As a scan it holds no number, and is refused.
				mustRefuse(t, err, "without a line of three numbers")
			case s.Expect.Verdict == "refuse":
				mustRefuse(t, err, "")
			case strings.HasPrefix(s.Expect.Verdict, "refuse or read") && err != nil:
				mustRefuse(t, err, "")
			case err != nil:
				t.Fatal(err)
			default:
				checkContent(t, c, s)
			}
		})
	}
}

func mustRefuse(t *testing.T, err error, with string) {
	t.Helper()
	if !errors.Is(err, scan.ErrFormat) && !errors.Is(err, scan.ErrTruncated) || !strings.Contains(err.Error(), with) {
		t.Fatalf("got the error %v, want a refusal with %q", err, with)
	}
}

func checkContent(t *testing.T, c Content, s expectation) {
	t.Helper()
	want := s.Expect.Read
	points, triangles, box := int64(0), int64(0), geom.EmptyBox()
	if c.Mesh != nil {
		points, triangles, box = int64(c.Mesh.Vertices()), int64(c.Mesh.Triangles()), c.Mesh.Bounds()
	} else {
		points, box = int64(c.Cloud.Len()), c.Cloud.Bounds()
	}
	if want.Lines != nil {
		n := *want.Lines - 1 // the heading
		want.Vertices = &n
	}
	if want.Vertices != nil && points+c.Invalid() != *want.Vertices {
		t.Errorf("got %d points and %d invalid, want %d", points, c.Invalid(), *want.Vertices)
	}
	if c.Invalid() != want.NonFinite {
		t.Errorf("got %d invalid points, want %d", c.Invalid(), want.NonFinite)
	}
	for _, n := range []*int64{want.Triangles, want.Fan} {
		if n != nil && triangles+c.LostTriangles != *n {
			t.Errorf("got %d triangles and %d lost, want %d", triangles, c.LostTriangles, *n)
		}
	}
	if s.Expect.Verdict == "no points" && points != 0 {
		t.Errorf("got %d points, want none", points)
	}
	if want.Bounds == nil || c.Invalid() > 0 {
		return
	}
	for i := range 3 {
		near(t, "min", box.Min.At(i), want.Bounds.Min[i])
		near(t, "max", box.Max.At(i), want.Bounds.Max[i])
	}
}

// near allows the rounding of a float32.
func near(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 6e-8*math.Abs(want)+1e-9 {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// TestSameContent reads files that hold the same thing in two encodings.
func TestSameContent(t *testing.T) {
	samples(t)
	for _, pair := range [][2]string{
		{"trimesh--fuze.ply", "trimesh--fuze_ascii.ply"},
		{"tinyply--icosahedron.ply", "tinyply--icosahedron_ascii.ply"},
		{"assimp--STL--Spider_binary.stl", "assimp--STL--Spider_ascii.stl"},
		{"numpy-stl--stl_binary--HalfDonut.stl", "numpy-stl--stl_ascii--HalfDonut.stl"},
	} {
		a, errA := Read(context.Background(), filepath.Join(sampleFolder, pair[0]), 0, 1)
		b, errB := Read(context.Background(), filepath.Join(sampleFolder, pair[1]), 0, 1)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		if a.Mesh.Triangles() != b.Mesh.Triangles() {
			t.Errorf("%v: got %d and %d triangles", pair, a.Mesh.Triangles(), b.Mesh.Triangles())
		}
		if x, y := a.Mesh.Area(), b.Mesh.Area(); math.Abs(x-y) > 1e-5*x {
			t.Errorf("%v: got areas %g and %g", pair, x, y)
		}
	}
}
