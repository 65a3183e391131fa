package pipeline

import (
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/network"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/simulate"
	"trammel/pipeline/surface"
)

// heldHand is an instrument that three given set-ups hold by their surfaces and four
// spheres by their centres, each put off by what the case says, mm.
func heldHand(surfaceOff [3]geom.Vec, sphereOff [4]geom.Vec) *Built {
	b, _ := twoScans()
	b.Files = append(b.Files, File{Path: "c.ply"}, File{Path: "hand.ply", Kind: job.Tracked, Bounds: geom.Box{Min: geom.Vec{X: -1000, Y: -500}, Max: geom.Vec{X: 1000, Y: 500, Z: 300}}})
	b.Job.Instruments = append(b.Job.Instruments, job.Instrument{Name: "hand", Kind: job.Tracked})
	b.Files[3].Instrument = 1
	b.Network = &network.Result{}
	h := &holding{built: b, body: map[int]int{0: 0, 1: 1, 2: 2, 3: 3}, stations: 3}
	h.graph = posegraph.Graph{Bodies: 4, Known: &posegraph.Known{}}
	for i := range 3 {
		pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: float64(i)}), T: geom.Vec{X: 3000 * float64(i)}}
		b.Stations = append(b.Stations, Station{File: i, ToNetwork: pose, Linked: true, Solved: -1})
		h.graph.Known.Bodies, h.graph.Known.Poses = append(h.graph.Known.Bodies, i), append(h.graph.Known.Poses, pose)
		tie := posegraph.Tie{A: 3, B: i, BToA: geom.Pose{R: geom.Identity(), T: surfaceOff[i].Scale(-1)}.After(pose), Score: 1}
		for k := range 3 {
			tie.Cov[7*k], tie.Cov[7*(k+3)] = 1e-8, 0.01
		}
		h.graph.Ties, h.fits = append(h.graph.Ties, tie), append(h.fits, surface.Result{RMS: 0.5, Pairs: 1000})
	}
	for i, at := range []geom.Vec{{X: 2000, Y: 1000}, {X: -2000, Y: 900, Z: 800}, {X: -1500, Y: -1300}, {X: 1700, Y: -1000, Z: 1200}} {
		b.Network.Spheres = append(b.Network.Spheres, network.SphereResult{ID: fmt.Sprintf("S%d", i+1), Center: at, Cov: geom.Diag(0.01, 0.01, 0.01), Status: network.Used})
		h.graph.Sights = append(h.graph.Sights, posegraph.Sight{Body: 3, Point: i, At: at.Sub(sphereOff[i]), Cov: geom.Diag(0.01, 0.01, 0.01)})
	}
	h.points = fillKnown(h.graph.Known, []int{-1, -1, -1}, b.Network, 1)
	h.hands = []hand{{instrument: 1, files: []int{3}, body: 3, sights: []int{0, 1, 2, 3}, handPlace: handPlace{Rough: surface.Result{SourceToTarget: geom.IdentityPose()}}}}
	if err := h.solve(); err != nil {
		panic(err)
	}
	h.enter()
	return b
}

