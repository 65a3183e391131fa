package mount

import (
	"math"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Pitch is what lies between two mounts.
type Pitch struct {
	A, B       string
	Delta      geom.Vec // place of B minus place of A, mm
	Cov        geom.Mat // of Delta
	Distance   float64
	Sigma      float64 // of Distance
	Angle      float64 // between the axes as lines, 0 to 90 degrees
	SigmaAngle float64 // degrees
}

// Pitches returns the distances and angles between all mounts that were found, in
// the order of the results, but for a pattern and its own holes. What two mounts share cancels: an instrument whose
// scans share one pose moves them together, and only its turn acts on what lies
// between them; the datum moves all of them together.
func Pitches(results []Result, seen []Seen) []Pitch {
	var out []Pitch
	for i := range results {
		for k := i + 1; k < len(results); k++ {
			own := results[i].Kind == job.Pattern && strings.HasPrefix(results[k].Name, results[i].Name+"-")
			if results[i].Found && results[k].Found && !own {
				out = append(out, pitchOf(&results[i], &results[k], seen))
			}
		}
	}
	return out
}

func pitchOf(a, b *Result, seen []Seen) Pitch {
	p := Pitch{A: a.Name, B: b.Name, Delta: b.Center.Sub(a.Center)}
	shared, turn := sharedDoubt(a, b, seen)
	p.Cov = a.FitCov.Add(b.FitCov).Add(shared)
	p.Distance = p.Delta.Norm()
	along := p.Delta.Unit()
	p.Sigma = math.Sqrt(math.Max(0, p.Cov.MulVec(along).Dot(along)))
	cross := a.Axis.Cross(b.Axis)
	p.Angle = math.Atan2(cross.Norm(), math.Abs(a.Axis.Dot(b.Axis))) * 180 / math.Pi
	p.SigmaAngle = axisDoubt(a, b, cross, turn) * 180 / math.Pi
	return p
}

// axisDoubt is the standard uncertainty of the angle between two axes, in
// radians. Where they are parallel, no direction of turning is singled out, and
// the mean of both is taken.
func axisDoubt(a, b *Result, cross geom.Vec, turn geom.Mat) float64 {
	both := a.AxisCov.Add(b.AxisCov)
	if cross.Norm() < 1e-6 {
		u := a.Axis.Perpendicular()
		v := a.Axis.Cross(u)
		return math.Sqrt(math.Max(0, both.Trace()/2+(turn.MulVec(u).Dot(u)+turn.MulVec(v).Dot(v))/2))
	}
	about := cross.Unit()
	da, db := about.Cross(a.Axis), about.Cross(b.Axis)
	return math.Sqrt(math.Max(0, a.AxisCov.MulVec(da).Dot(da)+b.AxisCov.MulVec(db).Dot(db)+turn.MulVec(about).Dot(about)))
}

// sharedDoubt returns what frames add to the difference of two places, and the
// covariance of the turn between the two instruments' frames, in square radians.
func sharedDoubt(a, b *Result, seen []Seen) (cov, turn geom.Mat) {
	if len(a.Shares) > 0 || len(b.Shares) > 0 {
		return jointDoubt(a, b, seen)
	}
	return singleDoubt(a, b, seen)
}

// singleDoubt is that of two mounts that rest on one instrument each, by their Instrument.
func singleDoubt(a, b *Result, seen []Seen) (cov, turn geom.Mat) {
	sa, sb := seenBy(a.Instrument, seen), seenBy(b.Instrument, seen)
	if sa == nil || sb == nil {
		return geom.Mat{}, geom.Mat{}
	}
	if sa == sb && sa.Rigid {
		return difference(sa.FrameCov, a.Center, b.Center), geom.Mat{}
	}
	own := frameOf
	cov = own(sa, a.Center).Add(own(sb, b.Center)).Add(difference(sa.DatumCov, a.Center, b.Center))
	turn = turning(func(p geom.Vec) geom.Mat { return own(sa, p) }, a.Center).Add(turning(func(p geom.Vec) geom.Mat { return own(sb, p) }, b.Center))
	return cov, turn
}

func seenBy(instrument string, seen []Seen) *Seen {
	if i := slices.IndexFunc(seen, func(s Seen) bool { return s.Instrument == instrument }); i >= 0 {
		return &seen[i]
	}
	return nil
}

func at(cov func(geom.Vec) geom.Mat, p geom.Vec) geom.Mat {
	if cov == nil {
		return geom.Mat{}
	}
	return cov(p)
}

// difference returns what the doubt of a rigid motion adds to the difference of
// two places that share it. A motion's covariance at a place is quadratic in the
// place, J·Σ·Jᵀ with J = [-[p]×, I], and its second difference along d = b-a is
// [d]×·Σ of the turn·[d]×ᵀ twice: the translation is gone.
func difference(cov func(geom.Vec) geom.Mat, a, b geom.Vec) geom.Mat {
	if cov == nil {
		return geom.Mat{}
	}
	d := b.Sub(a)
	middle := a.Add(b).Scale(0.5)
	return cov(middle.Add(d)).Add(cov(middle.Sub(d))).Scale(0.5).Add(cov(middle).Scale(-1))
}

// turning returns the covariance of the turn in a rigid motion's doubt: with the
// lever d along an axis e_i, difference is [d]×·T·[d]×ᵀ, whose elements give those
// of T across e_i. Levers of a metre keep the figures.
func turning(cov func(geom.Vec) geom.Mat, p geom.Vec) geom.Mat {
	const lever = 1000
	var t geom.Mat
	for i, e := range [3]geom.Vec{{X: lever}, {Y: lever}, {Z: lever}} {
		d := difference(cov, p, p.Add(e)).Scale(1.0 / (lever * lever))
		j, k := (i+1)%3, (i+2)%3
		// [e_i]× maps e_j to e_k and e_k to -e_j.
		t[4*j] += d[4*k] / 2
		t[4*k] += d[4*j] / 2
		t[3*j+k] = -d[3*j+k]
		t[3*k+j] = t[3*j+k]
	}
	return t
}

// Decision says whether a position is within its tolerance zone.
type Decision string

// The decisions. After ISO 14253-1 conformity is proven only where the result and
// its expanded uncertainty lie within the limit, and non-conformity only where
// they lie outside.
const (
	Pass      Decision = "pass"
	Fail      Decision = "fail"
	Undecided Decision = "undecided"
)

// Position is how far a mount lies from its nominal axis, as ISO 1101 counts it.
type Position struct {
	Zone      float64 // diameter of the tolerance zone, mm; 0 where none is asked for
	Deviation float64 // twice the distance from the nominal axis
	Sigma     float64 // of Deviation
	Decision  Decision
}

// Coverage is the coverage factor of the expanded uncertainty that guards the
// limits: 2, about 95 % (CV-3.6).
const Coverage = 2

// positionOf judges a place against its nominal one. The nominal axis goes through
// the nominal place along the measured one.
func positionOf(center, nominal, axis geom.Vec, cov geom.Mat, zone float64) Position {
	d := center.Sub(nominal)
	across := d.AddScaled(-d.Dot(axis), axis)
	p := Position{Zone: zone, Deviation: 2 * across.Norm()}
	n := across.Unit()
	if n == (geom.Vec{}) {
		n = axis.Perpendicular()
	}
	p.Sigma = 2 * math.Sqrt(math.Max(0, cov.MulVec(n).Dot(n)))
	p.Decision = decide(p.Deviation, p.Sigma, zone)
	return p
}

func decide(deviation, sigma, zone float64) Decision {
	guard := Coverage * sigma
	switch {
	case deviation+guard <= zone:
		return Pass
	case deviation-guard > zone:
		return Fail
	default:
		return Undecided
	}
}
