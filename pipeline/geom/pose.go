package geom

import "math"

// Mat is a 3×3 matrix, row-major.
type Mat [9]float64

// Identity returns the unit matrix.
func Identity() Mat { return Mat{1, 0, 0, 0, 1, 0, 0, 0, 1} }

// Diag returns the diagonal matrix of a, b, c.
func Diag(a, b, c float64) Mat { return Mat{a, 0, 0, 0, b, 0, 0, 0, c} }

// Outer returns the matrix v·wᵀ.
func Outer(v, w Vec) Mat {
	return Mat{v.X * w.X, v.X * w.Y, v.X * w.Z, v.Y * w.X, v.Y * w.Y, v.Y * w.Z, v.Z * w.X, v.Z * w.Y, v.Z * w.Z}
}

// Skew returns the matrix [v]× with [v]×·w = v × w.
func Skew(v Vec) Mat { return Mat{0, -v.Z, v.Y, v.Z, 0, -v.X, -v.Y, v.X, 0} }

// Rows returns the matrix with the rows a, b, c.
func Rows(a, b, c Vec) Mat { return Mat{a.X, a.Y, a.Z, b.X, b.Y, b.Z, c.X, c.Y, c.Z} }

// Row returns row i as a vector.
func (m Mat) Row(i int) Vec { return Vec{m[3*i], m[3*i+1], m[3*i+2]} }

// Col returns column j as a vector.
func (m Mat) Col(j int) Vec { return Vec{m[j], m[3+j], m[6+j]} }

// T returns the transpose.
func (m Mat) T() Mat { return Mat{m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]} }

// MulVec returns m·v.
func (m Mat) MulVec(v Vec) Vec {
	return Vec{m[0]*v.X + m[1]*v.Y + m[2]*v.Z, m[3]*v.X + m[4]*v.Y + m[5]*v.Z, m[6]*v.X + m[7]*v.Y + m[8]*v.Z}
}

// Mul returns m·n.
func (m Mat) Mul(n Mat) Mat {
	var p Mat
	for i := range 3 {
		for j := range 3 {
			p[3*i+j] = m[3*i]*n[j] + m[3*i+1]*n[3+j] + m[3*i+2]*n[6+j]
		}
	}
	return p
}

// Add returns m + n.
func (m Mat) Add(n Mat) Mat {
	for i := range m {
		m[i] += n[i]
	}
	return m
}

// Scale returns s·m.
func (m Mat) Scale(s float64) Mat {
	for i := range m {
		m[i] *= s
	}
	return m
}

// Det returns the determinant.
func (m Mat) Det() float64 { return m.Row(0).Dot(m.Row(1).Cross(m.Row(2))) }

// Trace returns the sum of the diagonal.
func (m Mat) Trace() float64 { return m[0] + m[4] + m[8] }

// Inv returns the inverse and whether the matrix has one: ok is false when the
// determinant is zero or not finite. Ask the condition (Eigen) where a nearly
// singular matrix matters.
func (m Mat) Inv() (inv Mat, ok bool) {
	a, b, c := m.Row(0), m.Row(1), m.Row(2)
	bc, ca, ab := b.Cross(c), c.Cross(a), a.Cross(b)
	d := a.Dot(bc)
	if d == 0 || d-d != 0 {
		return Mat{}, false
	}
	return Mat{bc.X / d, ca.X / d, ab.X / d, bc.Y / d, ca.Y / d, ab.Y / d, bc.Z / d, ca.Z / d, ab.Z / d}, true
}

// Congruent returns m·c·mᵀ, the covariance c carried by the linear map m.
func (m Mat) Congruent(c Mat) Mat { return m.Mul(c).Mul(m.T()) }

// Diagonal returns the diagonal as a vector.
func (m Mat) Diagonal() Vec { return Vec{m[0], m[4], m[8]} }

// Sigmas returns the square roots of the diagonal: the standard uncertainties
// of a covariance matrix. Negative rounding residue counts as zero.
func (m Mat) Sigmas() Vec {
	r := func(x float64) float64 { return math.Sqrt(math.Max(0, x)) }
	return Vec{r(m[0]), r(m[4]), r(m[8])}
}