// What contradicts is named, once, and left out: a pair of surfaces, a sphere, or all of
// one kind against all of the other.
func TestHandHeldTwoWays(t *testing.T) {
	all := func(v geom.Vec) (out [4]geom.Vec) {
		for i := range out {
			out[i] = v
		}
		return out
	}
	cases := []struct {
		name     string
		surfaces [3]geom.Vec
		spheres  [4]geom.Vec
		says     string
		near     float64 // of the truth, mm
	}{
		{"sound", [3]geom.Vec{}, [4]geom.Vec{}, "", 0.1},
		{"a wrong pair of surfaces", [3]geom.Vec{1: {Y: 8}}, [4]geom.Vec{}, "The surfaces of hand.ply and b.ply fit each other 8.", 0.5},
		{"a sphere that was moved", [3]geom.Vec{}, [4]geom.Vec{2: {X: 6}}, "hand.ply shows sphere S3 ", 0.5},
		{"spheres against surfaces", [3]geom.Vec{}, all(geom.Vec{Z: 5}), "by its 4 spheres alone it lies 5.0", 6},
	}
	for _, c := range cases {
		b := heldHand(c.surfaces, c.spheres)
		if len(b.Tracked) != 1 || !b.Tracked[0].Linked || b.Tracked[0].ToNetwork.T.Norm() > c.near || b.Tracked[0].TwoWays == nil {
			t.Fatalf("%s: %+v", c.name, b.Tracked)
		}
		var texts []string
		for _, f := range b.Findings {
			if f.Code == job.OverlapBias {
				texts = append(texts, f.Text)
			}
		}
		if c.says == "" && len(b.Findings) == 0 {
			if w := b.Tracked[0].TwoWays; w.Apart > 0.01 || !(w.Sigma > 0.1) || b.Tracked[0].Ties != 3 || b.Tracked[0].Spheres != 4 {
				t.Errorf("%s: %+v, %+v", c.name, b.Tracked[0], w)
			}
			continue
		}
		if len(texts) != 1 || c.says == "" || !strings.Contains(texts[0], c.says) {
			t.Errorf("%s: %q", c.name, texts)
		}
	}
}

// handScene is a machine of blocks with four spheres about it, which both instruments
// see; the spheres not shown are of another size.
func handScene(shown ...int) (*simulate.Scene, []geom.Vec) {
	matt := simulate.Material{Reflectance: 0.6}
	spheres := []geom.Vec{{X: 900, Y: 500, Z: 700}, {X: -850, Y: 600, Z: 500}, {X: -700, Y: -650, Z: 650}, {X: 800, Y: -600, Z: 950}}
	parts := []simulate.Part{
		simulate.At("body", simulate.Box{Half: geom.Vec{X: 450, Y: 300, Z: 200}}, geom.Vec{Z: 300}, matt),
		simulate.At("lid", simulate.Box{Half: geom.Vec{X: 150, Y: 200, Z: 60}}, geom.Vec{X: 180, Y: -40, Z: 560}, matt),
		simulate.At("tank", simulate.Sphere{Radius: 180}, geom.Vec{X: -250, Y: 60, Z: 520}, matt),
	}
	for i, c := range spheres {
		radius := 72.5
		if shown != nil && !slices.Contains(shown, i) {
			radius = 75.5 // not usable, though there is a ball
		}
		parts = append(parts, simulate.At(fmt.Sprintf("sphere %d", i+1), simulate.Sphere{Radius: radius}, c, matt))
	}
	return simulate.NewScene(parts...), spheres
}

const handSheet = `job: hand
units: mm
captured: true
instruments:
  - {name: tripod, kind: station, drop: tripod, units: mm, noise: 1 mm}
  - {name: hand, kind: tracked, drop: hand, units: mm}
spheres: {diameter: 145 mm, tolerance: 1 mm}
mesh: {voxel: 12 mm, deviation: 5 mm}
`

// writerTo returns what writes a file below a folder.
func writerTo(t *testing.T, dir string) func(path string, f func(w io.Writer) error) {
	t.Helper()
	d := disk.New(nil)
	return func(path string, f func(w io.Writer) error) {
		file := filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := d.Write(file, f); err != nil {
			t.Fatal(err)
		}
	}
}

