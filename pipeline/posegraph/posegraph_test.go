package posegraph

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// The covariance of a simulated tie: 0.1 mrad and 0.2 mm, with the two mixed.
const (
	sigmaTurn  = 1e-4
	sigmaShift = 0.2
)

type simulation struct {
	random *rand.Rand
	truth  []geom.Pose
	graph  Graph
}

func (s *simulation) vec(size float64) geom.Vec {
	return geom.Vec{X: s.random.NormFloat64(), Y: s.random.NormFloat64(), Z: s.random.NormFloat64()}.Scale(size)
}

// ring sets bodies round an object, two and a half metres apart.
func ring(seed uint64, n int) *simulation {
	s := &simulation{random: rand.New(rand.NewPCG(seed, 1)), graph: Graph{Bodies: n}}
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		s.truth = append(s.truth, geom.Pose{R: geom.RotVec(s.vec(1)), T: geom.Vec{X: 4000 * math.Cos(a), Y: 3000 * math.Sin(a), Z: 500 * float64(i%2)}})
	}
	return s
}

// tie measures body b in the frame of a, with the noise of the covariance it states.
func (s *simulation) tie(a, b int) {
	bToA := s.truth[a].Inverse().After(s.truth[b])
	t := Tie{A: a, B: b, Center: s.truth[a].Inverse().Apply(s.vec(500)), Score: 1}
	turn, shift := s.vec(sigmaTurn), s.vec(sigmaShift)
	shift = shift.Add(turn.Cross(geom.Vec{X: 800})) // turns and shifts go together
	t.Cov = levered(diagonal(sigmaTurn, sigmaShift), geom.Vec{X: 800})
	r := geom.RotVec(turn)
	t.BToA = geom.Pose{R: r, T: t.Center.Sub(r.MulVec(t.Center)).Add(shift)}.After(bToA)
	s.graph.Ties = append(s.graph.Ties, t)
}

func diagonal(turn, shift float64) fit.Mat6 {
	var m fit.Mat6
	for i := range 3 {
		m[7*i], m[7*(i+3)] = turn*turn, shift*shift
	}
	return m
}

func (s *simulation) spoil(tie int, by geom.Vec) {
	s.graph.Ties[tie].BToA.T = s.graph.Ties[tie].BToA.T.Add(by)
}

