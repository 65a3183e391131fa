package posegraph

import (
	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// addSight adds a sight's normal equations: the point's shift less the body's motion
// there should be what is left between the two.
func (s *solver) addSight(i int, h *mat.SymDense, g *mat.VecDense) {
	x := s.Sights[i]
	at, weight, ok := s.sight(i)
	if !ok {
		return
	}
	rest := at.Sub(s.points[x.Point])
	arm := at.Sub(s.middle)
	// The body's motion moves the place by t + w × arm = t - [arm]× w.
	lever := geom.Skew(arm).Scale(-1)
	pull := weight.MulVec(rest)
	b, p := s.index[x.Body], s.pointIndex[x.Point]
	add := func(row, col int, block geom.Mat) {
		if row < 0 || col < 0 {
			return
		}
		for r := range 3 {
			for c := range 3 {
				if row+r <= col+c {
					h.SetSym(row+r, col+c, h.At(row+r, col+c)+block[3*r+c])
				}
			}
		}
	}
	if b >= 0 {
		turn := lever.T().MulVec(pull)
		for d := range 3 {
			g.SetVec(b+d, g.AtVec(b+d)-turn.At(d))
			g.SetVec(b+3+d, g.AtVec(b+3+d)-pull.At(d))
		}
		add(b, b, lever.T().Mul(weight).Mul(lever))
		add(b, b+3, lever.T().Mul(weight))
		add(b+3, b+3, weight)
	}
	if p >= 0 {
		for d := range 3 {
			g.SetVec(p+d, g.AtVec(p+d)+pull.At(d))
		}
		add(p, p, weight)
	}
	if b >= 0 && p >= 0 {
		add(b, p, lever.T().Mul(weight).Scale(-1))
		add(b+3, p, weight.Scale(-1))
	}
}

// sight returns where a body puts the point that it saw, and the weight of that.
func (s *solver) sight(i int) (at geom.Vec, weight geom.Mat, ok bool) {
	x := s.Sights[i]
	pose := s.poses[x.Body]
	weight, ok = pose.R.Congruent(x.Cov).Inv()
	return pose.Apply(x.At), weight, ok
}

// sightContradiction is contradiction for a sight: three directions.
func (s *solver) sightContradiction(i int) float64 {
	x := s.Sights[i]
	at, weight, ok := s.sight(i)
	if !ok {
		return 0
	}
	var chol mat.Cholesky
	sym := mat.NewSymDense(3, weight[:])
	if !chol.Factorize(sym) {
		return 0
	}
	var root mat.TriDense
	chol.LTo(&root)
	var white mat.VecDense
	white.MulVec(root.T(), vector(at.Sub(s.points[x.Point])))
	relative := s.sightCov(i, at)
	var half, hidden mat.Dense
	half.Mul(root.T(), mat.NewDense(3, 3, relative[:]))
	hidden.Mul(&half, &root)
	return shown(&white, &hidden)
}

func vector(v geom.Vec) *mat.VecDense { return mat.NewVecDense(3, []float64{v.X, v.Y, v.Z}) }

// sightCov is the covariance of the adjusted body's place against the adjusted point.
func (s *solver) sightCov(i int, at geom.Vec) geom.Mat {
	x := s.Sights[i]
	b, p := s.index[x.Body], s.pointIndex[x.Point]
	arm := at.Sub(s.middle)
	lever := geom.Skew(arm).Scale(-1)
	var m geom.Mat
	if b >= 0 {
		m = s.block(b, b).At(arm)
	}
	if p >= 0 {
		m = m.Add(s.block3(p, p))
	}
	if b >= 0 && p >= 0 {
		cross := lever.Mul(s.block3(b, p)).Add(s.block3(b+3, p))
		m = m.Add(cross.Add(cross.T()).Scale(-1))
	}
	return m
}

// block and block3 return pieces of the unknowns' covariance.
func (s *solver) block(row, col int) (m fit.Mat6) {
	for k := range m {
		m[k] = s.cov.At(row+k/6, col+k%6)
	}
	return m
}

func (s *solver) block3(row, col int) (m geom.Mat) {
	for k := range m {
		m[k] = s.cov.At(row+k/3, col+k%3)
	}
	return m
}

// placeBySights places a body that no tie does on the known points that it saw, and
// reports whether there was one. It takes three that are not on one line.
func (s *solver) placeBySights() bool {
	for b := range s.Bodies {
		if s.linked[b] {
			continue
		}
		var from, to []geom.Vec
		for i, x := range s.Sights {
			if x.Body == b && s.seen[i] {
				from, to = append(from, x.At), append(to, s.Known.Points[x.Point])
			}
		}
		if !isSpread(from) {
			continue
		}
		if pose, _, err := fit.Rigid(from, to, nil); err == nil {
			s.poses[b], s.linked[b] = pose, true
			return true
		}
	}
	return false
}

// isSpread reports whether points hold a body: three that lie off one line by a
// hundredth of its length.
func isSpread(points []geom.Vec) bool {
	if len(points) < 3 {
		return false
	}
	var middle geom.Vec
	for _, p := range points {
		middle = middle.AddScaled(1/float64(len(points)), p)
	}
	var spread geom.Mat
	for _, p := range points {
		spread = spread.Add(geom.Outer(p.Sub(middle), p.Sub(middle)))
	}
	values, _ := geom.Eigen(spread)
	return values.Y > 1e-4*values.Z
}

// dropLostSights leaves out the sights of bodies that nothing holds.
func (s *solver) dropLostSights() {
	for i, x := range s.Sights {
		s.seen[i] = s.seen[i] && s.linked[x.Body]
	}
}
