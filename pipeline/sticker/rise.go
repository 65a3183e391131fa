package sticker

import (
	"math"

	"trammel/pipeline/geom"
)

// rise is how far the middle of a place stands above the surface around it.
type rise struct {
	ok            bool
	center        geom.Vec
	u, v, n       geom.Vec // frame of the place
	height, sigma float64  // of the middle, mm
	noise         float64  // of a point about the surface around, mm
	fit           [6]float64
	density       float64 // points a mm² around
	around        float64 // points that the fit rests on
}

// flat is a point in the frame of a place, and how many points stand behind it.
type flat struct{ x, y, h, w float64 }

// sectors around a place must hold points for its surface to be known on all sides;
// two may be empty.
const (
	sectors     = 12
	mostMissing = 2
)

// measure fits the surface around a place. near is scratch, handed back.
func (s *search) measure(f *field, at, normal geom.Vec, near []flat) (rise, []flat) {
	r := rise{center: at, n: normal.Unit()}
	r.u = r.n.Perpendicular()
	r.v = r.n.Cross(r.u)
	near = f.gather(&r, outside*s.radius, s.radius, near)
	inner, outer := inside*s.radius, outside*s.radius
	var seen [sectors]bool
	points := 0.0
	for _, q := range near {
		if d := math.Hypot(q.x, q.y); d >= inner {
			points += q.w
			seen[min(sectors-1, int((math.Atan2(q.y, q.x)/(2*math.Pi)+0.5)*sectors))] = true
		}
	}
	missing := 0
	for _, is := range seen {
		if !is {
			missing++
		}
	}
	if points < leastAround || missing > mostMissing || !r.paraboloid(near, inner, s.radius) {
		return r, near
	}
	r.density = points / (math.Pi * (outer*outer - inner*inner))
	var sum, n float64
	for _, q := range near {
		if math.Hypot(q.x, q.y) < 0.7*s.radius {
			sum += q.w * r.above(q, s.radius)
			n += q.w
		}
	}
	if n < leastInner {
		return r, near
	}
	r.height = sum / n
	r.sigma = r.noise * math.Sqrt(1/n+6/r.around)
	r.ok = true
	return r, near
}

// leastCos keeps the other side of a thin plate out: normals within 45 degrees.
const leastCos = 0.7

// gather lists the points of the same side within reach of a place along the skin, and up
// to high above or below it: steps of more belong to other parts.
func (f *field) gather(r *rise, reach, high float64, near []flat) []flat {
	near = near[:0]
	reach2 := reach * reach
	f.grid.around(r.center, func(list []int32) {
		for _, i := range list {
			d := f.cloud.At(int(i)).Sub(r.center)
			if d.Norm2() > reach2+high*high {
				continue
			}
			x, y, h := d.Dot(r.u), d.Dot(r.v), d.Dot(r.n)
			if x*x+y*y <= reach2 && math.Abs(h) < high && f.cloud.Normal(int(i)).Dot(r.n) > leastCos {
				near = append(near, flat{x, y, h, f.weight[i]})
			}
		}
	})
	return near
}

func terms(q flat, radius float64) [6]float64 {
	x, y := q.x/radius, q.y/radius
	return [6]float64{1, x, y, x * x, x * y, y * y}
}

// paraboloid fits the points beyond the inner radius, and drops once what lies beyond
// three standard deviations: a neighbouring disc, dirt.
func (r *rise) paraboloid(near []flat, inner, radius float64) bool {
	cut := math.Inf(1)
	for range 2 {
		var e equations
		for _, q := range near {
			if q.x*q.x+q.y*q.y >= inner*inner && (math.IsInf(cut, 1) || math.Abs(r.above(q, radius))*math.Sqrt(q.w) <= cut) {
				e.add(terms(q, radius), q.h, q.w)
			}
		}
		fit, ok := e.solve()
		if !ok || e.weight < leastAround || e.count <= 6 {
			return false
		}
		ssr := 0.0
		old := r.fit
		r.fit, r.around = fit, e.weight
		for _, q := range near {
			if q.x*q.x+q.y*q.y < inner*inner {
				continue
			}
			was := rise{fit: old}
			if math.IsInf(cut, 1) || math.Abs(was.above(q, radius))*math.Sqrt(q.w) <= cut {
				d := r.above(q, radius)
				ssr += q.w * d * d
			}
		}
		r.noise = math.Sqrt(ssr / (e.count - 6))
		cut = 3 * r.noise
	}
	return true
}

