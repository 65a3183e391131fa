package mount

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// motion returns the covariance of a random rigid motion's doubt and its turn's.
func motion(random *rand.Rand, center geom.Vec) (cov func(geom.Vec) geom.Mat, turn geom.Mat) {
	var root, m fit.Mat6
	for i := range root {
		root[i] = random.NormFloat64()
		if i/6 < 3 {
			root[i] *= 1e-4
		}
	}
	for i := range 6 {
		for j := range 6 {
			for k := range 6 {
				m[6*i+j] += root[6*i+k] * root[6*j+k]
			}
		}
	}
	return func(p geom.Vec) geom.Mat { return m.At(p.Sub(center)) }, m.Block(0, 0)
}

// What a rigid motion adds to a difference is [d]×·T·[d]×ᵀ wherever the two places
// are, and its turn's covariance comes back.
func TestDifferenceOfSharedDoubt(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	for range 20 {
		cov, turn := motion(random, geom.Vec{X: 300, Y: -200, Z: 100})
		a, b := geom.Vec{X: 1000 * random.NormFloat64(), Y: 500}, geom.Vec{X: 20, Y: 800 * random.NormFloat64(), Z: 700}
		want := geom.Skew(b.Sub(a)).Congruent(turn)
		got := difference(cov, a, b)
		for i := range want {
			if math.Abs(got[i]-want[i]) > 1e-9*(1+want.Trace()) {
				t.Fatalf("difference %v, want %v", got, want)
			}
		}
		back := turning(cov, a)
		for i := range turn {
			if math.Abs(back[i]-turn[i]) > 1e-6*turn.Trace() {
				t.Fatalf("turn %v, want %v", back, turn)
			}
		}
	}
}

// Two mounts of one instrument share its motion: their distance is surer than their
// places. Seen by two instruments only the datum is shared.
func TestSharedErrorsCancel(t *testing.T) {
	random := rand.New(rand.NewPCG(6, 6))
	datum, _ := motion(random, geom.Vec{})
	own, _ := motion(random, geom.Vec{X: 500})
	both := func(p geom.Vec) geom.Mat { return datum(p).Add(own(p)) }
	fit1 := geom.Diag(1e-4, 1e-4, 1e-4)
	result := func(name, instrument string, at geom.Vec) Result {
		return Result{Name: name, Found: true, Instrument: instrument, Center: at, Axis: geom.Vec{Z: 1}, FitCov: fit1, Cov: fit1.Add(both(at))}
	}
	seen := []Seen{{Instrument: "hand", FrameCov: both, DatumCov: datum, Rigid: true}, {Instrument: "tripod", FrameCov: both, DatumCov: datum}}
	a, b := result("a", "hand", geom.Vec{X: 100}), result("b", "hand", geom.Vec{X: 300, Y: 50})
	one := Pitches([]Result{a, {Name: "lost"}, b}, seen)
	if len(one) != 1 || one[0].A != "a" || one[0].B != "b" || math.Abs(one[0].Distance-math.Hypot(200, 50)) > 1e-9 {
		t.Fatalf("%+v", one)
	}
	naive := math.Sqrt(a.Cov.Trace() + b.Cov.Trace())
	if s := one[0].Sigma; s > 0.1*naive || s < math.Sqrt(2e-4) {
		t.Errorf("sigma %.4f mm, places alone would give %.4f and the fits %.4f", s, naive, math.Sqrt(2e-4))
	}
	b.Instrument = "tripod"
	two := Pitches([]Result{a, b}, seen)[0]
	if two.Sigma < one[0].Sigma {
		t.Errorf("two instruments %.4f mm, one %.4f", two.Sigma, one[0].Sigma)
	}
}

