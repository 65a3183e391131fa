package mount

import (
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// The ensemble on a density whose answers are known: a correlated normal in two
// parameters, and beside it an exponential one, whose mean is 1.
func TestEnsemble(t *testing.T) {
	const r = 0.6
	p := explore([]float64{3, -2, 1}, []float64{1, 1, 0.5}, fine, func(p []float64) float64 {
		if p[2] < 0 {
			return math.Inf(-1)
		}
		u, v := (p[0]-5)/2, (p[1]+1)/0.1
		return -(u*u-2*r*u*v+v*v)/(2*(1-r*r)) - p[2]
	})
	for i, want := range []float64{5, -1, 1} {
		if s := math.Sqrt(p.cov[i][i]); math.Abs(p.mean[i]-want) > 0.12*s {
			t.Errorf("mean %d is %.4f, want %g within an eighth of %.4f", i, p.mean[i], want, s)
		}
	}
	for i, want := range []float64{2, 0.1} {
		if s := math.Sqrt(p.cov[i][i]); math.Abs(s/want-1) > 0.08 {
			t.Errorf("standard deviation %d is %.4f, want %g", i, s, want)
		}
	}
	if c := p.cov[0][1] / math.Sqrt(p.cov[0][0]*p.cov[1][1]); math.Abs(c-r) > 0.06 {
		t.Errorf("correlation %.3f, want %g", c, r)
	}
	// The central 95 % of an exponential density are ln 39 long.
	if s := math.Sqrt(p.cov[2][2]); math.Abs(2*sided95*s/math.Log(39)-1) > 0.08 {
		t.Errorf("the interval of the exponential is %.3f long, want %.3f", 2*sided95*s, math.Log(39))
	}
}

// The table against the error function of the standard library.
func TestNormalTable(t *testing.T) {
	table := newNormal()
	for z := -9.0; z < 9; z += 0.00317 {
		if d := math.Abs(table.at(z) - below(z)); d > 5e-6 {
			t.Fatalf("at %g the table is %g off", z, d)
		}
	}
	for z, want := range map[float64]float64{math.Inf(-1): 0, math.Inf(1): 1, -1e300: 0, 1e300: 1} {
		if got := table.at(z); got != want {
			t.Errorf("at %g: %g", z, got)
		}
	}
}

// Rows of points foretell where the next one is missing; points without order
// foretell nothing.
func TestForetell(t *testing.T) {
	for _, inRows := range []bool{true, false} {
		p := newPart(21, 0)
		h := disc{0.3, -0.2, 6.75}
		p.plate(20, inRows, h)
		f := &face{}
		for _, q := range p.points {
			f.x, f.y = append(f.x, q.X), append(f.y, q.Y)
		}
		l := f.foretell(func(x, y float64) float64 { return math.Hypot(x-h.x, y-h.y) - h.r }, 1)
		if !inRows {
			if len(l.nodes) != 0 || l.share != 0 {
				t.Errorf("points without order: %d nodes, %.2f foretold", len(l.nodes), l.share)
			}
			continue
		}
		missing, hit := 0, 0.0
		for _, n := range l.nodes {
			hit += n.hit / float64(len(l.nodes))
			g := math.Hypot(n.x-h.x, n.y-h.y) - h.r
			if n.found != (g > 0) {
				t.Errorf("a place %.3f mm outside the rim: found %v", g, n.found)
			}
			if !n.found {
				missing++
			}
		}
		if missing < 25 || hit < 0.97 || l.share < 0.95 {
			t.Errorf("%d places missing, %.3f hit, %.3f foretold", missing, hit, l.share)
		}
	}
}

// Pixels that mix the rim with what is behind lie inside the hole; a scanner that
// drops them leaves the rim's outer side empty instead. Neither may move the
// centre, and with the wall seen neither moves the diameter.
func TestSpoiledRims(t *testing.T) {
	cases := []struct {
		name           string
		spoil          func(p *part, h disc)
		center, dia    float64 // limits, mm
		wall, saysEdge bool
	}{
		{"ten points inside", func(p *part, h disc) {
			for range 10 {
				a, r := 2*math.Pi*p.random.Float64(), h.r*math.Sqrt(p.random.Float64())
				p.add(geom.Vec{X: h.x + r*math.Cos(a), Y: h.y + r*math.Sin(a)}, geom.Vec{Z: 1})
			}
		}, 0.2, 0.25, false, false},
		{"no points within 0.4 mm", func(p *part, h disc) {
			var kept []geom.Vec
			for _, q := range p.points {
				if math.Hypot(q.X-h.x, q.Y-h.y) > h.r+0.4 || math.Abs(q.Z) > 1 {
					kept = append(kept, q)
				}
			}
			p.points = kept
		}, 0.05, 0.03, true, true},
		{"one half without points", func(p *part, h disc) {
			var kept []geom.Vec
			for _, q := range p.points {
				if q.X > h.x-4 {
					kept = append(kept, q)
				}
			}
			p.points = kept
		}, 0.25, 0.4, false, false},
	}
	for _, c := range cases {
		for k := range uint64(6) {
			p := newPart(600+k, 0.05)
			h := disc{1, 2, 6.75}
			p.plate(25, true, h)
			if c.wall {
				p.tubeOf(h, -8, 0, -1, 0.5)
			}
			c.spoil(p, h)
			r := Measure(wanted(job.Hole, 13.5, 20, 0, 0), []Seen{p.seen("hand")})
			if !r.Found {
				t.Errorf("%s: %v", c.name, r.Findings)
				continue
			}
			if e := home(r).Dist(geom.Vec{X: h.x, Y: h.y}); e > c.center || math.Abs(r.Diameter-13.5) > c.dia {
				t.Errorf("%s: centre %.3f mm off, diameter %.3f mm (sigma %.3f)", c.name, e, r.Diameter, r.SigmaDia)
			}
			if c.saysEdge && (len(r.Sizes) != 1 || math.Abs(r.Sizes[0].Value-14.3) > 0.2) {
				t.Errorf("%s: the edge's size is %+v, want about 14.3 mm", c.name, r.Sizes)
			}
		}
	}
}

// A wall that leans half a degree moves neither the centre on the face nor the
// diameter by more than its uncertainty says.
func TestLeaningWall(t *testing.T) {
	var s statistics
	for k := range uint64(20) {
		p := newPart(700+k, 0.05)
		h := disc{0, 0, 6.75}
		p.plate(25, true, h)
		p.tubeOf(h, -10, 0, -1, 0.3)
		for i, q := range p.points {
			if q.Z < -0.5 {
				p.points[i].X += 0.0087 * q.Z
			}
		}
		r := Measure(wanted(job.Hole, 13.5, 20, 0, 0), []Seen{p.seen("hand")})
		if !r.Found {
			t.Fatal(r.Findings)
		}
		s.add(r, 0, 0, 13.5)
	}
	t.Log(&s)
	if n := float64(s.n); math.Sqrt(s.inSigma/n) > 1.4 || math.Sqrt(s.dia/n) > 1.6 || math.Abs(s.bias/n) > 0.03 {
		t.Error(&s)
	}
}
