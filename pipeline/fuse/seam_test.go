package fuse

import (
	"context"
	"math"
	"reflect"
	"testing"

	"trammel/pipeline/geom"
)

// TestSeam: a square that a preferred view saw on a larger one that tilts, so that the step
// between the two grows from 0.3 mm on one side to 0.9 mm on the other: its median, what 95 %
// keep within, its largest place and which way the others lie, with cells of one size or two,
// whole or in tiles.
func TestSeam(t *testing.T) {
	const half, slope, noise = 90.0, 0.3 / 90, 0.05
	hand := slab(2*half, 0.9, 0.6, 1, geom.Identity(), geom.Vec{})
	hand.Prefer = true
	tripod := patch(170, 4, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		x, y := 340*(u-0.5), 340*(v-0.5)
		return geom.Vec{X: x, Y: y, Z: -slope * x}, geom.Vec{X: slope, Z: 1}.Unit(), true
	})
	tripod = noisy(tripod, noise, 5)
	for i := range tripod.Weight {
		tripod.Weight[i] = 1 / (noise * noise)
	}
	for i := range hand.Weight {
		hand.Weight[i] = 1e6
	}
	upright := geom.Pose{R: geom.RotVec(geom.Vec{X: math.Pi / 2})}
	tripod.ToCommon, hand.ToCommon = upright, upright // so that it has many layers
	for name, o := range map[string]Options{
		"one size":  {Voxel: 3},
		"two sizes": {Voxel: 3, Follow: func(i int) bool { return i == 1 }},
		"feathered": {Voxel: 3, Feather: 20},
		"tiles":     {Voxel: 3, Memory: beside([]View{tripod, hand}) + 1_200_000},
	} {
		_, s := mustFuse(t, o, tripod, hand)
		g := s.Seam
		t.Logf("%s: %+v, %d tiles", name, g, s.Tiles)
		if g.Places < 25 || g.Places > 60 {
			t.Errorf("%s: %d places along a seam of 720 mm, of 24 mm each", name, g.Places)
		}
		within(t, name+": median", g.Median, 0.6, 0.06)
		within(t, name+": 95 %", g.P95, 0.89, 0.06)
		within(t, name+": largest", g.Worst.Size, -0.87, 0.06) // a mean over three blocks
		within(t, name+": where", g.Worst.At.X, half, 8)
		if g.Worst.Across.X < 0.8 || g.Worst.Normal.Y > -0.99 {
			t.Errorf("%s: across %v, normal %v", name, g.Worst.Across, g.Worst.Normal)
		}
		if !(g.Noise > 0.002 && g.Noise < 0.05) {
			t.Errorf("%s: the noise of a step is %.4f", name, g.Noise)
		}
		if (name == "tiles") != (s.Tiles > 1) {
			t.Errorf("%s: %d tiles", name, s.Tiles)
		}
	}
	_, whole := mustFuse(t, Options{Voxel: 3}, tripod, hand)
	if _, s := mustFuse(t, Options{Voxel: 3, Memory: beside([]View{tripod, hand}) + 1_200_000}, tripod, hand); !reflect.DeepEqual(s.Seam, whole.Seam) {
		t.Errorf("in %d tiles the seam is %+v, as a whole %+v", s.Tiles, s.Seam, whole.Seam)
	}
}

// TestSeamNoise: over many seams without a step the measured ones are as large as their
// standard errors say.
func TestSeamNoise(t *testing.T) {
	const noise = 0.3
	var squares, n float64
	for seed := range uint64(20) {
		hand := slab(120, 1, 0, 1, askew, geom.Vec{})
		hand.Prefer = true
		tripod := noisy(slab(240, 1.5, 0, 1, askew, geom.Vec{}), noise, 100+seed)
		for i := range tripod.Weight {
			tripod.Weight[i] = 1 / (noise * noise)
		}
		for i := range hand.Weight {
			hand.Weight[i] = 1e6
		}
		var c census
		views := []View{hand, tripod}
		tr := newTree(Options{Voxel: 3})
		from := source{2, func(i int) bool { return views[i].Prefer }, func(_ context.Context, i int) (View, error) { return views[i], nil }}
		if err := tr.addAll(t.Context(), from); err != nil {
			t.Fatal(err)
		}
		if _, err := tr.extract(t.Context(), &c, everything(), 0); err != nil {
			t.Fatal(err)
		}
		for i := range c.passages {
			if p := &c.passages[i]; p.links >= leastLinks {
				if p.isKnown(3) {
					size := p.pull / p.mass
					squares, n = squares+size*size*p.both*p.both/p.variance, n+1
				}
			}
		}
	}
	if z := math.Sqrt(squares / n); z < 0.8 || z > 1.25 || n < 200 {
		t.Errorf("steps are %.2f standard errors on root mean square, %v of them", z, n)
	}
}

// TestNoSeamAtAnEdge: where a plate ends for both there is no seam, nor where there is nothing
// but preferred views.
func TestNoSeamAtAnEdge(t *testing.T) {
	hand := slab(100, 1, 0.6, 1, geom.Identity(), geom.Vec{})
	hand.Prefer = true
	if _, s := mustFuse(t, Options{Voxel: 3}, slab(100, 3, 0, 1, geom.Identity(), geom.Vec{}), hand); s.Seam.Places+s.Seam.Unknown > 0 {
		t.Errorf("%+v", s.Seam)
	}
	if _, s := mustFuse(t, Options{Voxel: 3}, hand); s.Seam != (Seam{}) {
		t.Errorf("%+v", s.Seam)
	}
}
