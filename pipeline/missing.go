package pipeline

import (
	"fmt"
	"os"
	"strings"
	"time"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// missing compares what arrived with what the sheet expects.
func (r *run) missing(c *Checked) {
	c.capturing = c.Job.StillCaptured(c.newest(), r.o.Now, r.o.Quiet, c.arrived)
	for i, ins := range c.Job.Instruments {
		n := c.arrived(i)
		f := job.Finding{Code: job.ScansMissing, Severity: job.Hold, Subject: ins.Drop}
		if c.capturing {
			f.Severity = job.Note
		}
		switch {
		case ins.Expect > 0 && n < ins.Expect:
			f.Text = fmt.Sprintf("%d of the %d scans expected from %s are in %s. To do: copy or scan the others, or correct expect: in the job sheet.", n, ins.Expect, ins.Name, ins.Drop)
		case ins.Expect == 0 && n == 0:
			f.Text = fmt.Sprintf("No scan of %s is in %s. To do: copy its scans there, or take the instrument out of the job sheet.", ins.Name, ins.Drop)
		default:
			continue
		}
		c.Findings = append(c.Findings, f)
	}
}

// arrived counts the files of an instrument that are scans, each content once.
func (c *Checked) arrived(instrument int) int {
	n := 0
	for _, f := range c.Files {
		if f.Instrument == instrument && f.Readable && f.SameAs == "" {
			n++
		}
	}
	return n
}

func (c *Checked) newest() time.Time {
	var newest time.Time
	for _, f := range c.Files {
		if info, err := os.Stat(f.Disk); err == nil && info.ModTime().After(newest) {
			newest = info.ModTime()
		}
	}
	return newest
}

// fewSpheres notes that fewer spheres were found than stand around the object.
func (c *Checked) fewSpheres() {
	expect := 0
	var diameters []string
	for _, k := range c.Job.Spheres {
		expect += k.Expect
		diameters = append(diameters, length.Format(k.Diameter, length.Millimetre))
	}
	if c.Network == nil || len(c.Network.Spheres) == 0 || len(c.Network.Spheres) >= expect {
		return
	}
	var ids []string
	for _, s := range c.Network.Spheres {
		ids = append(ids, s.ID)
	}
	c.Findings = append(c.Findings, job.Finding{Code: job.SpheresFew, Severity: job.Note, Subject: "spheres",
		Text: fmt.Sprintf("%d of the %d spheres expected were found in all set-ups together (%s), at a diameter of %s. To do: see which one no set-up has in sight.",
			len(ids), expect, strings.Join(ids, ", "), strings.Join(diameters, " or "))})
}
