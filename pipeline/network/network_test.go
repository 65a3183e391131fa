package network

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, tol)
	}
}

func solve(t testing.TB, st []Station, o Options) Result {
	t.Helper()
	r, err := Solve(context.Background(), st, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func codes(r Result) []string {
	var list []string
	for _, f := range r.Findings {
		list = append(list, string(f.Code)+" "+f.Subject)
	}
	return list
}

func sameCodes(t *testing.T, r Result, want ...string) {
	t.Helper()
	if got := codes(r); !slices.Equal(got, want) {
		t.Errorf("findings %q, want %q", got, want)
		for _, f := range r.Findings {
			t.Log(f.Text)
		}
	}
}

// exact is CV-1.5's cube of eight spheres and three poses. The cube is symmetric,
// so its layout fits itself in 24 ways: the adjustment is entered with the pairs
// known, as the check value states them, through the solver's own steps.
func exact(noise func(k, i int, x geom.Vec) geom.Vec) *solver {
	poses := []geom.Pose{
		geom.IdentityPose(),
		{R: geom.Mat{2, -1, 2, 2, 2, -1, -1, 2, 2}.Scale(1.0 / 3), T: geom.Vec{X: 4000, Y: -300, Z: 50}},
		{R: geom.Mat{1, -2, 2, 2, 2, 1, -2, 1, 2}.Scale(1.0 / 3), T: geom.Vec{X: -2500, Y: 3600, Z: -120}},
	}
	s := &solver{o: Options{Floor: -1, Significance: 0.001}.complete(), scale: []float64{1, 1, 1}}
	for i := range 8 {
		x := geom.Vec{X: float64(i/4)*2000 - 1000, Y: float64(i/2%2)*2000 - 1000, Z: float64(i%2)*2000 - 1000}
		s.spheres = append(s.spheres, sphere{center: x, sigma: 0.05, origin: i})
	}
	for k, p := range poses {
		st := Station{Name: fmt.Sprintf("s%d", k)}
		var at places
		for i, x := range s.spheres {
			st.Observations = append(st.Observations, Observation{Center: p.Inverse().Apply(x.center.Add(noise(k, i, x.center))), Cov: geom.Identity().Scale(0.0025)})
			at = append(at, i)
		}
		s.stations, s.places, s.linked = append(s.stations, st), append(s.places, at), append(s.linked, k)
	}
	// Starts that are off by a few millimetres and milliradians.
	for k, p := range poses {
		if k > 0 {
			p.R = geom.RotVec(geom.Vec{X: 1e-3, Y: -2e-3, Z: 1e-3}).Mul(p.R)
			p.T = p.T.Add(geom.Vec{X: 3, Y: -2, Z: 1})
		}
		s.poses = append(s.poses, p)
	}
	s.seen, _ = prepare(s.stations, 0)
	return s
}

// CV-1.5: the three-station network whose least-squares solution is the truth.
func TestExactNetwork(t *testing.T) {
	s := exact(func(k, _ int, x geom.Vec) geom.Vec {
		sign := math.Copysign(1, x.X*x.Y*x.Z)
		return x.Unit().Scale(0.05 * sign * []float64{1, 1, -2}[k])
	})
	within(t, "station 1, vertex 1, x", s.stations[1].Observations[0].Center.X, -3449.971132, 1e-6)
	within(t, "station 2, vertex 8, z", s.stations[2].Observations[7].Center.Z, 2213.237108, 1e-6)
	if !s.adjust() {
		t.Fatal("the network did not adjust")
	}
	r := s.result()
	within(t, "SSR", r.Chi2*0.0025, 0.12, 1e-12)
	within(t, "s₀", r.Sigma0*0.05, 0.057735026919, 1e-12)
	if r.DOF != 36 {
		t.Errorf("redundancy %d, want 36", r.DOF)
	}
	for i, x := range r.Spheres {
		want := geom.Vec{X: float64(i/4)*2000 - 1000, Y: float64(i/2%2)*2000 - 1000, Z: float64(i%2)*2000 - 1000}
		if d := x.Center.Dist(want); d > 1e-9 {
			t.Errorf("sphere %s is %g off", x.ID, d)
		}
	}
	within(t, "station 1 x", r.Stations[1].StationToNetwork.T.X, 4000, 1e-9)
	within(t, "station 2 y", r.Stations[2].StationToNetwork.T.Y, 3600, 1e-9)
	var local []float64
	for _, q := range r.Tests {
		for j := range 3 {
			within(t, "redundancy number", q.Redundancy[4*j], 0.5, 1e-9)
		}
		turned := r.Stations[q.Station].StationToNetwork.R.T().Congruent(q.Redundancy)
		within(t, "trace", turned.Trace(), 1.5, 1e-9)
		if q.Station > 0 {
			local = append(local, turned[0], turned[4], turned[8])
		}
	}
	slices.Sort(local)
	within(t, "smallest local redundancy number", local[0], 25.0/54, 1e-9)
	within(t, "largest local redundancy number", local[len(local)-1], 31.0/54, 1e-9)
	within(t, "redundancy of station 0", r.Stations[0].Redundancy, 12, 1e-9)
}

// CV-1.6: one observation 0.5 mm off along the global X axis.
func TestOutlierInExactNetwork(t *testing.T) {
	s := exact(func(k, i int, _ geom.Vec) geom.Vec {
		if k == 1 && i == 7 {
			return geom.Vec{X: 0.5}
		}
		return geom.Vec{}
	})
	if !s.adjust() {
		t.Fatal("the network did not adjust")
	}
	r := s.result()
	within(t, "SSR", r.Chi2*0.0025, 0.125, 1e-6)
	var w []float64
	for _, q := range r.Tests {
		w = append(w, math.Abs(q.W.X), math.Abs(q.W.Y), math.Abs(q.W.Z))
		if q.Station == 1 && q.Sphere == 7 {
			within(t, "residual of the bad one", math.Abs(q.Residual.X), 0.25, 1e-5)
			within(t, "w of the bad one", math.Abs(q.W.X), 7.071, 5e-4)
			within(t, "smallest detectable", q.Detectable.X, 0.29219, 5e-6)
		}
	}
	slices.Sort(w)
	within(t, "largest w", w[len(w)-1], 7.071, 5e-4)
	within(t, "next", w[len(w)-2], 3.536, 5e-4)
	within(t, "third", w[len(w)-3], 3.536, 5e-4)
	within(t, "fourth", w[len(w)-4], 2.357, 5e-4)
	// The whole procedure names it, and the rest is without residual then.
	s.settle()
	r = s.result()
	if len(r.Findings) != 1 || r.Findings[0].Code != job.SphereMoved || r.Findings[0].Subject != "S8" || !slices.Equal(r.Findings[0].Stations, []string{"s1"}) {
		t.Errorf("findings %+v", r.Findings)
	}
	within(t, "χ² after", r.Chi2, 0, 1e-9)
	within(t, "displacement", r.Spheres[8].Center.X-r.Spheres[7].Center.X, 0.5, 1e-6)
}

// layout is an irregular set of eight spheres around an object of 5 m.
func layout() []geom.Vec {
	return []geom.Vec{{X: 0, Y: 0, Z: 300}, {X: 5000, Y: -200, Z: 520}, {X: 4700, Y: 2350, Z: 150}, {X: -350, Y: 2100, Z: 880},
		{X: 2550, Y: -700, Z: 1800}, {X: 2200, Y: 3100, Z: 1250}, {X: 1200, Y: -1500, Z: 200}, {X: 3900, Y: 3600, Z: 640}}
}

// A sim makes stations around the layout; hooks change what a station sees.
type sim struct {
	spheres  []geom.Vec
	stations int
	sigma    float64 // across the sight; along it half
	move     func(station, sphere int) geom.Vec
	hidden   func(station, sphere int) bool
	scale    func(station int) float64
	extra    int // false candidates a station
}

func (m sim) make(seed uint64) ([]Station, []geom.Pose) {
	rng := rand.New(rand.NewPCG(seed, 77))
	var list []Station
	var poses []geom.Pose
	normal := func() geom.Vec { return geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()} }
	for k := range m.stations {
		a := 2 * math.Pi * float64(k) / float64(m.stations)
		pose := geom.Pose{R: geom.RotVec(normal()), T: geom.Vec{X: 2300 + 4500*math.Cos(a), Y: 1200 + 4000*math.Sin(a), Z: 1400}}
		st := Station{Name: fmt.Sprintf("s%02d.ply", k+1)}
		for i, x := range m.spheres {
			if m.hidden != nil && m.hidden(k, i) {
				continue
			}
			if m.move != nil {
				x = x.Add(m.move(k, i))
			}
			p := pose.Inverse().Apply(x)
			if m.scale != nil {
				p = p.Scale(m.scale(k))
			}
			axis := p.Unit()
			cov := geom.Identity().Scale(m.sigma * m.sigma).Add(geom.Outer(axis, axis).Scale(-0.75 * m.sigma * m.sigma))
			e := normal().Scale(m.sigma)
			e = e.AddScaled(-0.5*e.Dot(axis), axis)
			st.Observations = append(st.Observations, Observation{Center: p.Add(e), Cov: cov})
		}
		for range m.extra {
			st.Observations = append(st.Observations, Observation{Center: normal().Scale(3000), Cov: geom.Identity().Scale(m.sigma * m.sigma)})
		}
		rng.Shuffle(len(st.Observations), func(i, j int) { st.Observations[i], st.Observations[j] = st.Observations[j], st.Observations[i] })
		list, poses = append(list, st), append(poses, pose)
	}
	return list, poses
}

// exactly trusts the covariances of the observations to be complete.
var exactly = Options{Floor: -1}

// study runs the long simulations; update keeps what they gave.
var (
	study  = flag.Bool("study", false, "run long simulations")
	update = flag.Bool("update", false, "rewrite the kept results of long simulations")
)

// 200 clean networks, the smallest with four stations and five spheres: no finding
// that holds. The truth lies inside the 95 % ellipsoids of poses and spheres.
func TestCleanNetworks(t *testing.T) {
	runs := 200
	if *study {
		runs = 2000
	}
	alarms, inside, total := 0, 0, 0
	var chi float64
	var dof int
	for i := range runs {
		m := sim{spheres: layout()[:5+i%4], stations: 4 + i%5, sigma: 0.15, extra: i % 3,
			hidden: func(k, s int) bool { return s == k%8 && s > 0 && s < 4 && i%5 > 2 }}
		st, truth := m.make(uint64(i))
		r := solve(t, st, exactly)
		if job.Holds(r.Findings) {
			alarms++
			t.Logf("run %d: %v", i, codes(r))
		}
		chi += r.Chi2
		dof += r.DOF
		base := truth[0].Inverse()
		limit := fit.ChiSquareQuantile(0.95, 3)
		for k := 1; k < len(truth); k++ {
			at := geom.Vec{X: 1000, Y: 500, Z: -300}
			e := r.Stations[k].StationToNetwork.Apply(at).Sub(base.After(truth[k]).Apply(at))
			inv, _ := r.PointCov(k, at).Inv()
			total++
			if inv.MulVec(e).Dot(e) < limit {
				inside++
			}
		}
	}
	if alarms > runs/500 {
		t.Errorf("%d of %d clean networks are held", alarms, runs)
	}
	share := float64(inside) / float64(total)
	t.Logf("%d alarms in %d; truth inside 95 %% ellipsoids in %.2f %% of %d; χ²/dof %.4f", alarms, runs, 100*share, total, chi/float64(dof))
	// Points of one network are correlated through its first station: the share may stray three times its binomial deviation.
	if math.Abs(share-0.95) > 3*math.Sqrt(0.95*0.05/float64(total))+0.005 {
		t.Errorf("truth inside the 95 %% ellipsoids in %.2f %%", 100*share)
	}
	within(t, "χ²/dof", chi/float64(dof), 1, 4*math.Sqrt(2/float64(dof)))
}

// Spheres of the network: estimated minus true over the covariance is chi-square.
func TestSphereCovariances(t *testing.T) {
	var sum float64
	n := 0
	for i := range 150 {
		st, truth := sim{spheres: layout(), stations: 5, sigma: 0.2}.make(uint64(1000 + i))
		r := solve(t, st, exactly)
		for _, x := range r.Spheres {
			best := math.Inf(1)
			var off geom.Vec
			for _, y := range layout() {
				if e := x.Center.Sub(truth[0].Inverse().Apply(y)); e.Norm() < best {
					best, off = e.Norm(), e
				}
			}
			inv, _ := x.Cov.Inv()
			sum += inv.MulVec(off).Dot(off)
			n++
		}
	}
	// Centres of one network are correlated; eight spheres count as about four.
	within(t, "mean χ² of centres", sum/float64(n), 3, 4*math.Sqrt(6/float64(n/2)))
}

// A sphere that was moved from some station on is named, with the stations of the
// smaller side and the displacement, from one millimetre to far.
func TestMovedSphere(t *testing.T) {
	for _, by := range []float64{2, 5, 10, 50, 120} {
		for _, from := range []int{5, 4, 2, 1} { // stations 0 … from-1 before, the rest of seven after
			d := geom.Vec{X: 0.6, Y: -0.64, Z: 0.48}.Scale(by)
			m := sim{spheres: layout(), stations: 7, sigma: 0.15, move: func(k, s int) geom.Vec {
				if s == 3 && k >= from {
					return d
				}
				return geom.Vec{}
			}}
			st, truth := m.make(uint64(by) + uint64(from))
			r := solve(t, st, Options{})
			if len(r.Findings) != 1 || r.Findings[0].Code != job.SphereMoved {
				t.Errorf("%g mm from station %d on: findings %v", by, from, codes(r))
				continue
			}
			f := r.Findings[0]
			want := []string{"s06.ply", "s07.ply"}
			switch from {
			case 4:
				want = []string{"s05.ply", "s06.ply", "s07.ply"}
			case 2:
				want = []string{"s01.ply", "s02.ply"}
			case 1:
				want = []string{"s01.ply"}
			}
			if !slices.Equal(f.Stations, want) {
				t.Errorf("%g mm from station %d on: stations %v, want %v", by, from, f.Stations, want)
			}
			i := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })
			j := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject+"b" })
			if i < 0 || j < 0 || r.Spheres[i].Status != Moved {
				t.Errorf("%g mm: %q is not in the list twice", by, f.Subject)
				continue
			}
			got := truth[0].Turn(r.Spheres[j].Center.Sub(r.Spheres[i].Center))
			if from < 4 {
				got = got.Scale(-1)
			}
			if got.Dist(d) > 1 {
				t.Errorf("%g mm from station %d on: displacement %v, want %v", by, from, got, d)
			}
		}
	}
}