func solve(t *testing.T, g Graph) Result {
	t.Helper()
	r, err := Solve(g)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// off is the error of a place seen from a body, in the frame of the first body.
func (s *simulation) off(r Result, body int, at geom.Vec) (geom.Vec, geom.Mat) {
	first := r.Bodies[0].ToCommon.Inverse().After(r.Bodies[body].ToCommon)
	want := s.truth[0].Inverse().After(s.truth[body])
	own := s.truth[body].Inverse().Apply(at)
	return r.Bodies[0].ToCommon.Turn(first.Apply(own).Sub(want.Apply(own))), r.At(body, r.Bodies[body].ToCommon.Apply(own))
}

// Errors over their stated covariances follow the chi-square distribution: 95 %
// ellipsoids hold the truth in 93 to 97 % of 600 graphs.
func TestCovarianceBySimulation(t *testing.T) {
	const runs = 600
	limit, inside, chi2, dof := fit.ChiSquareQuantile(0.95, 3), 0, 0.0, 0
	for k := range uint64(runs) {
		s := ring(k, 6)
		for i := range 6 {
			s.tie(i, (i+1)%6)
		}
		s.tie(0, 3)
		s.tie(4, 1)
		r := solve(t, s.graph)
		e, cov := s.off(r, 1+int(k)%5, geom.Vec{X: 1000, Y: -500, Z: 200})
		inv, ok := cov.Inv()
		if !ok {
			t.Fatalf("covariance %v", cov)
		}
		if e.Dot(inv.MulVec(e)) <= limit {
			inside++
		}
		chi2, dof = chi2+r.Chi2, dof+r.DOF
	}
	share := float64(inside) / runs
	t.Logf("95 %% ellipsoids hold the truth in %.1f %%; chi-square %.0f with %d degrees of freedom", 100*share, chi2, dof)
	if share < 0.93 || share > 0.97 {
		t.Errorf("95 %% ellipsoids hold the truth in %.1f %%", 100*share)
	}
	if q := chi2 / float64(dof); math.Abs(q-1) > 0.05 {
		t.Errorf("chi-square over degrees of freedom: %.3f", q)
	}
}

func TestWrongTiesAreRejected(t *testing.T) {
	cases := []struct {
		name  string
		ties  [][2]int
		spoil map[int]geom.Vec
	}{
		{"none", [][2]int{{0, 1}, {1, 2}, {2, 3}, {3, 0}, {0, 2}}, nil},
		{"one of five", [][2]int{{0, 1}, {1, 2}, {2, 3}, {3, 0}, {0, 2}, {1, 3}}, map[int]geom.Vec{1: {X: 300}}},
		{"a small one", [][2]int{{0, 1}, {1, 2}, {2, 3}, {3, 0}, {0, 2}, {1, 3}}, map[int]geom.Vec{4: {Y: 5}}},
		{"two", [][2]int{{0, 1}, {1, 2}, {2, 3}, {3, 0}, {0, 2}, {1, 3}, {3, 4}, {4, 0}, {4, 1}}, map[int]geom.Vec{2: {Z: 900}, 7: {X: -40, Y: 10}}},
	}
	for _, c := range cases {
		for seed := range uint64(20) {
			s := ring(seed, 5)
			for _, x := range c.ties {
				s.tie(x[0], x[1])
			}
			for i, by := range c.spoil {
				s.spoil(i, by)
			}
			r := solve(t, s.graph)
			for i, x := range r.Ties {
				if _, bad := c.spoil[i]; x.Used == bad {
					t.Errorf("%s, seed %d: tie %d used %v, chi-square %.1f, loops %d", c.name, seed, i, x.Used, x.Chi2, x.Loops)
				}
			}
			e, _ := s.off(r, 2, geom.Vec{})
			if e.Norm() > 2 {
				t.Errorf("%s, seed %d: %.2f mm off", c.name, seed, e.Norm())
			}
		}
	}
}

// A body that only one tie holds is placed by it; one without a tie stays out; of
// two parts that nothing joins the larger one is placed.
func TestWhatHangsTogether(t *testing.T) {
	s := ring(1, 7)
	s.tie(4, 5)
	s.tie(0, 1)
	s.tie(1, 2)
	s.tie(2, 0)
	s.tie(3, 2)
	r := solve(t, s.graph)
	want := []bool{true, true, true, true, false, false, false}
	for i, b := range r.Bodies {
		if b.Linked != want[i] {
			t.Errorf("body %d: linked %v", i, b.Linked)
		}
	}
	if e, _ := s.off(r, 3, geom.Vec{}); e.Norm() > 3 {
		t.Errorf("the body at the end is %.2f mm off", e.Norm())
	}
	if r.Ties[0].Used {
		t.Error("the tie of the part that is not placed counts as used")
	}
}

// Bodies that spheres hold well stay; the others are placed on them, and a body
// that ties carry away from its spheres is named.
func TestKnownBodies(t *testing.T) {
	s := ring(3, 5)
	for _, x := range [][2]int{{0, 3}, {1, 3}, {2, 3}, {3, 4}, {2, 4}, {0, 4}} {
		s.tie(x[0], x[1])
	}
	known := func() *Known {
		k := &Known{Bodies: []int{0, 1, 2}, Cov: mat.NewSymDense(18, nil)}
		for i := range 3 {
			k.Poses = append(k.Poses, s.truth[0].Inverse().After(s.truth[i]))
			for d := range 6 {
				if i > 0 { // the first one is the frame
					k.Cov.(*mat.SymDense).SetSym(6*i+d, 6*i+d, diagonal(2e-5, 0.05)[7*d])
				}
			}
		}
		return k
	}
	s.graph.Known = known()
	r := solve(t, s.graph)
	for i := range 5 {
		if e, cov := s.off(r, i, geom.Vec{}); e.Norm() > 4*math.Sqrt(cov.Trace())+1e-9 || i < 3 && e.Norm() > 0.3 {
			t.Errorf("body %d: %.3f mm off, sigma %.3f mm", i, e.Norm(), math.Sqrt(cov.Trace()))
		}
	}
	if len(r.Moved) > 0 || r.Bodies[0].ToCommon != s.graph.Known.Poses[0] {
		t.Errorf("moved: %+v", r.Moved)
	}
	s.graph.Known = known()
	s.graph.Known.Poses[1].T = s.graph.Known.Poses[1].T.Add(geom.Vec{X: 6}) // a sphere was nudged
	r = solve(t, s.graph)
	named := len(r.Moved) == 1 && r.Moved[0].Body == 1
	for i, x := range r.Ties {
		named = named || !x.Used && (s.graph.Ties[i].A == 1 || s.graph.Ties[i].B == 1)
	}
	if !named {
		t.Errorf("a set-up 6 mm off its surface was not named: %+v, %+v", r.Moved, r.Ties)
	}
}

func TestBadGraphs(t *testing.T) {
	sound := ring(1, 3)
	sound.tie(0, 1)
	bad := func(change func(*Graph)) Graph {
		g := sound.graph
		g.Ties = append([]Tie(nil), g.Ties...)
		change(&g)
		return g
	}
	cases := map[string]Graph{
		"a body beyond the end":   bad(func(g *Graph) { g.Ties[0].B = 3 }),
		"a body tied to itself":   bad(func(g *Graph) { g.Ties[0].B = 0 }),
		"no covariance":           bad(func(g *Graph) { g.Ties[0].Cov = fit.Mat6{} }),
		"not a number":            bad(func(g *Graph) { g.Ties[0].Cov[0] = math.NaN() }),
		"a place without numbers": bad(func(g *Graph) { g.Ties[0].BToA.T.X = math.Inf(1) }),
		"known without poses":     bad(func(g *Graph) { g.Known = &Known{Bodies: []int{0}} }),
	}
	for name, g := range cases {
		if _, err := Solve(g); !errors.Is(err, ErrGraph) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if r := solve(t, Graph{Bodies: 2}); r.Bodies[0].Linked || r.Bodies[1].Linked {
		t.Error("bodies without ties are linked")
	}
}

// The covariance of a motion, moved there and back, is what it was, and shifts at a
// place do not depend on where it was held.
func TestLevers(t *testing.T) {
	s := ring(5, 1)
	c := levered(diagonal(1e-3, 0.3), geom.Vec{X: 100, Y: -300, Z: 50})
	arm, place := s.vec(400), s.vec(900)
	moved := levered(c, arm)
	back := levered(moved, arm.Scale(-1))
	a, b := c.At(place), moved.At(place.Sub(arm))
	for i := range c {
		if math.Abs(back[i]-c[i]) > 1e-9 {
			t.Errorf("entry %d: %g and %g", i, back[i], c[i])
		}
	}
	for i := range a {
		if math.Abs(a[i]-b[i]) > 1e-9*a.Trace() {
			t.Errorf("shift at a place: %v and %v", a, b)
			break
		}
	}
	info, _ := information(c)
	other, _ := information(moved)
	carried := carry(other, arm)
	for i := range info {
		if math.Abs(info[i]-carried[i]) > 1e-6*(1+math.Abs(info[i])) {
			t.Errorf("weight %d: %g and %g", i, info[i], carried[i])
		}
	}
}

func BenchmarkSolve(b *testing.B) {
	s := ring(1, 16)
	for i := range 16 {
		for j := 1; j < 6; j++ {
			s.tie(i, (i+j)%16)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Solve(s.graph); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(s.graph.Ties)*b.N)/b.Elapsed().Seconds(), "ties/s")
}
