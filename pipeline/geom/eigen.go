package geom

import "math"

// Eigen returns the eigenvalues of the symmetric matrix m in ascending order and
// the matrix whose columns are the matching unit eigenvectors (right-handed).
// Only the upper triangle is read.
//
// Cyclic Jacobi rotations after Golub & Van Loan, Matrix Computations, §8.5:
// exact to rounding also where eigenvalues coincide, which closed forms are not.
func Eigen(m Mat) (values Vec, vectors Mat) {
	a := Mat{m[0], m[1], m[2], m[1], m[4], m[5], m[2], m[5], m[8]}
	v := Identity()
	for range 32 {
		off := a[1]*a[1] + a[2]*a[2] + a[5]*a[5]
		dia := a[0]*a[0] + a[4]*a[4] + a[8]*a[8]
		if off <= 1e-36*dia || off == 0 {
			break
		}
		jacobi(&a, &v, 0, 1)
		jacobi(&a, &v, 0, 2)
		jacobi(&a, &v, 1, 2)
	}
	return sortEigen(a, v)
}

func jacobi(a, v *Mat, p, q int) {
	apq := a[3*p+q]
	if apq == 0 {
		return
	}
	theta := (a[4*q] - a[4*p]) / (2 * apq)
	t := 1 / (math.Abs(theta) + math.Sqrt(theta*theta+1))
	if theta < 0 {
		t = -t
	}
	c := 1 / math.Sqrt(t*t+1)
	s := t * c
	r := 3 - p - q
	arp, arq := a[3*r+p], a[3*r+q]
	a[4*p] -= t * apq
	a[4*q] += t * apq
	a[3*p+q], a[3*q+p] = 0, 0
	a[3*r+p] = c*arp - s*arq
	a[3*r+q] = s*arp + c*arq
	a[3*p+r], a[3*q+r] = a[3*r+p], a[3*r+q]
	for k := range 3 {
		vp, vq := v[3*k+p], v[3*k+q]
		v[3*k+p] = c*vp - s*vq
		v[3*k+q] = s*vp + c*vq
	}
}

func sortEigen(a, v Mat) (Vec, Mat) {
	w := [3]float64{a[0], a[4], a[8]}
	i := [3]int{0, 1, 2}
	if w[i[0]] > w[i[1]] {
		i[0], i[1] = i[1], i[0]
	}
	if w[i[1]] > w[i[2]] {
		i[1], i[2] = i[2], i[1]
	}
	if w[i[0]] > w[i[1]] {
		i[0], i[1] = i[1], i[0]
	}
	x, y := v.Col(i[0]), v.Col(i[1])
	z := x.Cross(y)
	return Vec{w[i[0]], w[i[1]], w[i[2]]}, Rows(x, y, z).T()
}