// Small networks, as they are after the second and third set-up: what moved is
// named as soon as four other spheres, or three and a large move, can tell.
func TestMovedEarly(t *testing.T) {
	cases := []struct {
		stations, spheres int
		by                float64
		want              []string
	}{
		{2, 4, 3, []string{"sphere-moved"}},
		{2, 4, 20, []string{"sphere-moved"}},
		{2, 5, 1.5, []string{"sphere-moved"}},
		{2, 6, 40, []string{"sphere-moved"}},
		{3, 4, 5, []string{"sphere-moved"}},
		{3, 4, 1.5, []string{"sphere-moved"}},
		{2, 3, 30, []string{"station-unlinked", "station-unlinked"}},
		{3, 3, 30, []string{"station-unlinked"}},
	}
	for _, c := range cases {
		m := sim{spheres: layout()[:c.spheres], stations: c.stations, sigma: 0.1, move: func(k, s int) geom.Vec {
			if k == c.stations-1 && s == 2 {
				return geom.Vec{X: 0.6, Y: -0.64, Z: 0.48}.Scale(c.by)
			}
			return geom.Vec{}
		}}
		st, _ := m.make(31)
		r := solve(t, st, Options{})
		var got []string
		for _, f := range r.Findings {
			got = append(got, string(f.Code))
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%d stations, %d spheres, %g mm: %v, want %v", c.stations, c.spheres, c.by, codes(r), c.want)
			for _, f := range r.Findings {
				t.Log(f.Text)
			}
		}
	}
}

