// Package posegraph finds the places of scans that are tied to each other in pairs.
//
// In come bodies (a set-up, or all files of a tracked instrument), ties between two
// of them, each a relative placement with its covariance, and, where some bodies are
// tied to each other by other means such as reference spheres, their places with a
// joint covariance. Out come the places of all bodies that hang together, from one
// least-squares adjustment of everything, with their covariances, and the ties that
// do not agree with the others. After F. Lu, E. Milios, Globally consistent range
// scan alignment for environment mapping, Autonomous Robots 4 (1997), on rigid motions
// in space; ties are voted for by the triangles that they close.
//
// A wrong tie is taken out only where the others contradict it. Where a contradiction
// cannot be pinned on one tie, all of its loop are named. A body without a tie stays
// out; nothing is guessed.
package posegraph

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// Tie says where body B lies in the frame of body A.
type Tie struct {
	A, B   int
	BToA   geom.Pose
	Cov    fit.Mat6 // of a small motion of B: rotation vector in rad and translation in mm about Center, in A's axes
	Center geom.Vec // mm, in A's frame
	Score  float64  // how sure the tie is, only to order ties: greater is surer
	// Slack is added to Cov where ties are tested against each other, not where they are
	// weighed: what scans may be off by without a fault.
	Slack fit.Mat6
}

// tested is the covariance by which a tie is tested.
func (t *Tie) tested() fit.Mat6 { return add(t.Cov, t.Slack) }

// Known are bodies that were placed together by other means.
type Known struct {
	Bodies []int
	Poses  []geom.Pose // body frame → common frame
	// Cov is the joint covariance of their motions, six rows and columns a body in the
	// order of Bodies: rotation vector, and the translation that it gives the point
	// Middle of the common frame. Bodies of no variance are held.
	Cov    mat.Symmetric
	Middle geom.Vec
	// Points are places of the common frame that were found together with the bodies, such
	// as the centres of reference spheres: three rows and columns of Cov each, behind those
	// of the bodies, their shifts in mm.
	Points []geom.Vec
}

// Sight is a known point as a body saw it.
type Sight struct {
	Body, Point int      // Point is an index into Known.Points
	At          geom.Vec // mm, in the body's frame
	Cov         geom.Mat // mm², of At
}

// Graph is what is to be solved.
type Graph struct {
	Bodies int
	Ties   []Tie
	Sights []Sight
	Known  *Known // nil: the body with the most ties, or the first of them, is the frame
	// Significance is the chance that a sound graph has a tie rejected; 0 = 0.001.
	Significance float64
}

// Result is the solution.
type Result struct {
	Bodies   []Body
	Ties     []TieResult // in the order of Graph.Ties
	Middle   geom.Vec    // mm, common frame
	Chi2     float64
	DOF      int
	Moved    []Shift       // known bodies that the ties move by more than their covariance allows
	Accepted float64       // largest chi-square of a tie that counts as sound
	Sights   []SightResult // in the order of Graph.Sights
	Points   []geom.Vec    // where the known points came to lie

	solved *solver
}

// Body is where a body lies.
type Body struct {
	ToCommon geom.Pose
	Linked   bool
	Cov      fit.Mat6 // about Result.Middle
}

// At returns the covariance of the place p (common frame, mm) of a body.
func (r *Result) At(body int, p geom.Vec) geom.Mat {
	return r.Bodies[body].Cov.At(p.Sub(r.Middle))
}

// TieResult says how a tie fits the others.
type TieResult struct {
	Used  bool
	Chi2  float64  // of the tie's residual, six degrees of freedom
	Shift geom.Vec // of the tie's centre from where the others put it, common frame, mm
	Turn  float64  // the same, rad
	Loops int      // triangles of ties that agree, less those that do not
}

// SightResult says how a sight fits the others.
type SightResult struct {
	Used     bool
	Chi2     float64  // of its residual, three degrees of freedom
	Shift    geom.Vec // of the place that the body saw from the point, common frame, mm
	Accepted float64  // largest chi-square of a sight that counts as sound
}

// Shift says how far a known body was moved.
type Shift struct {
	Body int
	By   geom.Vec // at Middle of the ties that move it, common frame, mm
	Chi2 float64
}

// ErrGraph says that a graph makes no sense.
var ErrGraph = errors.New("the ties do not make a graph")

const (
	defaultSignificance = 1e-3
	mostSteps           = 20
)

// Solve places the bodies.
func Solve(g Graph) (Result, error) {
	s, err := newSolver(g)
	if err != nil {
		return Result{}, err
	}
	s.vote()
	s.grow()
	for {
		if err := s.adjust(); err != nil {
			return Result{}, err
		}
		if !s.reject() {
			return s.result(), nil
		}
	}
}

