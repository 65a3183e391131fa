package network

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
)

// square is a symmetric layout: it fits itself in eight ways, four of them face up.
func square() []geom.Vec {
	return []geom.Vec{{}, {X: 2000}, {X: 2000, Y: 2000}, {Y: 2000}}
}

// kite fits itself in two ways, one of them face down.
func kite() []geom.Vec { return []geom.Vec{{}, {X: 900, Y: 700}, {X: 900, Y: -700}, {X: 2600}} }

func allPlaced(t *testing.T, r Result, truth []geom.Pose) {
	t.Helper()
	for k, p := range truth {
		if d := r.Stations[k].StationToNetwork.T.Dist(truth[0].Inverse().After(p).T); !r.Stations[k].Linked || d > 2 {
			t.Errorf("set-up %d: linked %v, %.2f mm off", k, r.Stations[k].Linked, d)
		}
	}
}

func notes(r Result) []string {
	var list []string
	for _, n := range r.Notes {
		list = append(list, n.Subject+": "+n.Text)
	}
	return list
}

// CV-1.5: the cube of eight spheres, seen by the three set-ups of the check value,
// through Solve itself: 24 ways, and the poses of the files say which.
func TestCubeWithApproximatePoses(t *testing.T) {
	s := exact(func(_, _ int, x geom.Vec) geom.Vec {
		return x.Unit().Scale(0.05 * math.Copysign(1, x.X*x.Y*x.Z))
	})
	sameCodes(t, solve(t, s.stations, exactly), "layout-ambiguous s0", "layout-ambiguous s1", "layout-ambiguous s2")
	for k := range s.stations {
		rough := s.poses[k]
		rough.T = rough.T.Add(geom.Vec{X: 150, Y: -80, Z: 60})
		rough.R = geom.RotVec(geom.Vec{X: 0.05, Z: 0.04 * float64(k)}).Mul(rough.R)
		s.stations[k].Approx = &rough
	}
	r := solve(t, s.stations, exactly)
	sameCodes(t, r)
	if d := r.Stations[1].StationToNetwork.T.Dist(geom.Vec{X: 4000, Y: -300, Z: 50}); d > 0.2 {
		t.Errorf("set-up 1 is %.3f mm off", d)
	}
	if len(r.Notes) != 2 || !strings.Contains(r.Notes[0].Text, "24 ways") || !strings.Contains(r.Notes[0].Text, "poses that the files give") {
		t.Errorf("notes %q", notes(r))
	}
	// One and the same pose in every file says nothing.
	for k := range s.stations {
		s.stations[k].Approx = &geom.Pose{R: geom.Identity()}
	}
	sameCodes(t, solve(t, s.stations, exactly), "layout-ambiguous s0", "layout-ambiguous s1", "layout-ambiguous s2")
}

func TestLevelledInstrumentsDecide(t *testing.T) {
	st, truth := sim{spheres: kite(), stations: 3, sigma: 0.1}.make(71)
	for k := range st { // stand them up
		turn := geom.RotVec(geom.Vec{Z: float64(k)}).Mul(truth[k].R)
		for j := range st[k].Observations {
			o := &st[k].Observations[j]
			o.Center, o.Cov = turn.MulVec(o.Center), turn.Congruent(o.Cov)
		}
		truth[k].R = truth[k].R.Mul(turn.T())
	}
	if r := solve(t, st, Options{}); len(r.Findings) != 3 {
		t.Fatalf("a kite was tied without a word: %v", codes(r))
	}
	r := solve(t, st, Options{Levelled: 0.001})
	sameCodes(t, r)
	allPlaced(t, r, truth)
	if len(r.Notes) != 2 || !strings.Contains(r.Notes[1].Text, "2 ways; the levels of the instruments decided which") {
		t.Errorf("notes %q", notes(r))
	}
}

func TestOverlapDecides(t *testing.T) {
	st, truth := sim{spheres: square(), stations: 3, sigma: 0.1}.make(72)
	right := func(a, b int, toA geom.Pose) float64 {
		p := geom.Vec{X: 700, Y: 300, Z: 200}
		if toA.Apply(truth[b].Inverse().Apply(p)).Dist(truth[a].Inverse().Apply(p)) < 20 {
			return 0.8
		}
		return 0.1
	}
	r := solve(t, st, Options{Overlap: right})
	sameCodes(t, r)
	allPlaced(t, r, truth)
	if len(r.Notes) == 0 || !strings.Contains(r.Notes[0].Text, "8 ways; the overlap of the scans decided which") {
		t.Errorf("notes %q", notes(r))
	}
	// Scores that are all alike decide nothing.
	r = solve(t, st, Options{Overlap: func(int, int, geom.Pose) float64 { return 0.9 }})
	if len(r.Findings) != 3 {
		t.Errorf("findings %v", codes(r))
	}
}

var shiftText = regexp.MustCompile(`at \(([-0-9.]+), ([-0-9.]+), ([-0-9.]+)\) m of its own axes, (.*) by at least (\d+) mm`)

// The shift that is asked for makes the layout unique when it is made.
func TestAmbiguousLayoutSaysWhatToShift(t *testing.T) {
	rectangle := []geom.Vec{{}, {X: 3000}, {X: 3000, Y: 1700}, {Y: 1700}}
	for name, spheres := range map[string][]geom.Vec{"square": square(), "kite": kite(), "rectangle": rectangle,
		"triangle": {{}, {X: 2000}, {X: 1000, Y: 1000 * math.Sqrt(3)}}} {
		st, truth := standing(sim{spheres: spheres, stations: 2, sigma: 0.1}, 74)
		r := solve(t, st, Options{})
		if len(r.Findings) != 2 {
			t.Fatalf("%s: findings %v", name, codes(r))
		}
		m := shiftText.FindStringSubmatch(r.Findings[0].Text)
		if m == nil {
			t.Errorf("%s: no advice in %q", name, r.Findings[0].Text)
			continue
		}
		var at geom.Vec
		var by float64
		for i, v := range []*float64{&at.X, &at.Y, &at.Z, &by} {
			if _, err := fmt.Sscan(m[[]int{1, 2, 3, 5}[i]], v); err != nil {
				t.Fatal(err)
			}
		}
		layout := make([]sight, len(spheres))
		for i, p := range spheres {
			layout[i].center = truth[0].Inverse().Apply(p)
		}
		i := slices.IndexFunc(layout, func(o sight) bool { return o.center.Dist(at.Scale(1000)) < 20 })
		if i < 0 {
			t.Fatalf("%s: no sphere stands at %v", name, at)
		}
		var s solver
		for _, w := range s.ways(layout, i) {
			if w.words == m[4] {
				moved := slices.Clone(spheres)
				moved[i] = truth[0].Apply(layout[i].center.AddScaled(by, w.along))
				again, _ := standing(sim{spheres: moved, stations: 2, sigma: 0.1}, 75)
				r := solve(t, again, Options{})
				if slices.ContainsFunc(codes(r), func(c string) bool { return strings.HasPrefix(c, "layout-ambiguous") }) {
					t.Errorf("%s: still ambiguous after %q", name, m[0])
				}
			}
		}
	}
}
