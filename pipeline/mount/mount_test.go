package mount

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// part is a simulated plate with what is in or on it, in its own axes: the face
// is z = 0, seen from above, and holes are lists of (x, y, radius).
type part struct {
	random *rand.Rand
	noise  float64
	points []geom.Vec
	turn   float64  // of the lattice, rad
	sight  geom.Vec // direction of the noise of the plate's points; straight down where zero
}

func newPart(seed uint64, noise float64) *part {
	return &part{random: rand.New(rand.NewPCG(seed, 3)), noise: noise, turn: 0.3}
}

func (p *part) add(at, n geom.Vec) {
	p.points = append(p.points, at.AddScaled(p.noise*p.random.NormFloat64(), n))
}

type disc struct{ x, y, r float64 }

// plate adds a square face of 2·half, one point a square millimetre: a lattice
// turned by 0.3 rad with a random start, or random points.
func (p *part) plate(half float64, lattice bool, holes ...disc) {
	up := geom.Vec{Z: 1}
	if p.sight != (geom.Vec{}) {
		up = p.sight
	}
	put := func(x, y float64) {
		for _, h := range holes {
			if math.Hypot(x-h.x, y-h.y) < h.r {
				return
			}
		}
		if math.Abs(x) <= half && math.Abs(y) <= half {
			p.add(geom.Vec{X: x, Y: y}, up)
		}
	}
	if !lattice {
		for range int(4 * half * half) {
			put(half*(2*p.random.Float64()-1), half*(2*p.random.Float64()-1))
		}
		return
	}
	sin, cos := math.Sincos(p.turn)
	u0, v0 := p.random.Float64(), p.random.Float64()
	for u := -1.5*half + u0; u <= 1.5*half; u++ {
		for v := -1.5*half + v0; v <= 1.5*half; v++ {
			put(u*cos-v*sin, u*sin+v*cos)
		}
	}
}

// tube adds the side of an upright cylinder from z0 to z1, one point a square
// millimetre; outward is +1 for a stud and -1 for the wall of a hole.
func (p *part) tube(d disc, z0, z1, outward float64) { p.tubeOf(d, z0, z1, outward, 1) }

// tubeOf is tube with so many points a square millimetre.
func (p *part) tubeOf(d disc, z0, z1, outward, density float64) {
	for range int(2 * math.Pi * d.r * (z1 - z0) * density) {
		a := 2 * math.Pi * p.random.Float64()
		n := geom.Vec{X: math.Cos(a), Y: math.Sin(a)}
		p.add(geom.Vec{X: d.x, Y: d.y, Z: z0 + (z1-z0)*p.random.Float64()}.AddScaled(d.r, n), n.Scale(outward))
	}
}

// placed is a pose far from any axis, as a bracket on a frame has.
var placed = geom.Pose{R: geom.RotVec(geom.Vec{X: 0.4, Y: -0.7, Z: 0.2}), T: geom.Vec{X: 2100, Y: -840, Z: 655}}

func (p *part) seen(name string) Seen {
	s := Seen{Instrument: name, Noise: p.noise}
	for _, q := range p.points {
		s.Points = append(s.Points, placed.Apply(q))
	}
	return s
}

func wanted(f job.Feature, diameter, within float64, offX, offY float64) job.Mount {
	return job.Mount{Name: "left-front", Near: placed.Apply(geom.Vec{X: offX, Y: offY}), Within: within, Expect: f, Diameter: diameter}
}

// home turns a result's centre back into the part's axes.
func home(r Result) geom.Vec { return placed.Inverse().Apply(r.Center) }

// statistics of many measurements of the same thing.
type statistics struct {
	n                          int
	inSigma, center, bias, dia float64
}

func (s *statistics) add(r Result, x, y, diameter float64) {
	e := home(r).Sub(geom.Vec{X: x, Y: y})
	s.n++
	s.center += e.Norm2()
	s.inSigma += e.Norm2() / r.Cov.Trace()
	s.bias += r.Diameter - diameter
	s.dia += (r.Diameter - diameter) * (r.Diameter - diameter) / (r.SigmaDia * r.SigmaDia)
}

