package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
	"trammel/pipeline/geom"
)

// within fails unless got is within tol of want, absolutely.
func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.15g, want %.15g within %g", what, got, want, tol)
	}
}

// digits fails unless got agrees with want to n significant digits.
func digits(t *testing.T, what string, got, want, n float64) {
	t.Helper()
	if !(math.Abs(got-want) <= math.Pow(10, -n)*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g to %g digits", what, got, want, n)
	}
}

func near(t *testing.T, what string, got, want geom.Vec, tol float64) {
	t.Helper()
	if !(got.Dist(want) <= tol) {
		t.Errorf("%s = %v, want %v within %g", what, got, want, tol)
	}
}

func TestSolveRefuses(t *testing.T) {
	line := func(x []float64, s *Sum) {
		for i := range 5 {
			s.Add(x[0]+x[1]*float64(i)-1, 1, float64(i))
		}
	}
	cases := []struct {
		name  string
		x0    []float64
		model Model
		want  error
	}{
		{"too few observations", []float64{0, 0}, func(_ []float64, s *Sum) { s.Add(1, 1, 1) }, ErrTooFew},
		{"a start that is NaN", []float64{math.NaN(), 0}, line, ErrNotFinite},
		{"a residual that is infinite", []float64{0}, func(_ []float64, s *Sum) { s.Add(math.Inf(1), 1) }, ErrNotFinite},
		{"a parameter that nothing depends on", []float64{0, 0}, func(x []float64, s *Sum) {
			s.Add(x[0]-1, 1, 0)
			s.Add(x[0]-2, 1, 0)
		}, ErrDegenerate},
		{"two parameters that act alike", []float64{0, 0}, func(x []float64, s *Sum) {
			for i := range 4 {
				s.Add(x[0]+x[1]-float64(i), 1, 1)
			}
		}, ErrDegenerate},
	}
	for _, c := range cases {
		if _, err := Solve(c.x0, c.model, Options{}); !errors.Is(err, c.want) {
			t.Errorf("%s: got error %v, want %v", c.name, err, c.want)
		}
	}
}

func TestSolveSaysThatItDidNotConverge(t *testing.T) {
	rosenbrock := func(x []float64, s *Sum) {
		s.Add(10*(x[1]-x[0]*x[0]), -20*x[0], 10)
		s.Add(1-x[0], -1, 0)
	}
	sol, err := Solve([]float64{-1.2, 1}, rosenbrock, Options{Iterations: 3})
	if !errors.Is(err, ErrNoConvergence) || sol.Stopped != Exhausted {
		t.Errorf("after three iterations: %v, %v", sol.Stopped, err)
	}
	sol, err = Solve([]float64{-1.2, 1}, rosenbrock, Options{})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "x", sol.X[0], 1, 1e-12)
	within(t, "y", sol.X[1], 1, 1e-12)
}

func TestSolveLeavesItsStart(t *testing.T) {
	x0 := []float64{3}
	if _, err := Solve(x0, func(x []float64, s *Sum) { s.Add(x[0]-1, 1); s.Add(x[0]-2, 1) }, Options{}); err != nil {
		t.Fatal(err)
	}
	if x0[0] != 3 {
		t.Errorf("the start became %v", x0)
	}
}

func TestLinearSystemRefuses(t *testing.T) {
	cases := []struct {
		name string
		rows [][]float64
		y, w []float64
		want error
	}{
		{"nothing", nil, nil, nil, ErrTooFew},
		{"fewer rows than unknowns", [][]float64{{1, 2}}, []float64{1}, nil, ErrTooFew},
		{"a zero column", [][]float64{{1, 0}, {2, 0}}, []float64{1, 2}, nil, ErrDegenerate},
		{"equal columns", [][]float64{{1, 1}, {2, 2}, {3, 3}}, []float64{1, 2, 3}, nil, ErrDegenerate},
		{"NaN", [][]float64{{math.NaN()}}, []float64{1}, nil, ErrNotFinite},
		{"an infinite weight", [][]float64{{1}}, []float64{1}, []float64{math.Inf(1)}, ErrNotFinite},
		{"ragged rows", [][]float64{{1, 2}, {1}}, []float64{1, 2}, nil, ErrNotFinite},
	}
	for _, c := range cases {
		if _, err := LinearSystem(c.rows, c.y, c.w); !errors.Is(err, c.want) {
			t.Errorf("%s: got %v, want %v", c.name, err, c.want)
		}
	}
}

