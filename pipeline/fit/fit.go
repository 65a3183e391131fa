// Package fit is the least-squares core: a small dense nonlinear solver, linear
// least squares, rigid and similarity transforms, and the geometric fits of
// plane, line, circle, sphere and cylinder.
//
// Points and observations come in; parameters go out together with what is
// needed to judge them: the cofactor matrix, the rms of the residuals, the
// condition, the number of iterations and why they ended. Everything is float64
// and free of units. Observations are streamed into a triangular factor by Givens
// rotations (Golub & Van Loan, Matrix Computations, §5.2.5), so that no fit forms
// normal equations and none holds its Jacobian. Nonlinear problems are damped
// after J. J. Moré, The Levenberg–Marquardt algorithm: implementation and theory
// (1978), with the step control of H. B. Nielsen, IMM-REP-1999-05 (1999).
//
// Too few observations, observations that leave a parameter undetermined, and
// NaN or infinite input are refused with an error, never answered.
package fit

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// ErrTooFew says that there are fewer observations than the fit has unknowns.
var ErrTooFew = errors.New("too few observations")

// ErrDegenerate says that the observations leave something undetermined, such as
// collinear points for a rigid transform or coplanar points for a sphere.
var ErrDegenerate = errors.New("the observations do not determine the result")

// ErrNotFinite says that an input is NaN or infinite.
var ErrNotFinite = errors.New("an input is not a finite number")

// ErrNoConvergence says that the iteration ended before it settled.
var ErrNoConvergence = errors.New("the iteration did not converge")

// Stop says why an iteration ended.
type Stop string

// The reasons for an end; the first three are successes.
const (
	Linear     Stop = "linear"     // a linear problem, solved directly
	Orthogonal Stop = "orthogonal" // the residuals are orthogonal to every derivative
	SmallStep  Stop = "small step" // the next step is lost in rounding
	Exhausted  Stop = "exhausted"  // the iteration limit was reached
)

// Model adds every observation at the parameters x to the sum: its residual and
// the residual's derivatives. It must not keep or change x.
type Model func(x []float64, s *Sum)

// Options steer Solve. The zero value is the sensible default.
type Options struct {
	Iterations int     // limit on linearisations, 0 = 500
	Orthogonal float64 // relative offset that counts as converged, 0 = 1e-10
	Damping    float64 // initial damping, 0 = 100 for starts that may be far off
}

// nearby returns the options for starts from an algebraic fit, which nearly full
// Gauss–Newton steps suit.
func nearby() Options { return Options{Damping: 1e-9} }

// Solution is a least-squares estimate and what is needed to judge it.
type Solution struct {
	X            []float64 // the parameters
	SSR          float64   // weighted sum of squared residuals
	RMS          float64   // √(SSR/observations)
	Observations int
	DOF          int     // observations minus parameters
	Iterations   int     // linearisations made
	Stopped      Stop    // why the iteration ended
	Condition    float64 // of the Jacobian with its columns scaled to unit length
	cofactor     []float64
}

// Cofactor returns element (i, j) of (JᵀPJ)⁻¹. Times a variance of unit weight
// it is the covariance of parameters i and j.
func (s Solution) Cofactor(i, j int) float64 { return s.cofactor[i*len(s.X)+j] }

// Sigma0 returns the standard deviation of unit weight √(SSR/DOF), and 0 where
// nothing is left over to estimate it from.
func (s Solution) Sigma0() float64 {
	if s.DOF <= 0 {
		return 0
	}
	return math.Sqrt(s.SSR / float64(s.DOF))
}

// Sum collects observations of one linearisation. It keeps the triangular factor
// R of the Jacobian, Qᵀr and the sum of squares, never the rows themselves.
type Sum struct {
	n    int
	rows int
	ssr  float64
	r    []float64 // n rows of n+1: R and Qᵀr
	row  []float64
}

func newSum(n int) *Sum {
	return &Sum{n: n, r: make([]float64, n*(n+1)), row: make([]float64, n+1)}
}

func (s *Sum) reset() {
	s.rows, s.ssr = 0, 0
	clear(s.r)
}