func (s *statistics) String() string {
	n := float64(s.n)
	return fmt.Sprintf("centre rms %.3f mm (%.2f sigma), diameter bias %.3f mm (rms %.2f sigma) in %d", math.Sqrt(s.center/n), math.Sqrt(s.inSigma/n), s.bias/n, math.Sqrt(s.dia/n), s.n)
}

// A hole of 13.5 mm, the medium clearance hole of M12 (CV-10.5, ISO 273), seen at
// a spacing of 1 mm with noise of 0.05 mm.
func TestHoles(t *testing.T) {
	const runs, d = 16, 13.5
	cases := []struct {
		name              string
		lattice, wall     bool
		center, bias, sig float64 // limits: rms mm, mean mm, rms in sigmas
	}{
		{"lattice", true, false, 0.07, 0.03, 1.4},
		{"random points", false, false, 0.14, 0.08, 1.4},
		{"lattice and wall", true, true, 0.025, 0.01, 1.4},
		{"random points and wall", false, true, 0.025, 0.01, 1.4},
	}
	for _, c := range cases {
		var s statistics
		for k := range uint64(runs) {
			p := newPart(k, 0.05)
			h := disc{3, -2, d / 2}
			p.plate(35, c.lattice, h)
			if c.wall {
				p.tube(h, -8, 0, -1)
			}
			r := Measure(wanted(job.Hole, d, 20, 0, 0), []Seen{p.seen("tripod")})
			if !r.Found {
				t.Fatalf("%s: %v", c.name, r.Findings)
			}
			s.add(r, h.x, h.y, d)
		}
		n := float64(s.n)
		t.Logf("%s: %v", c.name, &s)
		if math.Sqrt(s.center/n) > c.center || math.Abs(s.bias/n) > c.bias || math.Sqrt(s.inSigma/n) > c.sig || math.Sqrt(s.inSigma/n) < 0.5 || math.Sqrt(s.dia/n) > 1.7 {
			t.Errorf("%s: %v", c.name, &s)
		}
	}
}

func TestWhichOfTwoHoles(t *testing.T) {
	p := newPart(5, 0.05)
	p.plate(45, true, disc{-12, 0, 6.75}, disc{14, 0, 6.75}, disc{0, 20, 4.5})
	cases := []struct {
		name string
		m    job.Mount
		x, y float64
	}{
		{"the nearer of two alike", wanted(job.Hole, 13.5, 30, -5, 0), -12, 0},
		{"the nearer of two alike, other side", wanted(job.Hole, 13.5, 30, 6, 0), 14, 0},
		{"the one of the right size, though farther", wanted(job.Hole, 9, 30, -6, 4), 0, 20},
		{"the nearest where the sheet gives no size", wanted(job.Hole, 0, 30, 1, 15), 0, 20},
	}
	for _, c := range cases {
		r := Measure(c.m, []Seen{p.seen("tripod")})
		if d := home(r).Dist(geom.Vec{X: c.x, Y: c.y}); !r.Found || d > 0.5 {
			t.Errorf("%s: found %v at %v, %v", c.name, r.Found, home(r), r.Findings)
		}
	}
}

// Where only a quarter of the rim has points, the centre hangs on one side: it is
// said to be doubtful, not left as it is.
func TestArcOfNinetyDegrees(t *testing.T) {
	p := newPart(6, 0.05)
	p.plate(35, true, disc{0, 0, 6.75})
	var kept []geom.Vec
	for _, q := range p.points {
		if q.X > math.Abs(q.Y) {
			kept = append(kept, q)
		}
	}
	p.points = kept
	r := Measure(wanted(job.Hole, 13.5, 15, 0, 0), []Seen{p.seen("tripod")})
	if len(r.Findings) != 1 {
		t.Fatalf("found %v, %.0f degrees, findings %v", r.Found, r.ArcDeg, r.Findings)
	}
	if f := r.Findings[0]; r.Found && (f.Code != job.MountUncertain || f.Severity != job.Warn || r.ArcDeg > 150 || !strings.Contains(f.Text, "degrees of the rim of left-front")) {
		t.Errorf("%.0f degrees: %+v", r.ArcDeg, f)
	}
}

