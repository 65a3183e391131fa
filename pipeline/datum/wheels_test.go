package datum

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// machine has four tyres of two sizes whose lowest points lie in z = 0 of its own frame, a
// mudguard over each, and stands over a floor that is tilted against that plane: its wheels
// stand on blocks.
type machine struct {
	noise, normals float64 // mm, rad
	tilt           float64 // of the floor, rad
	toe            float64 // of the wheels, rad
	pose           geom.Pose
	flat           float64 // how much the tyres are pressed flat, mm
}

var machineWheels = []struct {
	x, y, major, minor float64
}{{1400, 800, 250, 90}, {1400, -800, 250, 90}, {-1300, 850, 310, 120}, {-1300, -850, 310, 120}}

func (m machine) scan(seed uint64) *scan.Cloud {
	random := rand.New(rand.NewPCG(seed, 2))
	c := &scan.Cloud{}
	put := func(p, n geom.Vec) {
		n = n.Add(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}.Scale(m.normals)).Unit()
		p, n = m.pose.Apply(p.AddScaled(m.noise*random.NormFloat64(), n)), m.pose.Turn(n)
		c.Append(p)
		c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
	}
	for i, w := range machineWheels {
		axis := geom.Pose{R: geom.RotVec(geom.Vec{Z: m.toe * float64(1-2*(i%2))}), T: geom.Vec{X: w.x, Y: w.y, Z: w.major + w.minor}}
		for range 3000 {
			a, b := 2*math.Pi*random.Float64(), 2*math.Pi*random.Float64()
			n := geom.Vec{X: math.Cos(b) * math.Sin(a), Y: math.Sin(b), Z: math.Cos(b) * math.Cos(a)}
			p := geom.Vec{X: w.major * math.Sin(a), Z: w.major * math.Cos(a)}.AddScaled(w.minor, n)
			if p.Z < -(w.major + w.minor - m.flat) { // pressed flat
				p.Z = -(w.major + w.minor - m.flat)
			}
			if q := axis.Apply(p); q.Z > 12 { // lower down nobody sees it
				put(q, axis.Turn(n))
			}
			if a > 2 && a < 4 {
				g := geom.Vec{X: (w.major + w.minor + 60) * math.Sin(a+math.Pi), Y: 100 * (random.Float64() - 0.5), Z: (w.major + w.minor + 60) * math.Cos(a+math.Pi)}
				put(axis.Apply(g.Add(geom.Vec{Z: 40})), geom.Vec{X: math.Sin(a + math.Pi), Z: math.Cos(a + math.Pi)})
			}
		}
	}
	floor := geom.Pose{R: geom.RotVec(geom.Vec{Y: m.tilt}), T: geom.Vec{Z: -120}}
	for range 30000 {
		put(floor.Apply(geom.Vec{X: 8000 * (random.Float64() - 0.5), Y: 8000 * (random.Float64() - 0.5)}), floor.Turn(geom.Vec{Z: 1}))
	}
	return c
}

func (m machine) seeds() []Spot {
	var out []Spot
	for _, w := range machineWheels {
		out = append(out, Spot{m.pose.Apply(geom.Vec{X: w.x + 20, Y: w.y - 15, Z: w.major + w.minor + 10}), w.major + w.minor + 120})
	}
	return out
}

// The plane is that of the wheels, not that of a floor that is tilted by a degree and more
// against it.
func TestWheelsHoldTheirPlane(t *testing.T) {
	lean := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.03, Y: -0.02, Z: 1.1}), T: geom.Vec{X: 4000, Y: -7000, Z: -900}}
	cases := []struct {
		name string
		m    machine
	}{
		{"exact", machine{pose: geom.IdentityPose(), tilt: 0.02}},
		{"as scanned", machine{pose: lean, tilt: 0.02, noise: 1, normals: 0.03}},
		{"steeper, wheels not straight", machine{pose: lean, tilt: -0.05, noise: 1, normals: 0.03, toe: 0.03}},
		{"tyres pressed flat", machine{pose: lean, tilt: 0.02, noise: 1, normals: 0.03, flat: 20}},
	}
	for k, c := range cases {
		e, wheels, err := Wheels(c.m.scan(uint64(k)), c.m.seeds(), geom.Vec{Z: 1})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		want := c.m.pose.Turn(geom.Vec{Z: 1})
		turn := math.Acos(min(1, e.Normal.Dot(want))) * 180 / math.Pi
		off := e.Point.Sub(c.m.pose.T).Dot(want)
		t.Logf("%s: off by %.4f° and %.3f mm; sigma %.3f mm of a wheel, rms %.3f mm", c.name, turn, off, wheels[0].Sigma, e.RMS)
		if turn > 0.02 || math.Abs(off) > 0.25 {
			t.Errorf("%s: off by %.4f° and %.3f mm", c.name, turn, off)
		}
		for i, w := range wheels {
			if r := machineWheels[i].major + machineWheels[i].minor; math.Abs(w.Radius-r) > 0.5 || w.Points < leastOnWheel {
				t.Errorf("%s: wheel %d has a radius of %.2f mm, want %.0f (%d points)", c.name, i, w.Radius, r, w.Points)
			}
		}
	}
}

// A thousand times over, a wheel's lowest point keeps to its uncertainty.
func TestWheelsKeepTheirSigma(t *testing.T) {
	runs := 120
	if testing.Short() {
		runs = 20
	}
	var sum float64
	n := 0.0
	for k := range runs {
		m := machine{pose: geom.IdentityPose(), tilt: 0.02, noise: 1, normals: 0.03}
		c := m.scan(uint64(1000 + k))
		for _, s := range m.seeds()[:1] {
			w, err := FindWheel(c, s, geom.Vec{Z: 1})
			if err != nil {
				t.Fatal(err)
			}
			sum, n = sum+w.Contact.Z*w.Contact.Z/(w.Sigma*w.Sigma), n+1
		}
	}
	// Sigma has seven degrees of freedom: the mean of t² is 7/5.
	if got := sum / n; got > 2.2 || got < 0.8 {
		t.Errorf("the mean of (error/sigma)² is %.2f over %.0f wheels, 1.4 is expected", got, n)
	}
}

func TestNoWheels(t *testing.T) {
	m := machine{pose: geom.IdentityPose(), noise: 1, normals: 0.03}
	c := m.scan(1)
	seeds := m.seeds()
	for name, x := range map[string]struct {
		seeds []Spot
		says  string
	}{
		"two wheels":       {seeds[:2], "2 wheels cannot hold a plane"},
		"the bare floor":   {[]Spot{{geom.Vec{Y: 3000, Z: -100}, 500}, seeds[1], seeds[2]}, "wheel 1"},
		"nothing there":    {[]Spot{seeds[0], {geom.Vec{Z: 9000}, 500}, seeds[2]}, "0 points lie within 500 mm"},
		"one wheel thrice": {[]Spot{seeds[0], seeds[0], seeds[0]}, "stand in one line"},
	} {
		if _, _, err := Wheels(c, x.seeds, geom.Vec{Z: 1}); err == nil || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