// Simulated: two places under one motion with errors of their own; the distance's
// 95 % interval holds the truth in 94 to 96 % of 10,000.
func TestPitchIntervals(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	const n, turnSigma, fitSigma = 10000, 3e-4, 0.03
	a, b := geom.Vec{X: 900, Y: 100, Z: 50}, geom.Vec{X: 200, Y: -400, Z: 80}
	rigid := func(p geom.Vec) geom.Mat {
		return geom.Skew(p).Congruent(geom.Diag(turnSigma*turnSigma, turnSigma*turnSigma, turnSigma*turnSigma)).Add(geom.Diag(0.01, 0.01, 0.01))
	}
	seen := []Seen{{Instrument: "hand", FrameCov: rigid, Rigid: true}}
	normal := func(s float64) geom.Vec {
		return geom.Vec{X: s * random.NormFloat64(), Y: s * random.NormFloat64(), Z: s * random.NormFloat64()}
	}
	inside := 0
	for range n {
		pose := geom.Pose{R: geom.RotVec(normal(turnSigma)), T: normal(0.1)}
		make := func(name string, p geom.Vec) Result {
			return Result{Name: name, Found: true, Instrument: "hand", Center: pose.Apply(p).Add(normal(fitSigma)), Axis: geom.Vec{Z: 1}, FitCov: geom.Diag(fitSigma*fitSigma, fitSigma*fitSigma, fitSigma*fitSigma)}
		}
		p := Pitches([]Result{make("a", a), make("b", b)}, seen)[0]
		if math.Abs(p.Distance-a.Dist(b)) <= sided95*p.Sigma {
			inside++
		}
	}
	if share := float64(inside) / n; share < 0.94 || share > 0.96 {
		t.Errorf("%.2f %% of the intervals hold the distance", 100*share)
	}
}

// ISO 1101 (CV-10.4): the zone is twice the distance from the nominal axis.
func TestPositionZone(t *testing.T) {
	cases := []struct {
		off   geom.Vec
		want  float64
		sigma float64
		zone  float64
		is    Decision
	}{
		{geom.Vec{X: 0.3, Y: 0.4}, 1.0, 0.01, 1.1, Pass},
		{geom.Vec{X: 0.3, Y: 0.4}, 1.0, 0.01, 1.03, Undecided}, // 1.0 + 0.04 is above 1.03
		{geom.Vec{X: 0.3, Y: 0.4}, 1.0, 0.01, 0.97, Undecided},
		{geom.Vec{X: 0.3, Y: 0.4}, 1.0, 0.01, 0.95, Fail},
		{geom.Vec{X: 0.1}, 0.2, 0, 0.2, Pass},
		{geom.Vec{X: 0.1, Z: 5}, 0.2, 0, 0.2, Pass}, // along the axis does not count
		{geom.Vec{}, 0, 0.1, 0.3, Undecided},
	}
	for _, c := range cases {
		s2 := c.sigma * c.sigma
		p := positionOf(c.off, geom.Vec{}, geom.Vec{Z: 1}, geom.Diag(s2, s2, 4), c.zone)
		if math.Abs(p.Deviation-c.want) > 1e-12 || math.Abs(p.Sigma-2*c.sigma) > 1e-12 || p.Decision != c.is {
			t.Errorf("%v in a zone of %g mm: %+v, want %g and %s", c.off, c.zone, p, c.want, c.is)
		}
	}
}

// The angle between two axes, and its uncertainty by simulation.
func TestAxisAngles(t *testing.T) {
	random := rand.New(rand.NewPCG(8, 8))
	const s = 1e-3
	b := geom.Vec{X: math.Sin(0.3), Z: math.Cos(0.3)}
	cov := func(n geom.Vec) geom.Mat {
		return geom.Identity().Add(geom.Outer(n, n).Scale(-1)).Scale(s * s)
	}
	a := geom.Vec{Z: 1}
	var sum, sum2, sigma float64
	const n = 2000
	for range n {
		tilt := func(v geom.Vec) geom.Vec {
			return v.Add(geom.Vec{X: s * random.NormFloat64(), Y: s * random.NormFloat64(), Z: s * random.NormFloat64()}).Unit()
		}
		p := pitchOf(&Result{Axis: tilt(a), AxisCov: cov(a)}, &Result{Axis: tilt(b).Scale(-1), AxisCov: cov(b)}, nil)
		e := p.Angle - 0.3*180/math.Pi
		sum, sum2, sigma = sum+e/n, sum2+e*e/n, sigma+p.SigmaAngle/n
	}
	if math.Abs(sum) > 0.01 || math.Abs(math.Sqrt(sum2)/sigma-1) > 0.05 {
		t.Errorf("angle off by %.4f degrees, rms %.4f, sigma %.4f", sum, math.Sqrt(sum2), sigma)
	}
}
