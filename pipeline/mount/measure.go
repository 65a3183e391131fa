// Package mount measures the places where parts will be bolted on: holes (through,
// blind, chamfered, countersunk, threaded), slots, studs, bosses, flat pads and
// patterns of holes, on the registered raw points of each instrument, never on the fused
// mesh, whose cells round every rim; what several say is combined (combine.go). It also
// says what lies between mounts, judges their positions, and cuts out the raw surface
// around them.
//
// A hole or slot is an empty place in a face. Its outline follows from the
// likelihood of emptiness among points of known density or in rows (edge.go), and
// from the wall below it where that was seen (rim.go, slot.go, cone.go); a stud or
// boss is a cylinder standing on the face; a pad is a plane. Every result carries
// the covariance of its fit and of the frame it was measured in; between mounts what
// they share is left out (pitch.go; ISO 1101 and ISO 14253-1 for positions). Lengths
// are millimetres in the datum's frame.
//
// What was not seen is reported missing, with what was found instead; less than 200
// degrees of a rim, two holes where one is meant, and a rim that disagrees with its
// wall are said. A rim whose points end before the edge (mixed pixels dropped, edges
// broken) cannot be told from a larger hole without its wall.
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
	Instrument string   // the surest of those that saw it
	Center     geom.Vec // on its face
	Axis       geom.Vec // unit, normal of the face, the largest component positive
	AxisCov    geom.Mat // of Axis, from the fit alone
	Diameter   float64  // 0 for a plane
	Sizes      []Size   // others than the diameter
	Along      geom.Vec // unit, of a slot's length; zero for others
	SigmaAlong float64  // of its direction, radians
	Threads    []Thread // that a threaded hole may have, the likeliest first
	Others     []Other  // holes that may be meant as well
	Cov        geom.Mat // of Center, fit and frame together
	FitCov     geom.Mat // of Center, the fit alone
	SigmaDia   float64  // of Diameter
	RMS        float64  // of the points about the fitted element
	Points     int      // that the centre rests on
	ArcDeg     float64  // of the rim that was seen
	Deviation  geom.Vec // Center minus the place where the sheet expects it
	Position   Position // against the sheet's nominal place
	Apart      float64  // how far rim and wall disagree, where that is more than they may
	Shares     []Share  // of several instruments in Center and Diameter; none where it is Instrument's alone
	Findings   []job.Finding

	odd []job.Finding // of instruments that were left out
}

// Size is a length or an angle of a mount besides its diameter.
type Size struct {
	Name  string
	Value float64 // mm, or degrees for an angle
	Sigma float64
	Angle bool // in degrees
}

// Other is another hole within the search radius.
type Other struct {
	Center   geom.Vec
	Diameter float64 // about
}

// Measure looks for a mount in what each instrument saw and returns what they say
// together, or the surest of them where that is hardly better. A pattern needs MeasureAll.
func Measure(m job.Mount, seen []Seen) Result {
	found, why := inAll(m, seen)
	if why != "" {
		return missing(m, why+instead(m, seen))
	}
	out := combine(m, found, seen)
	out.Findings = append(doubts(m, out), out.odd...)
	return out
}

func surest(m job.Mount, seen []Seen) (best Result, why string) {
	found, why := inAll(m, seen)
	if why != "" {
		return best, why
	}
	return found[0], ""
}

// inAll measures a mount with each instrument that has it, the surest first.
func inAll(m job.Mount, seen []Seen) (found []Result, why string) {
	why = "no instrument has points there"
	for _, s := range seen {
		r, reason := measureIn(m, s)
		if reason != "" {
			why = reason
			continue
		}
		found = append(found, r)
	}
	if len(found) == 0 {
		return nil, why
	}
	slices.SortStableFunc(found, func(a, b Result) int { return cmp.Compare(a.doubt(), b.doubt()) })
	return found, ""
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
	case job.Hole, job.Countersink, job.Threaded:
		r, why = hole(m, near, s.Noise)
	case job.Slot:
		r, why = slot(m, near, s.Noise)
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
func Reach(m job.Mount) float64 {
	return m.Within + 2*math.Max(math.Max(m.Diameter, 5), math.Max(m.Width, m.Length/2))
}

func gather(points []geom.Vec, near geom.Vec, within float64) []geom.Vec {
	var out []geom.Vec
	for _, p := range points {
		if p.Sub(near).Norm2() <= within*within {
			out = append(out, p)
		}
	}
	return out
}