// Add adds one observation: its residual (weighted by 1/σ, if at all) and the
// derivatives of that residual, one a parameter. The slice is not kept.
func (s *Sum) Add(residual float64, derivatives ...float64) {
	s.rows++
	s.ssr += residual * residual
	copy(s.row, derivatives)
	s.row[s.n] = residual
	s.rotate()
}

// rotate folds the scratch row into the factor by Givens rotations.
func (s *Sum) rotate() {
	w := s.n + 1
	for i := range s.n {
		b := s.row[i]
		if b == 0 {
			continue
		}
		top := s.r[i*w+i : i*w+w]
		low := s.row[i:]
		h := math.Sqrt(top[0]*top[0] + b*b)
		c, d := top[0]/h, b/h
		top[0] = h
		for k := 1; k < len(top); k++ {
			t := top[k]
			top[k] = c*t + d*low[k]
			low[k] = c*low[k] - d*t
		}
	}
}

func (s *Sum) isFinite() bool {
	t := s.ssr
	for _, v := range s.r {
		t += v * 0 // NaN and ±Inf turn the total into NaN; magnitudes must not overflow it
	}
	return t-t == 0
}

// column returns the length of column j of the Jacobian.
func (s *Sum) column(j int) float64 {
	var q float64
	for i := 0; i <= j; i++ {
		q = math.Hypot(q, s.r[i*(s.n+1)+j])
	}
	return q
}

// projection returns |Qᵀr|: the part of the residuals that a full Gauss–Newton
// step would remove.
func (s *Sum) projection() float64 {
	var q float64
	for i := range s.n {
		q = math.Hypot(q, s.r[i*(s.n+1)+s.n])
	}
	return q
}

// solve writes the minimiser of |R·x + Qᵀr| to x; ok is false when R is singular.
func (s *Sum) solve(x []float64) (ok bool) {
	w := s.n + 1
	for i := s.n - 1; i >= 0; i-- {
		t := -s.r[i*w+s.n]
		for k := i + 1; k < s.n; k++ {
			t -= s.r[i*w+k] * x[k]
		}
		if s.r[i*w+i] == 0 {
			return false
		}
		x[i] = t / s.r[i*w+i]
	}
	return true
}

// Solve minimises the sum of squared residuals of the model, starting at x0,
// which is left as it is. Each iteration costs one call of the model.
//
// The iteration converges when the residuals' component along the derivatives is
// below Options.Orthogonal of the residuals (the relative offset of D. M. Bates
// and D. G. Watts, Technometrics 23, 1981), or when steps fall below rounding.
// Otherwise the last state is returned with ErrNoConvergence.
func Solve(x0 []float64, model Model, o Options) (Solution, error) {
	if !finite(x0...) {
		return Solution{}, ErrNotFinite
	}
	l := newDamped(x0, model, o)
	if !l.now.isFinite() {
		return Solution{}, fmt.Errorf("residuals at the start: %w", ErrNotFinite)
	}
	if l.now.rows < l.n {
		return Solution{}, fmt.Errorf("%d observations for %d parameters: %w", l.now.rows, l.n, ErrTooFew)
	}
	stopped := l.run()
	sol, err := l.now.solution(l.x, l.count, stopped)
	if err == nil && stopped == Exhausted {
		err = fmt.Errorf("after %d iterations: %w", l.count, ErrNoConvergence)
	}
	return sol, err
}

// damped is the state of one Levenberg–Marquardt iteration.
type damped struct {
	n            int
	model        Model
	o            Options
	x, trial, dx []float64
	scale        []float64 // largest column lengths so far, Moré's D
	now, next    *Sum
	work         *Sum
	lambda, grow float64
	count        int
}

func newDamped(x0 []float64, model Model, o Options) *damped {
	if o.Iterations == 0 {
		o.Iterations = 500 // MGH10 of NIST StRD, the slowest known, takes under 200
	}
	if o.Orthogonal == 0 {
		o.Orthogonal = 1e-10 // parameters within 1e-10 of their own standard deviation
	}
	if o.Damping == 0 {
		o.Damping = 100 // BoxBOD of NIST StRD leaves for infinity from its far start with 10
	}
	n := len(x0)
	l := &damped{n: n, model: model, o: o, x: slices.Clone(x0), trial: make([]float64, n), dx: make([]float64, n),
		scale: make([]float64, n), now: newSum(n), next: newSum(n), work: newSum(n), lambda: o.Damping, grow: 2, count: 1}
	model(l.x, l.now)
	return l
}

