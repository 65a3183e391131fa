// Package network ties stations together by the spheres that they share.
//
// In come, for each station, the centres of the spheres that it saw with their
// covariances, in its own frame, without labels. Out come the pose of every
// station, the place of every sphere, full covariances, the tests that say
// whether the numbers may be believed, and findings that say what a person can do
// where they may not. Centres are matched by their mutual distances (match.go);
// matches grow into networks (grow.go); one least-squares adjustment finds all
// poses and centres at once (adjust.go); tests after W. Baarda, A Testing
// Procedure for Use in Geodetic Networks (1968), look for moved spheres and wrong
// scales (blunder.go), which are taken out one at a time, the strongest first.
//
// Hypotheses are moved and exchanged spheres, spheres of another diameter (foreign.go),
// wrong scales, and set-ups that slipped while they scanned (slip.go). What holds the
// frame is the caller's choice (datum.go): the first station of the largest linked set,
// in input order; the spheres as a whole; or control points. Covariances are kept for
// all set-ups together (joint.go). What registration will add anywhere on the object,
// and which further sphere or set-up would lower it, is known before the crew leaves
// (geometry.go, strength.go).
//
// A layout that fits in several ways is settled by the instruments' level, the poses in
// the files or an overlap score (tiebreak.go), and said to be; where nothing settles it,
// it is reported, never guessed (symmetry.go). A station that shares too little is left
// out and named.
package network