// writeSetUps scans a scene each from around, the fourth from near the first.
func writeSetUps(t *testing.T, scenes []*simulate.Scene, write func(path string, f func(w io.Writer) error)) (poses []geom.Pose) {
	t.Helper()
	tripod := simulate.NewTripod(0.2)
	tripod.Azimuth, tripod.Elevation, tripod.Noise = [2]float64{-40, 40}, [2]float64{-35, 35}, 0.3
	for i, scene := range scenes {
		at := geom.RotVec(geom.Vec{Z: []float64{0.3, 2.4, 4.5, 0.8}[i]}).MulVec(geom.Vec{X: 2600, Z: 1300 + 300*float64(i%2)})
		x, z := geom.Vec{X: -at.X, Y: -at.Y}.Unit(), geom.Vec{Z: 1}
		pose := geom.Pose{R: geom.Rows(x, z.Cross(x), z).T(), T: at}
		poses = append(poses, pose)
		cloud, err := tripod.Scan(t.Context(), scene, pose, uint64(i)+7)
		if err != nil {
			t.Fatal(err)
		}
		write(fmt.Sprintf("tripod/s%d.ply", i+1), func(w io.Writer) error {
			return format.WritePLYCloud(w, cloud, format.WriteOptions{Units: length.Millimetre})
		})
	}
	return poses
}

// writeHandJob writes three set-ups of the scene and a hand scan of another one, both
// with spheres.
func writeHandJob(t *testing.T, set, hand *simulate.Scene, handToScene geom.Pose) (dir string, first geom.Pose) {
	t.Helper()
	dir = t.TempDir()
	write := writerTo(t, dir)
	first = writeSetUps(t, []*simulate.Scene{set, set, set}, write)[0]
	box := geom.Box{Min: geom.Vec{X: -1000, Y: -760, Z: 120}, Max: geom.Vec{X: 1000, Y: 760, Z: 1100}}
	var sweeps []simulate.Sweep
	for _, v := range []geom.Vec{{Z: -1}, {X: 1, Z: -0.4}, {X: -1, Z: -0.4}, {Y: 1, Z: -0.4}, {Y: -1, Z: -0.4}} {
		sweeps = append(sweeps, simulate.Sweep{Direction: v, Area: box, Spacing: 5})
	}
	mesh, err := simulate.NewHand(box.Min.Z, box.Max.Z).Scan(t.Context(), hand, handToScene, sweeps, 3)
	if err != nil {
		t.Fatal(err)
	}
	write("hand/h.ply", func(w io.Writer) error {
		return format.WritePLYMesh(w, mesh, format.WriteOptions{Units: length.Millimetre})
	})
	write("job.yaml", func(w io.Writer) error {
		_, err := io.WriteString(w, handSheet)
		return err
	})
	return dir, first
}

func placeHandJob(t *testing.T, dir string) *Built {
	t.Helper()
	sheet, _, err := job.ReadSheet(filepath.Join(dir, job.SheetName))
	if err != nil {
		t.Fatal(err)
	}
	r := newRun(Options{Now: time.Unix(0, 0)})
	c, err := r.check(t.Context(), dir, sheet)
	if err != nil {
		t.Fatal(err)
	}
	b := &Built{Checked: *c}
	if err := r.place(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	return b
}

// A hand scan that shows spheres is tied by them and by its surface, wherever it lies.
func TestHandTiedBySpheresAndSurface(t *testing.T) {
	if testing.Short() {
		t.Skip("scans a scene")
	}
	scene, _ := handScene()
	handToScene := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.4, Y: -0.3, Z: 2}), T: geom.Vec{X: 5000, Y: -800, Z: 300}}
	dir, first := writeHandJob(t, scene, scene, handToScene)
	b := placeHandJob(t, dir)
	if len(b.Tracked) != 1 || !b.Tracked[0].Linked {
		t.Fatalf("%+v, %v", b.Tracked, b.Findings)
	}
	x := b.Tracked[0]
	if x.Spheres != 4 || x.Ties != 3 || x.TwoWays == nil || x.TwoWays.Sigmas() > clearly {
		t.Errorf("tied by %d spheres and %d surfaces, two ways %+v; %v", x.Spheres, x.Ties, x.TwoWays, b.Findings)
	}
	want := first.Inverse().After(handToScene)
	for _, q := range b.Files[x.File].Bounds.Corners() {
		at := x.ToNetwork.Apply(q)
		e := at.Sub(want.Apply(q))
		if sigma := math.Sqrt(x.Hold.At(at).Trace()); e.Norm() > 4*sigma || e.Norm() > 1 {
			t.Errorf("a corner is %.3f mm off, sigma %.3f mm", e.Norm(), sigma)
		}
	}
	if x.TwoWays != nil {
		t.Logf("two ways: %.3f mm apart, sigma %.3f mm", x.TwoWays.Apart, x.TwoWays.Sigma)
	}
}

