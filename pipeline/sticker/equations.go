package sticker

import "math"

// equations are the weighted normal equations of six terms.
type equations struct {
	h             [6][6]float64 // lower triangle
	g             [6]float64
	weight, count float64
}

func (e *equations) add(t [6]float64, value, w float64) {
	for i := range 6 {
		x := w * t[i]
		e.g[i] += x * value
		for j := range i + 1 {
			e.h[i][j] += x * t[j]
		}
	}
	e.weight += w
	e.count++
}

// solve factors the matrix in place (Cholesky); ok is false where it is not positive
// definite.
func (e *equations) solve() (x [6]float64, ok bool) {
	for i := range 6 {
		for j := range i + 1 {
			sum := e.h[i][j]
			for k := range j {
				sum -= e.h[i][k] * e.h[j][k]
			}
			if i != j {
				e.h[i][j] = sum / e.h[j][j]
				continue
			}
			if !(sum > 1e-9*e.weight) {
				return x, false
			}
			e.h[i][i] = math.Sqrt(sum)
		}
	}
	for i := range 6 {
		sum := e.g[i]
		for k := range i {
			sum -= e.h[i][k] * x[k]
		}
		x[i] = sum / e.h[i][i]
	}
	for i := 5; i >= 0; i-- {
		sum := x[i]
		for k := i + 1; k < 6; k++ {
			sum -= e.h[k][i] * x[k]
		}
		x[i] = sum / e.h[i][i]
	}
	return x, true
}
