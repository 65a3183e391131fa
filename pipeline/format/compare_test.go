package format

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

var compare = flag.Bool("compare", false, "time our reading against reference libraries")

// withTimes reads a file with each library that can and prints the processor time
// of each, in seconds. What is read is left as arrays of the library's own.
const withTimes = `
import sys, json, time, resource, numpy
path, kind = sys.argv[1], sys.argv[1].rsplit("/", 1)[1]
end = kind.rsplit(".", 1)[1]
def header(f):
    n = {}
    while True:
        w = f.readline().split()
        if w[0] == b"element": n[w[1].decode()] = int(w[2])
        if w[0] == b"end_header": return n
def with_numpy():
    if kind == "binary.stl":
        return numpy.fromfile(path, numpy.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]), offset=84)["v"].copy()
    if kind in ("mesh.ply", "cloud.ply"):
        f = open(path, "rb"); n = header(f)
        if kind == "cloud.ply":
            v = numpy.fromfile(f, "<f4", 6*n["vertex"]).reshape(-1, 6)
            return [v[:, i].copy() for i in range(6)]
        v = numpy.fromfile(f, "<f4", 3*n["vertex"]).reshape(-1, 3)
        return [v[:, i].copy() for i in range(3)], numpy.fromfile(f, numpy.dtype([("c", "u1"), ("v", "<i4", 3)]), n["face"])["v"].copy()
    if kind == "points.xyz":
        return numpy.loadtxt(path)
def with_open3d():
    import open3d
    if kind in ("cloud.ply", "points.xyz"): return open3d.io.read_point_cloud(path)
    return open3d.io.read_triangle_mesh(path)
def with_vtk():
    import vtkmodules.all as vtk
    r = {"ply": vtk.vtkPLYReader, "stl": vtk.vtkSTLReader, "obj": vtk.vtkOBJReader, "glb": vtk.vtkGLTFReader, "xyz": vtk.vtkSimplePointsReader}[end]()
    r.SetFileName(path); r.Update()
    return r
out = {}
for name, read in (("numpy", with_numpy), ("open3d", with_open3d), ("vtk", with_vtk)):
    try:
        if name == "open3d":
            import open3d
            open3d.utility.set_verbosity_level(open3d.utility.VerbosityLevel.Error)
        if name == "vtk": import vtkmodules.all
    except ImportError:
        continue
    times = []
    for _ in range(3):
        t = time.process_time(); x = read(); times.append(time.process_time()-t)
        if x is None: break
        del x
    else:
        out[name] = sorted(times)[1]
print(json.dumps(out))
`

// processorTime is what this process has taken so far, all threads together.
func processorTime(t *testing.T) time.Duration {
	t.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func medianOf3(once func() time.Duration) time.Duration {
	times := []time.Duration{once(), once(), once()}
	slices.Sort(times)
	return times[1]
}

// TestReadingAgainstOthers prints how fast each format is read here and by
// reference libraries, same files, same sitting, medians of three, in processor
// time, since a machine may have other work. Only with -compare.
func TestReadingAgainstOthers(t *testing.T) {
	if !*compare {
		t.Skip("a measurement; run with -compare")
	}
	dir, m := t.TempDir(), wavyMesh(1000)
	for _, f := range []struct {
		name    string
		content []byte
	}{
		{"cloud.ply", binaryOf(t, "cloud.ply", m)}, {"mesh.ply", binaryOf(t, "ply", m)}, {"ascii.ply", asciiOf("ply", m)},
		{"binary.stl", binaryOf(t, "stl", m)}, {"ascii.stl", asciiOf("stl", m)}, {"mesh.obj", asciiOf("obj", m)},
		{"mesh.glb", binaryOf(t, "glb", m)}, {"points.xyz", asciiOf("xyz", m)},
	} {
		path := filepath.Join(dir, f.name)
		if err := os.WriteFile(path, f.content, 0o600); err != nil {
			t.Fatal(err)
		}
		measure := func(read func(testing.TB, string, []byte)) time.Duration {
			return medianOf3(func() time.Duration {
				before := processorTime(t)
				read(t, f.name, f.content)
				return processorTime(t) - before
			})
		}
		mb := float64(len(f.content)) / 1e6
		line := fmt.Sprintf("%-11s %6.0f MB  next %5.0f MB/s  whole %5.0f MB/s", f.name, mb, mb/measure(stream).Seconds(), mb/measure(whole).Seconds())
		for name, seconds := range referenceTimes(t, path) {
			line += fmt.Sprintf("  %s %.0f", name, mb/seconds)
		}
		t.Log(line)
	}
}

func referenceTimes(t *testing.T, path string) map[string]float64 {
	t.Helper()
	var says bytes.Buffer
	cmd := exec.Command("/usr/bin/python3", "-c", withTimes, path)
	cmd.Stderr = &says
	out, err := cmd.Output()
	if err != nil {
		t.Skipf("the reference libraries could not be timed (Debian: python3-numpy, python3-open3d, python3-vtk9): %v: %s", err, says.String())
	}
	lines := bytes.Split(bytes.TrimSpace(out), []byte("\n"))
	var times map[string]float64
	if err := json.Unmarshal(lines[len(lines)-1], &times); err != nil {
		t.Fatal(err, string(out))
	}
	return times
}
