package network

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// equation is one adjusted observation: station k saw sphere i. Its residual is
// v = X_i - (R_k·y + t_k), its weight matrix P = (R_k·C·R_kᵀ)⁻¹, all in the
// network frame. The derivatives of -v are [-[arm]×, I] by the pose (a rotation
// vector about the network axes through the station's middle, and that point's
// translation) and -I by the centre. arm runs from the middle to the present centre,
// not to the observed one: the weights turn with the station, and only so does the
// iteration end at the minimum of the residuals in the stations' own frames.
type equation struct {
	station, observation, sphere int
	unknown                      int // column of the station's pose in the reduced system, -1 for the first station
	column                       int // index of the sphere among the unknown centres
	arm                          geom.Vec
	v                            geom.Vec
	p                            geom.Mat
}

// adjustment is a solved network: the normal equations of all poses and centres,
// the centres eliminated.
type adjustment struct {
	equations []equation
	stations  []int // of the unknown poses, in order
	spheres   []int // of the unknown centres, in order
	bySphere  [][]int
	q         *mat.SymDense // cofactors of the poses
	dInv      []geom.Mat    // inverse of each centre's own normal block
	chi2      float64
	dof       int
	control   [][]geom.Mat       // see controls; by sphere, m×m blocks row-major
	ofOne     map[int][]geom.Mat // see stationControl; by station, filled as asked for
}

// adjust solves for all poses and all centres seen from two stations or more:
// Gauss–Newton on the normal equations with the centres eliminated, the first
// linked station held (a minimal constraint). ok is false when some pose is not
// determined; poses and centres then stay as they were.
func (s *solver) adjust() (ok bool) {
	poses, spheres := slices.Clone(s.poses), slices.Clone(s.spheres)
	for range 20 {
		a := s.assemble()
		step, ok := a.reduce()
		if !ok {
			s.poses, s.spheres = poses, spheres
			return false
		}
		if s.apply(a, step) < 1e-7 { // of a standard uncertainty
			break
		}
	}
	s.followSingles()
	s.adjusted = s.assemble()
	if _, ok = s.adjusted.reduce(); ok {
		s.adjusted.controls()
	}
	return ok
}

// followSingles carries the spheres that one station saw along with its pose.
func (s *solver) followSingles() {
	n := s.counts()
	for _, st := range s.linked {
		for j, at := range s.places[st] {
			if n[at] == 1 {
				s.spheres[at].center = s.poses[st].Apply(s.seen[st][j].center)
			}
		}
	}
}

// assemble builds the equations at the present poses and centres.
func (s *solver) assemble() *adjustment {
	a := &adjustment{}
	column := slices.Repeat([]int{-1}, len(s.spheres))
	for at, n := range s.counts() {
		if n > 1 {
			column[at] = len(a.spheres)
			a.spheres = append(a.spheres, at)
		}
	}
	a.bySphere = make([][]int, len(a.spheres))
	for k, st := range s.linked {
		if k > 0 {
			a.stations = append(a.stations, st)
		}
		for j, at := range s.places[st] {
			if column[at] >= 0 {
				a.bySphere[column[at]] = append(a.bySphere[column[at]], len(a.equations))
				e := s.equation(st, j, k-1, column[at])
				a.chi2 += e.v.Dot(e.p.MulVec(e.v))
				a.equations = append(a.equations, e)
			}
		}
	}
	a.dof = 3*len(a.equations) - 6*len(a.stations) - 3*len(a.spheres) - s.spent(a)
	return a
}

// spent counts the redundancy that blunders taken out have used up beside unknowns of
// their own: a factor takes one, a foreign sphere the distance of all who saw it.
func (s *solver) spent(a *adjustment) int {
	n := 0
	for _, factor := range s.scale {
		if factor != 1 {
			n++
		}
	}
	for c, at := range a.spheres {
		if slices.Contains(s.foreign, at) {
			n += len(a.bySphere[c])
		}
	}
	return n
}

func (s *solver) equation(st, j, unknown, column int) equation {
	o, pose, at := s.seen[st][j], s.poses[st], s.places[st][j]
	p, _ := pose.R.Congruent(o.cov).Inv() // prepare refused singular covariances
	x := s.spheres[at].center
	return equation{station: st, observation: j, sphere: at, unknown: unknown, column: column,
		arm: x.Sub(pose.Apply(s.middle(st))), v: x.Sub(pose.Apply(o.center)), p: p}
}

// middle returns the centroid of a station's spheres in its own frame: the point
// that its unknown rotation turns about and its unknown translation moves, so that
// the equations stay well conditioned however far away the frame's zero point is.
func (s *solver) middle(st int) geom.Vec {
	var sum geom.Vec
	first := s.seen[st][0].center
	for _, o := range s.seen[st] {
		sum = sum.Add(o.center.Sub(first))
	}
	return first.Add(sum.Scale(1 / float64(len(s.seen[st]))))
}

// poseCov returns the cofactors of a station's pose as a rotation vector and the
// translation at the zero point of its frame: δt = [R·m]×·δω + δc with the middle m.
func (s *solver) poseCov(k int) fit.Mat6 {
	st, q := s.adjusted.stations[k], s.adjusted.poseCofactor(k, k)
	arm := geom.Skew(s.poses[st].Turn(s.middle(st)))
	rr, rt, tt := q.Block(0, 0), q.Block(0, 3), q.Block(3, 3)
	art := arm.Mul(rt)
	cross := rr.Mul(arm.T()).Add(rt)
	shift := arm.Congruent(rr).Add(art).Add(art.T()).Add(tt)
	var out fit.Mat6
	for x := range 9 {
		i, j := x/3, x%3
		out[6*i+j], out[6*i+3+j], out[6*(3+j)+i], out[6*(3+i)+3+j] = rr[x], cross[x], cross[x], shift[x]
	}
	return out
}

