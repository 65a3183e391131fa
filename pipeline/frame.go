package pipeline

import (
	"trammel/pipeline/datum"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
)

// setDatum finds the frame of the deliverables. While scans are still being taken,
// a datum that does not fit yet is no reason to stop.
func (c *Checked) setDatum() {
	if c.Job.Datum == nil {
		return
	}
	var spheres []datum.Sphere
	if c.Network != nil {
		for _, s := range c.Network.Spheres {
			if s.Status != network.Moved {
				spheres = append(spheres, datum.Sphere{ID: s.ID, Center: s.Center, Cov: s.Cov})
			}
		}
	}
	// Known coordinates are hardly better than the spheres' own diameters are known,
	// so twice that tolerance is where a coordinate counts as wrong.
	tolerance := 0.0
	for _, k := range c.Job.Spheres {
		tolerance = max(tolerance, k.Tolerance)
	}
	d := datum.Control(c.Job.Datum.Points, spheres, 2*tolerance)
	c.Datum = &d
	for _, f := range d.Findings {
		if c.capturing {
			f.Severity = job.Note
		}
		c.Findings = append(c.Findings, f)
	}
	if d.OK {
		c.ToFrame = d.NetworkToDatum
	}
}
