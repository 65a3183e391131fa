package network

import (
	"gonum.org/v1/gonum/mat"
)

// Whole is the covariance of all set-ups together with the centres of the spheres that
// two of them saw: what a scan needs that is tied to both. The motions of the set-ups
// are as in Joint, those of the centres are shifts in mm along the network's axes; the
// first tied set-up is held.
type Whole struct {
	Stations []int     // the tied ones, in input order; six rows and columns each
	Spheres  []int     // indices into Result.Spheres; three rows and columns each, behind those of the set-ups
	Upper    []float64 // upper triangle with its diagonal, row by row
}

// Cov unpacks the covariance; nil where nothing is tied.
func (w *Whole) Cov() *mat.SymDense {
	n := 6*len(w.Stations) + 3*len(w.Spheres)
	if n == 0 || len(w.Upper) != n*(n+1)/2 {
		return nil
	}
	m, k := mat.NewSymDense(n, nil), 0
	for i := range n {
		for j := i; j < n; j++ {
			m.SetSym(i, j, w.Upper[k])
			k++
		}
	}
	return m
}

// fillWhole states it; number is the index in the result of each sphere.
func (s *solver) fillWhole(r *Result, number []int, factor float64) {
	z := s.whole(r.Middle)
	r.Whole.Stations = append(r.Whole.Stations, s.linked...)
	for _, at := range s.adjusted.spheres {
		r.Whole.Spheres = append(r.Whole.Spheres, number[at])
	}
	n, _ := z.Dims()
	for i := range n {
		for j := i; j < n; j++ {
			r.Whole.Upper = append(r.Whole.Upper, factor*z.At(i, j))
		}
	}
}