// block is the 6×3 product of an equation's pose derivatives with its weight.
func (e *equation) block() (rot, tra geom.Mat) { return geom.Skew(e.arm).Mul(e.p), e.p }

// reduce factors the normal equations and returns the step of all poses.
func (a *adjustment) reduce() (step []float64, ok bool) {
	n := 6 * len(a.stations)
	a.dInv = make([]geom.Mat, len(a.spheres))
	normal, right := mat.NewSymDense(max(n, 1), nil), make([]float64, max(n, 1))
	if n == 0 {
		return nil, false
	}
	for c, list := range a.bySphere {
		var d geom.Mat
		var g geom.Vec // D·δX + Bᵀ·δp = -g
		for _, k := range list {
			e := &a.equations[k]
			d = d.Add(e.p)
			g = g.Add(e.p.MulVec(e.v))
		}
		inv, ok := d.Inv()
		if !ok {
			return nil, false
		}
		a.dInv[c] = inv
		a.eliminate(list, inv, g, normal, right)
	}
	var chol mat.Cholesky
	if !chol.Factorize(normal) || !(chol.Cond() < 1e14) {
		return nil, false
	}
	var x mat.VecDense
	if chol.SolveVecTo(&x, mat.NewVecDense(n, right)) != nil {
		return nil, false
	}
	a.q = &mat.SymDense{}
	return x.RawVector().Data, chol.InverseTo(a.q) == nil
}

// eliminate adds one sphere's share to the reduced normal equations: the blocks
// of its stations, less what its own centre takes out of them.
func (a *adjustment) eliminate(list []int, inv geom.Mat, g geom.Vec, normal *mat.SymDense, right []float64) {
	for _, k := range list {
		e := &a.equations[k]
		if e.unknown < 0 {
			continue
		}
		// With J = [-[arm]×, I]: JᵀP = [[arm]×·P; P], JᵀPv is the gradient, and JᵀP·D⁻¹ carries the centre.
		rot, tra := e.block()
		pull := e.p.MulVec(e.v.Sub(inv.MulVec(g)))
		addVec(right, 6*e.unknown, e.arm.Cross(pull))
		addVec(right, 6*e.unknown+3, pull)
		addSix(normal, e.unknown, e.unknown, rot, tra, e.arm, geom.Identity(), 1)
		for _, l := range list {
			f := &a.equations[l]
			if f.unknown >= e.unknown {
				addSix(normal, e.unknown, f.unknown, rot.Mul(inv), tra.Mul(inv), f.arm, f.p, -1)
			}
		}
	}
}

func addVec(v []float64, at int, x geom.Vec) {
	v[at] += x.X
	v[at+1] += x.Y
	v[at+2] += x.Z
}

// addSix adds sign·[rot; tra]·p·[-[arm]×, I] to the 6×6 block (i, j).
func addSix(n *mat.SymDense, i, j int, rot, tra geom.Mat, arm geom.Vec, p geom.Mat, sign float64) {
	turn := geom.Skew(arm).Scale(-1)
	rp, tp := rot.Mul(p).Scale(sign), tra.Mul(p).Scale(sign)
	for k, b := range [4]geom.Mat{rp.Mul(turn), rp, tp.Mul(turn), tp} {
		row, col := 6*i+3*(k/2), 6*j+3*(k%2)
		for x := range 9 {
			if r, c := row+x/3, col+x%3; r <= c {
				n.SetSym(r, c, n.At(r, c)+b[x])
			}
		}
	}
}

// apply moves poses and centres and returns the largest move, in standard
// uncertainties.
func (s *solver) apply(a *adjustment, step []float64) float64 {
	for k, st := range a.stations {
		w := geom.Vec{X: step[6*k], Y: step[6*k+1], Z: step[6*k+2]}
		t := geom.Vec{X: step[6*k+3], Y: step[6*k+4], Z: step[6*k+5]}
		m := s.middle(st)
		c, r := s.poses[st].Apply(m).Add(t), geom.RotVec(w).Mul(s.poses[st].R)
		s.poses[st] = geom.Pose{R: r, T: c.Sub(r.MulVec(m))}
	}
	var largest float64
	for c, list := range a.bySphere {
		var sum geom.Vec
		for _, k := range list {
			e := &a.equations[k]
			at := s.poses[e.station].Apply(s.seen[e.station][e.observation].center)
			sum = sum.Add(e.p.MulVec(at.Sub(s.spheres[a.spheres[c]].center)))
		}
		move := a.dInv[c].MulVec(sum)
		x := &s.spheres[a.spheres[c]]
		x.center = x.center.Add(move)
		x.sigma = math.Sqrt(a.dInv[c].Trace() / 3)
		largest = max(largest, move.Norm()/x.sigma)
	}
	return largest
}

func (a *adjustment) poseCofactor(k, l int) fit.Mat6 {
	var m fit.Mat6
	for x := range m {
		m[x] = a.q.At(6*k+x/6, 6*l+x%6)
	}
	return m
}