// solver carries a graph from ties to places.
type solver struct {
	Graph
	poses  []geom.Pose
	linked []bool
	used   []bool // ties
	loops  []int
	root   int
	middle geom.Vec
	limit  float64 // chi-square of a sound tie
	prior  *mat.Dense
	cov    *mat.Dense // of the unknowns
	index  []int      // of each body's six unknowns; -1 where it has none

	points     []geom.Vec
	pointIndex []int  // of each known point's three unknowns; -1 where it is held
	seen       []bool // sights
	sightLimit float64
	unknowns   int
}

func newSolver(g Graph) (*solver, error) {
	if g.Significance == 0 {
		g.Significance = defaultSignificance
	}
	s := &solver{Graph: g, poses: make([]geom.Pose, g.Bodies), linked: make([]bool, g.Bodies), used: make([]bool, len(g.Ties)), loops: make([]int, len(g.Ties))}
	for i := range s.poses {
		s.poses[i] = geom.IdentityPose()
	}
	for i, t := range g.Ties {
		if t.A < 0 || t.B < 0 || t.A >= g.Bodies || t.B >= g.Bodies || t.A == t.B {
			return nil, fmt.Errorf("tie %d joins bodies %d and %d of %d: %w", i, t.A, t.B, g.Bodies, ErrGraph)
		}
		if _, ok := information(t.Cov); !ok || !t.BToA.T.IsFinite() {
			return nil, fmt.Errorf("tie %d between bodies %d and %d has no covariance that can be inverted: %w", i, t.A, t.B, ErrGraph)
		}
		s.used[i] = true
	}
	each := math.Pow(1-g.Significance, 1/float64(max(1, len(g.Ties)+len(g.Sights))))
	s.limit, s.sightLimit = fit.ChiSquareQuantile(each, 6), fit.ChiSquareQuantile(each, 3)
	if err := s.takeKnown(); err != nil {
		return nil, err
	}
	return s, s.takeSights()
}

// takeSights checks them.
func (s *solver) takeSights() error {
	s.seen = make([]bool, len(s.Sights))
	for i, x := range s.Sights {
		if x.Body < 0 || x.Body >= s.Bodies || x.Point < 0 || x.Point >= len(s.points) {
			return fmt.Errorf("sight %d is of point %d of %d by body %d of %d: %w", i, x.Point, len(s.points), x.Body, s.Bodies, ErrGraph)
		}
		if values, _ := geom.Eigen(x.Cov); !x.At.IsFinite() || !(values.X > 0) || !values.IsFinite() {
			return fmt.Errorf("sight %d of point %d has no covariance that can be inverted: %w", i, x.Point, ErrGraph)
		}
		s.seen[i] = true
	}
	return nil
}

// takeKnown prepares what is known of some bodies: the inverse of their joint
// covariance, bodies without variance held.
func (s *solver) takeKnown() error {
	s.root = -1
	k := s.Known
	if k == nil || len(k.Bodies) == 0 {
		s.Known = nil
		return nil
	}
	n := 6*len(k.Bodies) + 3*len(k.Points)
	s.points = append(s.points, k.Points...)
	if len(k.Poses) != len(k.Bodies) || k.Cov == nil || k.Cov.SymmetricDim() != n {
		return fmt.Errorf("%d known bodies with %d poses and another size of covariance: %w", len(k.Bodies), len(k.Poses), ErrGraph)
	}
	s.middle = k.Middle
	for i, b := range k.Bodies {
		if b < 0 || b >= s.Bodies {
			return fmt.Errorf("known body %d of %d: %w", b, s.Bodies, ErrGraph)
		}
		s.poses[b], s.linked[b] = k.Poses[i], true
	}
	return nil
}

// information inverts a covariance, symmetrically.
func information(c fit.Mat6) (fit.Mat6, bool) {
	d := make([]float64, 6) // scale to a unit diagonal: rotations are a thousand times smaller than shifts
	for i := range d {
		d[i] = math.Sqrt(c[7*i])
		if !(d[i] > 0) || math.IsInf(d[i], 0) {
			return fit.Mat6{}, false
		}
	}
	m := mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			m.SetSym(i, j, (c[6*i+j]+c[6*j+i])/(2*d[i]*d[j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(m) {
		return fit.Mat6{}, false
	}
	var inv mat.SymDense
	if err := chol.InverseTo(&inv); err != nil {
		return fit.Mat6{}, false
	}
	var out fit.Mat6
	for i := range 6 {
		for j := range 6 {
			out[6*i+j] = inv.At(i, j) / (d[i] * d[j])
		}
	}
	return out, true
}
