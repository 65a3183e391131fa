package posegraph

import (
	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
)

// Ties that contradict the others alike, within alike, cannot be told apart by
// their residuals: in a lone triangle, all three look as wrong. Below controlled, the
// rest of the graph says nothing about a tie.
const (
	alike      = 0.9
	controlled = 0.05 // share of a residual's variance that shows
)

// reject takes out the tie or the sight that contradicts the others most, as a
// multiple of what is allowed, and reports whether there was one. Among several ties
// that do so alike it is the one with fewer triangles on its side, then the one with
// the lower score; a sight goes before a tie that contradicts alike.
func (s *solver) reject() bool {
	if s.cov == nil {
		return false
	}
	ties, sights := make([]float64, len(s.Ties)), make([]float64, len(s.Sights))
	most := 1.0
	for i := range s.Ties {
		if s.used[i] {
			ties[i] = s.contradiction(i) / s.limit
			most = max(most, ties[i])
		}
	}
	for i := range s.Sights {
		if s.seen[i] {
			sights[i] = s.sightContradiction(i) / s.sightLimit
			most = max(most, sights[i])
		}
	}
	if sight := worstOf(sights, most, func(i, than int) bool { return sights[i] > sights[than] }); sight >= 0 {
		s.seen[sight] = false
	} else if tie := worstOf(ties, most, s.lessTrusted); tie >= 0 {
		s.used[tie] = false
	} else {
		return false
	}
	s.relink()
	return true
}

// worstOf returns which of those that contradict about as much as the most goes before
// all others; -1 where none is beyond what is allowed.
func worstOf(tests []float64, most float64, before func(i, than int) bool) int {
	worst := -1
	for i, test := range tests {
		if test > 1 && test >= alike*most && (worst < 0 || before(i, worst)) {
			worst = i
		}
	}
	return worst
}

// contradiction is the chi-square that a tie's residual has against the covariance
// that it should have, the tie's less that of the adjusted bodies (W. Baarda, A Testing
// Procedure for Use in Geodetic Networks, 1968), over the directions in which the rest
// of the graph controls the tie.
func (s *solver) contradiction(i int) float64 {
	t := s.Ties[i]
	turn, shift, center := s.residual(i)
	info, _ := information(turned(t.tested(), s.poses[t.A].R))
	var chol mat.Cholesky
	if !chol.Factorize(symmetric(info)) {
		return 0
	}
	var root mat.TriDense
	chol.LTo(&root)
	var white mat.VecDense // the residual in units of its weight: ties alone would leave the unit matrix
	white.MulVec(root.T(), mat.NewVecDense(6, []float64{turn.X, turn.Y, turn.Z, shift.X, shift.Y, shift.Z}))
	relative := levered(s.relative(i), center.Sub(s.middle))
	var half, hidden mat.Dense
	half.Mul(root.T(), symmetric(relative))
	hidden.Mul(&half, &root)
	return shown(&white, &hidden)
}

// shown is the chi-square of a residual in units of its weight, of whose unit variance
// the share hidden does not show, over the directions in which enough of it does.
func shown(white *mat.VecDense, hidden *mat.Dense) float64 {
	n := white.Len()
	rest := mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			rest.SetSym(a, b, -(hidden.At(a, b)+hidden.At(b, a))/2)
		}
		rest.SetSym(a, a, 1+rest.At(a, a))
	}
	var e mat.EigenSym
	if !e.Factorize(rest, true) {
		return 0
	}
	var v mat.Dense
	e.VectorsTo(&v)
	sum := 0.0
	for k, lambda := range e.Values(nil) {
		if lambda > controlled {
			x := mat.Dot(v.ColView(k), white)
			sum += x * x / lambda
		}
	}
	return sum
}

func symmetric(m fit.Mat6) *mat.SymDense {
	out := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			out.SetSym(i, j, (m[6*i+j]+m[6*j+i])/2)
		}
	}
	return out
}

// relative is the covariance of the motion of a tie's bodies against each other, about
// the middle.
func (s *solver) relative(i int) fit.Mat6 { return s.motion(s.Ties[i].A, s.Ties[i].B) }

func (s *solver) motion(bodyA, bodyB int) fit.Mat6 {
	a, b := s.index[bodyA], s.index[bodyB]
	var m fit.Mat6
	if s.cov == nil {
		return m
	}
	for row := range 6 {
		for col := range 6 {
			x := &m[6*row+col]
			if a >= 0 {
				*x += s.cov.At(a+row, a+col)
			}
			if b >= 0 {
				*x += s.cov.At(b+row, b+col)
			}
			if a >= 0 && b >= 0 {
				*x -= s.cov.At(a+row, b+col) + s.cov.At(b+row, a+col)
			}
		}
	}
	return m
}

func (s *solver) lessTrusted(i, than int) bool {
	if s.loops[i] != s.loops[than] {
		return s.loops[i] < s.loops[than]
	}
	return s.Ties[i].Score < s.Ties[than].Score
}

// relink lays the bodies out again along the ties that are left.
func (s *solver) relink() {
	for b := range s.linked {
		s.linked[b] = b == s.root
	}
	if s.Known != nil {
		for i, b := range s.Known.Bodies {
			s.linked[b] = true
			s.poses[b] = s.Known.Poses[i]
		}
	}
	for again := true; again; {
		again = false
		for i, t := range s.Ties {
			switch {
			case !s.used[i]:
			case s.linked[t.A] && !s.linked[t.B]:
				s.poses[t.B], s.linked[t.B], again = s.poses[t.A].After(t.BToA), true, true
			case s.linked[t.B] && !s.linked[t.A]:
				s.poses[t.A], s.linked[t.A], again = s.poses[t.B].After(t.BToA.Inverse()), true, true
			}
		}
		again = again || s.placeBySights()
	}
	for i, t := range s.Ties {
		s.used[i] = s.used[i] && s.linked[t.A]
	}
	s.dropLostSights()
}
