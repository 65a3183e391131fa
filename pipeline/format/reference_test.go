package format

import (
	"bytes"
	"encoding/binary"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"trammel/pipeline/format/glb"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Reference libraries that read what is written here: general-purpose mesh
// libraries as Debian packages them for its own Python interpreter.
const (
	withOpen3D = `
import sys, numpy, open3d
m = open3d.io.read_triangle_mesh(sys.argv[1])
out = numpy.asarray(m.vertices)[numpy.asarray(m.triangles).ravel()]
`
	withOpen3DCloud = `
import sys, numpy, open3d
c = open3d.io.read_point_cloud(sys.argv[1])
out = numpy.hstack([numpy.asarray(c.points), numpy.asarray(c.normals)])
`
	withVTK = `
import sys, numpy, vtk
from vtk.util.numpy_support import vtk_to_numpy
kind = sys.argv[1].rsplit(".", 1)[1]
r = {"ply": vtk.vtkPLYReader, "stl": vtk.vtkSTLReader}[kind]()
r.SetFileName(sys.argv[1])
r.Update()
d = r.GetOutput()
out = vtk_to_numpy(d.GetPoints().GetData())[vtk_to_numpy(d.GetPolys().GetData()).reshape(-1, 4)[:, 1:].ravel()]
`
	withVTKScene = `
import sys, numpy, vtk
from vtk.util.numpy_support import vtk_to_numpy
r = vtk.vtkGLTFReader()
r.SetFileName(sys.argv[1])
r.Update()
out = []
it = r.GetOutput().NewIterator()
while not it.IsDoneWithTraversal():
    d = it.GetCurrentDataObject()
    out.append(vtk_to_numpy(d.GetPoints().GetData())[vtk_to_numpy(d.GetPolys().GetData()).reshape(-1, 4)[:, 1:].ravel()])
    it.GoToNextItem()
out = numpy.vstack(out)
`
	toStdout = `
sys.stdout.buffer.write(numpy.ascontiguousarray(out, dtype="<f8").tobytes())
`
)

// reference lets an outside library read the file and returns the numbers that
// the script leaves in "out". Where the library is missing the test is skipped.
func reference(t *testing.T, module, script, path string) []float64 {
	t.Helper()
	const python = "/usr/bin/python3" // Debian's own, which sees Debian's packages
	if exec.Command(python, "-c", "import numpy, "+module).Run() != nil {
		t.Skipf("the Python module %s is not installed (Debian: python3-open3d, python3-vtk9); the outside check is left out", module)
	}
	cmd := exec.Command(python, "-c", script+toStdout, path)
	var out, says bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &says
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v: %s", module, err, says.String())
	}
	v := make([]float64, out.Len()/8)
	for i := range v {
		v[i] = math.Float64frombits(binary.LittleEndian.Uint64(out.Bytes()[8*i:]))
	}
	return v
}

func fileOf(t *testing.T, name string, write func(io.Writer) error) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// oddMesh has coordinates with all their digits in use.
func oddMesh() *scan.Mesh {
	m := wavyMesh(40)
	for i := range m.X {
		m.X[i] += float32(math.Sin(float64(i)))
		m.Y[i] = m.Y[i]*1.0000001 - 1234.5678
	}
	return m
}

// TestMeshesAsOthersReadThem expects every corner to arrive to the last float.
func TestMeshesAsOthersReadThem(t *testing.T) {
	m := oddMesh()
	for _, c := range []struct {
		name, module, script string
		write                func(io.Writer) error
	}{
		{"a.ply", "open3d", withOpen3D, func(w io.Writer) error { return WritePLYMesh(w, m, WriteOptions{}) }},
		{"a.stl", "open3d", withOpen3D, func(w io.Writer) error { return WriteSTL(w, m, WriteOptions{}) }},
		{"a.ply", "vtk", withVTK, func(w io.Writer) error { return WritePLYMesh(w, m, WriteOptions{}) }},
		{"a.stl", "vtk", withVTK, func(w io.Writer) error { return WriteSTL(w, m, WriteOptions{}) }},
	} {
		t.Run(c.module+" "+c.name, func(t *testing.T) {
			got := reference(t, c.module, c.script, fileOf(t, c.name, c.write))
			if len(got) != 3*len(m.Tri) {
				t.Fatalf("got %d numbers, want %d", len(got), 3*len(m.Tri))
			}
			for i, v := range m.Tri {
				for k, want := range m.At(v).Array() {
					if got[3*i+k] != float64(float32(want)) {
						t.Fatalf("corner %d: got %v, want %v", i, got[3*i:3*i+3], m.At(v))
					}
				}
			}
		})
	}
}

func TestCloudsAsOthersReadThem(t *testing.T) {
	c := oddMesh().Cloud()
	got := reference(t, "open3d", withOpen3DCloud, fileOf(t, "a.ply", func(w io.Writer) error { return WritePLYCloud(w, c, WriteOptions{}) }))
	if len(got) != 6*c.Len() {
		t.Fatalf("got %d numbers, want %d", len(got), 6*c.Len())
	}
	for i := range c.X {
		want := [6]float64{float64(c.X[i]), float64(c.Y[i]), float64(c.Z[i]), float64(c.NX[i]), float64(c.NY[i]), float64(c.NZ[i])}
		if [6]float64(got[6*i:6*i+6]) != want {
			t.Fatalf("point %d: got %v, want %v", i, got[6*i:6*i+6], want)
		}
	}
}

// Test3MFAsOthersReadIt has the package turned into a PLY by a command of
// Debian's assimp-utils, which writes six digits.
func Test3MFAsOthersReadIt(t *testing.T) {
	assimp, err := exec.LookPath("assimp")
	if err != nil {
		t.Skip("the command assimp is not installed (Debian: assimp-utils); the outside check of 3MF is left out")
	}
	m := oddMesh()
	path := fileOf(t, "a.3mf", func(w io.Writer) error { return Write3MF(w, m, WriteOptions{}) })
	if out, err := exec.Command(assimp, "export", path, path+".ply").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	c, err := Read(t.Context(), path+".ply", 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Mesh.Tri) != len(m.Tri) {
		t.Fatalf("got %d corners, want %d", len(c.Mesh.Tri), len(m.Tri))
	}
	for i := range m.Tri {
		if got, want := c.Mesh.At(c.Mesh.Tri[i]), m.At(m.Tri[i]); got.Dist(want) > 5e-6*want.Norm() {
			t.Fatalf("corner %d: got %v, want %v", i, got, want)
		}
	}
}

// TestScenesAsOthersReadThem lets a library apply the nodes of a GLB. It does so
// in float32: the tolerance is a few grains of the object's size.
func TestScenesAsOthersReadThem(t *testing.T) {
	m := oddMesh()
	datum := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.1, Y: 0.2, Z: 0.3}), T: geom.Vec{X: 500}}
	s := glb.Scene{Datum: &glb.Frame{Name: "datum", Pose: datum}, Meshes: []glb.Named{{Name: "a", Mesh: m}}}
	got := reference(t, "vtk", withVTKScene, fileOf(t, "a.glb", func(w io.Writer) error { return glb.Write(w, s) }))
	if len(got) != 3*len(m.Tri) {
		t.Fatalf("got %d numbers, want %d", len(got), 3*len(m.Tri))
	}
	for i, v := range m.Tri {
		want := glb.YUp().Apply(datum.Apply(m.At(v))).Scale(0.001)
		if d := geom.FromArray([3]float64(got[3*i : 3*i+3])).Dist(want); d > 1e-6 {
			t.Fatalf("corner %d: got %v, want %v", i, got[3*i:3*i+3], want)
		}
	}
}
