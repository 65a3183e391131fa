package posegraph

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// adjust finds the places that agree best with the ties used and with what is known.
func (s *solver) adjust() error {
	s.chooseMiddle()
	s.number()
	n := 0
	for _, at := range s.index {
		if at >= 0 {
			n += 6
		}
	}
	if n == 0 {
		s.cov = nil
		return nil
	}
	for step := range mostSteps {
		h, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		for i := range s.Ties {
			if s.used[i] {
				s.addTie(i, h, g)
			}
		}
		if err := s.addKnown(h, g); err != nil {
			return err
		}
		moved, err := s.solve(h, g)
		if err != nil {
			return err
		}
		if moved < 1e-7 || step == mostSteps-1 {
			return nil
		}
	}
	return nil
}

// chooseMiddle puts the pivot of all motions amid the ties' centres, where nothing
// known has chosen it.
func (s *solver) chooseMiddle() {
	if s.Known != nil {
		return
	}
	var sum geom.Vec
	n := 0.0
	for i, t := range s.Ties {
		if s.used[i] {
			sum = sum.Add(s.poses[t.A].Apply(t.Center))
			n++
		}
	}
	if n > 0 {
		s.middle = sum.Scale(1 / n)
	}
}

// number gives six unknowns to every linked body that is not held.
func (s *solver) number() {
	s.index = make([]int, s.Bodies)
	heldBody := make([]bool, s.Bodies)
	if s.Known != nil {
		for i, b := range s.Known.Bodies {
			heldBody[b] = s.held(i)
		}
	} else if s.root >= 0 {
		heldBody[s.root] = true
	}
	at := 0
	for b := range s.index {
		s.index[b] = -1
		if s.linked[b] && !heldBody[b] {
			s.index[b] = at
			at += 6
		}
	}
}

// residual returns the small motion, in the common frame about the tie's centre,
// that would carry B from where it lies to where the tie has it.
func (s *solver) residual(i int) (turn, shift, center geom.Vec) {
	t := s.Ties[i]
	center = s.poses[t.A].Apply(t.Center)
	wanted := s.poses[t.A].After(t.BToA)
	there := wanted.Inverse().Apply(center)
	rest := wanted.R.Mul(s.poses[t.B].R.T())
	return geom.RotVecOf(rest), center.Sub(s.poses[t.B].Apply(there)), center
}

// addTie adds a tie's normal equations: B's motion less A's should be the residual.
func (s *solver) addTie(i int, h *mat.SymDense, g *mat.VecDense) {
	t := s.Ties[i]
	turn, shift, center := s.residual(i)
	info, _ := information(turned(t.Cov, s.poses[t.A].R))
	arm := center.Sub(s.middle)
	// With J = [I 0; -[arm]× I], the motion at the centre by that at the middle.
	own := carry(info, arm)
	r := [6]float64{turn.X, turn.Y, turn.Z, shift.X, shift.Y, shift.Z}
	var pull [6]float64
	for a := range 6 {
		for b := range 6 {
			pull[a] += info[6*a+b] * r[b]
		}
	}
	pull = carryBack(pull, arm)
	a, b := s.index[t.A], s.index[t.B]
	for row := range 6 {
		if a >= 0 {
			g.SetVec(a+row, g.AtVec(a+row)-pull[row])
		}
		if b >= 0 {
			g.SetVec(b+row, g.AtVec(b+row)+pull[row])
		}
		for col := range 6 {
			x := own[6*row+col]
			if a >= 0 && col >= row {
				h.SetSym(a+row, a+col, h.At(a+row, a+col)+x)
			}
			if b >= 0 && col >= row {
				h.SetSym(b+row, b+col, h.At(b+row, b+col)+x)
			}
			if a >= 0 && b >= 0 {
				h.SetSym(a+row, b+col, h.At(a+row, b+col)-x)
			}
		}
	}
}

// carry returns Jᵀ·M·J for an arm.
func carry(m fit.Mat6, arm geom.Vec) fit.Mat6 {
	k := geom.Skew(arm).Scale(-1) // J's lower left block
	rr, rt, tr, tt := m.Block(0, 0), m.Block(0, 3), m.Block(3, 0), m.Block(3, 3)
	return blocks(rr.Add(rt.Mul(k)).Add(k.T().Mul(tr)).Add(k.T().Mul(tt).Mul(k)), rt.Add(k.T().Mul(tt)), tr.Add(tt.Mul(k)), tt)
}

// carryBack returns Jᵀ·v for an arm.
func carryBack(v [6]float64, arm geom.Vec) [6]float64 {
	pull := geom.Vec{X: v[3], Y: v[4], Z: v[5]}
	turn := geom.Vec{X: v[0], Y: v[1], Z: v[2]}.Add(arm.Cross(pull))
	return [6]float64{turn.X, turn.Y, turn.Z, v[3], v[4], v[5]}
}

// addKnown pulls the known bodies to where they were, by their joint weight.
func (s *solver) addKnown(h *mat.SymDense, g *mat.VecDense) error {
	k := s.Known
	if k == nil {
		return nil
	}
	var free []int
	for i := range k.Bodies {
		if !s.held(i) {
			free = append(free, i)
		}
	}
	if len(free) == 0 {
		return nil
	}
	if s.prior == nil {
		if err := s.invertKnown(free); err != nil {
			return err
		}
	}
	off := mat.NewVecDense(6*len(free), nil)
	for p, i := range free {
		turn, shift := s.away(i)
		for d := range 3 {
			off.SetVec(6*p+d, turn.At(d))
			off.SetVec(6*p+3+d, shift.At(d))
		}
	}
	var pull mat.VecDense
	pull.MulVec(s.prior, off)
	for p, i := range free {
		at := s.index[k.Bodies[i]]
		for d := range 6 {
			g.SetVec(at+d, g.AtVec(at+d)-pull.AtVec(6*p+d))
			for q, j := range free {
				other := s.index[k.Bodies[j]]
				for e := range 6 {
					if at+d <= other+e {
						h.SetSym(at+d, other+e, h.At(at+d, other+e)+s.prior.At(6*p+d, 6*q+e))
					}
				}
			}
		}
	}
	return nil
}

