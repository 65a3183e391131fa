package main

import (
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// realData is where measured scans lie on machines that have them. Their licences
// keep them out of the project.
const realData = "../../../shared/data"

func needData(t *testing.T, name string) string {
	t.Helper()
	dir := filepath.Join(realData, name)
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("%s is not on this machine: this test needs the measured scans in it", dir)
	}
	return dir
}

func readJSON(t *testing.T, file string, into any) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
}

func writeFile(t *testing.T, file string, content []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

func gunzip(t *testing.T, file string) []byte {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(z)
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	return content
}

// measured is what the sources of the scans say of a file.
type measured struct {
	Path   string
	Expect struct {
		Center []float64 `json:"center_diameter_fixed_m"`
		Pose   struct{ Rotation, Translation []float64 }
	}
}

// TestMeasuredSpheres checks scans that a national metrology institute published
// with its sphere fitting (100 mm spheres at 7 to 14 m): one sphere is used in
// each, and it lies where a fit with the diameter held puts it.
func TestMeasuredSpheres(t *testing.T) {
	dir := needData(t, "tls-spheres")
	var want struct{ Files []measured }
	readJSON(t, filepath.Join(dir, "expected.json"), &want)
	jobDir := t.TempDir()
	centers := map[string]geom.Vec{}
	for _, f := range want.Files {
		if strings.HasPrefix(f.Path, "segmented") || len(f.Expect.Center) != 3 {
			continue
		}
		content, err := os.ReadFile(filepath.Join(dir, f.Path))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, filepath.Join(jobDir, "scans", f.Path), content)
		centers["scans/"+f.Path] = geom.Vec{X: f.Expect.Center[0], Y: f.Expect.Center[1], Z: f.Expect.Center[2]}.Scale(1000)
	}
	writeFile(t, filepath.Join(jobDir, "job.yaml"), []byte(`job: spheres
units: mm
captured: true
instruments:
  - {name: tripod, kind: station, drop: scans, units: m}
spheres: {diameter: 100 mm, tolerance: 0.5 mm}
mesh: {voxel: 5 mm, deviation: 1 mm}
`))
	code, out := runHere("check", "--json", jobDir)
	if code != exitHold { // one sphere a file ties nothing
		t.Fatalf("exit %d\n%s", code, out)
	}
	checkSpheres(t, out, centers)
}

