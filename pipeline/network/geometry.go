package network

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// fillFree states how well each pose is known against the spheres as a whole. The
// adjustment holds the first station; an S-transformation (W. Baarda, S-transformations
// and criterion matrices, 1973) carries its cofactors to the frame in which the
// spheres, moved together, have no motion left: the inner constraints of a free
// network. With G the effect of a common motion on the spheres, that motion is
// w = (GᵀG)⁻¹Gᵀ·δX and is taken from every pose.
func (s *solver) fillFree(r *Result, factor float64) {
	a := s.adjusted
	for _, at := range a.spheres {
		r.Middle = r.Middle.Add(s.spheres[at].center.Scale(1 / float64(len(a.spheres))))
	}
	common, motion, ok := s.commonMotion(r.Middle)
	if !ok {
		return
	}
	r.Common = &fit.Mat6{}
	for i := range r.Common {
		if s.o.Datum != Inner {
			r.Common[i] = factor * motion.At(i/6, i%6)
		}
	}
	for _, st := range s.linked {
		x := &r.Stations[st]
		own := mat.NewDense(6, 6, nil)
		if k := slices.Index(a.stations, st); k >= 0 {
			own = s.ownMotion(k, r.Middle, common)
		}
		for i := range 36 {
			x.Free[i] = factor * (motion.At(i/6, i%6) + own.At(i/6, i%6))
		}
	}
}

// commonMotion returns what the poses contribute to the motion that all spheres
// share, 6 × 6n, and its cofactors.
func (s *solver) commonMotion(middle geom.Vec) (byPoses, cofactors *mat.Dense, ok bool) {
	a := s.adjusted
	n := 6 * len(a.stations)
	normal := mat.NewDense(6, 6, nil)
	for _, at := range a.spheres {
		g := motionAt(s.spheres[at].center.Sub(middle))
		var gg mat.Dense
		gg.Mul(g.T(), g)
		normal.Add(normal, &gg)
	}
	var inverse mat.Dense
	if n == 0 || inverse.Inverse(normal) != nil { // spheres on one line hold no frame
		return nil, nil, false
	}
	byPoses, cofactors = mat.NewDense(6, n, nil), mat.NewDense(6, 6, nil)
	for c, at := range a.spheres {
		var t, td, tdt mat.Dense
		t.Mul(&inverse, motionAt(s.spheres[at].center.Sub(middle)).T())
		td.Mul(&t, dense(a.dInv[c]))
		tdt.Mul(&td, t.T())
		cofactors.Add(cofactors, &tdt)
		for _, k := range a.bySphere[c] {
			e := &a.equations[k]
			if e.unknown < 0 {
				continue
			}
			var share, tp mat.Dense
			tp.Mul(&td, dense(e.p))
			share.Mul(&tp, motionAt(e.arm))
			block := byPoses.Slice(0, 6, 6*e.unknown, 6*e.unknown+6).(*mat.Dense)
			block.Add(block, &share)
		}
	}
	var mq, mqm mat.Dense
	mq.Mul(byPoses, a.q)
	mqm.Mul(&mq, byPoses.T())
	cofactors.Add(cofactors, &mqm)
	return byPoses, cofactors, true
}

// ownMotion returns the cofactors of pose k at the middle less twice those that
// it shares with the common motion.
func (s *solver) ownMotion(k int, middle geom.Vec, byPoses *mat.Dense) *mat.Dense {
	a := s.adjusted
	st := a.stations[k]
	// The pose turns about its own middle; seen from the network's, that shifts too.
	lever := mat.NewDense(6, 6, nil)
	for i := range 6 {
		lever.Set(i, i, 1)
	}
	put(lever, 3, 0, geom.Skew(middle.Sub(s.poses[st].Apply(s.middle(st)))).Scale(-1))
	rows := mat.NewDense(6, 6*len(a.stations), nil)
	for i := range 6 {
		for j := range 6 * len(a.stations) {
			rows.Set(i, j, a.q.At(6*k+i, j))
		}
	}
	var carried, own, shared mat.Dense
	carried.Mul(lever, rows)
	own.Mul(carried.Slice(0, 6, 6*k, 6*k+6), lever.T())
	shared.Mul(&carried, byPoses.T())
	own.Sub(&own, &shared)
	own.Sub(&own, shared.T())
	return &own
}

// motionAt returns the effect of a small rotation and translation at the tip of
// an arm, 3 × 6.
func motionAt(arm geom.Vec) *mat.Dense {
	m := mat.NewDense(3, 6, nil)
	put(m, 0, 0, geom.Skew(arm).Scale(-1))
	put(m, 0, 3, geom.Identity())
	return m
}

func dense(m geom.Mat) *mat.Dense { return mat.NewDense(3, 3, m[:]) }

