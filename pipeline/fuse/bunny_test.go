package fuse

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/distance"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const bunnyFolder = "../../../shared/data/range-scans-bunny/"

// lines reads a packed text file of the range scans in the shared data.
func lines(t *testing.T, name string) []string {
	t.Helper()
	f, err := os.Open(bunnyFolder + name)
	if err != nil {
		t.Skip("the range scans are not here; they stand in shared/data/range-scans-bunny:", err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for s := bufio.NewScanner(z); s.Scan(); {
		out = append(out, s.Text())
	}
	return out
}

// points reads the lines of three numbers that follow the header, in metres.
func points(text []string) *scan.Cloud {
	c := &scan.Cloud{}
	for _, l := range text[max(slices.Index(text, "end_header"), 0)+1:] {
		var v geom.Vec
		f := strings.Fields(strings.ReplaceAll(l, ",", " "))
		if len(f) != 3 {
			break
		}
		if _, err := fmt.Sscan(strings.Join(f, " "), &v.X, &v.Y, &v.Z); err != nil {
			break
		}
		c.Append(v.Scale(1000))
	}
	return c
}

// rangeView gives a range image along -z its normals, by the plane through the points
// within 1.5 mm, and leaves out the points beside a jump or seen at a grazing angle.
func rangeView(c *scan.Cloud, pose geom.Pose) View {
	const reach = 1.5
	cell := func(i int) [2]int {
		return [2]int{int(math.Floor(float64(c.X[i]) / reach)), int(math.Floor(float64(c.Y[i]) / reach))}
	}
	bins := map[[2]int][]int{}
	for i := range c.X {
		bins[cell(i)] = append(bins[cell(i)], i)
	}
	v := View{Cloud: c, ToCommon: pose, Weight: make([]float32, c.Len()), Area: make([]float32, c.Len())}
	for i := range c.X {
		n, whole := planeNormal(c, i, bins, cell(i), reach)
		c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
		if whole && n.Z > 0.3 {
			v.Weight[i], v.Area[i] = float32(n.Z*n.Z), float32(0.25/n.Z) // the samples are half a millimetre apart
		}
	}
	return v
}

func planeNormal(c *scan.Cloud, i int, bins map[[2]int][]int, at [2]int, reach float64) (n geom.Vec, whole bool) {
	var near []geom.Vec
	p, beside := c.At(i), 0
	for k := range 9 {
		for _, j := range bins[[2]int{at[0] + k%3 - 1, at[1] + k/3 - 1}] {
			d := c.At(j).Sub(p)
			switch {
			case math.Hypot(d.X, d.Y) > reach:
			case math.Abs(d.Z) > 3*reach:
				beside++
			default:
				near = append(near, d)
			}
		}
	}
	var mean geom.Vec
	for _, d := range near {
		mean = mean.AddScaled(1/float64(len(near)), d)
	}
	var m geom.Mat
	for _, d := range near {
		m = m.Add(geom.Outer(d.Sub(mean), d.Sub(mean)))
	}
	_, axes := geom.Eigen(m)
	if n = axes.Col(0); n.Z < 0 {
		n = n.Scale(-1)
	}
	return n, beside == 0 && len(near) >= 12
}

// TestBunny fuses five real range images with their published poses and compares the
// surface with the published reconstruction (Stanford 3D Scanning Repository), whose
// points lie 0.04 mm from the scans at the median.
func TestBunny(t *testing.T) {
	var expected struct {
		Files []struct {
			Path   string
			Expect struct {
				Pose struct{ Rotation, Translation []float64 }
			}
		}
	}
	raw, err := os.ReadFile(bunnyFolder + "expected.json")
	if err != nil {
		t.Skip("the range scans are not here; they stand in shared/data/range-scans-bunny:", err)
	}
	if err := json.Unmarshal(raw, &expected); err != nil {
		t.Fatal(err)
	}
	var views []View
	for _, f := range expected.Files {
		p := f.Expect.Pose
		if len(p.Rotation) != 9 {
			continue
		}
		pose := geom.Pose{R: geom.Mat(p.Rotation), T: geom.Vec{X: p.Translation[0], Y: p.Translation[1], Z: p.Translation[2]}.Scale(1000)}
		name := f.Path
		if !strings.HasSuffix(name, ".gz") {
			name += ".gz"
		}
		views = append(views, rangeView(points(lines(t, name)), pose))
	}
	if len(views) != 5 {
		t.Fatalf("%d range images with a pose, want 5", len(views))
	}
	m, s := mustFuse(t, Options{Voxel: 0.5}, views...)
	checkManifold(t, m)
	x, err := distance.Build(context.Background(), bunnyMesh(t))
	if err != nil {
		t.Fatal(err)
	}
	var d []float64
	for i := range int32(m.Vertices()) {
		h, _ := x.Closest(m.At(i), math.Inf(1))
		d = append(d, h.Distance)
	}
	slices.Sort(d)
	t.Logf("%d triangles, %d crumbs; distance median %.3f, 90 %% %.3f, 99 %% %.3f mm", m.Triangles(), s.Crumbs, d[len(d)/2], d[len(d)*9/10], d[len(d)*99/100])
	if median := d[len(d)/2]; median > 0.1 {
		t.Errorf("median distance %.3f mm to the published reconstruction, want at most 0.1", median)
	}
}

// bunnyMesh reads the published reconstruction.
func bunnyMesh(t *testing.T) *scan.Mesh {
	t.Helper()
	text := lines(t, "bun_zipper.ply.gz")
	at := slices.Index(text, "end_header") + 1
	m := &scan.Mesh{}
	for _, l := range text[at:] {
		var v geom.Vec
		var n, a, b, c int32
		if strings.HasPrefix(l, "3 ") {
			if _, err := fmt.Sscan(l, &n, &a, &b, &c); err != nil {
				t.Fatal(err)
			}
			m.Tri = append(m.Tri, a, b, c)
			continue
		}
		if _, err := fmt.Sscan(l, &v.X, &v.Y, &v.Z); err != nil {
			t.Fatal(err)
		}
		m.Append(v.Scale(1000))
	}
	return m
}
