package network

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
	"trammel/pipeline/geom"
)

// The order of the spheres in a file, the frame that a station happens to use and
// its distance from the zero point, ten kilometres included, change nothing.
func TestInvariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		rng := rand.New(rand.NewPCG(seed, 6))
		st, _ := sim{spheres: layout(), stations: 4, sigma: 0.15, move: func(k, s int) geom.Vec {
			if k == 3 && s == 5 {
				return geom.Vec{Y: 3}
			}
			return geom.Vec{}
		}}.make(seed % 50)
		base := solve2(t, st)
		motions := make([]geom.Pose, len(st))
		for k := range st {
			motions[k] = geom.Pose{R: geom.RotVec(geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}),
				T: geom.Vec{X: 1e7 * (rng.Float64() - 0.5), Y: 1e7 * (rng.Float64() - 0.5)}}
			obs := slices.Clone(st[k].Observations)
			rng.Shuffle(len(obs), func(i, j int) { obs[i], obs[j] = obs[j], obs[i] })
			for j := range obs {
				obs[j].Center, obs[j].Cov = motions[k].Apply(obs[j].Center), motions[k].R.Congruent(obs[j].Cov)
			}
			st[k].Observations = obs
		}
		moved := solve2(t, st)
		if len(moved.Findings) != len(base.Findings) {
			t.Fatalf("findings %v became %v", codes(base), codes(moved))
		}
		for k := range st {
			p := geom.Vec{X: 1000, Y: -500, Z: 200}
			want := base.Stations[k].StationToNetwork.Apply(p)
			got := motions[0].Inverse().Apply(moved.Stations[k].StationToNetwork.Apply(motions[k].Apply(p)))
			if d := got.Dist(want); d > 1e-4 {
				t.Fatalf("station %d: a point moved by %g mm", k, d)
			}
		}
		if math.Abs(moved.Chi2-base.Chi2) > 1e-3*(1+base.Chi2) {
			t.Fatalf("χ² %g became %g", base.Chi2, moved.Chi2)
		}
	})
}

func solve2(t *rapid.T, st []Station) Result {
	r, err := Solve(context.Background(), st, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// Any number of stations with anything in them ends without a panic, and every
// station is linked or has a finding.
func TestAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 8))
		raster := rapid.SampledFrom([]float64{0, 1, 500, 1000}).Draw(t, "raster") // coarse rasters make layouts symmetric
		var st []Station
		for range rapid.IntRange(0, 5).Draw(t, "stations") {
			s := Station{Name: string(rune('a' + len(st)))}
			for range rapid.IntRange(0, 7).Draw(t, "spheres") {
				p := geom.Vec{X: 2000 * rng.NormFloat64(), Y: 2000 * rng.NormFloat64(), Z: 500 * rng.NormFloat64()}
				if raster > 0 {
					p = geom.Vec{X: math.Round(p.X/raster) * raster, Y: math.Round(p.Y/raster) * raster, Z: math.Round(p.Z/raster) * raster}
				}
				s.Observations = append(s.Observations, Observation{Center: p, Cov: geom.Identity().Scale(0.01 + rng.Float64())})
			}
			st = append(st, s)
		}
		r := solve2(t, st)
		for _, s := range r.Stations {
			named := slices.ContainsFunc(codes(r), func(c string) bool { return c[len(c)-1:] == s.Name })
			if !s.Linked && !named && len(st) > 1 {
				t.Fatalf("%s is neither linked nor named: %v", s.Name, codes(r))
			}
			for _, v := range s.Cov {
				if v-v != 0 {
					t.Fatalf("covariance of %s: %v", s.Name, s.Cov)
				}
			}
		}
	})
}
