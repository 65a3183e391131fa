package geom

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.15g, want %.15g within %g", what, got, want, tol)
	}
}

func vecs(lim float64) *rapid.Generator[Vec] {
	return rapid.Custom(func(t *rapid.T) Vec {
		f := rapid.Float64Range(-lim, lim)
		return Vec{f.Draw(t, "x"), f.Draw(t, "y"), f.Draw(t, "z")}
	})
}

// CV-1.4: rational rotations whose quaternion and angle are known exactly.
func TestExactRotations(t *testing.T) {
	r3 := math.Sqrt(3)
	cases := []struct {
		name  string
		r     Mat
		q     Quat
		angle float64 // degrees
	}{
		{"60 about (1,1,1)", Mat{2, -1, 2, 2, 2, -1, -1, 2, 2}.Scale(1.0 / 3), Quat{r3 / 2, 1 / (2 * r3), 1 / (2 * r3), 1 / (2 * r3)}, 60},
		{"70.5 about (0,1,1)", Mat{1, -2, 2, 2, 2, 1, -2, 1, 2}.Scale(1.0 / 3), Quat{0.816496580927726, 0, 0.408248290463863, 0.408248290463863}, 70.528779366},
		{"(1,2,3,4)/sqrt 30", Mat{-10, 2, 11, 10, -5, 10, 5, 14, 2}.Scale(1.0 / 15), Quat{1 / math.Sqrt(30), 2 / math.Sqrt(30), 3 / math.Sqrt(30), 4 / math.Sqrt(30)}, 158.960530},
		{"permutation", Mat{0, 0, 1, 1, 0, 0, 0, 1, 0}, Quat{0.5, 0.5, 0.5, 0.5}, 120},
	}
	for _, c := range cases {
		near(t, c.name+" det", c.r.Det(), 1, 1e-14)
		q := QuatOf(c.r)
		for _, d := range []float64{q.W - c.q.W, q.X - c.q.X, q.Y - c.q.Y, q.Z - c.q.Z} {
			near(t, c.name+" quaternion", d, 0, 1e-14)
		}
		near(t, c.name+" angle", Angle(c.r)*180/math.Pi, c.angle, 1e-6)
	}
	for _, c := range cases {
		back := QuatOf(c.r).Mat()
		for i := range back {
			near(t, c.name+" round trip", back[i], c.r[i], 1e-14)
		}
	}
}

func TestRotationVectorRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := vecs(1.8).Draw(t, "w") // an angle below π, where the vector is unique
		if w.Norm() > 3.1 {
			t.Skip()
		}
		r := RotVec(w)
		if d := RotVecOf(r).Sub(w).Norm(); d > 1e-9 {
			t.Fatalf("%v comes back off by %g", w, d)
		}
		if d := math.Abs(r.Det() - 1); d > 1e-12 {
			t.Fatalf("determinant off by %g", d)
		}
	})
}

func TestSmallRotationKeepsItsDigits(t *testing.T) {
	for _, a := range []float64{1e-12, 1e-6, 1e-4, 0.9e-4, 1.1e-4, 1e-2} {
		r := RotVec(Vec{X: a})
		near(t, "sine", r[7], math.Sin(a), 1e-16+1e-15*a)
		near(t, "cosine", r[8], math.Cos(a), 1e-15)
	}
}

func TestPoseAlgebra(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Pose{RotVec(vecs(3).Draw(t, "turn p")), vecs(1e4).Draw(t, "move p")}
		q := Pose{RotVec(vecs(3).Draw(t, "turn q")), vecs(1e4).Draw(t, "move q")}
		x := vecs(1e4).Draw(t, "x")
		if d := p.After(q).Apply(x).Dist(p.Apply(q.Apply(x))); d > 1e-8 {
			t.Fatalf("After is off by %g", d)
		}
		if d := p.Inverse().Apply(p.Apply(x)).Dist(x); d > 1e-8 {
			t.Fatalf("Inverse is off by %g", d)
		}
	})
}

func TestEigen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := vecs(10).Draw(t, "a"), vecs(10).Draw(t, "b")
		m := Outer(a, a).Add(Outer(b, b)).Add(Diag(1, 2, 3))
		values, vectors := Eigen(m)
		if values.X > values.Y || values.Y > values.Z {
			t.Fatalf("not in order: %v", values)
		}
		for k := range 3 {
			v := vectors.Col(k)
			if d := m.MulVec(v).Sub(v.Scale(values.At(k))).Norm(); d > 1e-9*(1+values.Z) {
				t.Fatalf("eigenvector %d is off by %g", k, d)
			}
		}
		if d := vectors.Det() - 1; math.Abs(d) > 1e-9 {
			t.Fatalf("not right-handed: %g", d)
		}
	})
}

func TestEigenOfEqualValues(t *testing.T) {
	values, vectors := Eigen(Diag(4, 4, 4))
	if values != (Vec{4, 4, 4}) || math.Abs(vectors.Det()-1) > 1e-15 {
		t.Errorf("got %v, %v", values, vectors)
	}
}

func TestInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := Outer(vecs(3).Draw(t, "a"), vecs(3).Draw(t, "b")).Add(Diag(20, 21, 22))
		inv, ok := m.Inv()
		if !ok {
			t.Fatal("no inverse")
		}
		p := m.Mul(inv)
		for i, want := range Identity() {
			if math.Abs(p[i]-want) > 1e-9 {
				t.Fatalf("m·m⁻¹ = %v", p)
			}
		}
	})
	if _, ok := (Mat{1, 2, 3, 2, 4, 6, 0, 0, 1}).Inv(); ok {
		t.Error("inverted a singular matrix")
	}
}

func TestIsFinite(t *testing.T) {
	for _, v := range []Vec{{math.NaN(), 0, 0}, {0, math.Inf(1), 0}, {math.Inf(1), math.Inf(-1), 0}} {
		if v.IsFinite() {
			t.Errorf("%v counts as finite", v)
		}
	}
	if !(Vec{1e300, -1e300, 0}).IsFinite() {
		t.Error("a large vector counts as not finite")
	}
}

func TestBox(t *testing.T) {
	b := EmptyBox()
	if !b.IsEmpty() || b.Contains(Vec{}) {
		t.Error("the empty box holds something")
	}
	b = b.Extend(Vec{1, 2, 3}).Extend(Vec{-1, 5, 0})
	if b.Min != (Vec{-1, 2, 0}) || b.Max != (Vec{1, 5, 3}) || b.Center() != (Vec{0, 3.5, 1.5}) {
		t.Errorf("got %v", b)
	}
	if c := b.Corners(); c[0] != b.Min || c[7] != b.Max || c[1] != (Vec{-1, 2, 3}) {
		t.Errorf("corners %v", c)
	}
	if !b.Contains(b.Max) || b.Contains(Vec{1.1, 3, 1}) {
		t.Error("wrong about what is inside")
	}
}

func TestPerpendicular(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := vecs(5).Draw(t, "v")
		if v.Norm() < 1e-6 {
			t.Skip()
		}
		p := v.Perpendicular()
		if math.Abs(p.Norm()-1) > 1e-12 || math.Abs(p.Dot(v)) > 1e-9 {
			t.Fatalf("%v is not a unit vector across %v", p, v)
		}
	})
}