func TestMissing(t *testing.T) {
	whole, empty := newPart(7, 0.05), newPart(7, 0.05)
	whole.plate(40, true)
	far := wanted(job.Hole, 13.5, 20, 0, 0)
	far.Near.X += 200
	cases := []struct {
		name string
		m    job.Mount
		seen []Seen
		says []string
	}{
		{"a plate without a hole", wanted(job.Hole, 13.5, 20, 0, 0), []Seen{whole.seen("tripod")}, []string{"No hole of about 13.5 mm", "within 20 mm", "no round gap of the right size", "tripod"}},
		{"200 mm off", far, []Seen{whole.seen("tripod")}, []string{"tripod has 0 points within 47 mm", "at least 40"}},
		{"no points", wanted(job.Hole, 0, 20, 0, 0), []Seen{empty.seen("hand")}, []string{"No hole was found", "hand has 0 points"}},
		{"no instrument", wanted(job.Plane, 0, 20, 0, 0), nil, []string{"No plane", "no instrument has points there"}},
		{"no stud on the plate", wanted(job.Stud, 12, 20, 0, 0), []Seen{whole.seen("tripod")}, []string{"points stand off the face"}},
		{"a kind that is not known", wanted("oval", 12, 20, 0, 0), []Seen{whole.seen("tripod")}, []string{`the kind "oval"`}},
	}
	for _, c := range cases {
		r := Measure(c.m, c.seen)
		if r.Found || len(r.Findings) != 1 || r.Findings[0].Code != job.MountMissing || r.Findings[0].Severity != job.Hold || r.Name != "left-front" {
			t.Errorf("%s: %+v", c.name, r)
			continue
		}
		for _, s := range append(c.says, "To do: scan the place again") {
			if !strings.Contains(r.Findings[0].Text, s) {
				t.Errorf("%s: the text does not say %q: %s", c.name, s, r.Findings[0].Text)
			}
		}
	}
	if r := Lost(far, "its region was not scanned"); r.Found || !strings.Contains(r.Findings[0].Text, "its region was not scanned") {
		t.Errorf("lost: %+v", r)
	}
}

func TestStudsAndBosses(t *testing.T) {
	cases := []struct {
		kind   job.Feature
		d      float64
		height float64
		top    bool
	}{
		{job.Stud, 12, 30, false},
		{job.Boss, 30, 12, true},
	}
	for _, c := range cases {
		var s statistics
		for k := range uint64(15) {
			p := newPart(50+k, 0.05)
			d := disc{2, 1, c.d / 2}
			p.plate(40, true, d)
			p.tube(d, 0.5, c.height, 1)
			if c.top {
				for range int(math.Pi * d.r * d.r) {
					a, r := 2*math.Pi*p.random.Float64(), d.r*math.Sqrt(p.random.Float64())
					p.add(geom.Vec{X: d.x + r*math.Cos(a), Y: d.y + r*math.Sin(a), Z: c.height}, geom.Vec{Z: 1})
				}
			}
			r := Measure(wanted(c.kind, c.d, 25, 0, 0), []Seen{p.seen("hand")})
			if !r.Found {
				t.Fatalf("%s: %v", c.kind, r.Findings)
			}
			if a := math.Abs(r.Axis.Dot(placed.Turn(geom.Vec{Z: 1}))); a < 0.9999 || r.ArcDeg < 300 {
				t.Errorf("%s: axis %.5f, arc %.0f degrees", c.kind, a, r.ArcDeg)
			}
			s.add(r, d.x, d.y, c.d)
		}
		n := float64(s.n)
		t.Logf("%s: %v", c.kind, &s)
		if math.Sqrt(s.center/n) > 0.05 || math.Abs(s.bias/n) > 0.03 || math.Sqrt(s.inSigma/n) > 2 {
			t.Errorf("%s: %v", c.kind, &s)
		}
	}
}