// RotVec returns the rotation by |w| radians about w (Rodrigues' formula).
func RotVec(w Vec) Mat {
	a2 := w.Norm2()
	var s, c float64 // sin(a)/a and (1-cos(a))/a²
	if a2 < 1e-8 {
		s, c = 1-a2/6, 0.5-a2/24
	} else {
		a := math.Sqrt(a2)
		h := math.Sin(a/2) / a
		s, c = math.Sin(a)/a, 2*h*h
	}
	k := Skew(w)
	return Identity().Add(k.Scale(s)).Add(k.Mul(k).Scale(c))
}

// RotVecOf returns the rotation vector of r, the inverse of RotVec, with an
// angle in [0, π].
func RotVecOf(r Mat) Vec {
	q := QuatOf(r)
	v := Vec{q.X, q.Y, q.Z}
	n := v.Norm()
	if n < 1e-12 {
		return v.Scale(2)
	}
	return v.Scale(2 * math.Atan2(n, q.W) / n)
}

// Angle returns the rotation angle of r in radians, in [0, π].
func Angle(r Mat) float64 { return RotVecOf(r).Norm() }

// Quat is a quaternion with the scalar part first.
type Quat struct{ W, X, Y, Z float64 }

// Mat returns the rotation of the quaternion, which is normalised first; the
// zero quaternion gives the identity.
func (q Quat) Mat() Mat {
	n := math.Sqrt(q.W*q.W + q.X*q.X + q.Y*q.Y + q.Z*q.Z)
	if n == 0 {
		return Identity()
	}
	w, x, y, z := q.W/n, q.X/n, q.Y/n, q.Z/n
	return Mat{
		1 - 2*(y*y+z*z), 2 * (x*y - w*z), 2 * (x*z + w*y),
		2 * (x*y + w*z), 1 - 2*(x*x+z*z), 2 * (y*z - w*x),
		2 * (x*z - w*y), 2 * (y*z + w*x), 1 - 2*(x*x+y*y),
	}
}

// QuatOf returns the unit quaternion of the rotation r with W ≥ 0.
func QuatOf(r Mat) Quat {
	tr := r.Trace()
	var q Quat
	switch {
	case tr > 0:
		s := 2 * math.Sqrt(1+tr)
		q = Quat{s / 4, (r[7] - r[5]) / s, (r[2] - r[6]) / s, (r[3] - r[1]) / s}
	case r[0] > r[4] && r[0] > r[8]:
		s := 2 * math.Sqrt(1+r[0]-r[4]-r[8])
		q = Quat{(r[7] - r[5]) / s, s / 4, (r[1] + r[3]) / s, (r[2] + r[6]) / s}
	case r[4] > r[8]:
		s := 2 * math.Sqrt(1+r[4]-r[0]-r[8])
		q = Quat{(r[2] - r[6]) / s, (r[1] + r[3]) / s, s / 4, (r[5] + r[7]) / s}
	default:
		s := 2 * math.Sqrt(1+r[8]-r[0]-r[4])
		q = Quat{(r[3] - r[1]) / s, (r[2] + r[6]) / s, (r[5] + r[7]) / s, s / 4}
	}
	if q.W < 0 {
		q = Quat{-q.W, -q.X, -q.Y, -q.Z}
	}
	return q
}

// Pose is a rigid motion x' = R·x + T.
type Pose struct {
	R Mat
	T Vec
}

// IdentityPose returns the motion that leaves everything in place.
func IdentityPose() Pose { return Pose{R: Identity()} }

// Apply returns R·p + T.
func (p Pose) Apply(v Vec) Vec { return p.R.MulVec(v).Add(p.T) }

// Turn returns R·v: a direction is turned, not moved.
func (p Pose) Turn(v Vec) Vec { return p.R.MulVec(v) }

// Inverse returns the motion that undoes p.
func (p Pose) Inverse() Pose {
	rt := p.R.T()
	return Pose{R: rt, T: rt.MulVec(p.T).Scale(-1)}
}

// After returns the motion "first q, then p": p.After(q).Apply(x) = p.Apply(q.Apply(x)).
func (p Pose) After(q Pose) Pose { return Pose{R: p.R.Mul(q.R), T: p.Apply(q.T)} }
