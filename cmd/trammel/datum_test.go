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
	dir := filepath.Join(t.TempDir(), "small")
	floor := simulate.At("floor", simulate.Box{Half: geom.Vec{X: 4000, Y: 4000, Z: 10}}, geom.Vec{Z: -10}, simulate.Material{Reflectance: 0.5})
	if err := writeScene(t.Context(), dir, smallScene(floor)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir+"-later", "s04.ply"), filepath.Join(dir, "scans/tripod/s04.ply")); err != nil {
		t.Fatal(err)
	}
	sheet, _, _ := strings.Cut(smallSheet("mm"), "datum:")
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
