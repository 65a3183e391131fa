package network

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// TestStudy runs the long simulations of whole networks and compares their
// figures with what is asked of them; -update keeps the table:
//
//	go test ./pipeline/network -run TestStudy -study -update -timeout 60m
func TestStudy(t *testing.T) {
	if !*study {
		t.Skip("long simulations run with -study")
	}
	var table strings.Builder
	table.WriteString("# Networks of set-ups and spheres: simulation study\n\nWritten by `go test ./pipeline/network -run TestStudy -study -update`. Spheres around an object of 5 m; seeds count up from the one given.\n\n| what | asked | found | networks | seed |\n| --- | --- | --- | --- | --- |\n")
	row := func(what, asked, found string, runs, seed int, ok bool) {
		_, _ = fmt.Fprintf(&table, "| %s | %s | %s | %d | %d |\n", what, asked, found, runs, seed)
		if !ok {
			t.Errorf("%s: %s, asked %s", what, found, asked)
		}
	}
	percent := func(n, of int) string { return fmt.Sprintf("%.2f %%", 100*float64(n)/float64(of)) }
	alarms, inside, of := cleanStudy(t, 10_000, 100_000)
	row("clean networks that are held", "≤ 0.1 %", fmt.Sprintf("%d", alarms), 10_000, 100_000, alarms*1000 <= 10_000)
	row("95 % ellipsoids of points that hold the truth", "94 to 96 %", percent(inside, of), 10_000, 100_000, inside*100 >= 94*of && inside*100 <= 96*of)
	named, wrong := movedStudy(t, 2000, 5000, 5)
	row("sphere moved by 5 of its sigma named", "≥ 99 %", fmt.Sprintf("%s, %d wrong findings", percent(named, 2000), wrong), 2000, 5000, named*100 >= 99*2000)
	named, wrong = movedStudy(t, 1000, 15_000, 3)
	row("sphere moved by 3 of its sigma named", "–", fmt.Sprintf("%s, %d wrong findings", percent(named, 1000), wrong), 1000, 15_000, true)
	both, alone := twoStudy(t, 1000, 20_000)
	row("two blunders at once (2.7 mm moved, 400 ppm) named", "–", fmt.Sprintf("both %s, both and nothing else %s", percent(both, 1000), percent(alone, 1000)), 1000, 20_000, both*100 >= 90*1000)
	both, alone = pairStudy(t, 1000, 25_000)
	row("two spheres moved by 5 of their sigmas each named", "–", fmt.Sprintf("both %s, both and nothing else %s", percent(both, 1000), percent(alone, 1000)), 1000, 25_000, both*100 >= 95*1000)
	for _, by := range []float64{0.5, 1, 2} {
		found, wrong := foreignStudy(t, 300, 40_000, by)
		row(fmt.Sprintf("sphere that appears %g mm nearer to all (sigma 0.2 mm, floor 0.1 mm) named as of another diameter", by), "–", fmt.Sprintf("%s, %d wrong findings", percent(found, 300), wrong), 300, 40_000, by < 1 || found*100 >= 95*300)
	}
	for _, by := range []float64{0.5, 1, 2, 4, 8} {
		found := disturbedStudy(t, 300, 30_000, by)
		row(fmt.Sprintf("set-up that slipped by %g mm while it scanned three of eight spheres (sigma 0.2 mm) named", by), "–", percent(found, 300), 300, 30_000, by < 4 || found*100 >= 95*300)
	}
	mean, share := predicted(t, 1500, 500)
	row("predicted uncertainty of places on the object: truth inside 95 %", "94 to 96 %", fmt.Sprintf("%.2f %%, mean Mahalanobis distance %.3f", 100*share, mean), 1500, 500, share > 0.94 && share < 0.96)
	t.Log("\n" + table.String())
	if *update {
		if err := os.WriteFile("testdata/study.md", []byte(table.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestStudiesInShort runs a few of each study's networks every time.
func TestStudiesInShort(t *testing.T) {
	if both, alone := pairStudy(t, 40, 25_000); both < 39 || alone < 38 {
		t.Errorf("two moved spheres: both named in %d of 40, nothing else in %d", both, alone)
	}
	if found, wrong := foreignStudy(t, 30, 40_000, 1); found < 29 || wrong > 1 {
		t.Errorf("foreign sphere: named in %d of 30, %d wrong findings", found, wrong)
	}
	if found := disturbedStudy(t, 30, 30_000, 2); found < 28 {
		t.Errorf("set-up that slipped: named in %d of 30", found)
	}
	if both, alone := twoStudy(t, 40, 20_000); both < 39 || alone < 37 {
		t.Errorf("moved sphere and wrong scale: both named in %d of 40, nothing else in %d", both, alone)
	}
}

// cleanStudy counts the clean networks that are held, and the points of set-ups
// that lie within their ellipsoids.
func cleanStudy(t *testing.T, runs int, seed uint64) (alarms, inside, of int) {
	limit := fit.ChiSquareQuantile(0.95, 3)
	at := geom.Vec{X: 1000, Y: 500, Z: -300}
	for i := range runs {
		m := sim{spheres: layout()[:5+i%4], stations: 4 + i%5, sigma: 0.15, extra: i % 3,
			hidden: func(k, s int) bool { return s == k%8 && s > 0 && s < 4 && i%5 > 2 }}
		st, truth := m.make(seed + uint64(i))
		r := solve(t, st, exactly)
		if job.Holds(r.Findings) {
			alarms++
		}
		for k := 1; k < len(truth); k++ {
			e := r.Stations[k].StationToNetwork.Apply(at).Sub(truth[0].Inverse().After(truth[k]).Apply(at))
			inv, _ := r.PointCov(k, at).Inv()
			of++
			if inv.MulVec(e).Dot(e) < limit {
				inside++
			}
		}
	}
	return alarms, inside, of
}

// movedStudy counts the networks in which a sphere that was moved between two
// set-ups by so many of its sigmas is named, and the findings about anything else.
func movedStudy(t *testing.T, runs int, seed uint64, sigmas float64) (named, wrong int) {
	rng := rand.New(rand.NewPCG(seed, 3))
	for i := range runs {
		const sigma = 0.2
		own := sigma * math.Sqrt(2.25) // √trace of its covariance: two axes across, half along the sight
		d := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Unit().Scale(sigmas * own)
		which, from := rng.IntN(8), 2+rng.IntN(5)
		m := sim{spheres: layout(), stations: 8, sigma: sigma, move: func(k, s int) geom.Vec {
			if s == which && k >= from {
				return d
			}
			return geom.Vec{}
		}}
		st, truth := m.make(seed + uint64(i))
		r := solve(t, st, exactly)
		hit := false
		for _, f := range r.Findings {
			j := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })
			if f.Code == job.SphereMoved && j >= 0 && truth[0].Apply(r.Spheres[j].Center).Dist(layout()[which]) < 50 {
				hit = true
			} else {
				wrong++
			}
		}
		if hit {
			named++
		}
	}
	return named, wrong
}

// twoStudy counts the networks in which a moved sphere and a set-up with a scale
// error are both named, and those in which nothing else is.
func twoStudy(t *testing.T, runs int, seed uint64) (both, alone int) {
	rng := rand.New(rand.NewPCG(seed, 4))
	for i := range runs {
		which, bad := rng.IntN(8), 1+rng.IntN(7)
		m := sim{spheres: layout(), stations: 8, sigma: 0.1,
			move: func(k, s int) geom.Vec {
				if s == which && k >= 5 {
					return geom.Vec{X: 2, Y: -1.5, Z: 1}
				}
				return geom.Vec{}
			},
			scale: func(k int) float64 {
				if k == bad {
					return 1.0004
				}
				return 1
			}}
		st, _ := m.make(seed + uint64(i))
		r := solve(t, st, Options{})
		moved := slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return f.Code == job.SphereMoved })
		if moved && slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return f.Code == job.StationScale && f.Subject == st[bad].Name }) {
			both++
			if len(r.Findings) == 2 {
				alone++
			}
		}
	}
	return both, alone
}

