package network

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Datum says what holds the network's frame. Distances between set-ups do not sense
// where the whole of it stands; something has to.
type Datum string

// The ways to hold the frame. Poses and centres relative to each other are the same
// in all but Control with more than three points, whose coordinates help to fit them.
const (
	// FirstStation holds the first tied set-up: a minimal constraint, and the default.
	// Uncertainties are those of the rest as seen from it.
	FirstStation Datum = ""
	// Inner keeps the coordinates of FirstStation and states their covariances against
	// the spheres as a whole, all of which are alike: the free network, whose centres
	// have the smallest sum of variances that any minimal constraint gives.
	Inner Datum = "inner"
	// Control fits the network to Options.Known, which are observed with it.
	Control Datum = "control"
)

// Known is a control point: a sphere whose coordinates are known beforehand.
type Known struct {
	Name string
	At   geom.Vec // mm, in the frame that the network shall have
	Cov  geom.Mat // mm²; zero = held
	Kind int      // as in Observation
}

// ControlResult is what became of one control point, in the order given.
type ControlResult struct {
	Name     string
	Sphere   int      // index into Result.Spheres, -1 where no sphere was found there
	Residual geom.Vec // adjusted minus known, mm
}

// ErrControl says that a control point is not usable.
var ErrControl = errors.New("a control point is not usable")

// held is the standard uncertainty that stands for "held", mm: a millionth of what
// any sphere is measured to, and far above the rounding of coordinates of kilometres.
const held = 1e-6

// controlName is what findings call the control points.
const controlName = "the control points"

// asStation makes a set-up of the control points, one whose pose is no unknown.
func asStation(known []Known) (Station, error) {
	st := Station{Name: controlName}
	for _, k := range known {
		cov := k.Cov
		if cov == (geom.Mat{}) {
			cov = geom.Identity().Scale(held * held)
		}
		st.Observations = append(st.Observations, Observation{Center: k.At, Cov: cov, Kind: k.Kind})
	}
	if _, err := prepare([]Station{st}, 0); err != nil {
		return st, fmt.Errorf("%w: %w", ErrControl, err)
	}
	return st, nil
}

// solveOnto solves the network together with its control points. Where they do not
// fit one way, and one way only, the first set-up holds the frame and a finding says so.
func solveOnto(ctx context.Context, stations []Station, o Options) (Result, error) {
	control, err := asStation(o.Known)
	if err != nil {
		return Result{}, err
	}
	r, err := solveWith(ctx, append([]Station{control}, stations...), o, 1)
	if err != nil || r.Stations[0].Linked {
		return r.withoutControl(o.Known), err
	}
	why := "the control points fit no set of spheres of the network"
	if slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return f.Code == job.LayoutAmbiguous && f.Subject == controlName }) {
		why = "the control points fit the spheres of the network in more than one way"
	}
	if r, err = solveWith(ctx, stations, o, 0); err != nil {
		return r, err
	}
	r.Findings = sorted(append(r.Findings, job.Finding{Code: job.DatumPoor, Severity: job.Hold, Subject: "datum",
		Text: sentence("The network stands in the frame of its first set-up, since %s: of %s, three or more must be seen, none of them moved, with distances that do not repeat. "+
			"Check the coordinates, their units and their order of axes, and that the spheres stand on the points.", why, count(len(o.Known), "control point"))}))
	return r, nil
}

// withoutControl takes the control points' set-up out of the result.
func (r Result) withoutControl(known []Known) Result {
	if len(r.Stations) == 0 {
		return r
	}
	places := r.Stations[0].Spheres
	r.Stations = r.Stations[1:]
	for i, k := range known {
		c := ControlResult{Name: k.Name, Sphere: -1}
		if at := places[i]; at >= 0 && len(r.Spheres[at].Stations) > 1 {
			c.Sphere, c.Residual = at, r.Spheres[at].Center.Sub(k.At)
		}
		r.Control = append(r.Control, c)
	}
	r.dropUnseen()
	r.Tests = slices.DeleteFunc(r.Tests, func(t Test) bool { return t.Station == 0 })
	for i := range r.Tests {
		r.Tests[i].Station--
	}
	r.Joint, r.Whole = r.Joint.without(0), Whole{}
	for i := range r.Joint.Stations {
		r.Joint.Stations[i]--
	}
	return r
}

