package sphere

import (
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
)

// A capFit is a sphere fitted to rays. The residual of a ray is its range minus
// the range at which its direction meets the sphere. The direction of a ray is
// known far better than its range, so selecting by direction and measuring along
// it is free of the two biases of a fit of distances from the centre: grazing
// points that noise has pushed outwards, and points that noise moves over the
// border of the cap.
type capFit struct {
	center geom.Vec
	radius float64
	deg    float64 // the largest incidence used, in degrees
	sine   float64 // of deg
	scale  float64 // noise along the ray at normal incidence, estimated
	used   []int   // indices of the rays used
	cov    geom.Mat
	sizes  []float64 // scratch of solve
}

// grazing is the share of the range noise that acts across the ray: beam width
// and angular noise make a range uncertain by it times the tangent of the
// incidence. Half lets rays at 75° count a fifth of those at normal incidence;
// 1 would be the plain fit of distances, 0 trusts directions without limit.
const grazing = 0.5

// The cap is fitted up to 60° of incidence, where all published procedures agree
// that points are sound (ASTM E3125-17 uses a cone of 120°), then up to at most
// 75° in rings of 5° as long as each ring behaves as the rings within.
const (
	innerDeg = 60
	outerDeg = 75
	ringDeg  = 5
)

// residual returns the residual of a ray, the tangent of its incidence and the
// derivative of the residual by the centre; that by the radius is 1/cos.
func residual(r ray, c geom.Vec, radius float64) (e, tangent float64, slope geom.Vec) {
	t := r.dir.Dot(c)
	side := c.AddScaled(-t, r.dir)
	b2 := side.Norm2()
	h := math.Sqrt(max(radius*radius-b2, radius*radius/400)) // never flatter than 87°, so that a far start stays finite
	return r.dist - t + h, math.Sqrt(b2) / h, side.Scale(-1 / h).Sub(r.dir)
}

// weigh returns the divisor that brings residuals of all incidences to one noise.
func weigh(tangent float64) float64 { return math.Sqrt(1 + grazing*grazing*tangent*tangent) }

// fitCap fits a sphere of the given radius from a start within a third of a
// radius of its centre. ok is false when the rays hold no sphere there.
func fitCap(start geom.Vec, rays []ray, radius float64) (f capFit, ok bool) {
	f = capFit{center: start, radius: radius, deg: innerDeg, sine: math.Sin(innerDeg * math.Pi / 180), scale: radius / 10}
	for pass := range 20 {
		before := f.center
		if !f.selectRays(rays) || !f.solve(rays) {
			return f, false
		}
		if pass > 2 && f.center.Dist(before) < 1e-9*radius {
			break
		}
	}
	f.grow(rays)
	for range 3 {
		if !f.selectRays(rays) || !f.solve(rays) {
			return f, false
		}
	}
	f.measure(rays)
	return f, f.center.IsFinite()
}

// selectRays takes the rays whose direction passes the centre within the cap and
// whose residual is within three times the noise.
func (f *capFit) selectRays(rays []ray) bool {
	limit := f.sine * f.radius
	f.used = f.used[:0]
	for i, r := range rays {
		t := r.dir.Dot(f.center)
		if f.center.AddScaled(-t, r.dir).Norm2() > limit*limit {
			continue
		}
		e, tangent, _ := residual(r, f.center, f.radius)
		if math.Abs(e) <= 3*f.scale*weigh(tangent) {
			f.used = append(f.used, i)
		}
	}
	return len(f.used) >= pointsOnSphere*2/3
}

// solve takes one Gauss–Newton step and updates the noise: by the median of the
// absolute residuals, which rods and edges do not move. Passes repeat it until
// the centre stands still, so that one step each is enough.
func (f *capFit) solve(rays []ray) bool {
	var a geom.Mat
	var g geom.Vec
	sizes := f.sizes[:0]
	for _, i := range f.used {
		e, tangent, slope := residual(rays[i], f.center, f.radius)
		w := weigh(tangent)
		a = a.Add(geom.Outer(slope, slope).Scale(1 / (w * w)))
		g = g.AddScaled(e/(w*w), slope)
		sizes = append(sizes, math.Abs(e)/w)
	}
	inv, ok := a.Inv()
	if !ok {
		return false
	}
	step := inv.MulVec(g).Scale(-1)
	if !(step.Norm() < f.radius) {
		return false
	}
	f.center = f.center.Add(step)
	f.sizes = sizes
	slices.Sort(sizes)
	// 1.4826 turns the median absolute deviation of normal noise into its sigma. It may fall to a third at
	// once at most: the first passes still carry the error of the start.
	f.scale = max(1.4826*sizes[len(sizes)/2], f.scale/3, 1e-7*f.radius)
	return true
}

