package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"trammel/pipeline"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/mount"
	"trammel/pipeline/network"
)

// printable makes a name safe to show on a terminal.
func printable(s string) string { return job.Printable(s) }

// printChecked writes the verdict table: a line a file, the network, the
// findings, and one line that sums up.
func printChecked(e *env, c *pipeline.Checked) {
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	say(w, "FILE\tKIND\tPOINTS\tTRIANGLES\tUNITS\tSIZE (m)\tSPACING\tNOISE\tSPHERES\tVERDICT\n")
	for i := range c.Files {
		f := &c.Files[i]
		say(w, "%s\t%s\t%d\t%d\t%s\t%s\t%s\t%s\t%d\t%s\n", printable(f.Path), kindOf(f), f.Points+f.Blank, f.Triangles, unitsOf(f), sizeOf(f), spacingOf(f), noiseOf(f), len(f.Spheres), verdictOf(f.Findings))
	}
	_ = w.Flush() // a terminal that is gone cannot be told so
	printOddities(e, c.Files)
	printNetwork(e, c)
	if text := c.Unseen.Words(); text != "" {
		say(e.stdout, "Unseen: %s\n", printable(text))
	}
	printCoverage(e, c)
	printFindings(e, c.Findings)
	holds, warns := 0, 0
	for _, f := range c.Findings {
		switch f.Severity {
		case job.Hold:
			holds++
		case job.Warn:
			warns++
		case job.Note:
		}
	}
	if holds > 0 {
		say(e.stdout, "ON HOLD: %s to settle, %s.\n", counted(holds, "finding"), counted(warns, "warning"))
	} else {
		say(e.stdout, "GOOD: nothing holds the job, %s.\n", counted(warns, "warning"))
	}
	if next := c.Next(); next != "" {
		say(e.stdout, "NEXT: %s\n", printable(next))
	}
}

// printCoverage has a line for each region that must be seen.
func printCoverage(e *env, c *pipeline.Checked) {
	for _, x := range c.Coverage {
		text := fmt.Sprintf("%.1f %% seen (%.0f %% required), spacing %.1f mm", 100*x.Seen, 100*x.Share, x.Spacing)
		if x.Squint.Known > 0 {
			text += fmt.Sprintf(", incidence %.0f° (median), %.0f %% grazing", x.Squint.Median, 100*x.Squint.Grazing)
		}
		var by []string
		for _, s := range x.By {
			by = append(by, fmt.Sprintf("%s %.1f %% at %.1f mm", printable(c.Job.Instruments[s.Instrument].Name), 100*s.Seen, s.Spacing))
		}
		say(e.stdout, "Region %s: %s; %s.\n", printable(x.Name), text, strings.Join(by, ", "))
	}
}

// printOddities lists what was counted or noticed of a file and is not a finding.
func printOddities(e *env, files []pipeline.File) {
	for i := range files {
		f := &files[i]
		for _, n := range f.Notes {
			say(e.stdout, "      %s: %s\n", printable(f.Path), printable(n))
		}
		var counts []string
		for _, c := range []struct {
			n    int64
			what string
		}{
			{f.Left.Absurd, "points left out as invalid"}, {f.Left.Zero, "points left out at the scanner's own place"}, {f.Blank, "without a return or marked as not to be used"},
			{aboveThousandth(f.Survey.Lone, f.Points), "points with nothing around them"}, {f.Survey.Doubled, "points exactly where another is"},
		} {
			if c.n > 0 {
				counts = append(counts, fmt.Sprintf("%d %s", c.n, c.what))
			}
		}
		if m := f.Flaws; m != nil && (m.Boundary > 0 || !m.Clean()) {
			counts = append(counts, fmt.Sprintf("%d boundary edges, %d non-manifold, %d between triangles that face opposite sides, %d triangles without area, %d twice there",
				m.Boundary, m.NonManifold, m.Flipped, m.Degenerate, m.Doubled))
		}
		if len(counts) > 0 {
			say(e.stdout, "      %s: %s.\n", printable(f.Path), strings.Join(counts, ", "))
		}
	}
}

