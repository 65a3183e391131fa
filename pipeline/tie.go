package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/stage"
)

const networkVersion = 6

// tie places the set-ups: by the spheres that they share, as given, or by their
// surface.
func (r *run) tie(ctx context.Context, c *Checked) error {
	if err := r.tieBySpheres(ctx, c); err != nil {
		return err
	}
	for i, ins := range c.Job.Instruments {
		if ins.Kind == job.Station && ins.Register == job.Given {
			if err := r.takePoses(c, i); err != nil {
				return err
			}
		}
	}
	return r.tieBySurface(ctx, c)
}

// used calls f for every file of the instruments that want takes, which was
// read, is no duplicate and whose units nothing contradicts.
func (c *Checked) used(want func(job.Instrument) bool, f func(i int)) {
	for i := range c.Files {
		if c.Files[i].usable() && want(c.Job.Instruments[c.Files[i].Instrument]) {
			f(i)
		}
	}
}

// usable reports whether the file may enter the computation.
func (f *File) usable() bool {
	if !f.Readable || f.SameAs != "" {
		return false
	}
	for _, x := range f.Findings {
		if x.Code == job.UnitsMismatch || x.Code == job.UnitsUnknown {
			return false
		}
	}
	return true
}

func bySpheres(i job.Instrument) bool { return i.Kind == job.Station && i.Register == job.BySpheres }

func (r *run) tieBySpheres(ctx context.Context, c *Checked) error {
	var stations []network.Station
	var files []int
	c.used(bySpheres, func(i int) {
		s := network.Station{Name: c.Files[i].Path, Approx: c.Files[i].Pose}
		for _, b := range c.Files[i].Spheres {
			if b.Usable {
				s.Observations = append(s.Observations, network.Observation{Center: b.Center, Cov: b.Cov, Kind: kindOf(c.Job.Spheres, b.Nominal)})
			}
		}
		stations, files = append(stations, s), append(files, i)
	})
	if len(stations) == 0 {
		return nil
	}
	key, err := stage.KeyOf("network", networkVersion, stations)
	if err != nil {
		return err
	}
	solved, err := stage.Run(r.store, "network", "job", key, stage.JSON[network.Result](), func() (network.Result, error) {
		return network.Solve(ctx, stations, network.Options{})
	})
	if err != nil {
		return fmt.Errorf("tie set-ups: %w", err)
	}
	c.Network, c.observed = &solved, stations
	c.Findings = append(c.Findings, solved.Findings...)
	for _, n := range solved.Notes {
		c.Findings = append(c.Findings, job.Finding{Code: job.LayoutAmbiguous, Severity: job.Note, Subject: n.Subject, Text: n.Text})
	}
	for k, s := range solved.Stations {
		c.Stations = append(c.Stations, Station{File: files[k], ToNetwork: s.StationToNetwork, RMS: s.RMS, Linked: s.Linked, Solved: k})
	}
	return nil
}

// kindOf returns which of the sheet's kinds of spheres has a diameter.
func kindOf(kinds []job.Spheres, diameter float64) int {
	best := 0
	for i, k := range kinds {
		if math.Abs(k.Diameter-diameter) < math.Abs(kinds[best].Diameter-diameter) {
			best = i
		}
	}
	return best
}

// takePoses takes the poses that an instrument's files bring, or else those of its
// poses.csv. Where set-ups were
// tied by spheres as well, two frames would meet that nothing ties together.
func (r *run) takePoses(c *Checked, instrument int) error {
	ins := c.Job.Instruments[instrument]
	if c.Network != nil {
		c.unlinkAll(instrument, "its poses are given in another frame than that of the set-ups tied by spheres, and nothing ties the two. To do: register all set-ups in the same way")
		return nil
	}
	poses, _, err := job.ReadPoses(c.Dir, posesUnits(ins, c))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	c.used(func(i job.Instrument) bool { return i.Name == ins.Name }, func(i int) {
		f := &c.Files[i]
		pose, ok := poses[f.Path]
		if f.Pose != nil {
			pose, ok = *f.Pose, true
		}
		if !ok {
			c.unlink(i, fmt.Sprintf("it brings no pose, and %s has no line for it. To do: write one, with the header file,tx,ty,tz,qw,qx,qy,qz", path.Join(ins.Drop, job.PosesCSV)))
			return
		}
		c.Stations = append(c.Stations, Station{File: i, ToNetwork: pose, Linked: true, Solved: -1})
	})
	return nil
}

// posesUnits gives an instrument the unit that its first file was read in where
// the sheet is silent: poses.csv is in the instrument's units.
func posesUnits(ins job.Instrument, c *Checked) job.Instrument {
	if ins.Units != "" {
		return ins
	}
	for _, f := range c.Files {
		if f.usable() && c.Job.Instruments[f.Instrument].Name == ins.Name {
			ins.Units = f.Units.Use()
			break
		}
	}
	return ins
}

func (c *Checked) unlinkAll(instrument int, why string) {
	name := c.Job.Instruments[instrument].Name
	c.used(func(i job.Instrument) bool { return i.Name == name }, func(i int) { c.unlink(i, why) })
}

// unlink records that a file cannot be tied to the rest.
func (c *Checked) unlink(file int, why string) {
	c.blameUnlinked(file, why)
	if c.Job.Instruments[c.Files[file].Instrument].Kind == job.Station {
		c.Stations = append(c.Stations, Station{File: file, ToNetwork: geom.IdentityPose(), Solved: -1})
	}
}

func (c *Checked) blameUnlinked(file int, why string) {
	c.Findings = append(c.Findings, job.Finding{Code: job.StationUnlinked, Severity: job.Hold, Subject: c.Files[file].Path,
		Text: fmt.Sprintf("%s cannot be tied to the rest: %s.", job.Printable(c.Files[file].Path), why)})
}
