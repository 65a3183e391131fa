package network

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// standing makes stations that turn about the vertical, as levelled tripods do, so that
// what they see is ordered by direction.
func standing(m sim, seed uint64) ([]Station, []geom.Pose) {
	st, poses := m.make(seed)
	rng := rand.New(rand.NewPCG(seed, 12))
	for k := range st {
		turn := geom.RotVec(geom.Vec{Z: 2 * math.Pi * rng.Float64()}).Mul(poses[k].R)
		for j := range st[k].Observations {
			o := &st[k].Observations[j]
			o.Center, o.Cov = turn.MulVec(o.Center), turn.Congruent(o.Cov)
		}
		poses[k].R = poses[k].R.Mul(turn.T())
	}
	return st, poses
}

// knock changes what one station sees within an arc of directions.
func knock(st *Station, from, width float64, by geom.Pose) (n int) {
	for j := range st.Observations {
		o := &st.Observations[j]
		if a := math.Atan2(o.Center.Y, o.Center.X) - from; math.Mod(a+4*math.Pi, 2*math.Pi) < width {
			o.Center = by.Apply(o.Center)
			n++
		}
	}
	return n
}

func TestSlippedSetUp(t *testing.T) {
	shift := geom.Pose{R: geom.Identity(), T: geom.Vec{X: 1.2, Y: -0.9, Z: 0.4}}
	turn := geom.Pose{R: geom.RotVec(geom.Vec{X: 4e-4, Y: 7e-4, Z: -6e-4})}
	for _, c := range []struct {
		name string
		by   geom.Pose
	}{{"shift", shift}, {"turn", turn}, {"both", geom.Pose{R: turn.R, T: shift.T}}} {
		m := sim{spheres: layout(), stations: 6, sigma: 0.1}
		st, truth := standing(m, 60)
		// The arc ends before the station's own direction spread is exhausted: three to five spheres.
		n := 0
		for from := 0.0; n < 3 || n > 4; from += 0.1 {
			trial, _ := standing(m, 60)
			if n = knock(&trial[3], from, math.Pi/2, c.by); n == 3 || n == 4 {
				st = trial
			}
		}
		r := solve(t, st, Options{})
		sameCodes(t, r, "station-disturbed s04.ply")
		// The position rests on the part that fits.
		if d := r.Stations[3].StationToNetwork.T.Dist(truth[0].Inverse().After(truth[3]).T); d > 1 {
			t.Errorf("%s: the set-up is %.2f mm off", c.name, d)
		}
		if len(r.Findings) == 1 && !strings.Contains(r.Findings[0].Text, "of its 8 spheres") {
			t.Error(r.Findings[0].Text)
		}
	}
}

// The test of a group of one station equals a direct one: the sum of squares that
// falls when the group may move.
func TestSlipIsTheFallOfTheSumOfSquares(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 4, sigma: 0.1, move: func(k, s int) geom.Vec {
		if k == 1 && s >= 5 {
			return geom.Vec{X: 0.4, Z: 0.3}
		}
		return geom.Vec{}
	}}.make(61)
	s := prepared(t, st)
	a := s.adjusted
	group := []int{0, 3, 6, 7}
	before := a.chi2
	e := a.slip(1, group, a.stationControl(1), true)
	// Three parameters of the group's own and three of its turn: the same as if another set-up had seen it.
	list := a.ofStation(1)
	twin := Station{Name: "twin"}
	var at places
	for _, g := range group {
		j := a.equations[list[g]].observation
		twin.Observations = append(twin.Observations, st[1].Observations[j])
		at = append(at, a.equations[list[g]].sphere)
	}
	var rest []Observation
	var restAt places
	for j, o := range st[1].Observations {
		if !slices.Contains(at, s.places[1][j]) {
			rest, restAt = append(rest, o), append(restAt, s.places[1][j])
		}
	}
	s.stations = append(slices.Clone(s.stations), twin)
	s.stations[1].Observations = rest
	s.seen, _ = prepare(s.stations, 0)
	s.places[1] = restAt
	s.places = append(s.places, at)
	s.poses, s.linked, s.scale = append(s.poses, s.poses[1]), append(s.linked, 4), append(s.scale, 1)
	if !s.adjust() {
		t.Fatal("the parted network did not adjust")
	}
	within(t, "fall of χ²", before-s.adjusted.chi2, e.value, 1e-3*e.value)
	shift := a.slip(1, group, a.stationControl(1), false)
	if !(shift.value < e.value) {
		t.Errorf("a shift alone explains %.3f, with a turn %.3f", shift.value, e.value)
	}
}

