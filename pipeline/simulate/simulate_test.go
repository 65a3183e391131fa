package simulate

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// demo writes the demo at a coarse step and returns its folder and truth.
func demo(t *testing.T, o DemoOptions) (string, Truth) {
	t.Helper()
	dir := t.TempDir()
	truth, err := Demo(context.Background(), dir, disk.New(nil), o)
	if err != nil {
		t.Fatal(err)
	}
	return dir, truth
}

func read(t *testing.T, path string, scale float64) format.Content {
	t.Helper()
	c, err := format.Read(context.Background(), path, 0, scale)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestTruthIsConsistent maps every file by its true pose and expects its points
// on the analytic surfaces within noise.
func TestTruthIsConsistent(t *testing.T) {
	dir, truth := demo(t, DemoOptions{SetUps: 4, Step: 0.5})
	c := newCapture(DemoOptions{SetUps: 4, Step: 0.5, Seed: 1})
	for _, s := range truth.Stations {
		content := read(t, filepath.Join(dir, s.Path), 1000)
		near, n := 0, 0
		for i := range content.Cloud.Len() {
			p := s.Pose().Apply(content.Cloud.At(i))
			d, part := c.scene.Distance(p)
			if c.scene.Parts[part].Material.Translucency > 0 {
				continue
			}
			n++
			if d < 6 { // four sigma of the worst reading
				near++
			}
		}
		if share := float64(near) / float64(n); share < 0.98 || share == 1 {
			t.Errorf("%s: %.4f of %d points on the surface, want all but the mixed pixels", s.Path, share, n)
		}
	}
	checkHand(t, read(t, filepath.Join(dir, truth.Hand[0].Path), 1).Mesh, c.body, truth.Hand[0].Pose())
}

func checkHand(t *testing.T, m *scan.Mesh, body *Scene, toScene geom.Pose) {
	t.Helper()
	var sum float64
	for i := range m.Vertices() {
		d, _ := body.Distance(toScene.Apply(m.At(int32(i))))
		if d > 0.35 {
			t.Fatalf("hand scan vertex %d is %.3f mm off the surface", i, d)
		}
		sum += d * d
	}
	rms := math.Sqrt(sum / float64(m.Vertices()))
	if rms < 0.03 || rms > 0.055 { // 0.05 mm along the sight, less across aslant faces
		t.Errorf("hand scan: rms %.4f mm, want about 0.05", rms)
	}
}

// TestEverySetUpSeesFourSpheres counts points on each sphere from each set-up.
func TestEverySetUpSeesFourSpheres(t *testing.T) {
	const step = 0.25
	for _, n := range []int{8, 16} {
		c := newCapture(DemoOptions{SetUps: n, Seed: 1})
		for i := range n {
			toScene := setUp(i, n, c.jitter)
			cloud, err := NewTripod(step).Scan(context.Background(), c.scene, toScene, 1)
			if err != nil {
				t.Fatal(err)
			}
			var counts []int
			good := 0
			for _, b := range c.truth.Spheres {
				k := pointsOn(cloud, toScene, b)
				counts = append(counts, k)
				if float64(k)*(step/DefaultStep)*(step/DefaultStep) >= 50 {
					good++
				}
			}
			t.Logf("%d of %d: %d points, on spheres %v", i, n, cloud.Len(), counts)
			if good < 4 {
				t.Errorf("set-up %d of %d sees %d spheres with 50 points at the default step: %v", i, n, good, counts)
			}
		}
	}
}

func pointsOn(cloud *scan.Cloud, toScene geom.Pose, b Ball) int {
	n := 0
	for i := range cloud.Len() {
		if math.Abs(toScene.Apply(cloud.At(i)).Dist(geom.FromArray(b.Center))-b.Diameter/2) < 5 {
			n++
		}
	}
	return n
}

// TestSheetIsAValidOne parses the job sheet as the program does.
func TestSheetIsAValidOne(t *testing.T) {
	dir, truth := demo(t, DemoOptions{SetUps: 2, Step: 2})
	sheet, _, err := job.ReadSheet(filepath.Join(dir, "job.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if sheet.Instruments[0].Expect != 2 || len(sheet.Datum.Points) != controlled || len(sheet.Mounts) != 9 {
		t.Errorf("got %+v, want 2 set-ups, 5 points, 8 holes and a pattern", sheet)
	}
	holes := map[string]Hole{}
	for _, h := range truth.Holes {
		holes[h.Name] = h
	}
	for _, m := range sheet.Mounts {
		if m.Expect == job.Pattern { // the middle of the rear left plate, and its holes' places about it
			first, third := geom.FromArray(holes["rear-left-1"].Center), geom.FromArray(holes["rear-left-3"].Center)
			if d := m.At.Dist(first.Add(third).Scale(0.5)); d > 1e-9 || m.Pitch[0] != math.Abs(first.X-third.X) || m.Pitch[1] != math.Abs(first.Y-third.Y) {
				t.Errorf("the pattern %+v is %.1f mm from the plate's middle", m, d)
			}
			continue
		}
		h := holes[m.Name]
		if d := m.Near.Dist(geom.FromArray(h.Center)); d > m.Within/2 || m.Diameter != h.Diameter {
			t.Errorf("mount %s is %.1f mm from its hole, diameter %g instead of %g", m.Name, d, m.Diameter, h.Diameter)
		}
	}
	raw, err := os.ReadFile(filepath.Join(dir, "truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	var again Truth
	if err := json.Unmarshal(raw, &again); err != nil || len(again.Stations) != 2 || again.Stations[1] != truth.Stations[1] {
		t.Errorf("truth.json: got %+v, %v, want %+v", again, err, truth)
	}
}

// TestHolesAreSampledAtTheirRims expects hand-scan points all around each hole
// within a millimetre and a half of the rim, and none within the hole.
func TestHolesAreSampledAtTheirRims(t *testing.T) {
	c := newCapture(DemoOptions{Seed: 3})
	m, err := c.scanUnderside(context.Background(), geom.IdentityPose())
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%d vertices, %d triangles", m.Vertices(), m.Triangles())
	for _, h := range c.truth.Holes {
		var sectors [24]int
		for i := range m.Vertices() {
			p := m.At(int32(i)).Sub(geom.FromArray(h.Center))
			r := math.Hypot(p.X, p.Y)
			if math.Abs(p.Z) > 0.5 || r > h.Diameter/2+1.5 {
				continue
			}
			if r < h.Diameter/2-0.5 {
				t.Fatalf("%s: a point %.2f mm from the middle", h.Name, r)
			}
			sectors[int((math.Atan2(p.Y, p.X)/(2*math.Pi)+0.5)*24)%24]++
		}
		for s, n := range sectors {
			if n == 0 {
				t.Errorf("%s: no point at the rim in sector %d of 24", h.Name, s)
			}
		}
	}
}

func TestWorkersDoNotChangeAByte(t *testing.T) {
	if testing.Short() {
		t.Skip("casts the demo four times")
	}
	before := runtime.GOMAXPROCS(0)
	defer runtime.GOMAXPROCS(before)
	var want map[string][]byte
	for _, workers := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(workers)
		dir, _ := demo(t, DemoOptions{SetUps: 2, Step: 0.5})
		got := map[string][]byte{}
		for _, f := range []string{"job.yaml", "truth.json", "scans/tripod/s01.ply", "scans/tripod/s02.ply", "scans/hand/underside.ply"} {
			raw, err := os.ReadFile(filepath.Join(dir, f))
			if err != nil {
				t.Fatal(err)
			}
			got[f] = raw
			if want != nil && !bytes.Equal(raw, want[f]) {
				t.Errorf("%d workers: %s differs", workers, f)
			}
		}
		want = got
	}
}

func TestSeedChangesTheScans(t *testing.T) {
	_, a := demo(t, DemoOptions{SetUps: 2, Step: 2, Seed: 1})
	_, b := demo(t, DemoOptions{SetUps: 2, Step: 2, Seed: 2})
	if a.Stations[0] == b.Stations[0] || a.Hand[0] == b.Hand[0] {
		t.Error("two seeds gave the same places")
	}
}

func TestDiskFaultsAreErrors(t *testing.T) {
	for n := int64(1); n <= 9; n += 2 {
		d := disk.New(func(k int64, _, _ string) error {
			if k == n {
				return disk.ErrFull
			}
			return nil
		})
		if _, err := Demo(context.Background(), t.TempDir(), d, DemoOptions{SetUps: 2, Step: 2}); err == nil {
			t.Errorf("operation %d failed, and the demo did not", n)
		}
	}
}

func BenchmarkRays(b *testing.B) {
	c := newCapture(DemoOptions{Seed: 1})
	s := NewTripod(DefaultStep)
	pose := setUp(0, 8, c.jitter)
	columns, rows := s.Rays()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Scan(context.Background(), c.scene, pose, 1); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(columns*rows)*float64(b.N)/b.Elapsed().Seconds(), "rays/s")
}

func BenchmarkDemo(b *testing.B) {
	for b.Loop() {
		if _, err := Demo(context.Background(), b.TempDir(), disk.New(nil), DemoOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
