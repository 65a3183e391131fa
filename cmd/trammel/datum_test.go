package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"trammel/package/report"
	"trammel/pipeline/geom"
	"trammel/pipeline/simulate"
)

// inFirstSetUp gives a place of the crates' own axes in the frame of the first
// set-up, which is the network's, as a job sheet writes it.
func inFirstSetUp(p geom.Vec) string {
	v := smallSetUps()[0].Inverse().Apply(p)
	return fmt.Sprintf("[%.1f mm, %.1f mm, %.1f mm]", v.X, v.Y, v.Z)
}

// buildWithDatum builds the small capture with all four set-ups and another datum, and
// returns its report.
func buildWithDatum(t *testing.T, datum string) report.Report {
	t.Helper()
	floor := simulate.At("floor", simulate.Box{Half: geom.Vec{X: 4000, Y: 4000, Z: 10}}, geom.Vec{Z: -10}, simulate.Material{Reflectance: 0.5})
	return buildSceneWithDatum(t, smallScene(floor), "25 mm", datum)
}

// buildSceneWithDatum builds a capture of the scene with four set-ups, and returns its
// report.
func buildSceneWithDatum(t *testing.T, scene *simulate.Scene, voxel, datum string) report.Report {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "small")
	if err := writeScene(t.Context(), dir, scene); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir+"-later", "s04.ply"), filepath.Join(dir, "scans/tripod/s04.ply")); err != nil {
		t.Fatal(err)
	}
	sheet, _, _ := strings.Cut(smallSheet("mm"), "datum:")
	sheet = strings.Replace(sheet, "voxel: 25 mm, triangles: 20000", "voxel: "+voxel+", triangles: 100000", 1)
	sheet = strings.Replace(sheet, "object:\n  box: {min: [-600 mm, -450 mm, -50 mm], max: [600 mm, 450 mm, 750 mm]}\n", "", 1)
	if err := os.WriteFile(filepath.Join(dir, "job.yaml"), []byte(sheet+datum), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out := runHere("build", dir); code != exitDone {
		t.Fatalf("exit %d\n%s", code, out)
	}
	if err := unpack(filepath.Join(dir, "out", "small-r001.zip"), dir); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(filepath.Join(dir, "small-r001/data/report/datum-report.json"))
	if err != nil {
		t.Fatal(err)
	}
	var r report.Report
	if err := json.Unmarshal(content, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// spheresStandAt compares the spheres of a report with their true places, carried
// to the datum that was asked for.
func spheresStandAt(t *testing.T, r report.Report, carry func(geom.Vec) geom.Vec, tolerance float64) {
	t.Helper()
	if r.Datum == nil || !r.Datum.Fits {
		t.Fatalf("no datum: %+v", r.Findings)
	}
	for _, want := range smallSpheres() {
		want = carry(want)
		least := math.Inf(1)
		for _, s := range r.Network.Spheres {
			least = min(least, geom.FromArray(s.Center).Dist(want))
		}
		if least > tolerance {
			t.Errorf("no sphere within %g mm of %v, the nearest is %.2f mm off", tolerance, want, least)
		}
	}
}

func TestDatumByPlanes(t *testing.T) {
	r := buildWithDatum(t, fmt.Sprintf(`datum:
  method: planes
  primary: {seed: %s, radius: 120 mm}
  secondary: {seed: %s, radius: 150 mm, axis: Y}
  origin: {seed: %s, radius: 120 mm, expect: plane}
`, inFirstSetUp(geom.Vec{X: -250, Z: 500}), inFirstSetUp(geom.Vec{Y: 300, Z: 250}), inFirstSetUp(geom.Vec{X: 450, Z: 250})))
	spheresStandAt(t, r, func(p geom.Vec) geom.Vec { return p.Sub(geom.Vec{X: 450, Y: 300, Z: 500}) }, 2.5)
	if len(r.Datum.Elements) != 3 || r.Datum.SigmaTurn[2] <= 0 || r.Datum.SigmaTurn[2] > 0.1 {
		t.Errorf("elements %+v, turns %v", r.Datum.Elements, r.Datum.SigmaTurn)
	}
}

// A crate is its own image in two planes; toward says which is meant. The lid on it
// stands off the middle and must not pull the plane. The floor finds itself.
func TestDatumByMirror(t *testing.T) {
	toward := inFirstSetUp(geom.Vec{X: 5000, Z: 250})
	r := buildWithDatum(t, fmt.Sprintf(`datum:
  method: mirror
  origin: {seed: %s, radius: 120 mm, expect: plane}
  toward: %s
`, inFirstSetUp(geom.Vec{X: 450, Z: 250}), toward))
	spheresStandAt(t, r, func(p geom.Vec) geom.Vec { return p.Sub(geom.Vec{X: 450}) }, 2)
}

// A cart stands with its wheels on blocks over a floor that is tilted by a degree and a half:
// Z is that of the wheels, or of the floor where the sheet does not ask for the wheels. The
// lid, which stands off the middle, shows in how far the cart is its own mirror image.
func TestDatumByWheels(t *testing.T) {
	if testing.Short() {
		t.Skip("builds two captures")
	}
	matt := simulate.Material{Reflectance: 0.5}
	const tilt = 1.5 * math.Pi / 180
	floor := simulate.At("floor", simulate.Box{Half: geom.Vec{X: 4000, Y: 4000, Z: 10}}, geom.Vec{Z: -190}, matt)
	floor.ToScene.R = geom.RotVec(geom.Vec{X: 0.6 * tilt, Y: -0.8 * tilt})
	parts := []simulate.Part{floor}
	var seeds []string
	for _, c := range []geom.Vec{{X: 330, Y: 400, Z: 180}, {X: 330, Y: -400, Z: 180}, {X: -330, Y: 400, Z: 180}, {X: -330, Y: -400, Z: 180}} {
		parts = append(parts, simulate.Along("tyre", simulate.Torus{Major: 200, Minor: 80}, c, geom.Vec{Y: 1}, matt))
		seeds = append(seeds, fmt.Sprintf("{seed: %s, radius: 330 mm}", inFirstSetUp(c.Add(geom.Vec{X: 10, Z: -15}))))
	}
	sheet := fmt.Sprintf("datum:\n  method: mirror\n  origin: {seed: %s, radius: 100 mm, expect: plane}\n  toward: %s\n",
		inFirstSetUp(geom.Vec{X: 450, Z: 300}), inFirstSetUp(geom.Vec{X: 5000, Z: 250}))
	byWheels := buildSceneWithDatum(t, smallScene(parts...), "10 mm", sheet+"  up: wheels\n  wheels: ["+strings.Join(seeds, ", ")+"]\n")
	spheresStandAt(t, byWheels, func(p geom.Vec) geom.Vec { return p.Sub(geom.Vec{X: 450, Z: -100}) }, 2)
	byFloor := buildSceneWithDatum(t, smallScene(parts...), "10 mm", sheet)
	up := func(r report.Report) geom.Vec {
		return geom.Vec{X: r.Datum.Rotation[6], Y: r.Datum.Rotation[7], Z: r.Datum.Rotation[8]}
	}
	between := math.Acos(min(1, up(byWheels).Dot(up(byFloor)))) * 180 / math.Pi
	leaning := math.Acos(min(1, up(byWheels).Z)) * 180 / math.Pi // the network's Z is upright
	t.Logf("the floor leans by %.3f degrees against the wheels, the wheels by %.4f; %d wheels", between, leaning, len(byWheels.Datum.Wheels))
	if math.Abs(between-1.5) > 0.05 || leaning > 0.03 || len(byWheels.Datum.Wheels) != 4 || len(byFloor.Datum.Wheels) != 0 {
		t.Errorf("the floor leans by %.3f degrees against the wheels, the wheels by %.4f; %d wheels", between, leaning, len(byWheels.Datum.Wheels))
	}
	for _, w := range byWheels.Datum.Wheels {
		if math.Abs(w.Radius-280) > 1.5 || math.Abs(w.At[2]) > 2 {
			t.Errorf("wheel %+v", w)
		}
	}
	if a := byWheels.Datum.Asymmetry; a == nil || a.Places < 200 || a.Median > 1 || a.Largest < 20 {
		t.Errorf("the asymmetry: %+v", a)
	}
}