// above is the height of a point over the fitted surface.
func (r *rise) above(q flat, radius float64) float64 {
	t := terms(q, radius)
	sum := q.h
	for i, x := range t {
		sum -= r.fit[i] * x
	}
	return sum
}

const (
	settleSteps = 4
	// An edge: just outside the disc the skin must be back to a quarter of its height.
	mostOutside = 0.25
	// roundest is the largest ratio of the axes of what is raised.
	roundest = 1.4
	// flattest is the largest scatter on the disc, in standard deviations of the skin's.
	flattest = 1.8
)

// settle moves to the middle of what is raised and measures it; ok is false for what is
// no disc.
func (s *search) settle(r rise, near []flat) (Disc, []flat, bool) {
	for range settleSteps {
		x, y, n := 0.0, 0.0, 0.0
		near = s.fine.gather(&r, outside*s.radius, s.radius, near)
		for _, q := range near {
			if math.Hypot(q.x, q.y) < inside*s.radius && r.above(q, s.radius) > r.height/2 {
				x, y, n = x+q.x, y+q.y, n+1
			}
		}
		if n < leastPoints {
			return Disc{}, near, false
		}
		next := r.center.AddScaled(x/n, r.u).AddScaled(y/n, r.v)
		r, near = s.measure(s.fine, next, r.n, near)
		if !r.ok || r.height < lowest || r.height < clear*r.sigma {
			return Disc{}, near, false
		}
	}
	near = s.fine.gather(&r, outside*s.radius, s.radius, near)
	d := Disc{Normal: r.n, Height: r.height, Sigma: r.sigma}
	d.Center = r.center.AddScaled(r.fit[0], r.n)
	d.Spacing, d.Skin = 1/math.Sqrt(r.density), Skin{At: d.Center, U: r.u, N: r.n, Unit: s.radius, Fit: r.fit}
	d.Skin.Fit[0] = 0
	ok := s.shape(&d, &r, near)
	return d, near, ok
}

// shape measures the disc's diameter and says whether it is round, flat and edged.
func (s *search) shape(d *Disc, r *rise, near []flat) bool {
	half := r.height / 2
	var count float64
	var m [3]float64
	for _, q := range near {
		if math.Hypot(q.x, q.y) < 1.6*s.radius && r.above(q, s.radius) > half {
			count++
			m[0], m[1], m[2] = m[0]+q.x*q.x, m[1]+q.x*q.y, m[2]+q.y*q.y
		}
	}
	// Noise lifts some of the skin above half the height, and sinks some of the disc below it; at six sigma neither
	// counts.
	d.Points, d.Diameter = int(count), 2*math.Sqrt(count/r.density/math.Pi)
	mean, spread := (m[0]+m[2])/2, math.Hypot((m[0]-m[2])/2, m[1])
	if mean <= spread || math.Sqrt((mean+spread)/(mean-spread)) > roundest {
		return false
	}
	radius := d.Diameter / 2
	var in, in2, nIn, out, nOut float64
	for _, q := range near {
		e := r.above(q, s.radius)
		switch at := math.Hypot(q.x, q.y); {
		case at < 0.8*radius:
			in, in2, nIn = in+e, in2+e*e, nIn+1
		case at > 1.2*radius && at < 1.6*radius:
			out, nOut = out+e, nOut+1
		}
	}
	if nIn < leastInner || nOut < leastPoints/2 {
		return false
	}
	in, out = in/nIn, out/nOut
	scatter := math.Sqrt(math.Max(0, in2/nIn-in*in))
	d.Height = in
	return out < mostOutside*in && scatter < flattest*math.Max(r.noise, in/4)
}
