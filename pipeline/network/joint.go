package network

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// Joint is the covariance of all set-ups together, the one that comparisons of
// places seen from different set-ups need. A set-up's motion is a small rotation
// vector (rad, about the network's axes) and the translation (mm) that it gives the
// point Result.Middle: a place x moves by t + w × (x - Middle).
type Joint struct {
	Stations []int     // the tied ones, in input order; six rows and columns each
	Upper    []float64 // upper triangle with its diagonal, row by row
}

// Between returns the 6×6 covariance between two set-ups, false where one is not tied.
func (j Joint) Between(a, b int) (m fit.Mat6, ok bool) {
	p, q := slices.Index(j.Stations, a), slices.Index(j.Stations, b)
	n := 6 * len(j.Stations)
	if p < 0 || q < 0 || len(j.Upper) != n*(n+1)/2 {
		return m, false
	}
	for x := range m {
		row, col := 6*p+x/6, 6*q+x%6
		row, col = min(row, col), max(row, col)
		m[x] = j.Upper[row*n-row*(row-1)/2+col-row]
	}
	return m, true
}

// pack keeps the leading n rows and columns, times a factor.
func pack(stations []int, m mat.Symmetric, factor float64) Joint {
	j := Joint{Stations: slices.Clone(stations)}
	for row := range 6 * len(stations) {
		for col := row; col < 6*len(stations); col++ {
			j.Upper = append(j.Upper, factor*m.At(row, col))
		}
	}
	return j
}

// DifferenceCov returns the covariance (mm², network frame) that registration gives
// the vector from the point p of set-up a to the point q of set-up b, each in its own
// set-up's frame: what the two poses share cancels. It is the same whatever holds the
// network's frame, but for the frame's own small rotation, which a vector has and a
// distance has not; see DistanceSigma. All is infinite where a set-up is not tied.
func (r *Result) DifferenceCov(a int, p geom.Vec, b int, q geom.Vec) geom.Mat {
	aa, ok := r.Joint.Between(a, a)
	bb, good := r.Joint.Between(b, b)
	if !ok || !good {
		inf := math.Inf(1)
		return geom.Diag(inf, inf, inf)
	}
	ab, _ := r.Joint.Between(a, b)
	from, to := r.arm(a, p), r.arm(b, q)
	cross := between(from, ab, to)
	return aa.At(from).Add(bb.At(to)).Add(cross.Add(cross.T()).Scale(-1))
}

// DistanceSigma returns the distance (mm) between the point p of set-up a and the
// point q of set-up b, and the standard uncertainty that registration gives it, to
// first order: how well two places on the object that no single set-up sees are known
// to each other. It does not depend on what holds the network's frame.
func (r *Result) DistanceSigma(a int, p geom.Vec, b int, q geom.Vec) (distance, sigma float64) {
	along := r.Stations[b].StationToNetwork.Apply(q).Sub(r.Stations[a].StationToNetwork.Apply(p))
	cov := r.DifferenceCov(a, p, b, q)
	u := along.Unit()
	return along.Norm(), math.Sqrt(max(0, u.Dot(cov.MulVec(u))))
}

// arm carries a point of a set-up's frame to the network, seen from Middle.
func (r *Result) arm(station int, p geom.Vec) geom.Vec {
	return r.Stations[station].StationToNetwork.Apply(p).Sub(r.Middle)
}

// between returns J(from)·m·J(to)ᵀ with J(x) = [-[x]×, I].
func between(from geom.Vec, m fit.Mat6, to geom.Vec) geom.Mat {
	f, t := geom.Skew(from).Scale(-1), geom.Skew(to) // [-[to]×]ᵀ = [to]×
	rr, rt, tr, tt := m.Block(0, 0), m.Block(0, 3), m.Block(3, 0), m.Block(3, 3)
	return f.Mul(rr).Mul(t).Add(f.Mul(rt)).Add(tr.Mul(t)).Add(tt)
}

// levered returns the cofactors of the tied set-ups' motions at the network's middle,
// the first of them held: the adjustment turns each about its own spheres' middle.
func (s *solver) levered(middle geom.Vec) *mat.Dense {
	a := s.adjusted
	n := len(a.stations)
	l := mat.NewDense(6*len(s.linked), 6*n, nil)
	for k, st := range a.stations {
		row := 6 * slices.Index(s.linked, st)
		put(l, row, 6*k, geom.Identity())
		put(l, row+3, 6*k, geom.Skew(middle.Sub(s.poses[st].Apply(s.middle(st)))).Scale(-1))
		put(l, row+3, 6*k+3, geom.Identity())
	}
	return l
}

// followers returns how the centres follow the poses, 3 × 6n each: F = D⁻¹·Σ P·J.
func (s *solver) followers() *mat.Dense {
	a := s.adjusted
	f := mat.NewDense(3*len(a.spheres), 6*len(a.stations), nil)
	for c, list := range a.bySphere {
		for _, k := range list {
			e := &a.equations[k]
			if e.unknown >= 0 {
				share := a.dInv[c].Mul(e.p)
				put(f, 3*c, 6*e.unknown, share.Mul(geom.Skew(e.arm)).Scale(-1))
				put(f, 3*c, 6*e.unknown+3, share)
			}
		}
	}
	return f
}

// whole returns the cofactors of all motions at the middle and, behind them, of all
// centres that two set-ups saw: everything there is to know, the first set-up held.
func (s *solver) whole(middle geom.Vec) *mat.SymDense {
	a := s.adjusted
	poses, centers := 6*len(s.linked), 3*len(a.spheres)
	all := mat.NewDense(poses+centers, 6*len(a.stations), nil)
	all.Slice(0, poses, 0, 6*len(a.stations)).(*mat.Dense).Copy(s.levered(middle))
	all.Slice(poses, poses+centers, 0, 6*len(a.stations)).(*mat.Dense).Copy(s.followers())
	z := congruent(all, a.q)
	for c, own := range a.dInv {
		for x, v := range own {
			if i, j := poses+3*c+x/3, poses+3*c+x%3; i <= j {
				z.SetSym(i, j, z.At(i, j)+v)
			}
		}
	}
	return z
}

// congruent returns m·c·mᵀ.
func congruent(m mat.Matrix, c mat.Symmetric) *mat.SymDense {
	var mc, out mat.Dense
	mc.Mul(m, c)
	out.Mul(&mc, m.T())
	n, _ := out.Dims()
	sym := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sym.SetSym(i, j, (out.At(i, j)+out.At(j, i))/2)
		}
	}
	return sym
}
