package posegraph

import (
	"cmp"
	"slices"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

func (s *solver) result() Result {
	r := Result{Bodies: make([]Body, s.Bodies), Ties: make([]TieResult, len(s.Ties)), Middle: s.middle, Accepted: s.limit}
	for b := range r.Bodies {
		r.Bodies[b] = Body{ToCommon: s.poses[b], Linked: s.linked[b]}
		s.fillCov(&r, b)
	}
	for i, t := range s.Ties {
		x := &r.Ties[i]
		x.Used, x.Loops = s.used[i], s.loops[i]
		if !s.linked[t.A] || !s.linked[t.B] {
			continue
		}
		turn, shift, _ := s.residual(i)
		info, _ := information(turned(t.tested(), s.poses[t.A].R))
		x.Chi2, x.Shift, x.Turn = square(info, turn, shift), shift.Scale(-1), turn.Norm()
		if x.Used {
			r.Chi2 += x.Chi2
			r.DOF += 6
		}
	}
	s.fillSights(&r)
	if s.Known != nil {
		rows, _ := s.freeRows()
		r.DOF += len(rows)
		r.Moved = s.moved()
	}
	r.DOF -= s.unknowns
	return r
}

func (s *solver) fillSights(r *Result) {
	r.solved, r.Points = s, s.points
	for i, x := range s.Sights {
		y := SightResult{Used: s.seen[i], Accepted: s.sightLimit}
		if s.linked[x.Body] {
			at, weight, _ := s.sight(i)
			y.Shift = at.Sub(s.points[x.Point])
			y.Chi2 = y.Shift.Dot(weight.MulVec(y.Shift))
		}
		if y.Used {
			r.Chi2, r.DOF = r.Chi2+y.Chi2, r.DOF+3
		}
		r.Sights = append(r.Sights, y)
	}
}

// Relative returns the covariance of the motion of body b against body a, about
// Middle: what they share cancels.
func (r *Result) Relative(a, b int) fit.Mat6 { return r.solved.motion(a, b) }

// Anchored is a body's place and covariances with the known points as a whole put back
// to where they were before the ties.
type Anchored struct {
	ToCommon geom.Pose
	Cov      fit.Mat6 // in the common frame, about Result.Middle
	Against  fit.Mat6 // against the points as a whole: where the frame is given anew by them
}

// Anchor returns the place of a body for a caller who keeps the known bodies and points
// where they were: the ties may have moved all of them together, and that motion is
// taken off. ok is false with fewer than three points, or all of them on one line.
//
// With P the covariance after the adjustment, P⁻ that before, and c the common motion of
// the points, the body's is Phh - Phc - Pch + Pcc against the points and Phh - Pcc + P⁻cc
// in the common frame, since the error of an optimal estimate has the covariance P with
// the error that it had before.
func (r *Result) Anchor(body int) (a Anchored, ok bool) {
	s := r.solved
	if s.Known == nil || s.cov == nil || s.index[body] < 0 {
		return a, false
	}
	back, _, err := fit.Rigid(s.points, s.Known.Points, nil)
	if err != nil || !isSpread(s.points) {
		return a, false
	}
	common := s.commonMotion() // 6 × 3 a point
	n := 3 * len(s.points)
	before, after, cross := mat.NewDense(n, n, nil), mat.NewDense(n, n, nil), mat.NewDense(6, n, nil)
	for p, at := range s.pointIndex {
		for q, other := range s.pointIndex {
			for k := range 9 {
				before.Set(3*p+k/3, 3*q+k%3, s.Known.Cov.At(s.pointRow(p)+k/3, s.pointRow(q)+k%3))
				if at >= 0 && other >= 0 {
					after.Set(3*p+k/3, 3*q+k%3, s.cov.At(at+k/3, other+k%3))
				}
			}
		}
		for k := range 18 {
			if at >= 0 {
				cross.Set(k/3, 3*p+k%3, s.cov.At(s.index[body]+k/3, at+k%3))
			}
		}
	}
	var cb, ca, shared mat.Dense
	cb.Product(common, before, common.T())
	ca.Product(common, after, common.T())
	shared.Mul(cross, common.T())
	own := s.block(s.index[body], s.index[body])
	a = Anchored{ToCommon: back.After(s.poses[body]), Cov: own, Against: own}
	for k := range own {
		a.Cov[k] += cb.At(k/6, k%6) - ca.At(k/6, k%6)
		a.Against[k] += ca.At(k/6, k%6) - shared.At(k/6, k%6) - shared.At(k%6, k/6)
	}
	return a, true
}

// commonMotion returns how the motion of the points as a whole, at the middle, follows
// from their shifts: (GᵀG)⁻¹Gᵀ with G the effect of a common motion on them.
func (s *solver) commonMotion() *mat.Dense {
	g := mat.NewDense(3*len(s.points), 6, nil)
	for p, at := range s.Known.Points {
		lever := geom.Skew(at.Sub(s.middle)).Scale(-1)
		for k := range 9 {
			g.Set(3*p+k/3, k%3, lever[k])
		}
		for d := range 3 {
			g.Set(3*p+d, 3+d, 1)
		}
	}
	var common, normal, inverse mat.Dense
	normal.Mul(g.T(), g)
	if inverse.Inverse(&normal) != nil {
		return mat.NewDense(6, 3*len(s.points), nil)
	}
	common.Mul(&inverse, g.T())
	return &common
}

// Apart returns how far body b lies from body a, which is a copy of it that other
// observations hold: the motion about Middle from a to b, and its chi-square with six
// degrees of freedom by the covariance of the two against each other.
func (r *Result) Apart(a, b int) (turn, shift geom.Vec, chi2 float64) {
	s := r.solved
	off := s.poses[b].After(s.poses[a].Inverse())
	turn, shift = geom.RotVecOf(off.R), off.Apply(s.middle).Sub(s.middle)
	info, ok := information(r.Relative(a, b))
	if !ok {
		return turn, shift, 0
	}
	return turn, shift, square(info, turn, shift)
}

// fillCov copies the covariance of a body's motion.
func (s *solver) fillCov(r *Result, b int) {
	at := s.index[b]
	if at < 0 || s.cov == nil {
		return
	}
	for d := range 6 {
		for e := range 6 {
			r.Bodies[b].Cov[6*d+e] = s.cov.At(at+d, at+e)
		}
	}
}

// moved lists the known bodies that the ties carried beyond what their own
// covariance allows: the two ways to tie contradict each other there.
func (s *solver) moved() []Shift {
	var out []Shift
	for i := range s.Known.Bodies {
		center, ok := s.tiedAt(s.Known.Bodies[i])
		if !ok || s.held(i) {
			continue
		}
		turn, shift := s.away(i)
		info, ok := information(s.ownCov(i))
		if !ok {
			continue
		}
		if chi2 := square(info, turn, shift); chi2 > s.limit {
			out = append(out, Shift{Body: s.Known.Bodies[i], By: shift.Add(turn.Cross(center.Sub(s.middle))), Chi2: chi2})
		}
	}
	slices.SortStableFunc(out, func(a, b Shift) int { return cmp.Or(cmp.Compare(b.Chi2, a.Chi2), cmp.Compare(a.Body, b.Body)) })
	return out
}

// ownCov is the covariance of a known body (of Known.Bodies) before the ties.
func (s *solver) ownCov(i int) fit.Mat6 {
	var own fit.Mat6
	for d := range 6 {
		for e := range 6 {
			own[6*d+e] = s.Known.Cov.At(6*i+d, 6*i+e)
		}
	}
	return own
}

// tiedAt is the middle of the ties that a body has, false where it has none.
func (s *solver) tiedAt(body int) (center geom.Vec, ok bool) {
	n := 0.0
	for j, t := range s.Ties {
		if s.used[j] && (t.A == body || t.B == body) {
			center = center.Add(s.poses[t.A].Apply(t.Center))
			n++
		}
	}
	return center.Scale(1 / max(n, 1)), n > 0
}