// prepared adjusts a network once, as matched, and takes nothing out.
func prepared(t *testing.T, st []Station) *solver {
	t.Helper()
	s := &solver{o: exactly.complete(), stations: slices.Clone(st), scale: slices.Repeat([]float64{1}, len(st))}
	s.seen, _ = prepare(st, 0)
	if err := s.link(t.Context()); err != nil || !s.adjust() {
		t.Fatalf("link: %v", err)
	}
	return s
}

func TestArcs(t *testing.T) {
	got := appendRuns(nil, []int{0, 1, 2, 3, 4})
	want := [][]int{{0, 1}, {1, 2}, {2, 3}, {3, 4}, {0, 4}}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if !slices.Equal(got[i], want[i]) {
			t.Errorf("%v, want %v", got, want)
		}
	}
	if got := appendRuns(nil, []int{0, 1, 2, 3}); len(got) != 0 {
		t.Errorf("four spheres cannot be parted, got %v", got)
	}
}

// distort moves one sphere's observations away from every station by some millimetres.
func distort(st []Station, poses []geom.Pose, at geom.Vec, by float64) {
	for k := range st {
		for j := range st[k].Observations {
			o := &st[k].Observations[j]
			if poses[k].Apply(o.Center).Dist(at) < 100 {
				o.Center = o.Center.AddScaled(by, o.Center.Unit())
			}
		}
	}
}

func TestForeignSphere(t *testing.T) {
	for _, by := range []float64{-1.2, 2} {
		st, truth := sim{spheres: layout(), stations: 6, sigma: 0.1}.make(62)
		distort(st, truth, layout()[4], by)
		r := solve(t, st, Options{})
		if len(r.Findings) != 1 || r.Findings[0].Code != job.SphereDiameter || r.Findings[0].Severity != job.Warn {
			t.Fatalf("%g mm: findings %v", by, codes(r))
		}
		f := r.Findings[0]
		i := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })
		if truth[0].Apply(r.Spheres[i].Center).Dist(layout()[4]) > 1 {
			t.Errorf("%g mm: %s is off by %.2f mm", by, f.Subject, truth[0].Apply(r.Spheres[i].Center).Dist(layout()[4]))
		}
		// CV-3.5: 56/45 of a radius along the sight.
		word := map[bool]string{true: "larger", false: "smaller"}[by < 0]
		if !strings.Contains(f.Text, word) {
			t.Errorf("%g mm: %s", by, f.Text)
		}
		if want := 3*6*8 - 6*5 - 3*8 - 6; r.DOF != want {
			t.Errorf("redundancy %d, want %d", r.DOF, want)
		}
		if !(r.PValue > 1e-3) {
			t.Errorf("%g mm: what is left does not fit, p = %g", by, r.PValue)
		}
	}
}

func TestSwappedSpheres(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 6, sigma: 0.1}.make(63)
	kind := func(k int, at geom.Vec) int {
		big := []int{1, 3}
		if k >= 4 {
			big = []int{1, 5} // S4 and S6 were exchanged before the fifth set-up
		}
		for _, i := range big {
			if at.Dist(layout()[i]) < 50 {
				return 1
			}
		}
		return 0
	}
	for k := range st {
		for j := range st[k].Observations {
			o := &st[k].Observations[j]
			o.Kind = kind(k, truth[k].Apply(o.Center))
		}
	}
	r := solve(t, st, Options{})
	if len(r.Findings) != 2 {
		t.Fatalf("findings %v", codes(r))
	}
	for _, f := range r.Findings {
		if f.Code != job.SphereMoved || !slices.Equal(f.Stations, []string{"s05.ply", "s06.ply"}) || !strings.Contains(f.Text, "exchanged") {
			t.Errorf("%+v", f)
		}
	}
}
