package distance

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sort"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// plainKey is the place of a cell on the curve, as J. Skilling, Programming the Hilbert
// Curve, AIP Conf. Proc. 707 (2004) has it in AxestoTranspose, bit by bit.
func plainKey(x [3]uint32) (key uint64) {
	for q := uint32(1) << (hilbertBits - 1); q > 1; q >>= 1 {
		for i := range x {
			if p := q - 1; x[i]&q != 0 {
				x[0] ^= p
			} else {
				t := (x[0] ^ x[i]) & p
				x[0] ^= t
				x[i] ^= t
			}
		}
	}
	x[1] ^= x[0]
	x[2] ^= x[1]
	var t uint32
	for q := uint32(1) << (hilbertBits - 1); q > 1; q >>= 1 {
		if x[2]&q != 0 {
			t ^= q - 1
		}
	}
	for b := hilbertBits - 1; b >= 0; b-- {
		for i := range x {
			key = key<<1 | uint64((x[i]^t)>>b&1)
		}
	}
	return key
}

// TestCurve: the curve is the published one, whole and in two pieces, and goes from each
// cell to one beside it.
func TestCurve(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var x [3]uint32
		for i := range x {
			x[i] = rapid.Uint32Range(0, hilbertCell).Draw(rt, "x")
		}
		c := cell(spread(x[0])<<2 | spread(x[1])<<1 | spread(x[2]))
		upper := rapid.IntRange(0, hilbertBits).Draw(rt, "upper")
		first, turn := (c >> (3 * (hilbertBits - upper))).along(0, upper)
		rest, _ := c.along(turn, hilbertBits-upper)
		if got, want := first<<(3*(hilbertBits-upper))|rest, plainKey(x); got != want {
			rt.Fatalf("place of cell %v is %d, want %d", x, got, want)
		}
	})
	parts := partsAlong(4, 0)
	for i := range parts[1:] {
		if d := apart(parts[i].cell, parts[i+1].cell); d != 1 {
			t.Fatalf("steps %d and %d of the curve are %d cells apart", i, i+1, d)
		}
	}
}

// apart returns how many steps along the axes lie between two cells.
func apart(a, b cell) (sum int) {
	for axis := range 3 {
		var u, v int
		for level := range hilbertBits {
			u |= int(a>>(3*level+axis)&1) << level
			v |= int(b>>(3*level+axis)&1) << level
		}
		sum += max(u-v, v-u)
	}
	return sum
}

// TestHilbertOrderIsAStableSort compares with the library's stable sort of the published
// keys: surfaces and crowds, many ties, all in one cell, nothing at all.
func TestHilbertOrderIsAStableSort(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	spot := func(n int, size float64) *scan.Mesh { return scattered(r, n, size) }
	outlier := func(m *scan.Mesh, far float64) *scan.Mesh {
		m.Append(geom.Vec{X: far, Y: far / 3})
		last := int32(m.Vertices() - 1)
		m.Tri = append(m.Tri, last, last, last)
		return m
	}
	for name, m := range map[string]*scan.Mesh{
		"nothing":               {},
		"one":                   spot(1, 1),
		"two":                   spot(2, 1),
		"a few":                 spot(300, 1),
		"as many as are sorted": spot(fewest, 1),
		"one more":              spot(fewest+1, 1),
		"a sphere":              icosphere(6, 10),
		"many":                  spot(3*crowd/2, 1),
		"one place":             spot(crowd+9, 0),
		"one crowd":             outlier(spot(crowd+crowd/2, 1), 100),
		"one crowd in another":  outlier(spot(crowd+crowd/2, 1), 2000),
		"one cell":              outlier(spot(crowd+crowd/2, 1), 1e6),
		"far away":              outlier(spot(100, 1), 1e30),
	} {
		got, err := HilbertOrder(context.Background(), m)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got, plainOrder(m)) {
			t.Errorf("%s: not the order of a stable sort", name)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := outlier(scattered(r, 1+r.IntN(2000), float64(r.IntN(3))), math.Pow(10, 8*r.Float64()))
		got, err := HilbertOrder(context.Background(), m)
		if err != nil || !slices.Equal(got, plainOrder(m)) {
			rt.Fatalf("%d triangles: not the order of a stable sort, %v", m.Triangles(), err)
		}
	})
}

// scattered makes small triangles, half of them in heaps that share one middle.
func scattered(r *rand.Rand, n int, size float64) *scan.Mesh {
	m := &scan.Mesh{Origin: geom.Vec{X: 1e4}}
	p := m.Origin
	for range n {
		if r.IntN(2) == 0 {
			p = m.Origin.Add(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}.Scale(size))
		}
		for range 3 {
			m.Append(p)
			m.Tri = append(m.Tri, int32(m.Vertices()-1))
		}
	}
	return m
}

func plainOrder(m *scan.Mesh) []int32 {
	grid, keys, order := newHilbertGrid(m.Bounds(), m.Origin), make([]uint64, m.Triangles()), make([]int32, m.Triangles())
	for i := range order {
		var c corners
		c.load(m, int32(i))
		keys[i] = plainKey([3]uint32{grid.step((c[0]+c[3]+c[6])/3 - grid.x), grid.step((c[1]+c[4]+c[7])/3 - grid.y), grid.step((c[2]+c[5]+c[8])/3 - grid.z)})
		order[i] = int32(i)
	}
	sort.SliceStable(order, func(i, j int) bool { return keys[order[i]] < keys[order[j]] })
	return order
}

// TestOrderOfWorkersDoesNotMatter compares one worker with several.
func TestOrderOfWorkersDoesNotMatter(t *testing.T) {
	m := scattered(rand.New(rand.NewPCG(4, 1)), 2*crowd, 1)
	run := func(workers int) []int32 {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		order, err := HilbertOrder(context.Background(), m)
		if err != nil {
			t.Fatal(err)
		}
		return order
	}
	want := run(1)
	for _, workers := range []int{2, 3, 8} {
		if !slices.Equal(run(workers), want) {
			t.Errorf("%d workers give another order", workers)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := HilbertOrder(ctx, m); !errors.Is(err, context.Canceled) {
		t.Errorf("error = %v, want context.Canceled", err)
	}
}
