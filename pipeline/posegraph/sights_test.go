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

// mixed is a graph in which bodies 0 and 1 and five points were found together, with
// errors that all share, and body 2 is tied to both bodies and sees some of the points.
type mixed struct {
	*simulation
	points []geom.Vec // the truth
	shared geom.Pose  // by which all that is known is off
}

const (
	sigmaOwn   = 0.1  // mm, of each known place by itself
	sigmaSight = 0.15 // mm
)

// drawn makes one: everything known moves by a common motion and scatters besides.
func drawn(seed uint64, ties bool, sights int) *mixed {
	s := &mixed{simulation: &simulation{random: rand.New(rand.NewPCG(seed, 7)), graph: Graph{Bodies: 3}}}
	for i := range 3 {
		s.truth = append(s.truth, geom.Pose{R: geom.RotVec(s.vec(1)), T: geom.Vec{X: 3000 * float64(i), Y: 800 * float64(i*i)}})
	}
	for range 5 {
		s.points = append(s.points, s.vec(2000))
	}
	turn, shift := s.vec(sigmaTurn), s.vec(sigmaShift)
	s.shared = geom.Pose{R: geom.RotVec(turn), T: shift}
	n := 12 + 15
	cov := mat.NewSymDense(n, nil)
	effect := mat.NewDense(n, 6, nil) // of the common motion
	k := &Known{Bodies: []int{0, 1}, Cov: cov}
	for i := range 2 {
		own := geom.Pose{R: geom.RotVec(s.vec(sigmaTurn)), T: s.vec(sigmaOwn)}
		k.Poses = append(k.Poses, s.shared.After(own).After(s.truth[i]))
		for d := range 6 {
			effect.Set(6*i+d, d, 1)
			cov.SetSym(6*i+d, 6*i+d, diagonal(sigmaTurn, sigmaOwn)[7*d])
		}
	}
	for p, at := range s.points {
		k.Points = append(k.Points, s.shared.Apply(at.Add(s.vec(sigmaOwn))))
		lever := geom.Skew(at).Scale(-1)
		for d := range 3 {
			cov.SetSym(12+3*p+d, 12+3*p+d, sigmaOwn*sigmaOwn)
			effect.Set(12+3*p+d, 3+d, 1)
			for e := range 3 {
				effect.Set(12+3*p+d, e, lever[3*d+e])
			}
		}
	}
	motion := mat.NewSymDense(6, nil)
	for d := range 6 {
		motion.SetSym(d, d, diagonal(sigmaTurn, sigmaShift)[7*d])
	}
	var half, full mat.Dense
	half.Mul(effect, motion)
	full.Mul(&half, effect.T())
	for i := range n {
		for j := i; j < n; j++ {
			cov.SetSym(i, j, cov.At(i, j)+full.At(i, j))
		}
	}
	s.graph.Known = k
	if ties {
		s.tie(0, 2)
		s.tie(1, 2)
	}
	for p := range sights {
		s.graph.Sights = append(s.graph.Sights, Sight{Body: 2, Point: p, Cov: geom.Diag(sigmaSight*sigmaSight, sigmaSight*sigmaSight, sigmaSight*sigmaSight),
			At: s.truth[2].Inverse().Apply(s.points[p]).Add(s.vec(sigmaSight))})
	}
	return s
}

// Ties and sights together: errors over stated covariances follow the chi-square
// distribution, in the common frame, against the points as a whole, and between bodies.
func TestSightsBySimulation(t *testing.T) {
	const runs = 600
	for name, c := range map[string]struct {
		ties   bool
		sights int
	}{"ties alone": {true, 0}, "two points as well": {true, 2}, "points alone": {false, 5}} {
		var common, anchored, against, between float64
		for k := range uint64(runs) {
			s := drawn(k, c.ties, c.sights)
			r := solve(t, s.graph)
			at := geom.Vec{X: 500, Y: -700, Z: 300}
			own := s.truth[2].Inverse().Apply(at)
			got := r.Bodies[2].ToCommon.Apply(own)
			common += square3(t, got.Sub(at), r.At(2, got))
			x, ok := r.Anchor(2)
			if !ok {
				t.Fatal("the points hold no frame")
			}
			kept := x.ToCommon.Apply(own)
			anchored += square3(t, kept.Sub(at), x.Cov.At(kept.Sub(r.Middle)))
			toTruth, _, err := fit.Rigid(s.graph.Known.Points, s.points, nil) // what gives the frame anew
			if err != nil {
				t.Fatal(err)
			}
			against += square3(t, toTruth.Apply(kept).Sub(at), x.Against.At(kept.Sub(r.Middle)))
			other := r.Bodies[1].ToCommon.Apply(s.truth[1].Inverse().Apply(at))
			between += square3(t, got.Sub(other), r.Relative(1, 2).At(got.Sub(r.Middle)))
			for _, x := range r.Sights {
				if !x.Used && k < 50 {
					t.Errorf("%s, run %d: a sound sight is left out: %+v", name, k, x)
				}
			}
		}
		for what, sum := range map[string]float64{"common frame": common, "anchored": anchored, "against the points": against, "between two bodies": between} {
			q := sum / (3 * runs)
			t.Logf("%s, %s: chi-square over degrees of freedom %.3f", name, what, q)
			if math.Abs(q-1) > 4*math.Sqrt(2/(3.0*runs)) {
				t.Errorf("%s, %s: chi-square over degrees of freedom %.3f", name, what, q)
			}
		}
	}
}

func square3(t *testing.T, e geom.Vec, cov geom.Mat) float64 {
	t.Helper()
	inv, ok := cov.Inv()
	if !ok {
		t.Fatalf("covariance %v", cov)
	}
	return e.Dot(inv.MulVec(e))
}

// A point that was moved before the body saw it is named and left out, and so is a tie
// that the points contradict.
func TestWrongSightsAreRejected(t *testing.T) {
	for seed := range uint64(20) {
		s := drawn(seed, true, 4)
		s.graph.Sights[1].At = s.graph.Sights[1].At.Add(geom.Vec{X: 4})
		r := solve(t, s.graph)
		for i, x := range r.Sights {
			if x.Used == (i == 1) {
				t.Errorf("seed %d: sight %d used %v, chi-square %.1f", seed, i, x.Used, x.Chi2)
			}
		}
		s = drawn(seed, true, 4)
		s.spoil(0, geom.Vec{Y: 6})
		r = solve(t, s.graph)
		if r.Ties[0].Used || !r.Ties[1].Used {
			t.Errorf("seed %d: ties %+v", seed, r.Ties)
		}
	}
}

func TestSightsThatHoldNothing(t *testing.T) {
	s := drawn(1, false, 2)
	if r := solve(t, s.graph); r.Bodies[2].Linked || r.Sights[0].Used {
		t.Error("two points place a body")
	}
	s = drawn(1, false, 3)
	s.graph.Sights[2].At = s.graph.Sights[0].At.Add(s.graph.Sights[1].At).Scale(0.5)
	if r := solve(t, s.graph); r.Bodies[2].Linked {
		t.Error("points on one line place a body")
	}
	for name, change := range map[string]func(*Graph){
		"a point beyond the end": func(g *Graph) { g.Sights[0].Point = 5 },
		"no covariance":          func(g *Graph) { g.Sights[0].Cov = geom.Mat{} },
		"no known points":        func(g *Graph) { g.Known = nil },
	} {
		s := drawn(1, true, 2)
		change(&s.graph)
		if _, err := Solve(s.graph); !errors.Is(err, ErrGraph) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
