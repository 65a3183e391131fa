package glb

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/metrics"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// wavy makes a mesh of side × side vertices, a millimetre apart, about an origin.
func wavy(side int, origin geom.Vec) *scan.Mesh {
	m := &scan.Mesh{Origin: origin}
	for i := range side * side {
		x, y := float32(i%side), float32(i/side)
		m.X, m.Y, m.Z = append(m.X, x), append(m.Y, y), append(m.Z, 50*float32(math.Sin(float64(x+y)/100)))
		if v := int32(i); i%side > 0 && i >= side {
			m.Tri = append(m.Tri, v-int32(side)-1, v-int32(side), v, v-int32(side)-1, v, v-1)
		}
	}
	return m
}

// coloured adds normals and colours of every byte to a mesh.
func coloured(m *scan.Mesh) Named {
	n := Named{Name: "coloured", Mesh: m}
	c := m.Cloud()
	for i := range m.X {
		n.Normals = append(n.Normals, c.NX[i], c.NY[i], c.NZ[i])
		n.RGB = append(n.RGB, uint8(i), uint8(i/2), uint8(255-i))
	}
	return n
}

func written(t testing.TB, s Scene) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, s); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// scenes are what the outside validator is shown.
func scenes() map[string]Scene {
	loose := wavy(4, geom.Vec{})
	loose.Append(geom.Vec{X: 1}) // a vertex without a triangle has the normal zero
	return map[string]Scene{
		"empty": {Generator: "test"},
		"plain": {Generator: "test", Meshes: []Named{{Name: "object", Mesh: wavy(20, geom.Vec{X: 300})}}},
		"datum, levels, colours, far away": {Generator: "test", Name: "sprayer",
			Datum: &Frame{Name: "datum", Pose: geom.Pose{R: geom.RotVec(geom.Vec{X: 0.3, Y: -1, Z: 2}), T: geom.Vec{X: 1e7, Y: -250}}},
			Meshes: []Named{{Name: "full", Mesh: wavy(50, geom.Vec{X: 1e7, Y: -1e7, Z: 500})},
				coloured(wavy(20, geom.Vec{X: 1e7, Y: -1e7, Z: 500})), {Name: "nothing", Mesh: &scan.Mesh{}}, coloured(loose)}},
	}
}