// A sphere moved by five times its three-dimensional standard uncertainty is named
// in at least 95 % of the cases, and no other one is.
func TestMovedByFiveSigma(t *testing.T) {
	runs, named, wrong := 200, 0, 0
	if *study {
		runs = 2000
	}
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range runs {
		const sigma = 0.2
		own := sigma * math.Sqrt(2.25) // √trace of its covariance: two axes across, half along the sight
		d := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Unit().Scale(5 * own)
		which := rng.IntN(8)
		from := 2 + rng.IntN(5)
		m := sim{spheres: layout(), stations: 8, sigma: sigma, move: func(k, s int) geom.Vec {
			if s == which && k >= from {
				return d
			}
			return geom.Vec{}
		}}
		st, truth := m.make(uint64(5000 + i))
		r := solve(t, st, exactly)
		hit := false
		for _, f := range r.Findings {
			if f.Code != job.SphereMoved {
				wrong++
				continue
			}
			x := r.Spheres[slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })]
			if truth[0].Apply(x.Center).Dist(layout()[which]) < 50 {
				hit = true
			} else {
				wrong++
			}
		}
		if hit {
			named++
		}
	}
	t.Logf("named %d of %d, %d wrong findings", named, runs, wrong)
	if named < runs*95/100 || wrong > runs/100 {
		t.Errorf("named %d of %d, %d wrong findings", named, runs, wrong)
	}
}

