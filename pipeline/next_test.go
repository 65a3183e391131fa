package pipeline

import (
	"strings"
	"testing"

	"trammel/pipeline/job"
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
