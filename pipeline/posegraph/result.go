package posegraph

import (
	"cmp"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

func (s *solver) result() Result {
	r := Result{Bodies: make([]Body, s.Bodies), Ties: make([]TieResult, len(s.Ties)), Middle: s.middle, Accepted: s.limit}
	for b := range r.Bodies {
		r.Bodies[b] = Body{ToCommon: s.poses[b], Linked: s.linked[b]}
		s.fillCov(&r, b)
	}
	unknowns := 0
	for _, at := range s.index {
		if at >= 0 {
			unknowns += 6
		}
	}
	for i, t := range s.Ties {
		x := &r.Ties[i]
		x.Used, x.Loops = s.used[i], s.loops[i]
		if !s.linked[t.A] || !s.linked[t.B] {
			continue
		}
		turn, shift, _ := s.residual(i)
		info, _ := information(turned(t.Cov, s.poses[t.A].R))
		x.Chi2, x.Shift, x.Turn = square(info, turn, shift), shift.Scale(-1), turn.Norm()
		if x.Used {
			r.Chi2 += x.Chi2
			r.DOF += 6
		}
	}
	if s.Known != nil {
		for i := range s.Known.Bodies {
			if !s.held(i) {
				r.DOF += 6
			}
		}
		r.Moved = s.moved()
	}
	r.DOF -= unknowns
	return r
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