func TestGroups(t *testing.T) {
	for n, want := range map[int][][]int{
		2: {{1}},
		3: {{0}, {1}, {2}},
		4: {{0}, {1}, {2, 3}, {2}, {3}, {1, 3}, {1, 2}},
	} {
		if got := groups(n); !reflect.DeepEqual(got, want) {
			t.Errorf("groups of %d: %v, want %v", n, got, want)
		}
	}
	if got := len(groups(70)); got != 70+67 {
		t.Errorf("%d groups of 70 stations, want 70 single ones and 67 further splits", got)
	}
}

func TestTwoBlundersAtOnce(t *testing.T) {
	m := sim{spheres: layout(), stations: 8, sigma: 0.1,
		move: func(k, s int) geom.Vec {
			if s == 2 && k >= 5 {
				return geom.Vec{X: 4}
			}
			if s == 6 && k == 1 {
				return geom.Vec{Z: -1.5}
			}
			return geom.Vec{}
		},
		scale: func(k int) float64 {
			if k == 3 {
				return 1.0003
			}
			return 1
		}}
	st, _ := m.make(9)
	r := solve(t, st, Options{})
	if len(r.Findings) != 3 {
		t.Fatalf("findings %v", codes(r))
	}
	if f := r.Findings[2]; f.Code != job.StationScale || f.Subject != "s04.ply" || math.Abs(r.Stations[3].Scale-1.0003) > 5e-5 {
		t.Errorf("%v, scale %.6f", f, r.Stations[3].Scale)
	}
	for i, want := range [][]string{{"s02.ply"}, {"s06.ply", "s07.ply", "s08.ply"}} {
		if !slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return slices.Equal(f.Stations, want) }) {
			t.Errorf("blunder %d: no finding for %v", i, want)
		}
	}
}