func checkSpheres(t *testing.T, out string, centers map[string]geom.Vec) {
	t.Helper()
	var doc struct {
		Files []struct {
			Path    string
			Spheres []struct {
				Center   [3]float64
				Diameter float64
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &doc); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if len(doc.Files) != len(centers) || len(centers) == 0 {
		t.Fatalf("%d files, want %d", len(doc.Files), len(centers))
	}
	for _, f := range doc.Files {
		if len(f.Spheres) != 1 {
			t.Errorf("%s: %d spheres, want one", f.Path, len(f.Spheres))
			continue
		}
		s := f.Spheres[0]
		off := geom.FromArray(s.Center).Dist(centers[f.Path])
		t.Logf("%s: centre off by %.4f mm, diameter %.3f mm", f.Path, off, s.Diameter)
		if !(off <= 0.05) {
			t.Errorf("%s: the centre is off by %.4f mm, 0.05 mm are allowed", f.Path, off)
		}
		if !(math.Abs(s.Diameter-100) <= 0.5) {
			t.Errorf("%s: diameter %.3f mm, want 100 ± 0.5 mm", f.Path, s.Diameter)
		}
	}
}

// TestMeasuredRangeImages builds five measured range images with given poses and
// compares the mesh with the one that their authors made of ten (G. Turk & M.
// Levoy, Zippered Polygon Meshes from Range Images, SIGGRAPH 94).
func TestMeasuredRangeImages(t *testing.T) {
	if testing.Short() {
		t.Skip("builds five measured scans finely, which takes long with -race; run without -short")
	}
	dir := needData(t, "range-scans-bunny")
	jobDir := t.TempDir()
	scans := writeRangeImages(t, dir, jobDir)
	code, out := runHere("build", jobDir)
	t.Log(out)
	if code != exitDone {
		t.Fatalf("exit %d", code)
	}
	unpacked := t.TempDir()
	if err := unpack(filepath.Join(jobDir, "out", "range-images-r001.zip"), unpacked); err != nil {
		t.Fatal(err)
	}
	ours := readMesh(t, filepath.Join(unpacked, "range-images-r001/data/mesh/object.ply"), 1)
	zipper := filepath.Join(t.TempDir(), "zipper.ply")
	writeFile(t, zipper, gunzip(t, filepath.Join(dir, "bun_zipper.ply.gz")))
	theirs := readMesh(t, zipper, 1000)
	compareMeshes(t, ours, theirs, scans)
}

// TestRangeImagesBySurface ties measured range images that bring no pose, and compares
// with the published ones (The Stanford 3D Scanning Repository), which are known to a
// few tenths of a millimetre themselves. A fifth one shares little with the others and is
// left to the tests of package surface.
func TestRangeImagesBySurface(t *testing.T) {
	if testing.Short() {
		t.Skip("looks for places without a first guess, which takes long with -race; run without -short")
	}
	dir := needData(t, "range-scans-bunny")
	jobDir := t.TempDir()
	writeRangeImages(t, dir, jobDir)
	for _, name := range []string{"poses.csv", "bun180.csv"} {
		if err := os.Remove(filepath.Join(jobDir, "scans", name)); err != nil {
			t.Fatal(err)
		}
	}
	writeFile(t, filepath.Join(jobDir, "job.yaml"), []byte(`job: range-images
units: mm
captured: true
instruments:
  - {name: bench, kind: station, drop: scans, register: surface, units: m, expect: 4, noise: 0.1 mm}
mesh: {voxel: 0.5 mm, deviation: 0.05 mm}
`))
	code, out := runHere("check", "--json", jobDir)
	if code != exitDone {
		t.Fatalf("exit %d: %s", code, out)
	}
	var got struct {
		Network struct {
			Stations []struct {
				Path        string
				Rotation    [9]float64
				Translation [3]float64
			}
		}
	}
	if err := json.Unmarshal([]byte(out[strings.Index(out, "{"):]), &got); err != nil {
		t.Fatal(err)
	}
	published := rangeImagePoses(t, dir)
	first := published["bun000.ply"]
	for _, s := range got.Network.Stations {
		name := filepath.Base(s.Path)
		ours := geom.Pose{R: geom.Mat(s.Rotation), T: geom.FromArray(s.Translation)}
		off := ours.After(first.Inverse().After(published[name]).Inverse())
		middle := geom.Vec{X: -20, Y: 110} // of the object, which is 155 mm long
		angle, shift := geom.Angle(off.R)*180/math.Pi, off.Apply(middle).Dist(middle)
		t.Logf("%s: %.3f° and %.3f mm from where its authors put it", name, angle, shift)
		if angle > 0.4 || shift > 0.4 {
			t.Errorf("%s: %.3f° and %.3f mm off", name, angle, shift)
		}
	}
	if len(got.Network.Stations) != 4 {
		t.Errorf("%d of 4 set-ups are tied", len(got.Network.Stations))
	}
}

// rangeImagePoses returns the published poses, file frame to common frame, in mm.
func rangeImagePoses(t *testing.T, dir string) map[string]geom.Pose {
	t.Helper()
	var want struct{ Files []measured }
	readJSON(t, filepath.Join(dir, "expected.json"), &want)
	out := map[string]geom.Pose{}
	for _, f := range want.Files {
		if r, shift := f.Expect.Pose.Rotation, f.Expect.Pose.Translation; len(r) == 9 && len(shift) == 3 {
			out[strings.TrimSuffix(f.Path, ".gz")] = geom.Pose{R: geom.Mat(r), T: geom.Vec{X: shift[0], Y: shift[1], Z: shift[2]}.Scale(1000)}
		}
	}
	return out
}

// writeRangeImages writes the job and returns the points of all scans in their
// common frame, mm.
func writeRangeImages(t *testing.T, dir, jobDir string) []geom.Vec {
	t.Helper()
	var want struct{ Files []measured }
	readJSON(t, filepath.Join(dir, "expected.json"), &want)
	var points []geom.Vec
	poses := "file,tx,ty,tz,qw,qx,qy,qz\n"
	for _, f := range want.Files {
		r, shift := f.Expect.Pose.Rotation, f.Expect.Pose.Translation
		if len(r) != 9 || len(shift) != 3 {
			continue
		}
		pose := geom.Pose{R: geom.Mat(r), T: geom.Vec{X: shift[0], Y: shift[1], Z: shift[2]}.Scale(1000)}
		q := geom.QuatOf(pose.R)
		name := strings.TrimSuffix(f.Path, ".gz")
		poses += fmt.Sprintf("%s,%.9g,%.9g,%.9g,%.12g,%.12g,%.12g,%.12g\n", name, shift[0], shift[1], shift[2], q.W, q.X, q.Y, q.Z)
		file := filepath.Join(jobDir, "scans", name)
		writeFile(t, file, gunzip(t, filepath.Join(dir, f.Path)))
		content, err := format.Read(t.Context(), file, 0, 1000)
		if err != nil {
			t.Fatal(err)
		}
		for i := range content.Cloud.Len() {
			points = append(points, pose.Apply(content.Cloud.At(i)))
		}
	}
	writeFile(t, filepath.Join(jobDir, "scans", "poses.csv"), []byte(poses))
	writeFile(t, filepath.Join(jobDir, "job.yaml"), []byte(`job: range-images
units: mm
captured: true
instruments:
  - {name: bench, kind: station, drop: scans, register: given, units: m, expect: 5, noise: 0.1 mm}
mesh: {voxel: 0.5 mm, deviation: 0.01 mm} # the fused surface is what is compared: hardly anything may be reduced
`))
	return points
}

func readMesh(t *testing.T, file string, scale float64) *scan.Mesh {
	t.Helper()
	content, err := format.Read(t.Context(), file, 0, scale)
	if err != nil {
		t.Fatal(err)
	}
	if content.Mesh == nil {
		t.Fatalf("%s holds no mesh", file)
	}
	return content.Mesh
}

// compareMeshes asks that our vertices lie on their mesh, and that we have a
// surface wherever they have one that the five scans saw.
func compareMeshes(t *testing.T, ours, theirs *scan.Mesh, scans []geom.Vec) {
	t.Helper()
	var own []geom.Vec
	for i := range ours.Vertices() {
		own = append(own, ours.At(int32(i)))
	}
	off := distances(t, theirs, own)
	t.Logf("%d of our vertices: median %.4f mm, p90 %.4f mm, p99 %.4f mm from their mesh", len(off), at(off, 0.5), at(off, 0.9), at(off, 0.99))
	if !(at(off, 0.5) <= 0.06) {
		t.Errorf("our vertices lie %.4f mm from their mesh (median), 0.06 mm are allowed", at(off, 0.5))
	}
	seen := seenVertices(theirs, scans, 0.7)
	near := distances(t, ours, seen)
	share := float64(len(slices.DeleteFunc(slices.Clone(near), func(d float64) bool { return d > 0.5 }))) / float64(len(near))
	t.Logf("%d of their %d vertices were seen: %.2f %% are within 0.5 mm of our mesh, median %.4f mm", len(seen), theirs.Vertices(), 100*share, at(near, 0.5))
	if !(share >= 0.95) {
		t.Errorf("%.1f %% of the surface seen is in our mesh, want 95 %%", 100*share)
	}
}

func distances(t *testing.T, m *scan.Mesh, points []geom.Vec) []float64 {
	t.Helper()
	index, err := distance.Build(t.Context(), m)
	if err != nil {
		t.Fatal(err)
	}
	hits, err := index.ClosestAll(t.Context(), points, math.Inf(1))
	if err != nil {
		t.Fatal(err)
	}
	out := make([]float64, len(hits))
	for i, h := range hits {
		out[i] = h.Distance
	}
	slices.Sort(out)
	return out
}

// at returns the quantile q of sorted numbers.
func at(sorted []float64, q float64) float64 { return sorted[int(q*float64(len(sorted)-1))] }

// seenVertices returns the vertices in a triangle of m that have a scan point
// within reach.
func seenVertices(m *scan.Mesh, points []geom.Vec, reach float64) []geom.Vec {
	type cell [3]int
	cellOf := func(p geom.Vec) cell {
		return cell{int(math.Floor(p.X / reach)), int(math.Floor(p.Y / reach)), int(math.Floor(p.Z / reach))}
	}
	cells := map[cell][]geom.Vec{}
	for _, p := range points {
		c := cellOf(p)
		cells[c] = append(cells[c], p)
	}
	isNear := func(p geom.Vec) bool {
		c := cellOf(p)
		for i := range 27 {
			for _, q := range cells[cell{c[0] + i%3 - 1, c[1] + i/3%3 - 1, c[2] + i/9 - 1}] {
				if p.Dist(q) <= reach {
					return true
				}
			}
		}
		return false
	}
	used := make([]bool, m.Vertices())
	for _, v := range m.Tri {
		used[v] = true
	}
	var out []geom.Vec
	for v := range m.Vertices() {
		if p := m.At(int32(v)); used[v] && isNear(p) {
			out = append(out, p)
		}
	}
	return out
}
