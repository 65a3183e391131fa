package pipeline

import (
	"math"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
)

func TestNext(t *testing.T) {
	tripod := job.Instrument{Name: "tripod", Kind: job.Station, Drop: "scans/tripod", Expect: 3}
	file := func(path string) File { return File{Path: path, Readable: true} }
	moved := job.Finding{Code: job.SphereMoved, Severity: job.Hold, Subject: "S3", Text: "S3 moved by 8 mm. To do: Look whether its stand was knocked."}
	missing := job.Finding{Code: job.ScansMissing, Severity: job.Hold, Subject: "scans/tripod", Text: "1 of 3. To do: copy the others."}
	weak := job.Finding{Code: job.LayoutWeak, Severity: job.Warn, Subject: "a", Text: "Weak. To do: add a sphere."}
	sheet := &job.Sheet{Instruments: []job.Instrument{tripod}}
	three := []File{file("a"), file("b"), file("c")}
	for _, c := range []struct {
		name string
		c    Checked
		says []string
	}{
		{"a hold comes first", Checked{Job: sheet, Files: three[:1], Findings: []job.Finding{missing, moved, weak}}, []string{"Settle sphere-moved of S3", "look whether its stand was knocked."}},
		{"the cause before what it brings about", Checked{Job: sheet, Files: three, Findings: []job.Finding{{Code: job.DatumPoor, Severity: job.Hold, Subject: "C", Text: "To do: x."}, moved}}, []string{"Settle sphere-moved of S3"}},
		{"then the next set-up", Checked{Job: sheet, Files: three[:1], Findings: []job.Finding{missing, weak}}, []string{"set-up 2 of 3 of tripod is next", "three spheres"}},
		{"then a warning", Checked{Job: sheet, Files: three, Findings: []job.Finding{weak}}, []string{"look at layout-weak of a", "add a sphere."}},
		{"then nothing", Checked{Job: sheet, Files: three}, []string{"Nothing is left to do"}},
		{"bare files that hold nothing", Checked{Files: three, Findings: []job.Finding{weak}}, nil},
	} {
		got := c.c.Next()
		if len(c.says) == 0 && got != "" {
			t.Errorf("%s: got %q", c.name, got)
		}
		for _, want := range c.says {
			if !strings.Contains(got, want) {
				t.Errorf("%s: %q does not say %q", c.name, got, want)
			}
		}
	}
}

// A network that one side of the object hangs on weakly is predicted so, and a
// sphere on that side is advised.
func TestPredictedAndAdvised(t *testing.T) {
	layout := []geom.Vec{{}, {X: 1000, Y: 200, Z: 400}, {X: 300, Y: 1100, Z: 900}, {X: 900, Y: 900, Z: 100}}
	var stations []network.Station
	for k := range 4 {
		pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: float64(k)}), T: geom.Vec{X: 3000 * math.Cos(float64(k)), Y: 3000 * math.Sin(float64(k)), Z: 1500}}
		if k == 0 {
			pose = geom.IdentityPose()
		}
		s := network.Station{Name: string(rune('a' + k))}
		for i, p := range layout {
			s.Observations = append(s.Observations, network.Observation{Center: pose.Inverse().Apply(p.Add(geom.Vec{X: 0.05 * math.Sin(float64(7*i+k))})), Cov: geom.Diag(0.04, 0.04, 0.04)})
		}
		stations = append(stations, s)
	}
	solved, err := network.Solve(t.Context(), stations, network.Options{})
	if err != nil {
		t.Fatal(err)
	}
	box := geom.Box{Min: geom.Vec{X: -200, Y: -200}, Max: geom.Vec{X: 5000, Y: 1200, Z: 1000}}
	c := &Checked{Job: &job.Sheet{Object: &box, Mounts: []job.Mount{{Name: "near", Near: geom.Vec{X: 500, Y: 500, Z: 300}}}}, Network: &solved, ToFrame: geom.IdentityPose(), observed: stations}
	c.predict()
	if len(c.Predicted) != 9 {
		t.Fatalf("%d places", len(c.Predicted))
	}
	worst, sigma := c.WorstPredicted()
	if !strings.HasPrefix(worst.Name, "corner +X") || sigma < 3*c.Predicted[0].Sigma.Norm() {
		t.Errorf("worst at %s with %.3f mm; the near mount has %.3f mm", worst.Name, sigma, c.Predicted[0].Sigma.Norm())
	}
	if text := c.advise(); !strings.Contains(text, "would lower the largest predicted uncertainty") || !strings.Contains(text, "corner +X") {
		t.Errorf("advice %q", text)
	}
}

func TestCure(t *testing.T) {
	for text, want := range map[string]string{
		"S3 moved by 8.2 mm. To do: Look at its stand. Scan again.": "look at its stand. Scan again.",
		"It stands 3.5 mm away. Check its stand; scan again.":       "check its stand; scan again.",
		"Check it.": "check it.",
		"":          "",
	} {
		if got := cure(text); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
}
