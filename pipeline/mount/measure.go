// Package mount measures the places where parts will be bolted on: holes, studs,
// bosses and flat pads, on the registered raw points of one instrument at a time,
// never on the fused mesh, whose cells round every rim.
//
// A hole is the circle where the face's points end, corrected for the gap that a
// finite point density leaves, and the wall below it where that was seen; a stud
// or boss is a cylinder standing on the face; a pad is a plane. Every result
// carries the covariance of its fit and of the frame it was measured in. Lengths
// are millimetres in the datum's frame. What was not seen is reported missing,
// with what was found instead.
package mount

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Seen holds the points that one instrument has near the mounts.
type Seen struct {
	Instrument string
	Points     []geom.Vec                // datum frame
	Noise      float64                   // of one point across a surface, 1 sigma; 0 to take it from the residuals
	FrameCov   func(p geom.Vec) geom.Mat // what registration and datum add at a place; nil for nothing
	DatumCov   func(p geom.Vec) geom.Mat // the part of it that all instruments share; nil for nothing
	Rigid      bool                      // all points share one pose, so that FrameCov is that of one motion
}

// Result is a measured mount.
type Result struct {
	Name       string
	Kind       job.Feature
	Found      bool
	Instrument string
	Center     geom.Vec // on its face
	Axis       geom.Vec // unit, normal of the face, the largest component positive
	AxisCov    geom.Mat // of Axis, from the fit alone
	Diameter   float64  // 0 for a plane
	Sizes      []Size   // others than the diameter
	Cov        geom.Mat // of Center, fit and frame together
	FitCov     geom.Mat // of Center, the fit alone
	SigmaDia   float64  // of Diameter
	RMS        float64  // of the points about the fitted element
	Points     int      // that the centre rests on
	ArcDeg     float64  // of the rim that was seen
	Deviation  geom.Vec // Center minus the place where the sheet expects it
	Position   Position // against the sheet's nominal place
	Apart      float64  // how far rim and wall disagree, where that is more than they may
	Findings   []job.Finding
}

// Size is a length or an angle of a mount besides its diameter.
type Size struct {
	Name  string
	Value float64 // mm, or degrees for an angle
	Sigma float64
	Angle bool // in degrees
}

// Measure looks for a mount in what each instrument saw and returns the result
// with the smallest uncertainty.
func Measure(m job.Mount, seen []Seen) Result {
	var found []Result
	why := "no instrument has points there"
	for _, s := range seen {
		r, reason := measureIn(m, s)
		if reason != "" {
			why = reason
			continue
		}
		found = append(found, r)
	}
	if len(found) == 0 {
		return missing(m, why)
	}
	best := slices.MinFunc(found, func(a, b Result) int { return cmp.Compare(a.doubt(), b.doubt()) })
	best.Findings = doubts(m, best)
	return best
}

// doubt orders results: the standard uncertainty of the place and the diameter
// together.
func (r Result) doubt() float64 { return math.Sqrt(r.Cov.Trace() + r.SigmaDia*r.SigmaDia) }

func measureIn(m job.Mount, s Seen) (r Result, why string) {
	near := gather(s.Points, m.Near, Reach(m))
	if len(near) < leastPoints {
		return r, fmt.Sprintf("%s has %d points within %.0f mm, at least %d are needed", s.Instrument, len(near), Reach(m), leastPoints)
	}
	if s.Noise == 0 {
		s.Noise = scatter(near)
	}
	switch m.Expect {
	case job.Hole:
		r, why = hole(m, near, s.Noise)
	case job.Stud, job.Boss:
		r, why = standing(m, near, s.Noise)
	case job.Plane:
		r, why = pad(m, near, s.Noise)
	default:
		return r, fmt.Sprintf("the kind %q cannot be measured", m.Expect)
	}
	if why != "" {
		return r, fmt.Sprintf("in %d points of %s %s", len(near), s.Instrument, why)
	}
	r.Name, r.Kind, r.Found, r.Instrument = m.Name, m.Expect, true, s.Instrument
	r.FitCov = r.Cov
	r.Cov = r.Cov.Add(at(s.FrameCov, r.Center))
	r.Deviation = r.Center.Sub(m.Nominal())
	if m.Position > 0 {
		r.Position = positionOf(r.Center, m.Nominal(), r.Axis, r.Cov, m.Position)
	}
	return r, ""
}

// leastPoints is far above the three unknowns of a plane and the three of a
// circle: fewer cannot tell a face from clutter.
const leastPoints = 40

// Reach is how far around the expected place points are taken: the search radius
// and a rim of twice the diameter around whatever lies at its edge.
func Reach(m job.Mount) float64 { return m.Within + 2*math.Max(m.Diameter, 5) }

func gather(points []geom.Vec, near geom.Vec, within float64) []geom.Vec {
	var out []geom.Vec
	for _, p := range points {
		if p.Sub(near).Norm2() <= within*within {
			out = append(out, p)
		}
	}
	return out
}

// Lost returns the result of a mount that could not be looked for.
func Lost(m job.Mount, why string) Result { return missing(m, why) }

func missing(m job.Mount, why string) Result {
	return Result{Name: m.Name, Kind: m.Expect, Findings: []job.Finding{{
		Code: job.MountMissing, Severity: job.Hold, Subject: m.Name,
		Text: fmt.Sprintf("No %s was found within %.0f mm of (%.1f, %.1f, %.1f): %s. To do: scan the place again from close by and square to the face, or correct near, within or expect in the job sheet.",
			describe(m), m.Within, m.Near.X, m.Near.Y, m.Near.Z, why),
	}}}
}

func describe(m job.Mount) string {
	if m.Diameter > 0 {
		return fmt.Sprintf("%s of about %g mm", m.Expect, m.Diameter)
	}
	return string(m.Expect)
}

// leastArc is the arc in degrees below which a centre hangs on one side of the
// rim (CV-10.5: below 180° the centre is uncertain; 20° are for the rim's ends).
const leastArc = 200

func doubts(m job.Mount, r Result) []job.Finding {
	warn := func(format string, args ...any) job.Finding {
		return job.Finding{Code: job.MountUncertain, Severity: job.Warn, Subject: m.Name, Text: fmt.Sprintf(format, args...)}
	}
	if m.Expect == job.Plane {
		return nil
	}
	if r.ArcDeg < leastArc {
		return []job.Finding{warn("Only %.0f degrees of the rim of %s were seen, at least %d are needed for a sure centre. To do: scan it from the other side as well.", r.ArcDeg, m.Name, leastArc)}
	}
	if limit := DiameterTolerance(r.Diameter) / 5; r.SigmaDia > limit {
		return []job.Finding{warn("The diameter of %s is %.3f mm with a standard uncertainty of %.3f mm; a fifth of its tolerance is %.3f mm. To do: scan it again from closer by, with a spacing of a tenth of the diameter or less.",
			m.Name, r.Diameter, r.SigmaDia, limit)}
	}
	return nil
}

// DiameterTolerance returns the tolerance of a medium clearance hole of this
// diameter in millimetres: grade IT13 of ISO 286-1, the grade of ISO 273's medium
// series. The values are CV-10.5's, from memory there; outside 3 to 30 mm the
// nearest step is taken.
func DiameterTolerance(d float64) float64 {
	switch {
	case d <= 6:
		return 0.18
	case d <= 10:
		return 0.22
	case d <= 18:
		return 0.27
	default:
		return 0.33
	}
}
