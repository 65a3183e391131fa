package posegraph

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
)

// numberPoints numbers the known points' unknowns behind those of the bodies.
func (s *solver) numberPoints() {
	s.pointIndex = make([]int, len(s.points))
	for p := range s.points {
		s.pointIndex[p] = -1
		if s.rowHeld(s.pointRow(p), 3) {
			continue
		}
		s.pointIndex[p] = s.unknowns
		s.unknowns += 3
	}
}

// pointRow is a point's first row in Known.Cov.
func (s *solver) pointRow(p int) int { return 6*len(s.Known.Bodies) + 3*p }

// held reports whether known body i (of Known.Bodies) has no variance.
func (s *solver) held(i int) bool { return s.rowHeld(6*i, 6) }

func (s *solver) rowHeld(row, n int) bool {
	for d := range n {
		if s.Known.Cov.At(row+d, row+d) > 0 {
			return false
		}
	}
	return true
}

// freeRows lists the rows of Known.Cov that have a variance, and the unknown of each.
func (s *solver) freeRows() (rows, unknowns []int) {
	add := func(row, at, n int) {
		for d := range n {
			rows, unknowns = append(rows, row+d), append(unknowns, at+d)
		}
	}
	for i, b := range s.Known.Bodies {
		if at := s.index[b]; at >= 0 {
			add(6*i, at, 6)
		}
	}
	for p, at := range s.pointIndex {
		if at >= 0 {
			add(s.pointRow(p), at, 3)
		}
	}
	return rows, unknowns
}

// addKnown pulls the known bodies and points to where they were, by their joint weight.
func (s *solver) addKnown(h *mat.SymDense, g *mat.VecDense) error {
	if s.Known == nil {
		return nil
	}
	rows, unknowns := s.freeRows()
	if len(rows) == 0 {
		return nil
	}
	if s.prior == nil {
		if err := s.invertKnown(rows); err != nil {
			return err
		}
	}
	off := mat.NewVecDense(len(rows), nil)
	for k, row := range rows {
		off.SetVec(k, s.awayAt(row))
	}
	var pull mat.VecDense
	pull.MulVec(s.prior, off)
	for k, at := range unknowns {
		g.SetVec(at, g.AtVec(at)-pull.AtVec(k))
		for l, other := range unknowns {
			if at <= other {
				h.SetSym(at, other, h.At(at, other)+s.prior.At(k, l))
			}
		}
	}
	return nil
}

// awayAt is how far what a row of Known.Cov is about was moved.
func (s *solver) awayAt(row int) float64 {
	if i := row / 6; i < len(s.Known.Bodies) {
		turn, shift := s.away(i)
		if d := row % 6; d >= 3 {
			return shift.At(d - 3)
		}
		return turn.At(row % 6)
	}
	k := row - 6*len(s.Known.Bodies)
	return s.points[k/3].Sub(s.Known.Points[k/3]).At(k % 3)
}

// away returns how far a known body (of Known.Bodies) was moved, at the middle.
func (s *solver) away(i int) (turn, shift geom.Vec) {
	b := s.Known.Bodies[i]
	old := s.Known.Poses[i]
	there := old.Inverse().Apply(s.middle)
	return geom.RotVecOf(s.poses[b].R.Mul(old.R.T())), s.poses[b].Apply(there).Sub(s.middle)
}

// invertKnown inverts the joint covariance, scaled to a unit diagonal.
func (s *solver) invertKnown(rows []int) error {
	n := len(rows)
	scale := make([]float64, n)
	for k, row := range rows {
		scale[k] = math.Sqrt(s.Known.Cov.At(row, row))
	}
	m := mat.NewSymDense(n, nil)
	for k, row := range rows {
		for l := k; l < n; l++ {
			m.SetSym(k, l, s.Known.Cov.At(row, rows[l])/(scale[k]*scale[l]))
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