func (l *damped) run() Stop {
	for ; l.count < l.o.Iterations; l.count++ {
		if l.now.projection() <= l.o.Orthogonal*math.Sqrt(l.now.ssr) {
			return Orthogonal
		}
		expected := l.step()
		if l.isLost() {
			return SmallStep
		}
		l.next.reset()
		l.model(l.trial, l.next)
		if expected < belowRounding*l.now.ssr {
			if !l.settles() {
				return SmallStep
			}
			continue
		}
		l.judge(expected)
	}
	return Exhausted
}

// belowRounding is the relative fall of a sum of squares that its own rounding
// may hide: 4500 units in the last place. Falls that small are judged by the
// projection instead, which still has half its digits there.
const belowRounding = 1e-12

// settles takes the step if it brings the residuals nearer to orthogonality.
func (l *damped) settles() bool {
	if !l.next.isFinite() || !(l.next.projection() < 0.9*l.now.projection()) {
		return false
	}
	l.lambda = max(1e-30, l.lambda/10)
	l.accept()
	return true
}

// step puts the damped step into dx, the point that it leads to into trial, and
// returns the fall of the sum of squares that the linear model expects.
func (l *damped) step() float64 {
	copy(l.work.r, l.now.r)
	damping := math.Sqrt(l.lambda)
	for j := range l.n {
		l.scale[j] = max(l.scale[j], l.now.column(j))
		clear(l.work.row)
		l.work.row[j] = damping * l.scale[j]
		l.work.rotate()
	}
	if !l.work.solve(l.dx) {
		clear(l.dx)
	}
	for j := range l.x {
		l.trial[j] = l.x[j] + l.dx[j]
	}
	return l.expected()
}

// expected returns |Qᵀr|² - |R·dx + Qᵀr|².
func (l *damped) expected() float64 {
	var fall float64
	w := l.n + 1
	for i := range l.n {
		q := l.now.r[i*w+l.n]
		var t float64
		for k := i; k < l.n; k++ {
			t += l.now.r[i*w+k] * l.dx[k]
		}
		fall -= t * (t + 2*q)
	}
	return fall
}

// isLost reports whether the step no longer moves any parameter beyond rounding.
func (l *damped) isLost() bool {
	for j := range l.x {
		if math.Abs(l.dx[j]) > 4e-16*math.Abs(l.x[j]) {
			return false
		}
	}
	return true
}

func (l *damped) judge(expected float64) {
	gain := (l.now.ssr - l.next.ssr) / expected
	if !(gain > 0) || !l.next.isFinite() {
		l.lambda *= l.grow
		l.grow *= 2
		return
	}
	t := 2*gain - 1
	l.lambda = max(1e-30, l.lambda*max(1.0/3, 1-t*t*t))
	l.grow = 2
	l.accept()
}

func (l *damped) accept() {
	copy(l.x, l.trial)
	l.now, l.next = l.next, l.now
}

// solution turns the final factor into the answer; a condition beyond 1e13 means
// that rounding decides a parameter, which is refused.
func (s *Sum) solution(x []float64, iterations int, stopped Stop) (Solution, error) {
	sol := Solution{X: x, SSR: s.ssr, Observations: s.rows, DOF: s.rows - s.n, Iterations: iterations, Stopped: stopped}
	sol.RMS = math.Sqrt(s.ssr / float64(s.rows))
	sol.Condition = s.condition()
	if !(sol.Condition < 1e13) {
		return sol, fmt.Errorf("condition %.1e: %w", sol.Condition, ErrDegenerate)
	}
	sol.cofactor = s.cofactor()
	return sol, nil
}