// Scales from 200 ppm to 4 % are found, named and taken out.
func TestStationScale(t *testing.T) {
	for _, factor := range []float64{1.0003, 0.9995, 1.002, 1.01, 0.96, 1.04} {
		m := sim{spheres: layout(), stations: 5, sigma: 0.1, scale: func(k int) float64 {
			if k == 2 {
				return factor
			}
			return 1
		}}
		st, truth := m.make(21)
		r := solve(t, st, Options{})
		sameCodes(t, r, "station-scale s03.ply")
		within(t, "factor", r.Stations[2].Scale, factor, 8e-5)
		if d := r.Stations[2].StationToNetwork.T.Dist(truth[0].Inverse().After(truth[2]).T); d > 1 {
			t.Errorf("factor %g: the station is %.2f mm off", factor, d)
		}
		if len(r.Findings) > 0 && !strings.Contains(r.Findings[0].Text, fmt.Sprintf("factor %.6f", r.Stations[2].Scale)) {
			t.Errorf("the text does not name the factor: %s", r.Findings[0].Text)
		}
	}
}

func TestLayouts(t *testing.T) {
	square := []geom.Vec{{}, {X: 2000}, {X: 2000, Y: 2000}, {Y: 2000}}
	h := 1000 * math.Sqrt(3)
	triangle := []geom.Vec{{}, {X: 2000}, {X: 1000, Y: h}}
	line := []geom.Vec{{}, {X: 1000}, {X: 2500}, {X: 4100}, {X: 4900}}
	nearLine := []geom.Vec{{}, {X: 1000, Y: 40}, {X: 2500, Y: -120}, {X: 4100, Z: 110}, {X: 4900, Y: -30}}
	cases := []struct {
		name string
		m    sim
		want []string
	}{
		{"square", sim{spheres: square, stations: 2}, []string{"layout-ambiguous s01.ply", "layout-ambiguous s02.ply"}},
		{"equilateral triangle", sim{spheres: triangle, stations: 2}, []string{"layout-ambiguous s01.ply", "layout-ambiguous s02.ply"}},
		{"square, one of three stations sees a fifth", sim{spheres: append(square[:4:4], geom.Vec{X: 700, Y: 300, Z: 900}), stations: 3,
			hidden: func(k, s int) bool { return k == 2 && s == 4 }}, []string{"layout-ambiguous s03.ply"}},
		{"collinear", sim{spheres: line, stations: 2}, []string{"station-unlinked s01.ply", "station-unlinked s02.ply"}},
		{"nearly collinear", sim{spheres: nearLine, stations: 2}, []string{"layout-weak s01.ply", "layout-weak s02.ply"}},
		{"two spheres at one station", sim{spheres: layout(), stations: 3, hidden: func(k, s int) bool { return k == 1 && s > 1 }}, []string{"spheres-few s02.ply"}},
		{"none at one station", sim{spheres: layout(), stations: 3, hidden: func(k, _ int) bool { return k == 1 }}, []string{"spheres-few s02.ply"}},
		{"three stations in a chain of three shared", sim{spheres: layout(), stations: 3, hidden: func(k, s int) bool { return k == 0 && s > 4 || k == 2 && s < 4 }}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.m.sigma = 0.1
			st, _ := c.m.make(4)
			sameCodes(t, solve(t, st, Options{}), c.want...)
		})
	}
}