// away returns how far a known body (of Known.Bodies) was moved, at the middle.
func (s *solver) away(i int) (turn, shift geom.Vec) {
	b := s.Known.Bodies[i]
	old := s.Known.Poses[i]
	there := old.Inverse().Apply(s.middle)
	return geom.RotVecOf(s.poses[b].R.Mul(old.R.T())), s.poses[b].Apply(there).Sub(s.middle)
}

func (s *solver) invertKnown(free []int) error {
	n := 6 * len(free)
	scale := make([]float64, n)
	for p, i := range free {
		for d := range 6 {
			scale[6*p+d] = math.Sqrt(s.Known.Cov.At(6*i+d, 6*i+d))
		}
	}
	m := mat.NewSymDense(n, nil)
	for p, i := range free {
		for q, j := range free {
			for d := range 6 {
				for e := range 6 {
					if row, col := 6*p+d, 6*q+e; row <= col {
						m.SetSym(row, col, s.Known.Cov.At(6*i+d, 6*j+e)/(scale[row]*scale[col]))
					}
				}
			}
		}
	}
	var inv mat.Dense
	if err := inv.Inverse(m); err != nil {
		return fmt.Errorf("joint covariance of the known bodies (%w): %w", err, ErrGraph)
	}
	inv.Apply(func(r, c int, x float64) float64 { return x / (scale[r] * scale[c]) }, &inv)
	s.prior = &inv
	return nil
}

// solve moves the bodies by the normal equations' solution and returns how far, in
// mm at a metre's arm.
func (s *solver) solve(h *mat.SymDense, g *mat.VecDense) (float64, error) {
	n, _ := h.Dims()
	scale := make([]float64, n)
	for i := range scale {
		scale[i] = 1 / math.Sqrt(h.At(i, i))
	}
	unit := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			unit.SetSym(i, j, h.At(i, j)*scale[i]*scale[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(unit) {
		return 0, fmt.Errorf("the ties hold some body in no place: %w", ErrGraph)
	}
	var inv mat.SymDense
	if err := chol.InverseTo(&inv); err != nil {
		return 0, fmt.Errorf("the ties hold some body in hardly any place (%w): %w", err, ErrGraph)
	}
	s.cov = mat.NewDense(n, n, nil)
	s.cov.Apply(func(r, c int, _ float64) float64 { return inv.At(r, c) * scale[r] * scale[c] }, s.cov)
	var x mat.VecDense
	x.MulVec(s.cov, g)
	worst := 0.0
	for b, at := range s.index {
		if at < 0 {
			continue
		}
		w := geom.Vec{X: x.AtVec(at), Y: x.AtVec(at + 1), Z: x.AtVec(at + 2)}
		t := geom.Vec{X: x.AtVec(at + 3), Y: x.AtVec(at + 4), Z: x.AtVec(at + 5)}
		r := geom.RotVec(w)
		s.poses[b] = geom.Pose{R: r, T: s.middle.Sub(r.MulVec(s.middle)).Add(t)}.After(s.poses[b])
		worst = max(worst, t.Norm()+1000*w.Norm())
	}
	return worst, nil
}

// Ties that contradict the others alike, within alike, cannot be told apart by
// their residuals: in a lone triangle, all three look as wrong. Below controlled, the
// rest of the graph says nothing about a tie.
const (
	alike      = 0.9
	controlled = 0.05 // share of a residual's variance that shows
)

// reject takes out the tie that contradicts the others most, and reports whether
// there was one. Among several that do so alike it is the one with fewer triangles on
// its side, then the one with the lower score.
func (s *solver) reject() bool {
	tests := make([]float64, len(s.Ties))
	most := s.limit
	for i := range s.Ties {
		if s.used[i] && s.cov != nil {
			tests[i] = s.contradiction(i)
			most = max(most, tests[i])
		}
	}
	worst := -1
	for i, test := range tests {
		if test > s.limit && test >= alike*most && s.lessTrusted(i, worst) {
			worst = i
		}
	}
	if worst < 0 {
		return false
	}
	s.used[worst] = false
	s.relink()
	return true
}

// contradiction is the chi-square that a tie's residual has against the covariance
// that it should have, the tie's less that of the adjusted bodies (W. Baarda, A Testing
// Procedure for Use in Geodetic Networks, 1968), over the directions in which the rest
// of the graph controls the tie.
func (s *solver) contradiction(i int) float64 {
	t := s.Ties[i]
	turn, shift, center := s.residual(i)
	info, _ := information(turned(t.Cov, s.poses[t.A].R))
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
	rest := mat.NewSymDense(6, nil)
	for a := range 6 {
		for b := a; b < 6; b++ {
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
			x := mat.Dot(v.ColView(k), &white)
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
func (s *solver) relative(i int) fit.Mat6 {
	a, b := s.index[s.Ties[i].A], s.index[s.Ties[i].B]
	var m fit.Mat6
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
	if than < 0 {
		return true
	}
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
	}
	for i, t := range s.Ties {
		s.used[i] = s.used[i] && s.linked[t.A]
	}
}
