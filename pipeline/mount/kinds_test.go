package mount

import (
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// stadium is a slot of the simulated part: middle, direction, width, length.
type stadium struct{ x, y, a, w, l float64 }

func (s stadium) gap(x, y float64) float64 {
	return slots().gap([]float64{s.x, s.y, s.a, (s.l - s.w) / 2, s.w / 2})(x, y)
}

// cut takes away what lies inside of a gap.
func (p *part) cut(gap func(x, y float64) float64) {
	var kept []geom.Vec
	for _, q := range p.points {
		if gap(q.X, q.Y) > 0 {
			kept = append(kept, q)
		}
	}
	p.points = kept
}

// slotWall adds the inner side of a slot down to z0.
func (p *part) slotWall(s stadium, z0, density float64) {
	half, r := (s.l-s.w)/2, s.w/2
	around := 4*half + 2*math.Pi*r
	sin, cos := math.Sincos(s.a)
	for range int(around * -z0 * density) {
		d := around * p.random.Float64()
		side := 1.0
		if d > around/2 {
			d, side = d-around/2, -1
		}
		var at, n geom.Vec
		if d < 2*half {
			at, n = geom.Vec{X: half - d, Y: r}, geom.Vec{Y: 1}
		} else {
			t := math.Pi/2 + (d-2*half)/r
			n = geom.Vec{X: math.Cos(t), Y: math.Sin(t)}
			at = n.Scale(r).Add(geom.Vec{X: -half})
		}
		at, n = at.Scale(side), n.Scale(side)
		turn := func(v geom.Vec) geom.Vec { return geom.Vec{X: v.X*cos - v.Y*sin, Y: v.X*sin + v.Y*cos} }
		q := turn(at).Add(geom.Vec{X: s.x, Y: s.y, Z: z0 * p.random.Float64()})
		p.add(q, turn(n))
	}
}

func size(r Result, name string) Size {
	for _, s := range r.Sizes {
		if s.Name == name {
			return s
		}
	}
	return Size{Value: math.NaN()}
}

// in95 counts how often an error lies within 1.96 sigma.
type in95 struct{ n, in int }

func (c *in95) add(e, sigma float64) {
	c.n++
	if math.Abs(e) <= sided95*sigma {
		c.in++
	}
}

// share is in percent.
func (c in95) share() float64 { return 100 * float64(c.in) / float64(max(1, c.n)) }

func TestSlots(t *testing.T) {
	for _, wall := range []bool{false, true} {
		var width, long, x, y, turn in95
		var off, wide float64
		for k := range uint64(4) {
			p := newPart(800+k, 0.05)
			s := stadium{1.5, -0.7, 0.3 + 0.2*float64(k), 13, 30}
			p.plate(35, k%2 == 0)
			p.cut(s.gap)
			if wall {
				p.slotWall(s, -8, 0.3)
			}
			m := wanted(job.Slot, 0, 20, 0, 0)
			m.Width, m.Length = 13, 30
			r := Measure(m, []Seen{p.seen("hand")})
			if !r.Found {
				t.Fatalf("slot %d: %v", k, r.Findings)
			}
			e := home(r).Sub(geom.Vec{X: s.x, Y: s.y})
			sigma := placed.Inverse().R.Congruent(r.Cov).Sigmas()
			x.add(e.X, sigma.X)
			y.add(e.Y, sigma.Y)
			w, l := size(r, "width"), size(r, "length")
			width.add(w.Value-s.w, w.Sigma)
			long.add(l.Value-s.l, l.Sigma)
			along := placed.Inverse().Turn(r.Along)
			a := math.Remainder(math.Atan2(along.Y, along.X)-s.a, math.Pi)
			turn.add(a, r.SigmaAlong)
			off = math.Max(off, math.Hypot(e.X, e.Y))
			wide = math.Max(wide, math.Abs(w.Value-s.w))
			if r.ArcDeg < 350 || wall && len(r.Findings) > 0 {
				t.Errorf("slot %d: %.0f degrees seen, %v", k, r.ArcDeg, r.Findings)
			}
		}
		t.Logf("wall %v: within 95 %%: x %v y %v width %v length %v turn %v; largest error of the centre %.3f, of the width %.3f mm", wall, x, y, width, long, turn, off, wide)
		limit := 0.2
		if wall {
			limit = 0.05
		}
		if off > limit || wide > limit {
			t.Errorf("wall %v: the centre is up to %.3f mm off, the width %.3f mm", wall, off, wide)
		}
		for _, c := range []in95{x, y, width, long, turn} {
			if c.in < c.n-2 {
				t.Errorf("wall %v: %d of %d intervals of 95 %% hold the truth", wall, c.in, c.n)
			}
		}
	}
}

// funnel adds a cone from radius r0 at the face to r1.
func (p *part) funnel(d disc, r0, r1, halfAngle float64) {
	depth := (r0 - r1) / math.Tan(halfAngle)
	for range int(math.Pi * (r0*r0 - r1*r1) / math.Sin(halfAngle)) {
		r := math.Sqrt(r1*r1 + (r0*r0-r1*r1)*p.random.Float64())
		a := 2 * math.Pi * p.random.Float64()
		n := geom.Vec{X: -math.Cos(a) * math.Cos(halfAngle), Y: -math.Sin(a) * math.Cos(halfAngle), Z: math.Sin(halfAngle)}
		p.add(geom.Vec{X: d.x + r*math.Cos(a), Y: d.y + r*math.Sin(a), Z: -depth * (r0 - r) / (r0 - r1)}, n)
	}
}

// A countersink of 90 degrees for M8 and a chamfer of 1 mm on a 13.5 mm hole, with
// and without points on the wall below.
func TestConesAtTheFace(t *testing.T) {
	cases := []struct {
		name         string
		kind         job.Feature
		bore, top    float64
		wall         bool
		limit        float64 // of the bore's diameter, mm
		top2, turn2  float64 // limits of the cone's diameter and angle: a chamfer has a few dozen points
		called, turn string
	}{
		{"countersink and wall", job.Countersink, 9, 17, true, 0.05, 0.15, 6, "cone", "angle"},
		{"countersink alone", job.Countersink, 9, 17, false, 0.35, 0.15, 6, "cone", "angle"},
		{"chamfer and wall", job.Hole, 13.5, 15.5, true, 0.05, 0.7, 50, "chamfer", "chamfer_angle"},
	}
	for _, c := range cases {
		var center, bore, top, turn in95
		for k := range uint64(6) {
			p := newPart(900+k, 0.05)
			d := disc{0.7, -0.4, c.top / 2}
			p.plate(28, k%2 == 0, d)
			p.funnel(d, c.top/2, c.bore/2, math.Pi/4)
			if c.wall {
				depth := (c.top - c.bore) / 2
				p.tubeOf(disc{d.x, d.y, c.bore / 2}, -depth-5, -depth, -1, 0.5)
			}
			r := Measure(wanted(c.kind, c.bore, 20, 0, 0), []Seen{p.seen("hand")})
			if !r.Found {
				t.Fatalf("%s: %v", c.name, r.Findings)
			}
			e := home(r).Sub(geom.Vec{X: d.x, Y: d.y})
			sigma := placed.Inverse().R.Congruent(r.Cov).Sigmas()
			center.add(e.X, sigma.X)
			center.add(e.Y, sigma.Y)
			bore.add(r.Diameter-c.bore, r.SigmaDia)
			w, a := size(r, c.called), size(r, c.turn)
			top.add(w.Value-c.top, w.Sigma)
			turn.add(a.Value-90, a.Sigma)
			if math.Abs(r.Diameter-c.bore) > c.limit || math.Abs(w.Value-c.top) > c.top2 || math.Abs(a.Value-90) > c.turn2 {
				t.Errorf("%s: bore %.3f (%.3f), at the face %.3f (%.3f) mm, %.2f (%.2f) degrees", c.name, r.Diameter, r.SigmaDia, w.Value, w.Sigma, a.Value, a.Sigma)
			}
		}
		t.Logf("%s: within 95 %%: centre %v bore %v cone %v angle %v", c.name, center, bore, top, turn)
		for _, c2 := range []in95{center, bore, top, turn} {
			if c2.in < c2.n*7/10 {
				t.Errorf("%s: %d of %d intervals of 95 %% hold the truth", c.name, c2.in, c2.n)
			}
		}
	}
}

// A plain hole is no countersink, and says so.
func TestNoCone(t *testing.T) {
	p := newPart(31, 0.05)
	h := disc{0, 0, 4.5}
	p.plate(25, true, h)
	p.tubeOf(h, -8, 0, -1, 0.5)
	r := Measure(wanted(job.Countersink, 9, 20, 0, 0), []Seen{p.seen("hand")})
	if r.Found || len(r.Findings) != 1 {
		t.Fatalf("%+v", r)
	}
}

func TestBlindHole(t *testing.T) {
	for _, blind := range []bool{true, false} {
		p := newPart(32, 0.05)
		h := disc{0, 0, 8}
		p.plate(25, true, h)
		p.tubeOf(h, -12, 0, -1, 0.5)
		reach := h.r
		if !blind {
			reach = 25 // a plate behind a through hole, as large as the face
		}
		for range int(math.Pi * reach * reach) {
			a, r := 2*math.Pi*p.random.Float64(), reach*math.Sqrt(p.random.Float64())
			p.add(geom.Vec{X: r * math.Cos(a), Y: r * math.Sin(a), Z: -12}, geom.Vec{Z: 1})
		}
		r := Measure(wanted(job.Hole, 16, 20, 0, 0), []Seen{p.seen("hand")})
		d := size(r, "depth")
		if blind && (math.Abs(d.Value-12) > 0.05 || math.Abs(d.Value-12) > 3*d.Sigma) {
			t.Errorf("depth %.3f mm (sigma %.4f), want 12", d.Value, d.Sigma)
		}
		if !blind && !math.IsNaN(d.Value) {
			t.Errorf("a through hole has a depth of %.3f mm", d.Value)
		}
	}
}

// The basic minor diameters of CV-10.5 (ISO 68-1).
func TestMinorDiameters(t *testing.T) {
	for _, c := range []struct{ d, pitch, want float64 }{{5, 0.8, 4.134}, {6, 1, 4.917}, {8, 1.25, 6.647}, {10, 1.5, 8.376}, {12, 1.75, 10.106}} {
		if got := minorOf(c.d, c.pitch); math.Abs(got-c.want) > 0.0005 {
			t.Errorf("M%g: %.4f, want %.3f", c.d, got, c.want)
		}
	}
	if s := suggestions(8.5, 0.02); len(s) == 0 || s[0].Name != "M10" {
		t.Errorf("8.5 mm: %v, want M10 first", s)
	}
	if s := suggestions(13.5, 0.02); len(s) != 0 && s[0].Name == "M12" {
		t.Errorf("a clearance hole of 13.5 mm looks like %v", s)
	}
}

// A thread M12: crests an eighth of the pitch long at the minor diameter, flanks of
// 60 degrees, roots at the major diameter.
func TestThread(t *testing.T) {
	var minor in95
	for k := range uint64(5) {
		p := newPart(1000+k, 0.05)
		h := disc{0.3, 0.2, minorOf(12, 1.75)/2 + 0.08} // in the middle of its tolerance
		p.plate(25, true, h)
		deep := 6 - h.r
		for range int(2 * math.Pi * h.r * 12) {
			a, f := 2*math.Pi*p.random.Float64(), p.random.Float64()
			r := h.r + deep*math.Max(0, math.Min(1, (math.Abs(2*f-1)-0.25)/0.65)) // flat crests a quarter, flats at the root a tenth
			p.add(geom.Vec{X: h.x + r*math.Cos(a), Y: h.y + r*math.Sin(a), Z: -12 * p.random.Float64()}, geom.Vec{X: math.Cos(a), Y: math.Sin(a)})
		}
		r := Measure(wanted(job.Threaded, 10.2, 20, 0, 0), []Seen{p.seen("hand")})
		if !r.Found {
			t.Fatal(r.Findings)
		}
		minor.add(r.Diameter-2*h.r, r.SigmaDia)
		if e := home(r).Dist(geom.Vec{X: h.x, Y: h.y}); e > 0.12 || math.Abs(r.Diameter-2*h.r) > 0.08 || len(r.Threads) == 0 || r.Threads[0].Name != "M12" {
			t.Errorf("centre %.3f mm off, diameter %.3f, want %.3f; %v", e, r.Diameter, 2*h.r, r.Threads)
		}
	}
	if minor.in < 3 {
		t.Errorf("%d of %d intervals hold the minor diameter", minor.in, minor.n)
	}
}
