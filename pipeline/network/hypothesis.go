package network

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/geom"
)

// An estimate is what the residuals say about one supposed error of observations:
// with G its effect on them, M = GᵀP·Qvv·P·G and b = -GᵀPv, the error is M⁻¹b with
// the covariance M⁻¹, and bᵀM⁻¹b is chi-square when there is none (W. Baarda, 1968;
// P. J. G. Teunissen, Testing Theory, 2000, for several dimensions).
type estimate struct {
	size  geom.Vec
	m     geom.Mat
	sigma float64 // √trace(M⁻¹); 0 where the network does not control the error
	value float64
	// largest is the most that a place moves where the error turns as well, else 0
	largest float64
}

// displacement supposes that some of a sphere's stations, given as positions in
// its list of equations, saw it elsewhere than the others.
func (a *adjustment) displacement(c int, group []int) estimate {
	list := a.bySphere[c]
	var e estimate
	var b geom.Vec
	for _, i := range group {
		q := &a.equations[list[i]]
		b = b.Sub(q.p.MulVec(q.v))
		for _, j := range group {
			e.m = e.m.Add(a.control[c][i*len(list)+j])
		}
	}
	values, _ := geom.Eigen(e.m)
	inv, ok := e.m.Inv()
	if !ok || !(values.X > 1e-9*values.Z) {
		return e
	}
	e.size, e.sigma = inv.MulVec(b), math.Sqrt(inv.Trace())
	e.value = b.Dot(e.size)
	return e
}

// controls computes P·Qvv·P between all observations of each sphere: how much of
// an error in one shows in the residuals of the other.
func (a *adjustment) controls() {
	a.control = make([][]geom.Mat, len(a.spheres))
	for c, list := range a.bySphere {
		m := len(list)
		a.control[c] = make([]geom.Mat, m*m)
		through := a.sandwich(a.reducedRows(c))
		for i, k := range list {
			for j, l := range list {
				w := a.equations[k].p.Mul(a.dInv[c]).Mul(a.equations[l].p).Scale(-1)
				if i == j {
					w = w.Add(a.equations[k].p)
				}
				for x := range w {
					w[x] -= through.At(3*i+x/3, 3*j+x%3)
				}
				a.control[c][i*m+j] = w
			}
		}
	}
}

// columns are derivatives of observations carried to the poses: a row of blocks,
// six numbers a pose, for each of some columns.
type columns struct {
	poses []int // unknown poses, in order
	h     *mat.Dense
}

// reducedRows returns, for unit errors of each observation of sphere c, AᵀP with
// the centre eliminated, over the poses that saw the sphere.
func (a *adjustment) reducedRows(c int) columns {
	list := a.bySphere[c]
	var r columns
	for _, k := range list {
		if u := a.equations[k].unknown; u >= 0 {
			r.poses = append(r.poses, u)
		}
	}
	r.h = mat.NewDense(max(1, 6*len(r.poses)), 3*len(list), nil)
	row := 0
	for i, k := range list {
		e := &a.equations[k]
		if e.unknown < 0 {
			continue
		}
		for j, l := range list {
			g := e.p.Mul(a.dInv[c]).Mul(a.equations[l].p).Scale(-1)
			if i == j {
				g = g.Add(e.p)
			}
			put(r.h, row, 3*j, geom.Skew(e.arm).Mul(g))
			put(r.h, row+3, 3*j, g)
		}
		row += 6
	}
	return r
}

func put(h *mat.Dense, row, col int, b geom.Mat) {
	for x, v := range b {
		h.Set(row+x/3, col+x%3, v)
	}
}

// sandwich returns HᵀQH.
func (a *adjustment) sandwich(r columns) *mat.Dense {
	n := 6 * len(r.poses)
	var qh, out mat.Dense
	if n == 0 {
		_, w := r.h.Dims()
		return mat.NewDense(w, w, nil)
	}
	q := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			q.SetSym(i, j, a.q.At(6*r.poses[i/6]+i%6, 6*r.poses[j/6]+j%6))
		}
	}
	qh.Mul(q, r.h)
	out.Mul(r.h.T(), &qh)
	return &out
}

// scaleError supposes that all distances of a station are wrong by one factor:
// each of its places is off along its arm.
func (a *adjustment) scaleError(station int) estimate {
	h := mat.NewDense(6*len(a.stations), 1, nil)
	var b, m float64
	for _, list := range a.bySphere {
		at := slices.IndexFunc(list, func(k int) bool { return a.equations[k].station == station })
		if at < 0 {
			continue
		}
		e := &a.equations[list[at]]
		pg := e.p.MulVec(e.arm)
		b -= pg.Dot(e.v)
		m += pg.Dot(e.arm) - a.carry(e.column, pg, h)
		if e.unknown >= 0 {
			addPose(h, e, pg)
		}
	}
	poses := make([]int, len(a.stations))
	for i := range poses {
		poses[i] = i
	}
	m -= a.sandwich(columns{poses, h}).At(0, 0)
	if !(m > 0) {
		return estimate{}
	}
	return estimate{size: geom.Vec{X: b / m}, m: geom.Diag(m, 0, 0), sigma: 1 / math.Sqrt(m), value: b * b / m}
}

// carry takes the part of a pull on a centre that the centre itself would follow
// out of all stations that see it, and returns that part's own share.
func (a *adjustment) carry(c int, pull geom.Vec, h *mat.Dense) float64 {
	follow := a.dInv[c].MulVec(pull)
	for _, k := range a.bySphere[c] {
		if e := &a.equations[k]; e.unknown >= 0 {
			addPose(h, e, e.p.MulVec(follow).Scale(-1))
		}
	}
	return pull.Dot(follow)
}

func addPose(h *mat.Dense, e *equation, pull geom.Vec) {
	turn := e.arm.Cross(pull)
	for i := range 3 {
		h.Set(6*e.unknown+i, 0, h.At(6*e.unknown+i, 0)+turn.At(i))
		h.Set(6*e.unknown+3+i, 0, h.At(6*e.unknown+3+i, 0)+pull.At(i))
	}
}

// sphereCov returns the covariance of an unknown centre: that of its observations
// and that of the poses which they hang on.
func (a *adjustment) sphereCov(c int) geom.Mat {
	var r columns
	for _, k := range a.bySphere[c] {
		if e := &a.equations[k]; e.unknown >= 0 {
			r.poses = append(r.poses, e.unknown)
		}
	}
	r.h = mat.NewDense(max(1, 6*len(r.poses)), 3, nil)
	row := 0
	for _, k := range a.bySphere[c] {
		if e := &a.equations[k]; e.unknown >= 0 {
			put(r.h, row, 0, geom.Skew(e.arm).Mul(e.p).Mul(a.dInv[c]))
			put(r.h, row+3, 0, e.p.Mul(a.dInv[c]))
			row += 6
		}
	}
	through := a.sandwich(r)
	cov := a.dInv[c]
	for x := range cov {
		cov[x] += through.At(x/3, x%3)
	}
	return cov
}
