package sphere

import (
	"math"
	"math/rand/v2"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// A surface returns the range at which a ray from zero meets it, +Inf if never.
type surface func(d geom.Vec) float64

func plane(n geom.Vec, at float64) surface {
	return func(d geom.Vec) float64 {
		if t := at / n.Dot(d); t > 0 {
			return t
		}
		return math.Inf(1)
	}
}

func ball(c geom.Vec, r float64) surface {
	return func(d geom.Vec) float64 {
		b := d.Dot(c)
		if q := b*b - c.Norm2() + r*r; q > 0 && b > 0 {
			return b - math.Sqrt(q)
		}
		return math.Inf(1)
	}
}

// bowl is the far inner wall of a sphere, cut off at the plane of its centre.
func bowl(c geom.Vec, r float64) surface {
	return func(d geom.Vec) float64 {
		b := d.Dot(c)
		q := b*b - c.Norm2() + r*r
		t := b + math.Sqrt(max(0, q))
		if q > 0 && d.Scale(t).Sub(c).Dot(c) > 0 {
			return t
		}
		return math.Inf(1)
	}
}

// post is a vertical cylinder from z0 to z1, open at its ends.
func post(x, y, r, z0, z1 float64) surface {
	return func(d geom.Vec) float64 {
		a, b := d.X*d.X+d.Y*d.Y, d.X*x+d.Y*y
		q := b*b - a*(x*x+y*y-r*r)
		if q <= 0 {
			return math.Inf(1)
		}
		t := (b - math.Sqrt(q)) / a
		if z := t * d.Z; t > 0 && z > z0 && z < z1 {
			return t
		}
		return math.Inf(1)
	}
}

// window is a part of the view: degrees of azimuth and elevation, radians a step.
type window struct{ az0, az1, el0, el1, step float64 }

// shoot casts the rays of the window against the surfaces. Ranges get noise of
// sigma; with beam > 0, a beam of that angular radius whose four border rays meet
// something else mixes with it, as a real edge does.
func shoot(w window, scene []surface, sigma, beam float64, seed uint64) *scan.Cloud {
	rng := rand.New(rand.NewPCG(seed, 12))
	c := &scan.Cloud{}
	rad := math.Pi / 180
	for az := w.az0 * rad; az < w.az1*rad; az += w.step {
		for el := w.el0 * rad; el < w.el1*rad; el += w.step {
			d := direction(az, el)
			t := nearest(scene, d)
			if beam > 0 && !math.IsInf(t, 1) {
				t = mixed(scene, az, el, t, beam, rng)
			}
			if !math.IsInf(t, 1) {
				c.Append(d.Scale(t + sigma*rng.NormFloat64()))
			}
		}
	}
	return c
}

func direction(az, el float64) geom.Vec {
	s, c := math.Sincos(az)
	h := math.Cos(el)
	return geom.Vec{X: h * c, Y: h * s, Z: math.Sin(el)}
}

func nearest(scene []surface, d geom.Vec) float64 {
	t := math.Inf(1)
	for _, s := range scene {
		t = min(t, s(d))
	}
	return t
}

// mixed averages the ranges over the beam, as far as it meets anything.
func mixed(scene []surface, az, el, t, beam float64, rng *rand.Rand) float64 {
	sum, n := t, 1.0
	for k := range 4 {
		s, c := math.Sincos(float64(k)*math.Pi/2 + rng.Float64())
		if u := nearest(scene, direction(az+beam*c, el+beam*s)); !math.IsInf(u, 1) {
			sum += u
			n++
		}
	}
	return sum / n
}

// stand is a sphere of 145 mm on a 16 mm rod.
func stand(c geom.Vec) []surface {
	return []surface{ball(c, 72.5), post(c.X, c.Y, 8, -1500, c.Z-71.5)}
}

// hall is a room with floor, walls and ceiling, and the given things in it.
func hall(things ...surface) []surface {
	return append([]surface{
		plane(geom.Vec{Z: -1}, 1500), plane(geom.Vec{Z: 1}, 3500),
		plane(geom.Vec{X: 1}, 10000), plane(geom.Vec{X: -1}, 7000), plane(geom.Vec{Y: 1}, 9000), plane(geom.Vec{Y: -1}, 8000),
	}, things...)
}

// decoys are round things that are no reference spheres: a 200 mm ball, a 120 mm
// lamp, a pipe of the spheres' diameter, the same pipe with a round cap, a dome on
// a wall, a bowl, and a thick tank.
func decoys() map[string][]surface {
	return map[string][]surface{
		"a 200 mm ball":              {ball(geom.Vec{X: 4200, Y: 2700, Z: -1400}, 100)},
		"a 120 mm lamp":              {ball(geom.Vec{X: 3500, Y: -3300, Z: 600}, 60)},
		"a pipe of their diameter":   {post(2500, -3300, 72.5, -1500, 900)},
		"a pipe with a round cap":    {post(3000, 800, 72.5, -1500, 200), ball(geom.Vec{X: 3000, Y: 800, Z: 200}, 72.5)},
		"a dome on the wall":         {ball(geom.Vec{X: 10000, Y: -1000, Z: 300}, 72.5)},
		"a bowl":                     {bowl(geom.Vec{X: 5000, Y: -600, Z: 300}, 72.5)},
		"a tank":                     {post(5000, 1000, 300, -1500, 100)},
		"a 160 mm ball on a rod":     {ball(geom.Vec{X: 3800, Y: -600, Z: 600}, 80), post(3800, -600, 8, -1500, 522)},
		"a row of three thin pipes":  {post(2000, 0, 20, -1500, 900), post(2000, 80, 20, -1500, 900), post(2000, 160, 20, -1500, 900)},
		"a box edge that juts at us": {plane(geom.Vec{X: 1, Y: 1}.Unit(), 4000)},
	}
}

func turned(c *scan.Cloud, m geom.Mat, scale float64) *scan.Cloud {
	out := &scan.Cloud{}
	for i := range c.Len() {
		out.Append(m.MulVec(c.At(i)).Scale(scale))
	}
	return out
}

func shuffled(c *scan.Cloud, seed uint64) *scan.Cloud {
	out := &scan.Cloud{Origin: c.Origin}
	for _, i := range rand.New(rand.NewPCG(seed, 9)).Perm(c.Len()) {
		out.X, out.Y, out.Z = append(out.X, c.X[i]), append(out.Y, c.Y[i]), append(out.Z, c.Z[i])
	}
	return out
}