// A pad's centre is the expected place dropped onto the face: here 4 mm.
func TestPad(t *testing.T) {
	p := newPart(8, 0.05)
	p.plate(40, false)
	m := wanted(job.Plane, 0, 25, 0, 0)
	m.Near = placed.Apply(geom.Vec{X: 3, Y: 2, Z: 4})
	r := Measure(m, []Seen{p.seen("tripod")})
	if !r.Found || len(r.Findings) != 0 || r.Kind != job.Plane || r.Diameter != 0 {
		t.Fatalf("%+v", r)
	}
	if d := home(r).Sub(geom.Vec{X: 3, Y: 2}); d.Norm() > 0.02 || math.Abs(r.Deviation.Norm()-4) > 0.02 {
		t.Errorf("off by %v, deviation %v", d, r.Deviation)
	}
	n := placed.Turn(geom.Vec{Z: 1})
	if s := math.Sqrt(r.Cov.MulVec(n).Dot(n)); math.Abs(r.Axis.Dot(n)) < 0.99999 || s > 0.01 {
		t.Errorf("axis %v, sigma across the face %.4f mm", r.Axis, s)
	}
}

// What is not known about the frame counts, and the surer instrument is taken.
func TestSurerInstrumentIsTaken(t *testing.T) {
	p, q := newPart(9, 0.05), newPart(10, 0.05)
	h := disc{0, 0, 6.75}
	p.plate(35, true, h)
	p.tube(h, -8, 0, -1)
	q.plate(35, true, h)
	q.tube(h, -8, 0, -1)
	a, b := p.seen("tripod"), q.seen("hand")
	add := geom.Diag(0.04, 0.09, 0.16)
	b.FrameCov = func(geom.Vec) geom.Mat { return add }
	m := wanted(job.Hole, 13.5, 20, 0, 0)
	if r := Measure(m, []Seen{b, a}); r.Instrument != "tripod" {
		t.Errorf("took %s", r.Instrument)
	}
	with := Measure(m, []Seen{b})
	b.FrameCov = nil
	without := Measure(m, []Seen{b})
	for i := range add {
		if math.Abs(with.Cov[i]-without.Cov[i]-add[i]) > 1e-12 {
			t.Errorf("covariance %v, without the frame's %v", with.Cov, without.Cov)
		}
	}
}

func TestNoiseIsTakenFromResidualsWhereUnknown(t *testing.T) {
	p := newPart(11, 0.05)
	p.plate(35, true, disc{0, 0, 6.75})
	s := p.seen("hand")
	s.Noise = 0
	if r := Measure(wanted(job.Hole, 13.5, 20, 0, 0), []Seen{s}); !r.Found || home(r).Norm() > 0.4 {
		t.Errorf("found %v at %v, %v", r.Found, home(r), r.Findings)
	}
	if got := scatter(s.Points); math.Abs(got-0.05) > 0.015 {
		t.Errorf("scatter %.4f mm, want 0.05", got)
	}
}

func TestSameAnswerTwice(t *testing.T) {
	p := newPart(12, 0.05)
	h := disc{1, 1, 6.75}
	p.plate(35, false, h)
	p.tube(h, -6, 0, -1)
	m := wanted(job.Hole, 13.5, 20, 0, 0)
	a, b := Measure(m, []Seen{p.seen("tripod")}), Measure(m, []Seen{p.seen("tripod")})
	if !reflect.DeepEqual(a, b) {
		t.Errorf("%+v\n%+v", a, b)
	}
}