// condition returns the 2-norm condition of the column-scaled Jacobian.
func (s *Sum) condition() float64 {
	a := mat.NewDense(s.n, s.n, nil)
	for j := range s.n {
		c := s.column(j)
		if c == 0 {
			return math.Inf(1)
		}
		for i := 0; i <= j; i++ {
			a.Set(i, j, s.r[i*(s.n+1)+j]/c)
		}
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDNone) {
		return math.Inf(1)
	}
	v := svd.Values(nil)
	return v[0] / v[s.n-1]
}

// cofactor returns R⁻¹R⁻ᵀ.
func (s *Sum) cofactor() []float64 {
	n, w := s.n, s.n+1
	inv := make([]float64, n*n) // R⁻¹, upper triangular
	for j := range n {
		inv[j*n+j] = 1 / s.r[j*w+j]
		for i := j - 1; i >= 0; i-- {
			var t float64
			for k := i + 1; k <= j; k++ {
				t -= s.r[i*w+k] * inv[k*n+j]
			}
			inv[i*n+j] = t / s.r[i*w+i]
		}
	}
	q := make([]float64, n*n)
	for i := range n {
		for j := range n {
			for k := max(i, j); k < n; k++ {
				q[i*n+j] += inv[i*n+k] * inv[j*n+k]
			}
		}
	}
	return q
}

// LinearSystem solves the linear least-squares problem A·x ≈ y by orthogonal
// factorisation of the scaled columns and two steps of refinement. rows[i] holds
// row i of A; weights may be nil for equal ones, else they are 1/σ². Nothing is
// kept or changed.
func LinearSystem(rows [][]float64, y, weights []float64) (Solution, error) {
	if len(rows) == 0 || len(rows) != len(y) || weights != nil && len(weights) != len(y) {
		return Solution{}, fmt.Errorf("%d rows, %d values, %d weights: %w", len(rows), len(y), len(weights), ErrTooFew)
	}
	n := len(rows[0])
	if len(rows) < n {
		return Solution{}, fmt.Errorf("%d rows for %d unknowns: %w", len(rows), n, ErrTooFew)
	}
	l := linear{rows, y, weights, make([]float64, n)}
	if err := l.measure(); err != nil {
		return Solution{}, err
	}
	x := make([]float64, n)
	s, dx := newSum(n), make([]float64, n)
	for range 3 {
		s.reset()
		l.fill(s, x)
		if !s.solve(dx) {
			return Solution{}, ErrDegenerate
		}
		for j := range x {
			x[j] += dx[j] / l.scale[j]
		}
	}
	s.reset()
	l.fill(s, x)
	sol, err := s.solution(x, 1, Linear)
	for k := range sol.cofactor {
		sol.cofactor[k] /= l.scale[k/n] * l.scale[k%n]
	}
	return sol, err
}

type linear struct {
	rows       [][]float64
	y, weights []float64
	scale      []float64 // column lengths
}

func (l linear) measure() error {
	for _, row := range l.rows {
		if len(row) != len(l.scale) || !finite(row...) {
			return fmt.Errorf("row of %d for %d unknowns: %w", len(row), len(l.scale), ErrNotFinite)
		}
		for j, a := range row {
			l.scale[j] = math.Hypot(l.scale[j], a)
		}
	}
	if !finite(l.y...) || !finite(l.weights...) {
		return ErrNotFinite
	}
	if slices.Contains(l.scale, 0) {
		return fmt.Errorf("a column of zeros: %w", ErrDegenerate)
	}
	return nil
}

// fill adds the residuals A·x - y, their last digits kept by compensated sums.
func (l linear) fill(s *Sum, x []float64) {
	d := make([]float64, len(x))
	for i, row := range l.rows {
		w := 1.0
		if l.weights != nil {
			w = math.Sqrt(l.weights[i])
		}
		hi, lo := -l.y[i], 0.0
		for j, a := range row {
			p := a * x[j]
			t := hi + p
			b := t - hi
			lo += math.FMA(a, x[j], -p) + (hi - (t - b)) + (p - b)
			hi = t
			d[j] = w * a / l.scale[j]
		}
		s.Add(w*(hi+lo), d...)
	}
}

func finite(v ...float64) bool {
	var t float64
	for _, x := range v {
		t += x * 0
	}
	return t == 0
}