// aboveThousandth leaves out what every scan has a little of.
func aboveThousandth(n, of int64) int64 {
	if n*1000 < of {
		return 0
	}
	return n
}

func unitsOf(f *pipeline.File) string {
	u := f.Units
	switch {
	case u.Use() == length.Unknown:
		return "?"
	case u.Declared != length.Unknown && u.Measured != length.Unknown && u.Declared != u.Measured:
		return fmt.Sprintf("%s, but measured %s", u.Declared, u.Measured)
	}
	return fmt.Sprintf("%s (%s)", u.Use(), u.Basis)
}

func sizeOf(f *pipeline.File) string {
	if !f.Readable {
		return "–"
	}
	s := f.Bounds.Size()
	if f.Units.Use() == length.Unknown {
		return fmt.Sprintf("%.4g × %.4g × %.4g of ?", s.X, s.Y, s.Z)
	}
	s = s.Scale(1e-3)
	if max(s.X, s.Y, s.Z) < 0.1 {
		return fmt.Sprintf("%.4f × %.4f × %.4f", s.X, s.Y, s.Z)
	}
	return fmt.Sprintf("%.2f × %.2f × %.2f", s.X, s.Y, s.Z)
}

func kindOf(f *pipeline.File) string {
	if f.Format == "" {
		return string(f.Kind)
	}
	return string(f.Kind) + " " + f.Format
}

// spacingOf says how far apart points are and, for a set-up, where.
func spacingOf(f *pipeline.File) string {
	switch s := f.Survey; {
	case s.Spacing == 0:
		return "–"
	case s.Distance > 0:
		return fmt.Sprintf("%.3g mm at %.1f m", s.Spacing, s.Distance/1000)
	default:
		return fmt.Sprintf("%.3g mm", s.Spacing)
	}
}

func noiseOf(f *pipeline.File) string {
	if f.Survey.Noise == 0 {
		return "–"
	}
	return fmt.Sprintf("%.2g mm", f.Survey.Noise)
}

func verdictOf(findings []job.Finding) string {
	verdict := "good"
	for _, f := range findings {
		if f.Severity == job.Hold {
			return "HOLD"
		}
		if f.Severity == job.Warn {
			verdict = "warn"
		}
	}
	return verdict
}

// printStrengths says of each tied set-up how well its spheres hold it.
func printStrengths(e *env, c *pipeline.Checked) {
	if c.Network == nil {
		return
	}
	for k := range c.Network.Stations {
		if s, ok := c.Network.Strength(k); ok {
			say(e.stdout, "%s\n", printable(s.Text))
		}
	}
}

// printSpheres lists what a file's round things were measured to be.
func printSpheres(e *env, files []pipeline.File) {
	for i := range files {
		f := &files[i]
		if len(f.Spheres)+len(f.Rejected) == 0 {
			continue
		}
		say(e.stdout, "\nSpheres of %s (mm, in the scan's own frame):\n", printable(f.Path))
		w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
		say(w, "NUMBER\tX\tY\tZ\tSIGMA x/y/z\tDIAMETER\tRMS\tFORM\tPOINTS\tCAP\tINCIDENCE\tDISTANCE\tUSED\n")
		for k, b := range f.Spheres {
			s := b.Cov.Sigmas()
			used := "yes"
			if !b.Usable {
				used = "no"
			}
			say(w, "%d\t%.2f\t%.2f\t%.2f\t%.3f / %.3f / %.3f\t%.2f ± %.2f\t%.2f\t%.2f\t%d\t%.0f°\t%.0f°\t%.2f m\t%s\n", k+1, b.Center.X, b.Center.Y, b.Center.Z,
				s.X, s.Y, s.Z, b.Diameter, b.DiameterSigma, b.RMS, b.Form, b.Points, b.CapDeg, b.IncidenceDeg, b.Distance/1000, used)
		}
		_ = w.Flush() // see printChecked
		for _, r := range f.Rejected {
			say(e.stdout, "turned down: %d points at (%.0f, %.0f, %.0f): %s.\n", r.Points, r.Center.X, r.Center.Y, r.Center.Z, r.Reason)
		}
	}
}