// pairStudy counts the networks in which two spheres that were moved at different times
// are both named, and those in which nothing else is.
func pairStudy(t *testing.T, runs int, seed uint64) (both, alone int) {
	rng := rand.New(rand.NewPCG(seed, 6))
	for i := range runs {
		const sigma = 0.2
		own := sigma * math.Sqrt(2.25)
		var by [2]geom.Vec
		for k := range by {
			by[k] = geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Unit().Scale(5 * own)
		}
		which := rng.Perm(8)[:2]
		from := [2]int{2 + rng.IntN(5), 2 + rng.IntN(5)}
		m := sim{spheres: layout(), stations: 8, sigma: sigma, move: func(k, s int) geom.Vec {
			var d geom.Vec
			for x := range which {
				if s == which[x] && k >= from[x] {
					d = d.Add(by[x])
				}
			}
			return d
		}}
		st, truth := m.make(seed + uint64(i))
		r := solve(t, st, exactly)
		var named [2]bool
		for _, f := range r.Findings {
			j := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })
			for x := range which {
				named[x] = named[x] || f.Code == job.SphereMoved && j >= 0 && truth[0].Apply(r.Spheres[j].Center).Dist(layout()[which[x]]) < 50
			}
		}
		if named[0] && named[1] {
			both++
			if len(r.Findings) == 2 {
				alone++
			}
		}
	}
	return both, alone
}

// foreignStudy counts the networks in which a sphere that all set-ups see nearer than
// it is is named as one of another diameter, and the findings about anything else.
func foreignStudy(t *testing.T, runs int, seed uint64, by float64) (found, wrong int) {
	rng := rand.New(rand.NewPCG(seed, 7))
	for i := range runs {
		which := rng.IntN(8)
		st, truth := sim{spheres: layout(), stations: 6, sigma: 0.2}.make(seed + uint64(i))
		distort(st, truth, layout()[which], -by)
		r := solve(t, st, Options{})
		for _, f := range r.Findings {
			j := slices.IndexFunc(r.Spheres, func(x SphereResult) bool { return x.ID == f.Subject })
			if f.Code == job.SphereDiameter && j >= 0 && truth[0].Apply(r.Spheres[j].Center).Dist(layout()[which]) < 50 {
				found++
			} else {
				wrong++
			}
		}
	}
	return found, wrong
}

// disturbedStudy counts the networks in which a set-up that slipped by some
// millimetres between its fifth and sixth sphere is named.
func disturbedStudy(t *testing.T, runs int, seed uint64, by float64) (found int) {
	rng := rand.New(rand.NewPCG(seed, 5))
	for i := range runs {
		slip := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Unit().Scale(by)
		bad := rng.IntN(6)
		m := sim{spheres: layout(), stations: 6, sigma: 0.2, move: func(k, s int) geom.Vec {
			if k == bad && s >= 5 {
				return slip
			}
			return geom.Vec{}
		}}
		st, _ := m.make(seed + uint64(i))
		r := solve(t, st, Options{})
		if slices.ContainsFunc(r.Findings, func(f job.Finding) bool { return f.Code == job.StationDisturbed && f.Subject == st[bad].Name }) {
			found++
		}
	}
	return found
}