// A mirror image of the layout has all its distances and must not be tied.
func TestMirroredLayout(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 3, sigma: 0.1}.make(5)
	for j := range st[1].Observations {
		o := &st[1].Observations[j]
		o.Center.X = -o.Center.X
		o.Cov = geom.Diag(-1, 1, 1).Congruent(o.Cov)
	}
	r := solve(t, st, Options{})
	if r.Stations[1].Linked || !r.Stations[2].Linked {
		t.Errorf("linked: %v %v", r.Stations[1].Linked, r.Stations[2].Linked)
	}
	sameCodes(t, r, "station-unlinked s02.ply")
	if len(r.Findings) > 0 && !strings.Contains(r.Findings[0].Text, "mirror image") {
		t.Error(r.Findings[0].Text)
	}
}

func TestForeignStationAndTwoComponents(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 4, sigma: 0.1}.make(6)
	other := []geom.Vec{{}, {X: 3300, Y: 100}, {X: 2500, Y: 1700, Z: 90}, {X: 400, Y: 2050, Z: 700}, {X: 1500, Y: -900, Z: 1100}}
	foreign, _ := sim{spheres: other, stations: 2, sigma: 0.1}.make(7)
	foreign[0].Name, foreign[1].Name = "other1.ply", "other2.ply"
	r := solve(t, append(st, foreign[0]), Options{})
	sameCodes(t, r, "station-unlinked other1.ply")
	if !strings.Contains(r.Findings[0].Text, "None of the 10 distances") {
		t.Error(r.Findings[0].Text)
	}
	// Two foreign ones tie to each other: the larger set is the network, wherever it stands in the list.
	r = solve(t, append(foreign, st...), Options{})
	sameCodes(t, r, "station-unlinked other1.ply", "station-unlinked other2.ply")
	if r.Stations[0].Linked || !r.Stations[2].Linked || r.Stations[2].StationToNetwork != geom.IdentityPose() {
		t.Error("the frame is not that of the first station of the larger set")
	}
	if !strings.Contains(r.Findings[0].Text, "other2.ply") {
		t.Error(r.Findings[0].Text)
	}
}

