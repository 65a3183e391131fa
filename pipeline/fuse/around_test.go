package fuse

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestAround compares the words of a neighbourhood with the places one by one.
func TestAround(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		tree := newTree(Options{Voxel: 1})
		g := tree.levels[0]
		means := rapid.SampledFrom([]int16{math.MinInt16, -meanScale, -1, 0, 1, meanScale, math.MaxInt16})
		weights := rapid.SampledFrom([]uint16{0, 1, math.MaxInt16, math.MaxInt16 + 1, math.MaxUint16})
		covers := rapid.SampledFrom([]uint8{0, some, enough - 1, enough, 127, 128, complete})
		pattern := rapid.Uint64().Draw(rt, "pattern")
		m, w, c := rapid.SliceOfN(means, 7, 7).Draw(rt, "means"), rapid.SliceOfN(weights, 5, 5).Draw(rt, "weights"), rapid.SliceOfN(covers, 11, 11).Draw(rt, "covers")
		for k := range 8 {
			if pattern>>k&1 == 1 && k > 0 {
				continue // no such neighbour
			}
			b := g.blocks[g.block(coord{int32(k & 1), int32(k >> 1 & 1), int32(k >> 2)})]
			for i := range b.mean {
				h := uint64(i+k*blockSize+1) * (pattern | 1) >> 20
				b.mean[i], b.weight[i], b.cover[i] = m[h%7], w[h/7%5], c[h/35%11]
			}
		}
		a := g.around(g.block(coord{}))
		checkAround(rt, a)
		var fast, plain [side]signs
		layerSigns(a.blocks[0], &fast, side)
		layerSignsPlain(a.blocks[0], &plain, side)
		if fast != plain {
			rt.Fatalf("signs %v, want %v", fast, plain)
		}
	})
}

// TestEnteredTwice: lines that are left out have no second sheet behind.
func TestEnteredTwice(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		g := newTree(Options{Voxel: 1}).levels[0]
		front, back := g.block(coord{}), g.block(coord{x: 1})
		seed, period := rapid.Uint64().Draw(rt, "seed")|1, rapid.IntRange(2, 40).Draw(rt, "period")
		for k, id := range []int32{front, back} {
			b := g.blocks[id]
			for i := range b.mean {
				h := uint64(i+k*blockSize+1) * seed >> 24
				b.mean[i] = int16(h%uint64(2*meanScale)) - meanScale
				if i%period < period/2 {
					b.mean[i] = -b.mean[i]
				}
				b.weight[i], b.cover[i] = 1, uint8(min(h>>20&0xff+40, complete))
			}
		}
		for axis := range 3 {
			for _, upwards := range []bool{false, true} {
				twice := g.enteredTwice(front, back, axis, upwards)
				for line := range side * side {
					if gap := behindOn(g.valuesOf(front), g.valuesOf(back), axis, line, upwards); gap > 0 && twice>>line&1 == 0 {
						rt.Fatalf("axis %d, line %d: a sheet %d behind is passed over", axis, line, gap)
					}
				}
			}
		}
	})
}

func checkAround(rt *rapid.T, a *around) {
	look := func(x, y, z int) (known, inside bool) {
		which, i := place(x, y, z)
		if a.blocks[which] == nil {
			return false, false
		}
		b := a.blocks[which]
		return b.isKnown(i), b.isKnown(i) && b.mean[i] < 0
	}
	for i := range blockSize {
		x, y, z := i%side, i/side%side, i/side/side
		bit := i % (side * side)
		known, inside := look(x, y, z)
		for axis, to := range [3][3]int{{x + 1, y, z}, {x, y + 1, z}, {x, y, z + 1}} {
			k, in := look(to[0], to[1], to[2])
			if got, want := a.crossings(axis, z)>>bit&1 == 1, known && k && inside != in; got != want {
				rt.Fatalf("crossing from %d, %d, %d along %d: %v, want %v", x, y, z, axis, got, want)
			}
		}
		all, signs := true, 0
		for c := range 8 {
			k, in := look(x+c&1, y+c>>1&1, z+c>>2)
			all = all && k
			if in {
				signs |= 1 << c
			}
		}
		if got, want := a.cells(z)>>bit&1 == 1, all && signs != 0 && signs != 255; got != want {
			rt.Fatalf("cell %d, %d, %d: %v, want %v", x, y, z, got, want)
		}
		if got := a.signs(bit, z); got != signs {
			rt.Fatalf("cell %d, %d, %d: signs %08b, want %08b", x, y, z, got, signs)
		}
	}
}