// A set-up that shows none, one or two spheres is tied by its surface and by what it has;
// it stays on hold, and the finding says how well that holds. One whose surface is not
// sure stays without a place.
func TestFewSpheresAreTiedBySurface(t *testing.T) {
	if testing.Short() {
		t.Skip("scans a scene")
	}
	full, _ := handScene()
	matt := simulate.Material{Reflectance: 0.6}
	wall := simulate.NewScene(simulate.At("wall", simulate.Box{Half: geom.Vec{X: 800, Y: 800, Z: 800}}, geom.Vec{Z: 800}, matt))
	none, _ := handScene(-1)
	one, _ := handScene(0)
	two, _ := handScene(0, 3)
	for name, c := range map[string]struct {
		scene *simulate.Scene
		says  string
	}{"no sphere": {none, "by 0 of its own spheres"}, "one": {one, "by 1 of its own spheres"}, "two": {two, "by 2 of its own spheres"}, "another thing": {wall, ""}} {
		dir := t.TempDir()
		write := writerTo(t, dir)
		poses := writeSetUps(t, []*simulate.Scene{full, full, full, c.scene}, write)
		write("job.yaml", func(w io.Writer) error {
			_, err := io.WriteString(w, strings.Replace(handSheet, "  - {name: hand, kind: tracked, drop: hand, units: mm}\n", "", 1))
			return err
		})
		sheet, _, err := job.ReadSheet(filepath.Join(dir, job.SheetName))
		if err != nil {
			t.Fatal(err)
		}
		checked, err := newRun(Options{Now: time.Unix(0, 0)}).check(t.Context(), dir, sheet)
		if err != nil {
			t.Fatal(err)
		}
		text := map[job.Code]string{}
		for _, f := range checked.Findings {
			if f.Subject == "tripod/s4.ply" && f.Severity == job.Hold {
				text[f.Code] = f.Text
			}
		}
		var st *Station
		for k := range checked.Stations {
			if s := &checked.Stations[k]; checked.Files[s.File].Path == "tripod/s4.ply" {
				if st != nil {
					t.Errorf("%s: it is listed twice", name)
				}
				st = s
			}
		}
		if _, held := text[job.SpheresFew]; !held || st == nil {
			t.Fatalf("%s: %v, %+v", name, checked.Findings, checked.Stations)
		}
		if c.says == "" {
			if st.Linked || text[job.StationUnlinked] == "" {
				t.Errorf("%s: linked %v, %v", name, st.Linked, text)
			}
			continue
		}
		if !st.Linked || !strings.Contains(text[job.SpheresFew], c.says) || len(text) != 1 {
			t.Errorf("%s: linked %v, %v", name, st.Linked, checked.Findings)
			continue
		}
		want := poses[0].Inverse().After(poses[3])
		for _, own := range []geom.Vec{{X: 2500}, {X: 2000, Y: 500, Z: -900}, {X: 3200, Y: -600, Z: -1000}} {
			at := st.ToNetwork.Apply(own)
			e, sigma := at.Dist(want.Apply(own)), math.Sqrt(st.BySurface.At(at).Trace())
			t.Logf("%s: %.3f mm off, sigma %.3f mm", name, e, sigma)
			if e > 3.5*sigma || e > 2 {
				t.Errorf("%s: %.3f mm off, sigma %.3f mm", name, e, sigma)
			}
		}
		t.Log(text[job.SpheresFew])
	}
}
