package reduce

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"trammel/pipeline/format"
	"trammel/pipeline/scan"
)

// referenceScript reduces a mesh with the quadric decimation of Open3D and of VTK to a
// number of triangles and measures these and a given mesh with Open3D's ray casting
// scene, which is none of the three: both directions, on samples spread over the area.
const referenceScript = `
import json, sys, numpy as np, open3d as o3d, vtk
from vtk.util import numpy_support as ns
original, ours, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
read = lambda p: (lambda m: (np.asarray(m.vertices), np.asarray(m.triangles)))(o3d.io.read_triangle_mesh(p))
V, F = read(original)
def by_o3d():
    m = o3d.geometry.TriangleMesh(o3d.utility.Vector3dVector(V), o3d.utility.Vector3iVector(F)).simplify_quadric_decimation(count)
    return np.asarray(m.vertices), np.asarray(m.triangles)
def by_vtk():
    p = vtk.vtkPolyData(); q = vtk.vtkPoints(); q.SetData(ns.numpy_to_vtk(V, deep=1)); p.SetPoints(q)
    c = vtk.vtkCellArray()
    for t in F:
        c.InsertNextCell(3)
        for i in t: c.InsertCellPoint(int(i))
    p.SetPolys(c)
    d = vtk.vtkQuadricDecimation(); d.SetInputData(p); d.SetTargetReduction(1 - count / len(F)); d.Update(); m = d.GetOutput()
    return ns.vtk_to_numpy(m.GetPoints().GetData()).astype(float), ns.vtk_to_numpy(m.GetPolys().GetConnectivityArray()).reshape(-1, 3)
def sample(V, F, n=200000):
    r = np.random.default_rng(3); T = V[F]; a = np.linalg.norm(np.cross(T[:, 1] - T[:, 0], T[:, 2] - T[:, 0]), axis=1)
    T = T[r.choice(len(F), n, p=a / a.sum())]; u, v = r.random((2, n)); f = u + v > 1; u[f], v[f] = 1 - u[f], 1 - v[f]
    return (T[:, 0] + u[:, None] * (T[:, 1] - T[:, 0]) + v[:, None] * (T[:, 2] - T[:, 0])).astype('f4')
def scene(V, F):
    T = V[F]; a = np.linalg.norm(np.cross(T[:, 1] - T[:, 0], T[:, 2] - T[:, 0]), axis=1)
    s = o3d.t.geometry.RaycastingScene(); s.add_triangles(o3d.core.Tensor(V.astype('f4')), o3d.core.Tensor(F[a > 0].astype(np.uint32))); return s
S0, P0 = scene(V, F), sample(V, F)
def judge(m):
    v, f = m; a = S0.compute_distance(o3d.core.Tensor(sample(v, f))).numpy(); b = scene(v, f).compute_distance(o3d.core.Tensor(P0)).numpy()
    return dict(triangles=len(f), rms=float(np.sqrt(max((a ** 2).mean(), (b ** 2).mean()))), max=float(max(a.max(), b.max())))
print(json.dumps(dict(ours=judge(read(ours)), open3d=judge(by_o3d()), vtk=judge(by_vtk()))))
`

// judged is what the script says of a mesh.
type judged struct {
	Triangles int
	RMS, Max  float64
}

