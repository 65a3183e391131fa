package pipeline

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"trammel/pipeline/disk"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/simulate"
)

// demoWithMore writes a small demo, with its pattern and position, whose sheet asks
// besides for a hole 200 mm from where one is.
func demoWithMore(t *testing.T) (dir string, sheet *job.Sheet, truth simulate.Truth) {
	t.Helper()
	dir = t.TempDir()
	truth, err := simulate.Demo(t.Context(), dir, disk.New(nil), simulate.DemoOptions{SetUps: 8, Step: 0.14})
	if err != nil {
		t.Fatal(err)
	}
	sheet, _, err = job.ReadSheet(filepath.Join(dir, job.SheetName))
	if err != nil {
		t.Fatal(err)
	}
	off := geom.FromArray(truth.Holes[0].Center).Add(geom.Vec{Y: 300}) // 120 mm from the plate's other hole there
	sheet.Mounts = append(sheet.Mounts, job.Mount{Name: "off", Near: off, Within: 40, Expect: job.Hole, Diameter: 13.5})
	return dir, sheet, truth
}

// TestMountsOfTheDemo works through a small demo, but for its mesh, and compares places, diameters and
// pitches with its truth, each within three and a half standard uncertainties.
func TestMountsOfTheDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("works through a demo")
	}
	dir, sheet, truth := demoWithMore(t)
	r := newRun(Options{Now: time.Unix(0, 0)})
	c, err := r.check(t.Context(), dir, sheet)
	if err != nil {
		t.Fatal(err)
	}
	b := &Built{Checked: *c}
	for _, step := range []func(context.Context, *Built) error{r.place, r.setByShape, r.measure, r.patch} {
		if err := step(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	at := map[string]geom.Vec{}
	for _, m := range b.Mounts {
		if m.Name == "off" {
			if m.Found || !strings.Contains(m.Findings[0].Text, "within 250 mm there is a hole of 13.") {
				t.Errorf("a hole that is not there: %+v", m.Findings)
			}
			continue
		}
		if !m.Found {
			t.Errorf("%s: %v", m.Name, m.Findings)
			continue
		}
		if m.Kind == job.Pattern {
			if len(m.Sizes) < 2 || math.Abs(max(m.Sizes[0].Value, m.Sizes[1].Value)-220) > 0.15 || m.Position.Decision != "pass" {
				t.Errorf("the pattern: %+v, %+v", m.Sizes, m.Position)
			}
			continue
		}
		hole := truth.Holes[slices.IndexFunc(truth.Holes, func(h simulate.Hole) bool { return geom.FromArray(h.Center).Dist(m.Center) < 5 })]
		at[m.Name] = geom.FromArray(hole.Center)
		e, s := m.Center.Sub(at[m.Name]), m.Cov.Sigmas()
		if math.Abs(e.X) > 3.5*s.X || math.Abs(e.Y) > 3.5*s.Y || math.Abs(m.Diameter-hole.Diameter) > 0.06 || math.Abs(m.Diameter-hole.Diameter) > 3.5*m.SigmaDia {
			t.Errorf("%s: off by %v (sigma %v), diameter by %.3f (%.3f)", m.Name, e, s, m.Diameter-hole.Diameter, m.SigmaDia)
		}
		if len(m.Findings) > 0 {
			t.Errorf("%s: %v", m.Name, m.Findings)
		}
	}
	for _, p := range b.Pitches {
		from, okA := at[p.A]
		to, okB := at[p.B]
		if e := p.Distance - from.Dist(to); okA && okB && (math.Abs(e) > 3.5*p.Sigma || p.Sigma > 0.1) {
			t.Errorf("%s to %s: off by %.3f mm (sigma %.3f)", p.A, p.B, e, p.Sigma)
		}
	}
	if len(at) != 12 || len(b.Patches) != 12 || len(b.Pitches) != 13*12/2-4 {
		t.Errorf("%d holes, %d patches, %d pitches", len(at), len(b.Patches), len(b.Pitches))
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	again, err := r.measureNow(t.Context(), b, b.allPlaced())
	if err != nil {
		t.Fatal(err)
	}
	want, errWant := json.Marshal(measured{b.Mounts, b.Pitches})
	got, errGot := json.Marshal(again)
	if errWant != nil || errGot != nil || string(want) != string(got) {
		t.Error("one processor gives other mounts than several")
	}
}