import (
	"context"
	"errors"
	"fmt"
	"math"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Observation is a sphere's centre as one station measured it.
type Observation struct {
	Center geom.Vec // mm, in the station's frame
	Cov    geom.Mat // mm², in the station's frame
	Kind   int      // spheres of different kinds, such as diameters, are never taken for one
}

// Station is one set-up.
type Station struct {
	Name         string // a file relative to the job folder; the subject of findings
	Observations []Observation
	// Approx is where the file says that the set-up stood, its frame to one that the files share; nil = unknown. It
	// is used only where spheres fit in several ways.
	Approx *geom.Pose
}

// Options steer Solve; the zero value is the sensible default.
type Options struct {
	// Significance is the chance of a false alarm in the whole network, 0 = 0.0005: half of the one in a thousand that
	// a crew can live with, since simulations, not theory, have the last word.
	Significance float64
	Power        float64 // chance to find a displacement of the size called detectable, 0 = 0.80
	// Floor is the standard uncertainty that no observation's axis goes below, in mm, added in quadrature:
	// stability of tripod and stands, warming of the instrument. 0 = 0.1 mm (common practice, no source);
	// negative = none, for observations whose covariances are known to be complete.
	Floor float64
	// Nudge is how far apart two places may lie to be held for one sphere that was moved, in mm, 0 = 150: about
	// a sphere's own diameter. A stand that was carried further away is a new place.
	Nudge float64
	// Levelled is how far levelled set-ups may lean against each other, in radians, 0 = not asked: the files' z axes
	// are vertical then, a set-up that leans is noted, and a match that would lay one on its side loses against one
	// that does not.
	Levelled float64
	// Overlap scores how well two scans fit each other under a motion of b's frame to a's: 0 not at all, 1 in all
	// that they share. It is asked only where spheres fit in several ways, one call at a time. nil = not asked.
	Overlap func(a, b int, bToA geom.Pose) float64
	Datum   Datum   // what holds the frame
	Known   []Known // the control points of Control
}

func (o Options) complete() Options {
	set := func(v *float64, standard float64) {
		if *v == 0 {
			*v = standard
		}
	}
	set(&o.Significance, 0.0005)
	set(&o.Power, 0.80)
	set(&o.Floor, 0.1)
	set(&o.Nudge, 150)
	o.Floor = max(0, o.Floor)
	return o
}

// StationResult is what became of one station, in input order.
type StationResult struct {
	Name             string
	Linked           bool
	StationToNetwork geom.Pose // identity where not linked
	Cov              fit.Mat6  // rotation vector (rad, about the network axes) and translation (mm); zero for the first station
	// Free is the covariance of the pose against the spheres as a whole, which no
	// station holds: rotation vector and translation at Result.Middle. See Predict.
	Free            fit.Mat6
	RMS             float64 // of its residuals, mm, 3D
	Spheres         []int   // index into Result.Spheres of each observation, -1 where it belongs to none
	Redundancy      float64 // sum of the redundancy numbers of its observations
	Detectable      float64 // smallest displacement of its worst-controlled sphere that would be found, mm; 0 = none would
	DetectableScale float64 // smallest relative error of its distances that would be found, 1e-6 is one ppm; 0 = none would
	DetectableSlip  float64 // smallest slip during its scan that would be found in every arc of its view, mm; 0 = none would
	Scale           float64 // the factor that its distances are too long by, 1 unless station-scale was found
}

// Status says how a sphere entered the network.
type Status string

// The states of a sphere.
const (
	Used   Status = "used"   // seen by two stations or more, in one place
	Moved  Status = "moved"  // one of the places of a sphere that was moved
	Single Status = "single" // seen by one station: it ties nothing
)

// SphereResult is one place of a sphere in the network frame.
type SphereResult struct {
	ID         string // S1, S2 … in order of first sight; the second place of a moved S3 is S3b
	Center     geom.Vec
	Cov        geom.Mat
	Stations   []int // indices of the stations that saw it there
	Status     Status
	Detectable float64 // smallest displacement for its worst-controlled station that would be found, mm; 0 = none would
}

// Test is the test of one adjusted observation, in the network frame.
type Test struct {
	Station, Observation, Sphere int
	Residual                     geom.Vec // adjusted minus observed, mm
	Redundancy                   geom.Mat // Qvv·P; its diagonal holds the redundancy numbers
	W                            geom.Vec // Baarda's w along each axis
	Detectable                   geom.Vec // δ₀/√(P·Qvv·P): smallest error along each axis that W finds, mm
	Chi2                         float64  // of the whole displacement, three degrees of freedom
	Suspect                      bool     // some component of W is beyond its critical value after S. Holm (1979), at Options.Significance for all
}

// Result is the solved network.
type Result struct {
	Stations []StationResult
	Spheres  []SphereResult
	Tests    []Test
	Sigma0   float64         // standard deviation of unit weight
	DOF      int             // redundancy of the network
	Chi2     float64         // Σ vᵀPv
	PValue   float64         // chance of a Chi2 at least as large when all is well
	Accepted [2]float64      // Sigma0 lies between these at the level of significance, two-sided, when the covariances are right; zeros without redundancy
	WLimit   float64         // what |W| of the largest may reach when all is well (Šidák, over all components of all tests)
	Unseen   string          // full sentences: which displacements are too small to have been seen, and which nothing controls
	Inflated bool            // the covariances were multiplied by Sigma0², since PValue is below the level of significance
	Middle   geom.Vec        // of the spheres that tie the network
	Common   *fit.Mat6       // covariance of the motion that all spheres have in common, at Middle; nil where they hold none
	Notes    []Note          // how symmetric layouts were settled; nothing to do
	Joint    Joint           // covariance of all poses together, at Middle
	Whole    Whole           // the same with the centres of the spheres; empty with Control
	Control  []ControlResult // of Control, in the order of Options.Known
	Findings []job.Finding
}

// ErrObservation says that an observation is not finite or has no covariance.
var ErrObservation = errors.New("an observation is not usable")

// Solve ties the stations together. Stations without observations are allowed;
// what stands in the way of a good network comes back as findings. Errors are an
// observation without a finite centre and a covariance, options out of range, and
// a done context. The result does not depend on the number of processors.
func Solve(ctx context.Context, stations []Station, o Options) (Result, error) {
	o = o.complete()
	if !(o.Significance > 0 && o.Significance < 1 && o.Power > 0 && o.Power < 1 && o.Nudge > 0) || math.IsInf(o.Floor, 0) || o.Floor-o.Floor != 0 || !(o.Levelled >= 0) {
		return Result{}, fmt.Errorf("significance %g, power %g, floor %g, nudge %g, levelled %g are out of range", o.Significance, o.Power, o.Floor, o.Nudge, o.Levelled)
	}
	switch o.Datum {
	case FirstStation, Inner:
		return solveWith(ctx, stations, o, 0)
	case Control:
		return solveOnto(ctx, stations, o)
	}
	return Result{}, fmt.Errorf("datum %q is none of first station, inner and control", o.Datum)
}

// solveWith ties stations of which the first few are exact, without a floor.
func solveWith(ctx context.Context, stations []Station, o Options, exact int) (Result, error) {
	seen, err := prepare(stations[:exact], 0)
	if err != nil {
		return Result{}, err
	}
	rest, err := prepare(stations[exact:], o.Floor)
	if err != nil {
		return Result{}, err
	}
	seen = append(seen, rest...)
	s := &solver{o: o, stations: stations, seen: seen, scale: make([]float64, len(stations))}
	for i := range s.scale {
		s.scale[i] = 1
	}
	if err := s.link(ctx); err != nil {
		return Result{}, fmt.Errorf("match stations: %w", err)
	}
	s.settle()
	return s.result(), nil
}

// solver carries one network from matching to its result.
type solver struct {
	o        Options
	stations []Station
	seen     [][]sight // per station, floor included
	linked   []int     // stations of the network, the first is its frame
	poses    []geom.Pose
	places   []places // where each observation was assigned, by station
	spheres  []sphere
	scale    []float64
	adjusted *adjustment
	notes    []Note
	findings []job.Finding
	split    []splitOff
	slips    []slip
	foreign  []int          // spheres whose distance is not used
	offsets  map[int]offset // of the foreign spheres
}

// places[i] is the sphere of observation i of a station, or -1.
type places []int

// sphere is a place that observations are assigned to.
type sphere struct {
	center geom.Vec
	sigma  float64
	kind   int
	origin int // the sphere that this is another place of, or its own index
}

// sight is an observation made ready: the floor is in its covariance, and sigma
// is the largest standard uncertainty in any direction.
type sight struct {
	center geom.Vec
	cov    geom.Mat
	sigma  float64
	kind   int
}

func prepare(stations []Station, floor float64) ([][]sight, error) {
	seen := make([][]sight, len(stations))
	for i, st := range stations {
		seen[i] = make([]sight, len(st.Observations))
		for j, ob := range st.Observations {
			c := ob.Cov.Add(geom.Diag(floor*floor, floor*floor, floor*floor))
			c = c.Add(c.T()).Scale(0.5)
			values, _ := geom.Eigen(c)
			if !ob.Center.IsFinite() || !values.IsFinite() || !(values.X > 1e-12*values.Z) {
				return nil, fmt.Errorf("sphere %d of %s: %w", j+1, st.Name, ErrObservation)
			}
			seen[i][j] = sight{ob.Center, c, math.Sqrt(values.Z), ob.Kind}
		}
	}
	return seen, nil
}

// PointCov returns the covariance, in the network frame, that the pose of a
// station brings to the point p of that station's frame (mm): J·Σ·Jᵀ with the
// pose covariance Σ. An unlinked station's points have no place: all is infinite.
func (r Result) PointCov(station int, p geom.Vec) geom.Mat {
	s := r.Stations[station]
	if !s.Linked {
		inf := math.Inf(1)
		return geom.Diag(inf, inf, inf)
	}
	return s.Cov.At(s.StationToNetwork.Turn(p))
}

// NetworkPointCov returns how well the frame that holds the network is known to the
// spheres as a whole at the point p (mm, network frame): the covariance of their
// common motion there, correlations between spheres included. It is what registration
// adds for something tied to all spheres at once, with its frame given by the datum;
// zero with Inner, where the spheres as a whole are the frame. ok is false with fewer
// than three such spheres or all of them on one line.
func (r *Result) NetworkPointCov(p geom.Vec) (cov geom.Mat, ok bool) {
	if r.Common == nil {
		return geom.Mat{}, false
	}
	return r.Common.At(p.Sub(r.Middle)), true
}