// A linear problem has one answer: the iteration and the direct solution agree,
// cofactors included, and weights are the same as repeated rows.
func TestSolveAgreesWithLinearSystem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		rows, y, w := make([][]float64, 12), make([]float64, 12), make([]float64, 12)
		for i := range rows {
			rows[i] = []float64{1, rng.NormFloat64(), rng.NormFloat64()}
			y[i], w[i] = rng.NormFloat64(), 0.5+rng.Float64()
		}
		direct, err := LinearSystem(rows, y, w)
		if err != nil {
			t.Fatal(err)
		}
		iterated, err := Solve([]float64{5, -3, 2}, func(x []float64, s *Sum) {
			for i, a := range rows {
				u := math.Sqrt(w[i])
				s.Add(u*(a[0]*x[0]+a[1]*x[1]+a[2]*x[2]-y[i]), u*a[0], u*a[1], u*a[2])
			}
		}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for j := range 3 {
			if d := direct.X[j] - iterated.X[j]; math.Abs(d) > 1e-8 {
				t.Fatalf("parameter %d differs by %g", j, d)
			}
			if d := direct.Cofactor(j, 0) - iterated.Cofactor(0, j); math.Abs(d) > 1e-9 {
				t.Fatalf("cofactor %d differs by %g", j, d)
			}
		}
	})
}

// CV-3.4: chi-square quantiles; CV-3.3: Baarda's numbers.
func TestStatistics(t *testing.T) {
	for _, c := range []struct{ p, dof, want float64 }{{0.95, 1, 3.8415}, {0.999, 3, 16.2662}, {0.025, 10, 3.2470}, {0.95, 36, 50.9985}, {0.999, 36, 67.9852}, {0.99, 100, 135.8067}} {
		q := ChiSquareQuantile(c.p, int(c.dof))
		within(t, "quantile", q, c.want, 6e-5)
		within(t, "tail of the quantile", ChiSquareTail(q, int(c.dof)), 1-c.p, 1e-10)
	}
	for _, c := range []struct{ alpha, w, delta float64 }{{0.05, 1.959964, 2.801582}, {0.01, 2.575829, 3.417451}, {0.001, 3.290527, 4.132148}} {
		within(t, "critical w", CriticalW(c.alpha), c.w, 1e-6)
		within(t, "delta0", Delta0(c.alpha, 0.80), c.delta, 4e-6) // the power of one tail; the other holds 1e-6
	}
	within(t, "lambda0 for one dimension", Noncentrality(0.001, 0.80, 1), 17.074647, 2e-3)
	// The overall test of the B-method: the level at which λ₀ = 17.0746 is found with 80 %.
	for _, c := range []struct {
		dof   int
		limit float64
	}{{3, 12.6335}, {5, 14.4437}, {10, 18.9871}, {50, 55.9829}} {
		within(t, "power", NoncentralTail(c.limit, c.dof, 17.0746), 0.80, 2e-5)
	}
	within(t, "a central tail", NoncentralTail(7.8147, 3, 0), 0.05, 1e-5)
	within(t, "Šidák of ten at 5 %", Sidak(0.05, 10), 0.005116196891823743, 1e-15)
}

func FuzzSphere(f *testing.F) {
	f.Add(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, -1.0, 0.0)
	f.Fuzz(func(_ *testing.T, a, b, c, d, e, g, h, i float64) {
		p := []geom.Vec{{X: a, Y: b, Z: c}, {X: d, Y: e, Z: g}, {X: h, Y: i, Z: a}, {X: b, Y: d, Z: h}, {X: c, Y: g, Z: i}, {X: a, Y: a, Z: i}}
		_, _ = Sphere(p, SphereOptions{})
		_, _ = Cylinder(p, 0)
		_, _ = Circle(p, 0)
		_, _, _ = Rigid(p[:3], p[3:], nil)
	})
}
