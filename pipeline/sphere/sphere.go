// Package sphere finds reference spheres of a known diameter in the unlabelled
// scan of one station, and measures their centres.
//
// In comes a cloud in the station's frame, the scanner at the frame's zero point,
// in any unit and any order of points. Out go the spheres with full covariance
// and, for a person who asks why, the round things that were turned down. Points
// are entered into cube-shaped range images whose cells are a fixed share of a
// sphere at their depth (view.go); the normal of each cell votes for a centre at
// the known radius (vote.go); around each peak all rays are gathered (gather.go)
// and the centre is fitted along the rays by weighted least squares, the radius
// held, on the part of the cap that behaves (cap.go); gates on completeness,
// smoothness, outline and diameter decide (gate.go).
//
// Nothing in it depends on the unit, on the order of points or on how the station
// stands. What the scanner saw too sparsely for 30 points on a sphere is not
// searched, and no sphere is invented from fewer.
package sphere

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Options say what to look for. Lengths are in the unit of the cloud's numbers.
type Options struct {
	Diameter  float64 // calibrated diameter, required
	Tolerance float64 // accepted departure of a free fit's diameter; 0 = a hundredth of Diameter
	Noise     float64 // range noise, 1 sigma; 0 = estimated from each cap
}

// Sphere is a reference sphere in the station's frame.
type Sphere struct {
	Center        geom.Vec // radius held
	Cov           geom.Mat // of Center, from the rays' geometry and the noise actually seen
	Nominal       float64  // calibrated diameter of the kind that it is one of, held for Center
	Diameter      float64  // of a free fit: a witness, not used for Center
	DiameterSigma float64  // its standard uncertainty
	RMS           float64  // of the residuals along the rays, radius held
	Form          float64  // rms of the surface's pattern about a sphere, less what noise alone gives
	Points        int      // used for Center
	CapDeg        float64  // opening angle of the part of the sphere that was used
	IncidenceDeg  float64  // mean incidence of the points used
	Distance      float64  // from the scanner to Center
	Usable        bool     // the free diameter is within the tolerance, allowing for its own uncertainty
}

// Candidate is a round thing that was turned down.
type Candidate struct {
	Center   geom.Vec
	Diameter float64 // of a free fit, 0 where there was none
	Points   int
	Reason   string // a sentence
}

// Result is what Find found.
type Result struct {
	Spheres  []Sphere    // by distance, then by coordinates
	Rejected []Candidate // the same order
}

// ErrDiameter says that no usable diameter was given.
var ErrDiameter = errors.New("the diameter of the spheres must be a positive number")

// Find returns the spheres of the given diameter in the cloud, which it only
// reads. Spheres whose free diameter is near the calibrated one but outside the
// tolerance are returned as not usable. Points that are not finite are left out.
// The work grows linearly with the number of points and is the same, to the last
// bit, for every number of processors. Only a wrong diameter or tolerance and a
// done context are errors.
func Find(ctx context.Context, c *scan.Cloud, o Options) (Result, error) {
	if !(o.Diameter > 0) || math.IsInf(o.Diameter, 0) || !(o.Tolerance >= 0) || !(o.Noise >= 0) {
		return Result{}, fmt.Errorf("diameter %g, tolerance %g, noise %g: %w", o.Diameter, o.Tolerance, o.Noise, ErrDiameter)
	}
	if o.Tolerance == 0 {
		o.Tolerance = o.Diameter / 100
	}
	reach, err := measureReach(ctx, c, o.Diameter)
	if err != nil {
		return Result{}, fmt.Errorf("measure the density of rays: %w", err)
	}
	v, err := render(ctx, c, o.Diameter, reach)
	if err != nil {
		return Result{}, fmt.Errorf("enter points into range images: %w", err)
	}
	votes, err := castVotes(ctx, c, v, o.Diameter/2)
	if err != nil {
		return Result{}, fmt.Errorf("vote for centres: %w", err)
	}
	centers := peaks(votes, o.Diameter/2, votesPerPeak)
	rays, err := gather(ctx, c, centers, o.Diameter/2)
	if err != nil {
		return Result{}, fmt.Errorf("gather rays around candidates: %w", err)
	}
	return judgeAll(ctx, centers, rays, o)
}

