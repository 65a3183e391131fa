package network

import (
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// Strength says how well a set-up's spheres hold it, against the spheres as a whole.
type Strength struct {
	Turn      float64  // standard uncertainty of the worst-held rotation, rad
	TurnAxis  geom.Vec // unit, network frame
	Shift     float64  // standard uncertainty of the worst-held translation, mm, at the middle of its spheres
	ShiftAxis geom.Vec // unit, network frame
	Ratio     float64  // Turn over the best-held rotation: 1 for spheres all around, large for spheres on a line
	Text      string   // the same in a sentence
}

// Strength returns how well a set-up is held; ok is false where it is not tied.
func (r *Result) Strength(station int) (x Strength, ok bool) {
	s := r.Stations[station]
	if !s.Linked || s.Free == (fit.Mat6{}) {
		return x, false
	}
	own := moved(s.Free, r.middleOf(station).Sub(r.Middle))
	turns, axes := geom.Eigen(own.Block(0, 0))
	shifts, along := geom.Eigen(own.Block(3, 3))
	x = Strength{Turn: math.Sqrt(max(0, turns.Z)), TurnAxis: axes.Col(2), Shift: math.Sqrt(max(0, shifts.Z)), ShiftAxis: along.Col(2), Ratio: math.Sqrt(turns.Z / turns.X)}
	x.Text = sentence("%s is held worst in the turn about %s, to %.4f° or %.2f mm at five metres, and in the shift along %s, to %.2f mm (standard uncertainties).",
		s.Name, r.inWords(station, x.TurnAxis), degrees(x.Turn), 5000*x.Turn, r.inWords(station, x.ShiftAxis), x.Shift)
	return x, true
}

// middleOf returns the middle of the spheres that tie a station.
func (r *Result) middleOf(station int) geom.Vec {
	var at []geom.Vec
	for _, i := range r.Stations[station].Spheres {
		if i >= 0 && r.Spheres[i].Status != Single {
			at = append(at, r.Spheres[i].Center)
		}
	}
	return fit.Centroid(at, nil)
}

// inWords names a direction by what stands along it: the vertical of the set-up, or the
// line between two of its spheres, whichever is nearer.
func (r *Result) inWords(station int, axis geom.Vec) string {
	best, words := math.Abs(axis.Dot(r.Stations[station].StationToNetwork.R.Col(2))), "the vertical"
	for a, i := range r.Stations[station].Spheres {
		for _, k := range r.Stations[station].Spheres[:a] {
			if i < 0 || k < 0 || r.Spheres[i].Status == Single || r.Spheres[k].Status == Single {
				continue
			}
			// The vertical is the plainest word: a line between spheres must beat it clearly.
			if c := math.Abs(axis.Dot(r.Spheres[i].Center.Sub(r.Spheres[k].Center).Unit())); c > best+0.05 {
				first, second := r.Spheres[min(i, k)].ID, r.Spheres[max(i, k)].ID
				best, words = c, "the line from "+first+" to "+second
			}
		}
	}
	return words
}

// AdviseSetUp is Advise for a further set-up instead of a sphere: it is tried at each
// of the candidates (network frame), sees every sphere of the network within reach as
// well as a typical set-up does, and makes the centres better known to all.
func (r *Result) AdviseSetUp(stations []Station, points, candidates []geom.Vec, o Options) (Advice, bool) {
	var a Advice
	a.Before, a.Worst = r.worst(points)
	a.After = a.Before
	if a.Worst < 0 {
		return a, false
	}
	for _, c := range candidates {
		if sigma, ok := r.withSetUp(stations, points, c, o.complete()); ok && sigma < a.After {
			a.After, a.At = sigma, c
		}
	}
	return a, a.After < 0.9*a.Before
}

// withSetUp returns the largest predicted uncertainty with one more set-up at a place.
func (r *Result) withSetUp(stations []Station, points []geom.Vec, at geom.Vec, o Options) (float64, bool) {
	s, ok := r.reopen(stations, o)
	if !ok {
		return 0, false
	}
	typical := s.typical()
	pose := geom.Pose{R: geom.Identity(), T: at}
	var seen []sight
	var where places
	for i, x := range r.Spheres {
		if own := x.Center.Sub(at); x.Status != Single && own.Norm() <= farthest {
			seen = append(seen, sight{center: own, cov: geom.Diag(typical, typical, typical), sigma: math.Sqrt(typical), kind: s.spheres[i].kind})
			where = append(where, i)
		}
	}
	if len(seen) < 3 {
		return 0, false
	}
	s.linked = append(s.linked, len(stations))
	s.stations, s.seen = append(slices.Clone(stations), Station{}), append(s.seen, seen)
	s.poses, s.places, s.scale = append(s.poses, pose), append(s.places, where), append(s.scale, 1)
	return s.predictWorst(points)
}