func TestDuplicates(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 3, sigma: 0.1}.make(8)
	copied := st[1]
	copied.Name = "copy.ply"
	// One sphere of station 3 was found twice, a few millimetres apart.
	twice := st[2].Observations[0]
	twice.Center.X += 6
	st[2].Observations = append(st[2].Observations, twice)
	r := solve(t, append(st, copied), Options{})
	sameCodes(t, r, "station-repeated copy.ply")
	for k, p := range append(truth, truth[1]) {
		if d := r.Stations[k].StationToNetwork.T.Dist(truth[0].Inverse().After(p).T); d > 0.5 {
			t.Errorf("station %d is %.2f mm off", k, d)
		}
	}
}

// Swapped spheres are alike: nothing changes. A missing one and fifty false
// candidates at every station change nothing either.
func TestClutter(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 3, sigma: 0.1, extra: 50, hidden: func(k, s int) bool { return s == k }}.make(10)
	r := solve(t, st, Options{})
	sameCodes(t, r)
	for k, p := range truth {
		if d := r.Stations[k].StationToNetwork.T.Dist(truth[0].Inverse().After(p).T); !r.Stations[k].Linked || d > 1 {
			t.Errorf("station %d: linked %v, %.2f mm off", k, r.Stations[k].Linked, d)
		}
	}
}

// Covariances that are too small by 1.7 do not make every sphere a moved one.
func TestOptimisticCovariances(t *testing.T) {
	held := 0
	for i := range 100 {
		st, _ := sim{spheres: layout(), stations: 6, sigma: 0.2}.make(uint64(300 + i))
		for _, s := range st {
			for j := range s.Observations {
				s.Observations[j].Cov = s.Observations[j].Cov.Scale(1 / 2.9)
			}
		}
		r := solve(t, st, exactly)
		if job.Holds(r.Findings) {
			held++
		}
		if !r.Inflated {
			t.Errorf("run %d: the covariances were not multiplied, p = %g", i, r.PValue)
		}
	}
	if held > 2 {
		t.Errorf("%d of 100 networks are held", held)
	}
}