// model is the residuals of the used rays by the shift of the centre and the
// change of the radius. Weights stay those of the present centre.
func (f *capFit) model(rays []ray) fit.Model {
	return func(x []float64, s *fit.Sum) {
		c := f.center.Add(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		for _, i := range f.used {
			_, tangent, _ := residual(rays[i], f.center, f.radius)
			w := 1 / weigh(tangent)
			e, tangent, slope := residual(rays[i], c, f.radius+x[3])
			s.Add(w*e, w*slope.X, w*slope.Y, w*slope.Z, w*math.Hypot(1, tangent))
		}
	}
}

// grow widens the cap ring by ring while the ring's mean residual is within its
// noise and its scatter at most half more than that of the cap within: mixed
// pixels and the bias of grazing returns show in both.
func (f *capFit) grow(rays []ray) {
	for deg := float64(innerDeg + ringDeg); deg <= outerDeg; deg += ringDeg {
		sine := math.Sin(deg * math.Pi / 180)
		var sum, squares float64
		n := 0
		for _, r := range rays {
			t := r.dir.Dot(f.center)
			b := f.center.AddScaled(-t, r.dir).Norm() / f.radius
			if b <= f.sine || b > sine {
				continue
			}
			e, tangent, _ := residual(r, f.center, f.radius)
			if e /= weigh(tangent); math.Abs(e) < 6*f.scale {
				n++
				sum += e
				squares += e * e
			}
		}
		m := sum / float64(n)
		if n < 8 || math.Abs(m) > f.scale*(0.1+2.5/math.Sqrt(float64(n))) || squares/float64(n) > 2.25*f.scale*f.scale {
			return
		}
		f.deg, f.sine = deg, sine
	}
}

// measure sets the noise to the rms of the used residuals and the covariance to
// A⁻¹·B·A⁻¹ with A = Σ jjᵀ and B = Σ e²·jjᵀ over the weighted rows: it rests on
// the noise seen at each ray, not on a model of it (H. White, Econometrica 48,
// 1980). Trimming at three sigma takes 2.7 % of the residuals' variance away, which
// is put back for the noise, as are the degrees of freedom. The centre loses more
// by it: rays that leave the cap as it moves let it follow the others further, so
// that A, the pull back of the rays used, overstates the true one, which is less by
// the share 2kφ(k)/F(k) of what stands at the border, k = 3 (P. J. Huber, Robust
// Statistics, 1981, 3.2, for the asymptotic variance of an M-estimate).
func (f *capFit) measure(rays []ray) {
	var a, b geom.Mat
	var ssr float64
	for _, i := range f.used {
		e, tangent, slope := residual(rays[i], f.center, f.radius)
		w := 1 / weigh(tangent)
		j := geom.Outer(slope, slope).Scale(w * w)
		a, b = a.Add(j), b.Add(j.Scale(w*w*e*e))
		ssr += w * w * e * e
	}
	n := float64(len(f.used))
	inv, _ := a.Inv()
	const (
		trimmed = 0.9733 // 1 − 2kφ(k)/F(k) with F(k) = 0.9973, φ(k) = 0.00443
		pull    = 0.9733 // the same share, of A
	)
	f.cov = inv.Congruent(b).Scale(n / (n - 3) / (pull * pull))
	f.scale = math.Sqrt(ssr / (n - 3) / trimmed)
}

// freeDiameter fits the used rays with the radius free as well, and returns the
// diameter with its standard uncertainty; ok is false where it is not determined.
func (f *capFit) freeDiameter(rays []ray) (diameter, sigma float64, ok bool) {
	sol, err := fit.Solve([]float64{0, 0, 0, 0}, f.model(rays), fit.Options{Damping: 1e-6, Iterations: 50})
	if err != nil {
		return 0, 0, false
	}
	return 2 * (f.radius + sol.X[3]), 2 * f.scale * math.Sqrt(sol.Cofactor(3, 3)), true
}

// incidence returns the mean incidence of the used rays, in degrees.
func (f *capFit) incidence(rays []ray) float64 {
	var sum float64
	for _, i := range f.used {
		_, tangent, _ := residual(rays[i], f.center, f.radius)
		sum += math.Atan(tangent)
	}
	return sum / float64(len(f.used)) * 180 / math.Pi
}