func TestDegeneratePoints(t *testing.T) {
	nan := math.NaN()
	same, line, bad := make([]geom.Vec, 500), make([]geom.Vec, 500), make([]geom.Vec, 500)
	for i := range same {
		same[i], line[i], bad[i] = geom.Vec{X: 1}, geom.Vec{X: float64(i) / 50}, geom.Vec{X: nan, Y: nan, Z: nan}
	}
	for name, points := range map[string][]geom.Vec{"one place": same, "a line": line, "no numbers": bad} {
		for _, kind := range []job.Feature{job.Hole, job.Slot, job.Countersink, job.Threaded, job.Stud, job.Boss, job.Plane, job.Pattern} {
			for _, noise := range []float64{0, 0.05} {
				m := job.Mount{Name: "m", Within: 20, Expect: kind, Diameter: 9, Holes: 4, Shape: job.OnRectangle}
				for _, r := range MeasureAll([]job.Mount{m}, []Seen{{Instrument: "hand", Points: points, Noise: noise}}) {
					if r.Found {
						t.Errorf("%s: a %s at %v", name, kind, r.Center)
					}
				}
			}
		}
	}
}

// The grades of ISO 286-1 at the diameters of CV-10.5's medium holes.
func TestDiameterTolerance(t *testing.T) {
	for d, want := range map[float64]float64{4.5: 0.18, 6.6: 0.22, 9: 0.22, 13.5: 0.27, 17.5: 0.27, 22: 0.33} {
		if got := DiameterTolerance(d); got != want {
			t.Errorf("%g mm: %g, want %g", d, got, want)
		}
	}
}

// Far away nothing changes: what the shift rounds moves the draws of the ensemble
// by no more than a tenth of a standard uncertainty.
func TestTenKilometresAway(t *testing.T) {
	p := newPart(14, 0.05)
	h := disc{1, 1, 6.75}
	p.plate(30, true, h)
	p.tubeOf(h, -6, 0, -1, 0.3)
	m, s := wanted(job.Hole, 13.5, 20, 0, 0), p.seen("hand")
	here := Measure(m, []Seen{s})
	for _, shift := range []geom.Vec{{X: 1e7}, {Y: -1e7}, {Z: 1e7}, {X: 1e6, Y: 1e6, Z: -1e6}} {
		far := s
		far.Points = nil
		for _, q := range s.Points {
			far.Points = append(far.Points, q.Add(shift))
		}
		moved := m
		moved.Near = m.Near.Add(shift)
		there := Measure(moved, []Seen{far})
		if d := there.Center.Sub(shift).Dist(here.Center); !there.Found || d > 0.1*math.Sqrt(here.Cov.Trace()) || math.Abs(there.Diameter-here.Diameter) > 0.1*here.SigmaDia {
			t.Errorf("%v away: %.5f mm off, diameter %.5f mm instead of %.5f", shift, d, there.Diameter, here.Diameter)
		}
	}
}

func BenchmarkMeasure(b *testing.B) {
	p := newPart(13, 0.05)
	h := disc{1, 1, 6.75}
	p.plate(40, true, h)
	p.tube(h, -6, 0, -1)
	q := newPart(14, 0.05)
	s := stadium{0, 0, 0.4, 13, 30}
	q.plate(40, true)
	q.cut(s.gap)
	q.slotWall(s, -6, 0.5)
	hole, slot, seenHole, seenSlot := wanted(job.Hole, 13.5, 20, 0, 0), wanted(job.Slot, 0, 20, 0, 0), []Seen{p.seen("hand")}, []Seen{q.seen("hand")}
	slot.Width, slot.Length = s.w, s.l
	for _, c := range []struct {
		name string
		m    job.Mount
		seen []Seen
	}{{"hole", hole, seenHole}, {"slot", slot, seenSlot}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if r := Measure(c.m, c.seen); !r.Found {
					b.Fatal(r.Findings)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "mounts/s")
			b.ReportMetric(float64(len(c.seen[0].Points))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}