// Predict returns the covariance that registration gives a point (mm, network
// frame) seen by the station that places it worst, in the frame of the spheres as
// a whole: the target registration error, first order. ok is false where nothing
// is tied.
func (r *Result) Predict(p geom.Vec) (cov geom.Mat, station int, ok bool) {
	station, most := -1, -1.0
	for k, s := range r.Stations {
		if !s.Linked || s.Free == (fit.Mat6{}) {
			continue
		}
		if c := s.Free.At(p.Sub(r.Middle)); c.Trace() > most {
			cov, station, most = c, k, c.Trace()
		}
	}
	return cov, station, station >= 0
}

// worst returns the largest predicted uncertainty of some points: the root of the
// covariance's trace.
func (r *Result) worst(points []geom.Vec) (sigma float64, at int) {
	at = -1
	for i, p := range points {
		if c, _, ok := r.Predict(p); ok && math.Sqrt(c.Trace()) > sigma {
			sigma, at = math.Sqrt(c.Trace()), i
		}
	}
	return sigma, at
}

// Advice says which further sphere would help most.
type Advice struct {
	Worst  int      // index of the point that is placed worst now
	Before float64  // its predicted uncertainty, mm, 1 sigma in space
	At     geom.Vec // where the sphere should stand, network frame
	After  float64  // the largest predicted uncertainty with it
}

// farthest is how far a set-up is taken to see a sphere, mm.
const farthest = 15_000

// Advise tries a further sphere at each of the candidates, seen by every station
// within reach as well as a typical sphere is, and returns the one with which the
// worst of the points is predicted best. Points and candidates are in the network
// frame. ok is false where nothing is tied or no candidate helps by a tenth.
func (r *Result) Advise(stations []Station, points, candidates []geom.Vec, o Options) (Advice, bool) {
	var a Advice
	a.Before, a.Worst = r.worst(points)
	a.After = a.Before
	if a.Worst < 0 {
		return a, false
	}
	for _, c := range candidates {
		if sigma, ok := r.with(stations, points, c, o.complete()); ok && sigma < a.After {
			a.After, a.At = sigma, c
		}
	}
	return a, a.After < 0.9*a.Before
}

// with returns the largest predicted uncertainty of the points when one more
// sphere stands at a place.
func (r *Result) with(stations []Station, points []geom.Vec, at geom.Vec, o Options) (float64, bool) {
	s, ok := r.reopen(stations, o)
	if !ok {
		return 0, false
	}
	s.spheres = append(s.spheres, sphere{center: at, origin: len(s.spheres)})
	typical := s.typical()
	for _, st := range s.linked {
		own := s.poses[st].Inverse().Apply(at)
		if own.Norm() > farthest {
			continue
		}
		s.seen[st] = append(s.seen[st], sight{center: own, cov: geom.Diag(typical, typical, typical), sigma: math.Sqrt(typical)})
		s.places[st] = append(s.places[st], len(s.spheres)-1)
	}
	return s.predictWorst(points)
}

// predictWorst returns the largest predicted uncertainty of the points in a network
// that was planned, not measured: its geometry and covariances are all that counts.
func (s *solver) predictWorst(points []geom.Vec) (float64, bool) {
	s.adjusted = s.assemble()
	if _, ok := s.adjusted.reduce(); !ok {
		return 0, false
	}
	predicted := Result{Stations: make([]StationResult, len(s.stations))}
	for _, st := range s.linked {
		predicted.Stations[st].Linked = true
	}
	s.fillFree(&predicted, 1)
	sigma, at := predicted.worst(points)
	return sigma, at >= 0
}

// typical returns the median variance of an observation along one axis.
func (s *solver) typical() float64 {
	var all []float64
	for _, st := range s.linked {
		for _, o := range s.seen[st] {
			all = append(all, o.cov.Trace()/3)
		}
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// reopen returns the solver as it stood when the result was made.
func (r *Result) reopen(stations []Station, o Options) (*solver, bool) {
	seen, err := prepare(stations, o.Floor)
	if err != nil || len(stations) != len(r.Stations) {
		return nil, false
	}
	s := &solver{o: o, stations: stations, seen: seen, scale: slices.Repeat([]float64{1}, len(stations))}
	s.poses, s.places = make([]geom.Pose, len(stations)), make([]places, len(stations))
	for _, x := range r.Spheres {
		s.spheres = append(s.spheres, sphere{center: x.Center, sigma: math.Sqrt(x.Cov.Trace() / 3), origin: len(s.spheres)})
	}
	for st, x := range r.Stations {
		if !x.Linked {
			continue
		}
		s.linked, s.poses[st] = append(s.linked, st), x.StationToNetwork
		s.places[st] = slices.Clone(x.Spheres)
		s.rescale(st, x.Scale)
	}
	return s, len(s.linked) > 1
}
