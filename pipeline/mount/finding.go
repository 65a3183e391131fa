package mount

import (
	"fmt"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Lost returns the result of a mount that could not be looked for.
func Lost(m job.Mount, why string) Result { return missing(m, why) }

func missing(m job.Mount, why string) Result {
	return Result{Name: m.Name, Kind: m.Expect, Findings: []job.Finding{{
		Code: job.MountMissing, Severity: job.Hold, Subject: m.Name,
		Text: fmt.Sprintf("No %s was found within %.0f mm of %s: %s. To do: scan the place again from close by and square to the face, or correct near, within or expect in the job sheet.",
			describe(m), m.Within, coordinates(m.Near), why),
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

// twoHoles begins the finding that names several holes.
const twoHoles = "More than one hole"

func doubts(m job.Mount, r Result) []job.Finding {
	var out []job.Finding
	warn := func(format string, args ...any) {
		out = append(out, job.Finding{Code: job.MountUncertain, Severity: job.Warn, Subject: m.Name, Text: fmt.Sprintf(format, args...)})
	}
	if m.Expect == job.Plane {
		return nil
	}
	if len(r.Others) > 0 {
		var text strings.Builder
		for _, o := range r.Others {
			_, _ = fmt.Fprintf(&text, ", one of about %.1f mm at %s, %.1f mm away", o.Diameter, coordinates(o.Center), o.Center.Dist(m.Near))
		}
		warn(twoHoles+" lies within %.0f mm of where %s is expected: one of %.1f mm at %s, %.1f mm away, which was taken%s. To do: make within smaller, or near more exact, so that one is left.",
			m.Within, m.Name, r.Diameter, coordinates(r.Center), r.Center.Dist(m.Near), text.String())
	}
	if r.Apart > 0 {
		warn("The rim and the wall of %s disagree by %.3f mm, more than their uncertainties allow; that is counted in its uncertainty. To do: look for a burr, a bush or a step in the hole, and scan it again from straight above.", m.Name, r.Apart)
	}
	out = append(out, judged(r)...)
	size, sigma, what := r.Diameter, r.SigmaDia, "diameter"
	if m.Expect == job.Slot {
		size, sigma, what = r.Sizes[len(r.Sizes)-2].Value, r.Sizes[len(r.Sizes)-2].Sigma, "width"
	}
	limit := DiameterTolerance(size) / 5
	switch {
	case r.ArcDeg < leastArc:
		warn("Only %.0f degrees of the rim of %s were seen, at least %d are needed for a sure centre. To do: scan it from the other side as well.", r.ArcDeg, m.Name, leastArc)
	case sigma > limit:
		warn("The %s of %s is %.3f mm with a standard uncertainty of %.3f mm; a fifth of its tolerance is %.3f mm. To do: scan it again from closer by and aslant, so that the wall is seen too, with a spacing of a tenth of it or less.",
			what, m.Name, size, sigma, limit)
	}
	return out
}

// judged says that a position fails its zone, or can be neither passed nor failed.
func judged(r Result) []job.Finding {
	p := r.Position
	switch p.Decision {
	case Undecided:
		return []job.Finding{{Code: job.MountUncertain, Severity: job.Warn, Subject: r.Name,
			Text: fmt.Sprintf("The position of %s, %.3f mm, and its expanded uncertainty of %.3f mm lie neither within nor outside its zone of %g mm, so that it can be neither passed nor failed. To do: scan it from closer by; where its diameter is sure, tie the scan better.",
				r.Name, p.Deviation, Coverage*p.Sigma, p.Zone)}}
	case Fail:
		d := r.Deviation
		return []job.Finding{{Code: job.MountPosition, Severity: job.Warn, Subject: r.Name,
			Text: fmt.Sprintf("%s fails its position: %.3f mm (twice the distance from its nominal axis), with an expanded uncertainty of %.3f mm, in a zone of %g mm; it lies (%+.2f, %+.2f, %+.2f) mm off its nominal place. To do: see whether at: in the job sheet is what the drawing says; if so, rework it, or design what bolts on to the measured place.",
				r.Name, p.Deviation, Coverage*p.Sigma, p.Zone, d.X, d.Y, d.Z)}}
	case Pass:
	}
	return nil
}

func coordinates(p geom.Vec) string { return fmt.Sprintf("(%.1f, %.1f, %.1f)", p.X, p.Y, p.Z) }

// instead says what lies within the search radius in place of what was expected:
// the same kind in another size, or another kind.
func instead(m job.Mount, seen []Seen) string {
	plain := job.Mount{Name: m.Name, Near: m.Near, Within: m.Within}
	for _, kind := range [...]job.Feature{m.Expect, job.Hole, job.Slot, job.Stud} {
		if kind == job.Plane || kind == job.Pattern {
			continue
		}
		plain.Expect = kind
		if r, why := surest(plain, seen); why == "" && r.ArcDeg >= leastArc {
			return "; instead there is " + r.brief(m.Near)
		}
	}
	return ""
}

// brief says what a result is and where.
func (r *Result) brief(near geom.Vec) string {
	what := fmt.Sprintf("a %s of %.1f mm", r.Kind, r.Diameter)
	if r.Kind == job.Slot {
		what = fmt.Sprintf("a slot of %.1f mm by %.1f mm", r.Sizes[len(r.Sizes)-2].Value, r.Sizes[len(r.Sizes)-1].Value)
	}
	if r.Kind == job.Plane {
		what = "a face"
	}
	return fmt.Sprintf("%s at %s, %.1f mm away", what, coordinates(r.Center), r.Center.Dist(near))
}

// Elsewhere adds to a missing mount's finding what a wider search finds, seen being
// what lies within reach of its place.
func Elsewhere(m job.Mount, r Result, seen []Seen, reach float64) Result {
	wide := m
	wide.Within = reach
	if wide.Expect == job.Pattern || len(r.Findings) == 0 {
		return r
	}
	found, why := surest(wide, seen)
	if why != "" || found.ArcDeg < leastArc {
		return r
	}
	r.Findings = missing(m, fmt.Sprintf("nothing like it is there, but within %.0f mm there is %s", reach, found.brief(m.Near))).Findings
	return r
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