// TestValidator shows what is written to the glTF Validator of the Khronos Group
// (npm package gltf-validator, module folder in NODE_PATH) and expects no error
// and no warning.
func TestValidator(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("node is not installed; the outside check of GLB files is left out")
	}
	if exec.Command(node, "-e", `require("gltf-validator")`).Run() != nil {
		t.Skip(`the npm package gltf-validator is not there; install it somewhere and point NODE_PATH at its node_modules to check GLB files`)
	}
	const script = `require("gltf-validator").validateBytes(new Uint8Array(require("fs").readFileSync(process.argv[1])))` +
		`.then(r => console.log(JSON.stringify({e: r.issues.numErrors, w: r.issues.numWarnings, m: r.issues.messages.slice(0, 5), n: r.info.totalTriangleCount})))`
	for name, s := range scenes() {
		path := filepath.Join(t.TempDir(), "a.glb")
		if err := os.WriteFile(path, written(t, s), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(node, "-e", script, path).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		var report struct {
			E, W, N int
			M       json.RawMessage
		}
		if err := json.Unmarshal(out, &report); err != nil {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		want := 0
		for _, m := range s.Meshes {
			want += m.Mesh.Triangles()
		}
		if report.E != 0 || report.W != 0 || report.N != want {
			t.Errorf("%s: the validator says %d errors, %d warnings, %d triangles (want %d): %s", name, report.E, report.W, report.N, want, report.M)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		far := rapid.SampledFrom([]float64{0, 1e6, 1e7}).Draw(t, "far")
		m := &scan.Mesh{Origin: geom.Vec{X: far, Y: -far, Z: far / 3}}
		n := rapid.IntRange(3, 30).Draw(t, "vertices")
		for range n {
			f := rapid.Float32Range(-2500, 2500)
			m.X, m.Y, m.Z = append(m.X, f.Draw(t, "x")), append(m.Y, f.Draw(t, "y")), append(m.Z, f.Draw(t, "z"))
		}
		for range 3 * rapid.IntRange(1, 20).Draw(t, "triangles") {
			m.Tri = append(m.Tri, int32(rapid.IntRange(0, n-1).Draw(t, "corner")))
		}
		s := Scene{Meshes: []Named{{Name: "a", Mesh: m}}}
		frame := geom.IdentityPose()
		if rapid.Bool().Draw(t, "datum") {
			frame = geom.Pose{R: geom.RotVec(geom.Vec{X: 1, Y: 0.5}), T: geom.Vec{X: 100, Y: -far}}
			s.Datum = &Frame{Name: "datum", Pose: frame}
		}
		var b bytes.Buffer
		if err := Write(&b, s); err != nil {
			t.Fatal(err)
		}
		got, _, err := all(b.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range m.Tri {
			want := YUp().Apply(frame.Apply(m.At(v)))
			// Half a grain of a float32 at 5.5 m is 0.24 µm an axis; 1e-7 mm is for float64 at 10 km.
			if d := got.at(int(got.Tri[i])).Scale(1000).Dist(want); d > 0.0005 {
				t.Fatalf("corner %d is %g mm off, %g mm from zero", i, d, far)
			}
		}
	})
}

func TestZUpBecomesYUp(t *testing.T) {
	got := YUp().Apply(geom.Vec{X: 1, Y: 2, Z: 3})
	if got != (geom.Vec{X: 1, Y: 3, Z: -2}) || YUp().R.Det() != 1 {
		t.Errorf("got %v, determinant %g, want 1 3 −2 and a rotation", got, YUp().R.Det())
	}
	m := &scan.Mesh{X: []float32{0, 0, 0}, Y: []float32{0, 1000, 0}, Z: []float32{0, 0, 2000}, Tri: []int32{0, 1, 2}}
	p := mustAll(t, written(t, Scene{Meshes: []Named{{Mesh: m}}}))
	if d := p.at(2).Dist(geom.Vec{Y: 2}); d > 1e-12 { // two metres up
		t.Errorf("got %v, want 0 2 0", p.at(2))
	}
}

func TestSameSceneSameBytes(t *testing.T) {
	for name, s := range scenes() {
		if !bytes.Equal(written(t, s), written(t, s)) {
			t.Errorf("%s: two writings differ", name)
		}
	}
}

// TestColoursComeBack allows what eight linear bits lose in the dark: the steps
// there are 12.92 times wider than on the screen.
func TestColoursComeBack(t *testing.T) {
	for v := range 256 {
		back := encodeSRGB(float64(decodeSRGB(uint8(v))) / 255)
		allowed := 7.0
		if v > 100 {
			allowed = 1
		}
		if d := math.Abs(float64(back) - float64(v)); d > allowed {
			t.Errorf("the screen's %d came back as %d", v, back)
		}
	}
}

func TestWriteRefuses(t *testing.T) {
	nan := wavy(3, geom.Vec{})
	nan.X[1] = float32(math.NaN())
	beyond := wavy(3, geom.Vec{})
	beyond.Tri[2] = 9
	for name, n := range map[string]Named{
		"not finite":     {Mesh: nan},
		"corner":         {Mesh: beyond},
		"normals' and 0": {Mesh: wavy(3, geom.Vec{}), Normals: []float32{0, 0, 1}},
	} {
		if err := Write(&bytes.Buffer{}, Scene{Meshes: []Named{n}}); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	full := errors.New("disk full")
	if err := Write(failing{full}, scenes()["plain"]); !errors.Is(err, full) {
		t.Errorf("got %v, want the writer's error", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// allocated returns the bytes that were ever allocated on the heap.
func allocated() uint64 {
	sample := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}

// FuzzGLB reads arbitrary content: no panic, no more memory than 64 MiB and four
// times the content, every triangle within the points.
func FuzzGLB(f *testing.F) {
	f.Add(one("", `,"mode":5`, "", "", square()))
	f.Add(one(`,"scale":[1,1,-1]`, `,"mode":6`, "", "", square()))
	for _, s := range scenes() {
		if raw := written(f, s); len(raw) < 20_000 {
			f.Add(raw)
		}
	}
	f.Fuzz(func(t *testing.T, content []byte) {
		before := allocated()
		defer func() {
			if used := allocated() - before; used > 64<<20+4*uint64(len(content)) {
				t.Errorf("%d bytes were allocated for %d of content", used, len(content))
			}
		}()
		opened, err := Open(bytes.NewReader(content), int64(len(content)))
		if err != nil {
			return
		}
		var p Portion
		var points, triangles int64
		for err == nil {
			err = opened.Next(&p)
			points, triangles = points+int64(len(p.X)), triangles+int64(len(p.Tri)/3)
			if len(p.Y) != len(p.X) || len(p.NX) != 0 && len(p.NX) != len(p.X) || len(p.RGB) != 0 && len(p.RGB) != 3*len(p.X) {
				t.Fatal("columns of different lengths")
			}
			for _, v := range p.Tri {
				if v < 0 || v >= points {
					t.Fatalf("corner %d of %d points", v, points)
				}
			}
		}
		if points > opened.Points() || triangles > opened.Triangles() {
			t.Fatalf("%d points and %d triangles, %d and %d were announced", points, triangles, opened.Points(), opened.Triangles())
		}
	})
}

func BenchmarkRead(b *testing.B) {
	raw := written(b, Scene{Meshes: []Named{{Mesh: wavy(1500, geom.Vec{})}}})
	b.SetBytes(int64(len(raw)))
	b.ReportAllocs()
	var p Portion
	for b.Loop() {
		f, err := Open(bytes.NewReader(raw), int64(len(raw)))
		for err == nil {
			err = f.Next(&p)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	s := Scene{Meshes: []Named{{Mesh: wavy(1500, geom.Vec{})}}}
	b.SetBytes(int64(len(written(b, s))))
	b.ReportAllocs()
	for b.Loop() {
		if err := Write(discard{}, s); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }
