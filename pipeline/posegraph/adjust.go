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
	n := s.unknowns
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
		for i := range s.Sights {
			if s.seen[i] {
				s.addSight(i, h, g)
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

// number gives six unknowns to every linked body that is not held, and three to every
// known point with a variance.
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
	s.unknowns = 0
	for b := range s.index {
		s.index[b] = -1
		if s.linked[b] && !heldBody[b] {
			s.index[b] = s.unknowns
			s.unknowns += 6
		}
	}
	s.numberPoints()
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
	for p, at := range s.pointIndex {
		if at >= 0 {
			t := geom.Vec{X: x.AtVec(at), Y: x.AtVec(at + 1), Z: x.AtVec(at + 2)}
			s.points[p] = s.points[p].Add(t)
			worst = max(worst, t.Norm())
		}
	}
	return worst, nil
}