func printNetwork(e *env, c *pipeline.Checked) {
	if c.Network == nil || len(c.Network.Spheres) == 0 {
		return
	}
	linked := 0
	for _, s := range c.Stations {
		if s.Linked {
			linked++
		}
	}
	tying := 0
	for _, s := range c.Network.Spheres {
		if s.Status != network.Single {
			tying++
		}
	}
	say(e.stdout, "Network: %d of %d set-ups tied by %d spheres, redundancy %d, sigma0 %.2f.\n", linked, len(c.Stations), tying, c.Network.DOF, c.Network.Sigma0)
	if p, sigma := c.WorstPredicted(); sigma > 0 {
		say(e.stdout, "Predicted: registration places every corner and mount of the object within %.2f mm (1 sigma in space), worst at %s.\n", sigma, printable(p.Name))
	}
}

// counted writes a number and what it counts.
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func printFindings(e *env, findings []job.Finding) {
	for _, f := range findings {
		say(e.stdout, "%-4s  %s  %s: %s\n", strings.ToUpper(string(f.Severity)), f.Code, printable(f.Subject), printable(f.Text))
	}
}

// printMeasured writes what a build adds to a check.
func printMeasured(e *env, b *pipeline.Built) {
	if b.Mesh.Triangles > 0 {
		say(e.stdout, "Mesh: %d triangles fused, %d reduced; the reduced one departs by %.3f mm at most, %.3f mm rms; %d boundary edges, %d non-manifold.\n",
			b.Mesh.FusedTriangles, b.Mesh.Triangles, b.Mesh.DeviationMax, b.Mesh.DeviationRMS, b.Mesh.BoundaryEdges, b.Mesh.NonManifoldEdges)
	}
	if d := b.Datum; d != nil && d.OK {
		held := counted(len(d.Points), "control point")
		if len(d.Elements) > 0 {
			held = counted(len(d.Elements), "element")
		}
		say(e.stdout, "Datum: %s, %.2f mm rms.\n", held, d.RMS)
	}
	printMounts(e, b.Mounts)
}

// printMounts lists what was found at the mounts, and below each what it has besides
// its place and diameter.
func printMounts(e *env, mounts []mount.Result) {
	if len(mounts) == 0 {
		return
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	say(w, "MOUNT\tFOUND\tX (mm)\tY (mm)\tZ (mm)\tDIAMETER\tSIGMA x/y/z/d\tOFF NOMINAL\n")
	for _, m := range mounts {
		if !m.Found {
			say(w, "%s\tmissing\n", printable(m.Name))
			continue
		}
		s := m.Cov.Sigmas()
		diameter := "–"
		if m.Diameter > 0 {
			diameter = fmt.Sprintf("%.2f", m.Diameter)
		}
		say(w, "%s\t%s\t%.2f\t%.2f\t%.2f\t%s\t%.3f / %.3f / %.3f / %.3f\t%.2f\n", printable(m.Name), m.Kind, m.Center.X, m.Center.Y, m.Center.Z, diameter, s.X, s.Y, s.Z, m.SigmaDia, m.Deviation.Norm())
	}
	_ = w.Flush() // see printChecked
	for _, m := range mounts {
		if words := besides(m); len(words) > 0 {
			say(e.stdout, "      %s: %s.\n", printable(m.Name), strings.Join(words, "; "))
		}
	}
}

// besides puts into words what a mount has besides place and diameter.
func besides(m mount.Result) []string {
	var words []string
	for _, x := range m.Sizes {
		unit := " mm"
		if x.Angle {
			unit = "°"
		}
		words = append(words, fmt.Sprintf("%s %.2f%s (standard uncertainty %.3f)", strings.ReplaceAll(x.Name, "_", " "), x.Value, unit, x.Sigma))
	}
	if p := m.Position; p.Zone > 0 {
		words = append(words, fmt.Sprintf("position %.3f mm in a zone of %.3g mm: %s", p.Deviation, p.Zone, p.Decision))
	}
	return words
}