// dropUnseen takes the control points' own set-up out of the spheres' lists, and the
// spheres that nothing else saw out of all.
func (r *Result) dropUnseen() {
	number := make([]int, len(r.Spheres))
	var kept []SphereResult
	for i, x := range r.Spheres {
		var seers []int
		for _, st := range x.Stations {
			if st > 0 {
				seers = append(seers, st-1)
			}
		}
		number[i] = len(kept)
		if x.Stations = seers; len(seers) > 0 {
			kept = append(kept, x)
		}
	}
	r.Spheres = kept
	renumber := func(at *int) {
		if *at >= 0 {
			*at = number[*at]
		}
	}
	for k := range r.Stations {
		for j := range r.Stations[k].Spheres {
			renumber(&r.Stations[k].Spheres[j])
		}
	}
	for i := range r.Tests {
		renumber(&r.Tests[i].Sphere)
	}
	for i := range r.Control {
		renumber(&r.Control[i].Sphere)
	}
}

// without drops the first set-up of the list.
func (j Joint) without(first int) Joint {
	if len(j.Stations) == 0 || j.Stations[0] != first {
		return j
	}
	n := 6 * len(j.Stations)
	return Joint{Stations: j.Stations[1:], Upper: j.Upper[6*n-15:]} // the first six rows hold n + … + n-5
}

// fillJoint states the covariance of all set-ups together, and carries that of poses
// and centres to the datum asked for.
func (s *solver) fillJoint(r *Result, number []int, factor float64) {
	a := s.adjusted
	if s.o.Datum != Inner {
		r.Joint = pack(s.linked, congruent(s.levered(r.Middle), a.q), factor)
		return
	}
	z, ok := s.free(r.Middle)
	if !ok {
		return
	}
	r.Joint = pack(s.linked, z, factor)
	for _, st := range s.linked {
		x := &r.Stations[st]
		motion, _ := r.Joint.Between(st, st)
		x.Cov = moved(motion, s.poses[st].T.Sub(r.Middle))
		for j, at := range s.places[st] {
			if number[at] >= 0 && len(r.Spheres[number[at]].Stations) == 1 {
				own := s.poses[st].R.Congruent(s.seen[st][j].cov).Scale(factor)
				r.Spheres[number[at]].Cov = own.Add(motion.At(s.spheres[at].center.Sub(r.Middle)))
			}
		}
	}
	first := 6 * len(s.linked)
	for c, at := range a.spheres {
		for x := range 9 {
			r.Spheres[number[at]].Cov[x] = factor * z.At(first+3*c+x/3, first+3*c+x%3)
		}
	}
}

// free carries the cofactors of motions and centres to the inner constraints: the
// S-transformation of W. Baarda, S-transformations and criterion matrices (1973).
// With G the effect of a common motion on everything and Gx that on the centres, the
// motion (GxᵀGx)⁻¹·Gxᵀ·δX of the centres as a whole is taken from all.
func (s *solver) free(middle geom.Vec) (*mat.SymDense, bool) {
	a := s.adjusted
	poses, all := 6*len(s.linked), 6*len(s.linked)+3*len(a.spheres)
	g := mat.NewDense(all, 6, nil)
	for k := range s.linked {
		put(g, 6*k, 0, geom.Identity())
		put(g, 6*k+3, 3, geom.Identity())
	}
	for c, at := range a.spheres {
		put(g, poses+3*c, 0, geom.Skew(s.spheres[at].center.Sub(middle)).Scale(-1))
		put(g, poses+3*c, 3, geom.Identity())
	}
	gx := g.Slice(poses, all, 0, 6)
	var normal, inverse, common mat.Dense
	normal.Mul(gx.T(), gx)
	if inverse.Inverse(&normal) != nil { // spheres on one line hold no frame
		return nil, false
	}
	common.Mul(&inverse, gx.T())
	sx := mat.NewDense(all, all, nil)
	for i := range all {
		sx.Set(i, i, 1)
	}
	right := sx.Slice(0, all, poses, all).(*mat.Dense)
	var taken mat.Dense
	taken.Mul(g, &common)
	right.Sub(right, &taken)
	return congruent(sx, s.whole(middle)), true
}

// moved carries the covariance of a motion to another point, at arm from the one
// that its translation belongs to.
func moved(m fit.Mat6, arm geom.Vec) fit.Mat6 {
	lever := geom.Skew(arm).Scale(-1)
	rr, rt := m.Block(0, 0), m.Block(0, 3)
	cross := rr.Mul(lever.T()).Add(rt)
	tt := m.At(arm)
	var out fit.Mat6
	for x := range 9 {
		i, j := x/3, x%3
		out[6*i+j], out[6*i+3+j], out[6*(3+j)+i], out[6*(3+i)+3+j] = rr[x], cross[x], cross[x], tt[x]
	}
	return out
}