// verdict is what became of one candidate.
type verdict struct {
	sphere   Sphere
	rejected Candidate
	accepted bool
}

func judgeAll(ctx context.Context, centers []geom.Vec, rays [][]ray, o Options) (Result, error) {
	verdicts := make([]verdict, len(centers))
	err := par.Each(ctx, len(centers), func(i int) error {
		verdicts[i] = judge(centers[i], rays[i], o)
		return nil
	})
	if err != nil {
		return Result{}, fmt.Errorf("fit candidates: %w", err)
	}
	return withoutStrays(settle(verdicts, o.Diameter/2)), nil
}

// settle keeps the best of candidates that ended on the same sphere, and drops
// rejections next to an accepted sphere: they are its own echoes.
func settle(verdicts []verdict, radius float64) Result {
	var r Result
	slices.SortStableFunc(verdicts, func(a, b verdict) int {
		return cmp.Or(cmp.Compare(b.sphere.Points, a.sphere.Points), order(a.sphere.Center, b.sphere.Center))
	})
	for _, v := range verdicts {
		if v.accepted && !slices.ContainsFunc(r.Spheres, func(s Sphere) bool { return s.Center.Dist(v.sphere.Center) < radius }) {
			r.Spheres = append(r.Spheres, v.sphere)
		}
	}
	slices.SortStableFunc(verdicts, func(a, b verdict) int {
		return cmp.Or(cmp.Compare(b.rejected.Points, a.rejected.Points), order(a.rejected.Center, b.rejected.Center))
	})
	for _, v := range verdicts {
		if v.accepted || slices.ContainsFunc(r.Spheres, func(s Sphere) bool { return s.Center.Dist(v.rejected.Center) < 2*radius }) ||
			slices.ContainsFunc(r.Rejected, func(c Candidate) bool { return c.Center.Dist(v.rejected.Center) < radius }) {
			continue
		}
		r.Rejected = append(r.Rejected, v.rejected)
	}
	slices.SortFunc(r.Spheres, func(a, b Sphere) int { return order(a.Center, b.Center) })
	slices.SortFunc(r.Rejected, func(a, b Candidate) int { return order(a.Center, b.Center) })
	return r
}

// strayFactor is how many times the median scatter of the spheres in a scan one
// may have: range noise doubles at the most between near and far (measured in the
// simulated rooms of the tests), while a pipe or a corner that passes for a cap
// scatters four times as much.
const strayFactor = 2.5

// withoutStrays turns down what scatters far more than the other spheres of the
// scan. It takes four to say what is usual.
func withoutStrays(r Result) Result {
	if len(r.Spheres) < 4 {
		return r
	}
	var rms []float64
	for _, s := range r.Spheres {
		rms = append(rms, s.RMS)
	}
	slices.Sort(rms)
	limit := strayFactor * rms[len(rms)/2]
	kept := r.Spheres[:0]
	for _, s := range r.Spheres {
		if s.RMS <= limit {
			kept = append(kept, s)
			continue
		}
		r.Rejected = append(r.Rejected, Candidate{Center: s.Center, Diameter: s.Diameter, Points: s.Points,
			Reason: fmt.Sprintf("its points scatter by %.3g along the rays, those of the other spheres by %.3g", s.RMS, rms[len(rms)/2])})
	}
	r.Spheres = kept
	slices.SortFunc(r.Rejected, func(a, b Candidate) int { return order(a.Center, b.Center) })
	return r
}

// order compares by distance from the scanner, then by coordinates.
func order(a, b geom.Vec) int {
	return cmp.Or(cmp.Compare(a.Norm2(), b.Norm2()), cmp.Compare(a.X, b.X), cmp.Compare(a.Y, b.Y), cmp.Compare(a.Z, b.Z))
}