func TestBadInput(t *testing.T) {
	if r := solve(t, nil, Options{}); len(r.Findings) != 0 {
		t.Error(codes(r))
	}
	st, _ := sim{spheres: layout(), stations: 1, sigma: 0.1}.make(1)
	if r := solve(t, st, Options{}); len(r.Stations) != 1 || r.Stations[0].Linked {
		t.Errorf("a lone station: %+v", r.Stations)
	}
	bad := []Observation{{Center: geom.Vec{X: math.NaN()}, Cov: geom.Identity()}, {Center: geom.Vec{X: math.Inf(1)}, Cov: geom.Identity()}, {Center: geom.Vec{}, Cov: geom.Mat{}},
		{Center: geom.Vec{}, Cov: geom.Diag(1, 1, -1)}, {Center: geom.Vec{}, Cov: geom.Diag(1, math.NaN(), 1)}, {Center: geom.Vec{}, Cov: geom.Diag(1, math.Inf(1), 1)}}
	for i, o := range bad {
		if _, err := Solve(context.Background(), []Station{{Name: "a", Observations: []Observation{o}}}, exactly); !errors.Is(err, ErrObservation) {
			t.Errorf("bad observation %d: got %v", i, err)
		}
	}
	for _, o := range []Options{{Significance: 2}, {Power: -1}, {Nudge: -5}, {Floor: math.NaN()}} {
		if _, err := Solve(context.Background(), nil, o); err == nil {
			t.Errorf("%+v was accepted", o)
		}
	}
	stopped, stop := context.WithCancel(context.Background())
	stop()
	two, _ := sim{spheres: layout(), stations: 2, sigma: 0.1}.make(1)
	if _, err := Solve(stopped, two, Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("a done context: %v", err)
	}
}

func TestWorkersDoNotChangeABit(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 9, sigma: 0.15, extra: 5}.make(3)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	var want Result
	for i, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		got := solve(t, st, Options{})
		if i == 0 {
			want = got
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%d workers give another result", n)
		}
	}
}

// CV-3.2 and CV-3.1: a station tied to well-known spheres has the covariance of a
// rigid fit onto them; at a station with nothing but its pose, PointCov is J·Σ·Jᵀ.
func TestPointCov(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 2, sigma: 0.1}.make(12)
	for j := range st[0].Observations {
		st[0].Observations[j].Cov = geom.Identity().Scale(1e-10)
	}
	for j := range st[1].Observations {
		st[1].Observations[j].Cov = geom.Identity().Scale(1.0 / 3)
	}
	r := solve(t, st, exactly)
	var arms []geom.Vec
	var covs []geom.Mat
	pose := r.Stations[1].StationToNetwork
	for _, o := range st[1].Observations {
		arms, covs = append(arms, pose.Turn(o.Center)), append(covs, o.Cov)
	}
	want, err := fit.PoseCov(arms, covs)
	if err != nil {
		t.Fatal(err)
	}
	p := geom.Vec{X: 500, Y: 2500, Z: -100}
	got, target := r.PointCov(1, p), want.At(pose.Turn(p))
	factor := 1.0
	if r.Inflated {
		factor = r.Sigma0 * r.Sigma0
	}
	for k := range got {
		// The network's arms are adjusted ones: residuals of 1 mm in 5 m leave a relative difference of that order.
		within(t, "target covariance", got[k], factor*target[k], 1e-5)
	}
	if c, ok := r.NetworkPointCov(r.Spheres[0].Center); !ok || !(c.Trace() > 0) {
		t.Errorf("network point: %v %v", c, ok)
	}
	if !math.IsInf(Result{Stations: []StationResult{{}}}.PointCov(0, p)[0], 1) {
		t.Error("a point of an unlinked station has a covariance")
	}
}

// Forty stations with thirty candidates each: eight to be matched, the rest clutter.
func BenchmarkSolve(b *testing.B) {
	spheres := layout()
	for i := range 4 {
		spheres = append(spheres, layout()[i].Add(geom.Vec{X: 7300 + float64(i*i)*130, Y: float64(i) * 370, Z: float64(i) * 210}))
	}
	st, _ := sim{spheres: spheres, stations: 40, sigma: 0.15, extra: 18}.make(1)
	b.ReportAllocs()
	for b.Loop() {
		r := solve(b, st, Options{})
		if len(r.Findings) != 0 {
			b.Fatal(codes(r))
		}
	}
	b.ReportMetric(float64(len(st))*float64(b.N)/b.Elapsed().Seconds(), "stations/s")
}