// sharedMesh reads a mesh of the shared data, unpacked where it is packed.
func sharedMesh(t *testing.T, name string) *scan.Mesh {
	t.Helper()
	path := "../../../shared/data/" + name
	if _, err := os.Stat(path); err != nil {
		t.Skip("the meshes are not here; they stand in shared/data:", err)
	}
	if plain, isPacked := strings.CutSuffix(name, ".gz"); isPacked {
		path = unpack(t, path, filepath.Base(plain))
	}
	c, err := format.Read(context.Background(), path, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	return c.Mesh
}

func unpack(t *testing.T, path, name string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(out, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return out
}

// writePLY writes a mesh so that other programs can read it.
func writePLY(t *testing.T, name string, m *scan.Mesh) string {
	t.Helper()
	var b bytes.Buffer
	fmt.Fprintf(&b, "ply\nformat binary_little_endian 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\nelement face %d\nproperty list uchar int vertex_indices\nend_header\n", m.Vertices(), m.Triangles())
	for i := range int32(m.Vertices()) {
		p := m.At(i)
		_ = binary.Write(&b, binary.LittleEndian, [3]float32{float32(p.X), float32(p.Y), float32(p.Z)})
	}
	for i := 0; i < len(m.Tri); i += 3 {
		b.WriteByte(3)
		_ = binary.Write(&b, binary.LittleEndian, m.Tri[i:i+3])
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestNoWorseThanReferences reduces real meshes: free-form, with holes and scanned, and two
// as drawn. The error is no larger than that of two libraries at the same count (Open3D and
// VTK, both after Garland & Heckbert), by a judge that is none of them, and the topology
// stays. The largest departure of so few triangles is that of one of them: it is held to
// within a share of the better library's.
func TestNoWorseThanReferences(t *testing.T) {
	const python = "/usr/bin/python3"
	if !*study {
		t.Skip("takes a minute with the libraries' own time; -study runs it")
	}
	if err := exec.Command(python, "-c", "import open3d, vtk").Run(); err != nil {
		t.Skip("Open3D and VTK for Python are not here (python3-open3d, python3-vtk9):", err)
	}
	for _, c := range []struct {
		name  string
		share int
		most  float64 // of the better library's largest departure
	}{
		{"decimation-meshes/spot.obj", 3, 1.1},
		{"decimation-meshes/spot.obj", 10, 1.1},
		{"range-scans-bunny/bun_zipper.ply.gz", 3, 1.1},
		{"range-scans-bunny/bun_zipper.ply.gz", 10, 1.1},
		{"decimation-meshes/machined-part.STL.gz", 2, 0.5}, // a part as drawn, of needles
		{"decimation-meshes/machined-part.STL.gz", 3, 0.5},
		{"decimation-meshes/machined-part.STL.gz", 5, 0.5},
		{"decimation-meshes/tray.STL.gz", 2, 1.1}, // sheet metal with many holes
		{"decimation-meshes/tray.STL.gz", 3, 1.1},
		{"decimation-meshes/tray.STL.gz", 5, 1.25},
	} {
		m := sharedMesh(t, c.name)
		r, s := mustReduce(t, m, Options{Triangles: m.Triangles() / c.share})
		if border, complex := Edges(m); s.ComplexEdges > complex || border > 0 && s.BorderEdges == 0 {
			t.Errorf("%s: %d complex and %d border edges, had %d and %d", c.name, s.ComplexEdges, s.BorderEdges, complex, border)
		}
		script := exec.Command(python, "-c", referenceScript, writePLY(t, "original.ply", m), writePLY(t, "ours.ply", r), fmt.Sprint(r.Triangles()))
		var fault bytes.Buffer
		script.Stderr = &fault
		out, err := script.Output()
		if err != nil {
			t.Fatalf("%s: %v: %s", c.name, err, fault.String())
		}
		var of struct{ Ours, Open3D, VTK judged }
		if err := json.Unmarshal(out[bytes.LastIndexByte(bytes.TrimSpace(out), '\n')+1:], &of); err != nil {
			t.Fatal(err, string(out))
		}
		t.Logf("%s to 1/%d: ours %+v, Open3D %+v, VTK %+v", c.name, c.share, of.Ours, of.Open3D, of.VTK)
		if best := min(of.Open3D.RMS, of.VTK.RMS); of.Ours.RMS > best {
			t.Errorf("%s to 1/%d: %.4g rms, the better library has %.4g", c.name, c.share, of.Ours.RMS, best)
		}
		if best := min(of.Open3D.Max, of.VTK.Max); of.Ours.Max > c.most*best {
			t.Errorf("%s to 1/%d: %.4g at most, the better library has %.4g", c.name, c.share, of.Ours.Max, best)
		}
	}
}

// TestSheetMetalMeetsItsBudget: a tray with 23 holes, drawn with long needles, keeps its
// shape, its topology and to its budget. The better library, VTK's quadric decimation, is
// off by 3.61 rms there in thousandths of the unit of the file.
func TestSheetMetalMeetsItsBudget(t *testing.T) {
	m := sharedMesh(t, "decimation-meshes/tray.STL.gz")
	r, s := mustReduce(t, m, Options{Triangles: m.Triangles() / 3})
	if !s.BudgetMet || s.BorderEdges != 0 || s.ComplexEdges != 0 || euler(r) != euler(m) {
		t.Errorf("%d triangles, %d border and %d complex edges, Euler characteristic %d instead of %d", r.Triangles(), s.BorderEdges, s.ComplexEdges, euler(r), euler(m))
	}
	if s.Deviation.RMS() > 3.61 || s.Deviation.Max() > 200 {
		t.Errorf("off by %v rms, %v at most", s.Deviation.RMS(), s.Deviation.Max())
	}
}
