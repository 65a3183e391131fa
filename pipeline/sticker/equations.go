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
	if !e.factor() {
		return x, false
	}
	return e.substitute(e.g), true
}

func (e *equations) factor() bool {
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
				return false
			}
			e.h[i][i] = math.Sqrt(sum)
		}
	}
	return true
}

// substitute solves for another right side, after factor.
func (e *equations) substitute(b [6]float64) (x [6]float64) {
	for i := range 6 {
		sum := b[i]
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
	return x
}

// further is one more term beside the six.
type further struct {
	with  [6]float64 // its products with the six
	own   float64    // with itself
	value float64    // with the values
}

func (f *further) add(t *[6]float64, x, value, w float64) {
	for i := range 6 {
		f.with[i] += w * x * t[i]
	}
	f.own += w * x * x
	f.value += w * x * value
}

// gain returns the coefficient of the term when it joins the six, whose solution is x,
// and by how much it lowers the weighted sum of squares; zero where it is one of them.
func (f *further) gain(e *equations, x *[6]float64) (coefficient, gain float64) {
	y := e.substitute(f.with)
	left, value := f.own, f.value
	for i := range 6 {
		left -= y[i] * f.with[i]
		value -= x[i] * f.with[i]
	}
	if !(left > 1e-6*f.own) {
		return 0, 0
	}
	return value / left, value * value / left
}
