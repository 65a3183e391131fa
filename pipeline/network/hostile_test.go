package network

import (
	"math"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// Layouts that no network can come of, or only a part: what is said, and about whom.
func TestHostileLayouts(t *testing.T) {
	line := []geom.Vec{{}, {X: 1000}, {X: 2500}, {X: 4100}, {X: 4900}}
	cases := []struct {
		name   string
		m      sim
		want   []string
		linked int
	}{
		{"no spheres at all", sim{spheres: nil, stations: 3}, []string{"spheres-few s01.ply", "spheres-few s02.ply", "spheres-few s03.ply"}, 0},
		{"one sphere", sim{spheres: layout()[:1], stations: 2}, []string{"spheres-few s01.ply", "spheres-few s02.ply"}, 0},
		{"two spheres", sim{spheres: layout()[:2], stations: 2}, []string{"spheres-few s01.ply", "spheres-few s02.ply"}, 0},
		{"one set-up", sim{spheres: layout(), stations: 1}, []string{"station-unlinked s01.ply"}, 0},
		{"all on one line", sim{spheres: line, stations: 3}, []string{"station-unlinked s01.ply", "station-unlinked s02.ply", "station-unlinked s03.ply"}, 0},
		{"fifty false candidates each", sim{spheres: layout(), stations: 4, extra: 50}, nil, 4},
		{"one sees none that others see", sim{spheres: append(layout(), geom.Vec{X: 9000}, geom.Vec{X: 9900, Y: 700}, geom.Vec{X: 9300, Y: 2100, Z: 400}, geom.Vec{X: 8100, Y: 900, Z: 900}), stations: 4,
			hidden: func(k, s int) bool { return (k == 2) != (s >= 8) }}, []string{"station-unlinked s03.ply"}, 3},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.m.sigma = 0.1
			st, _ := c.m.make(111)
			r := solve(t, st, Options{})
			sameCodes(t, r, c.want...)
			n := 0
			for _, s := range r.Stations {
				if s.Linked {
					n++
				}
			}
			if n != c.linked {
				t.Errorf("%d set-ups are tied, want %d", n, c.linked)
			}
		})
	}
}

// A set-up that is alone with its spheres is not told that it comes from another place.
func TestLoneSetUpSaysWhatIsMissing(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 2, sigma: 0.1, hidden: func(k, s int) bool { return k == 1 && s > 1 }}.make(116)
	r := solve(t, st, Options{})
	sameCodes(t, r, "spheres-few s02.ply", "station-unlinked s01.ply")
	if !strings.Contains(r.Findings[1].Text, "nothing to tie it to") {
		t.Error(r.Findings[1].Text)
	}
}

// Two set-ups of which one is mirrored: neither can be tied, and the text says why.
func TestMirroredOfTwo(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 2, sigma: 0.1}.make(112)
	for j := range st[1].Observations {
		o := &st[1].Observations[j]
		o.Center.Y = -o.Center.Y
		o.Cov = geom.Diag(1, -1, 1).Congruent(o.Cov)
	}
	r := solve(t, st, Options{})
	sameCodes(t, r, "station-unlinked s01.ply", "station-unlinked s02.ply")
	for _, f := range r.Findings {
		if !strings.Contains(f.Text, "mirror image") {
			t.Error(f.Text)
		}
	}
}

// A wall of 10 × 5 identical domes fits itself in hundreds of ways; with the poses of
// the files or without, nothing is guessed, and it does not take for ever.
func TestWallOfIdenticalDomesIsNotGuessed(t *testing.T) {
	var wall []geom.Vec
	for x := range 10 {
		for z := range 5 {
			wall = append(wall, geom.Vec{X: 400 * float64(x), Z: 400 * float64(z)})
		}
	}
	st, truth := sim{spheres: wall, stations: 4, sigma: 0.1}.make(113)
	for k := range st {
		rough := truth[k]
		rough.T.X += 900
		st[k].Approx = &rough
	}
	r := solve(t, st, Options{Levelled: 0.001})
	for _, s := range r.Stations {
		if s.Linked {
			t.Errorf("%s was tied", s.Name)
		}
	}
	if !job.Holds(r.Findings) {
		t.Errorf("findings %v", codes(r))
	}
}

// Covariances of zero, of NaN and of the wrong sign are refused with the floor off, and
// with the floor on where it cannot mend them.
func TestUnusableCovariances(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 3, sigma: 0.1}.make(114)
	for name, cov := range map[string]geom.Mat{"NaN": geom.Diag(math.NaN(), 1, 1), "infinite": geom.Diag(1, math.Inf(1), 1), "negative": geom.Diag(-4, 1, 1)} {
		bad := slices.Clone(st)
		bad[1].Observations = slices.Clone(st[1].Observations)
		bad[1].Observations[2].Cov = cov
		if _, err := Solve(t.Context(), bad, Options{}); err == nil || !strings.Contains(err.Error(), "sphere 3 of s02.ply") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for k := range st { // zero is mended by the floor: the instrument claims to be perfect
		for j := range st[k].Observations {
			st[k].Observations[j].Cov = geom.Mat{}
		}
	}
	if r := solve(t, st, Options{Floor: 0.15}); !r.Stations[2].Linked {
		t.Error("observations without covariance were not tied by their floor")
	}
}

// The same scan twice under two names: named, used, and no other finding.
func TestTripodNotMoved(t *testing.T) {
	st, _ := sim{spheres: layout(), stations: 4, sigma: 0.1}.make(115)
	again := st[2]
	again.Name = "again.ply"
	again.Observations = slices.Clone(st[2].Observations)
	for j := range again.Observations {
		again.Observations[j].Center = again.Observations[j].Center.Add(geom.Vec{X: 0.02, Y: -0.03})
	}
	sameCodes(t, solve(t, append(st, again), Options{}), "station-repeated again.ply")
}
