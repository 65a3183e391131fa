package fuse

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// TestJoinsAreComplete goes through all cells between two levels: every loop that is left
// when edges have become one is cut into triangles, none with a diagonal in a face.
func TestJoinsAreComplete(t *testing.T) {
	n := 0
	for odd := 1; odd < 7; odd++ {
		for coarse := 1; coarse < 256; coarse++ {
			if !isWhole(odd, 255, coarse) {
				continue
			}
			for signs := range 256 {
				if !isWhole(odd, coarse, signs) {
					continue
				}
				if _, ok := joinCase(odd, coarse, signs); !ok {
					t.Errorf("odd %03b, coarse %08b, signs %08b: not to be cut", odd, coarse, signs)
				}
				n++
			}
		}
	}
	if n == 0 {
		t.Fatal("no case")
	}
}

// fieldOf fills the leaves of a plan in n³ blocks of level 0 around the origin with a field
// of the place.
func fieldOf(n int32, o Options, marked []coord, field func(p geom.Vec) float64) (*tree, error) {
	tr := newTree(o)
	if err := tr.settle(geom.Vec{}); err != nil {
		return nil, err
	}
	for _, c := range marked {
		tr.plan.mark(c)
	}
	tr.grow()
	for l, g := range tr.levels {
		for k := range n * n * n << (3 * l) {
			m := n << l
			c := coord{k%m - m/2, k/m%m - m/2, k/(m*m) - m/2}
			id := g.block(c)
			if id < 0 {
				continue
			}
			b, unit := g.blocks[id], float64(g.unitOf(id))
			for i := range b.mean {
				p := geom.Vec{X: float64(int(c.x)*side + i%side), Y: float64(int(c.y)*side + i/side%side), Z: float64(int(c.z)*side + i/side/side)}
				d := field(p.Scale(g.o.Voxel).Add(g.origin)) / g.o.Voxel / unit
				b.mean[i], b.weight[i], b.cover[i] = packMean(float32(min(max(d, -band), band))), packWeight(1), complete
			}
		}
	}
	return tr, nil
}

// checkFans fails where the triangles around a vertex are not one fan.
func checkFans(m *scan.Mesh) error {
	fans := make([]map[int32]int32, m.Vertices()) // from the second to the third corner
	for i, v := range m.Tri {
		if fans[v] == nil {
			fans[v] = map[int32]int32{}
		}
		fans[v][m.Tri[i-i%3+(i+1)%3]] = m.Tri[i-i%3+(i+2)%3]
	}
	for v, fan := range fans {
		start, isFirst := int32(-1), map[int32]bool{}
		for a := range fan {
			isFirst[a] = true
		}
		for _, b := range fan {
			isFirst[b] = false
		}
		for a := range fan {
			if start < 0 || isFirst[a] && !isFirst[start] || isFirst[a] == isFirst[start] && a < start {
				start = a
			}
		}
		n := 0
		for a, ok := start, len(fan) > 0; ok && n <= len(fan); n++ {
			a, ok = fan[a]
			if ok {
				_, ok = fan[a]
			}
			if a == start {
				n++
				break
			}
		}
		if n != len(fan) {
			return fmt.Errorf("vertex %d: a fan of %d triangles among %d", v, n, len(fan))
		}
	}
	return nil
}

// TestLevelsJoin: random fields on random octrees of up to four levels that are outside at
// their border give closed surfaces of consistent sense, one fan around every vertex.
func TestLevelsJoin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		share := rapid.Float64Range(0.05, 0.95).Draw(t, "share inside")
		const reach = 6.0
		o := Options{Voxel: 1}
		for range rapid.IntRange(0, 3).Draw(t, "boxes") {
			p := geom.Vec{X: 2 * reach * (r.Float64() - 0.5), Y: 2 * reach * (r.Float64() - 0.5), Z: 2 * reach * (r.Float64() - 0.5)}
			o.Fine = append(o.Fine, Fine{Box: geom.Box{Min: p, Max: p.Add(geom.Vec{X: 3 * r.Float64(), Y: 3 * r.Float64(), Z: 3 * r.Float64()})}, Voxel: []float64{0.5, 0.5, 0.5, 0.3, 0.3, 0.25, 0.25, 0.125}[r.IntN(8)]})
		}
		var marked []coord
		for range rapid.IntRange(0, 6).Draw(t, "marks") {
			marked = append(marked, coord{r.Int32N(2) - 1, r.Int32N(2) - 1, r.Int32N(2) - 1})
		}
		tr, err := fieldOf(2, o, marked, func(p geom.Vec) float64 {
			if max(math.Abs(p.X), math.Abs(p.Y), math.Abs(p.Z)) > reach || r.Float64() > share {
				return 0.1 + r.Float64()
			}
			return -0.1 - r.Float64()
		})
		if err != nil {
			t.Fatal(err)
		}
		m, err := tr.extract(context.Background(), new(census), everything(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if f := factsOf(m.Mesh); f.border != 0 || f.complex != 0 || f.turned != 0 {
			t.Fatalf("%d border edges, %d of more than two triangles, %d between triangles of opposite sense", f.border, f.complex, f.turned)
		}
		if err := checkFans(m.Mesh); err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(m.Tri); i += 3 {
			if m.Tri[i] == m.Tri[i+1] || m.Tri[i+1] == m.Tri[i+2] || m.Tri[i] == m.Tri[i+2] {
				t.Fatal("a triangle with one corner twice")
			}
		}
	})
}

// TestPlaneAcrossLevels: an exact field of a plane gives its points to rounding, and all
// triangles face up, whatever levels it passes.
func TestPlaneAcrossLevels(t *testing.T) {
	n := geom.Vec{X: 0.2, Y: -0.35, Z: 1}.Unit()
	o := Options{Voxel: 1, Fine: []Fine{{Box: geom.Box{Min: geom.Vec{X: -3, Y: -3, Z: -3}, Max: geom.Vec{X: 2, Y: 4, Z: 3}}, Voxel: 0.25}, {Box: geom.Box{Min: geom.Vec{X: -14, Y: -14, Z: -14}, Max: geom.Vec{X: -10, Y: 14, Z: 14}}, Voxel: 0.5}}}
	tr, err := fieldOf(4, o, nil, func(p geom.Vec) float64 { return p.Dot(n) })
	if err != nil {
		t.Fatal(err)
	}
	m, err := tr.extract(context.Background(), new(census), everything(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if f := checkManifold(t, m.Mesh); f.euler() != 1 {
		t.Errorf("Euler characteristic %d of a disc, want 1", f.euler())
	}
	if w := worst(m.Mesh, func(p geom.Vec) float64 { return p.Dot(n) }); w > 3e-3 {
		t.Errorf("%.3g cells off the plane", w)
	}
	small := 0
	for k := range m.Triangles() {
		a, b, c := m.Corners(k)
		cross, longest := b.Sub(a).Cross(c.Sub(a)), max(a.Dist(b), b.Dist(c), c.Dist(a))
		if cross.Norm() > 0.02*longest && cross.Unit().Dot(n) < 0.9 { // narrower ones tilt by leastShare
			t.Fatalf("a triangle at %v of %.2g square cells faces %v", a, cross.Norm()/2, cross.Unit())
		}
		if b.Sub(a).Norm() < 0.4 {
			small++
		}
	}
	if small == 0 {
		t.Error("no fine triangle")
	}
}

// offSphere measures vertices in and out of a box against a sphere.
func offSphere(m *scan.Mesh, box geom.Box, c geom.Vec, r float64) (in, out float64) {
	for i := range int32(m.Vertices()) {
		e := math.Abs(m.At(i).Sub(c).Norm() - r)
		if box.Contains(m.At(i)) {
			in = max(in, e)
		} else {
			out = max(out, e)
		}
	}
	return in, out
}

// TestSphereAcrossLevels: a sphere half of which is to be finer stays closed, its error on
// the fine side is that of small cells, and where the levels meet it is no larger than on
// the coarse side.
func TestSphereAcrossLevels(t *testing.T) {
	const r, h = 60.0, 4.0
	c := geom.Vec{X: 1.3, Y: 0.7, Z: -0.4}
	whole, _ := mustFuse(t, Options{Voxel: h}, sphere(r, 0.6, c))
	_, usual := offSphere(whole, geom.EmptyBox(), c, r)
	for levels, voxel := range []float64{h / 2, h / 4} {
		box := geom.Box{Min: geom.Vec{X: 5, Y: -100, Z: -100}, Max: geom.Vec{X: 100, Y: 100, Z: 100}}
		m, s := mustFuse(t, Options{Voxel: h, Fine: []Fine{{box, voxel}}}, sphere(r, 0.6, c))
		f := checkManifold(t, m)
		if f.border != 0 || f.euler() != 2 {
			t.Errorf("%d border edges, Euler characteristic %d, want 0 and 2", f.border, f.euler())
		}
		if err := checkFans(m); err != nil {
			t.Error(err)
		}
		in, out := offSphere(m, box, c, r)
		if in > usual/3 || out > 1.1*usual {
			t.Errorf("cells of %v mm: %.3f mm off inside the box, %.3f outside; %.3f with cells of %v mm alone", voxel, in, out, usual, h)
		}
		t.Logf("cells of %v mm: %.4f mm off inside the box, %.4f outside, %.4f with cells of %v mm alone; %d and %d triangles, %d blocks", voxel, in, out, usual, h, f.triangles, whole.Triangles(), s.Blocks)
		if want := []int{2, 6}[levels]; f.triangles < want*whole.Triangles() {
			t.Errorf("%d triangles, %d without", f.triangles, whole.Triangles())
		}
	}
}

// TestHoleAcrossLevels: a plate with a bolt hole through which the border between levels
// passes has one surface with one hole, and its edge is no further off than the cells are
// large on either side.
func TestHoleAcrossLevels(t *testing.T) {
	const radius, h = 9.0, 3.0
	plate := func(step float64) View {
		return patch(int(160/step), step*step, func(u, v float64) (geom.Vec, geom.Vec, bool) {
			p := geom.Vec{X: 160 * (u - 0.5), Y: 160 * (v - 0.5)}
			return askew.MulVec(p), askew.Col(2), p.Norm() > radius
		})
	}
	for _, voxel := range []float64{1.5, 0.75} {
		box := geom.Box{Min: geom.Vec{X: 1, Y: -30, Z: -30}, Max: geom.Vec{X: 30, Y: 30, Z: 30}}
		m, _ := mustFuse(t, Options{Voxel: h, Fine: []Fine{{box, voxel}}}, plate(0.5))
		f := checkManifold(t, m)
		if f.euler() != 0 {
			t.Errorf("cells of %v mm: Euler characteristic %d of a ring, want 0", voxel, f.euler())
		}
		if w := worst(m, func(p geom.Vec) float64 { return p.Dot(askew.Col(2)) }); w > 0.01 {
			t.Errorf("%.3f mm off the plane", w)
		}
		inner := [2]float64{math.Inf(1), math.Inf(1)}
		for i := range int32(m.Vertices()) {
			k := 0
			if box.Contains(m.At(i)) {
				k = 1
			}
			inner[k] = min(inner[k], m.At(i).Norm())
		}
		within(t, "radius of the hole in the box", inner[1], radius, 1.2*voxel)
		within(t, "radius of the hole outside", inner[0], radius, h)
	}
}

// TestSparseViewInFineCells: points ten fine cells apart give a whole surface there too,
// and no hole where a dense view begins.
func TestSparseViewInFineCells(t *testing.T) {
	box := geom.Box{Min: geom.Vec{X: -40, Y: -40, Z: -40}, Max: geom.Vec{X: 40, Y: 40, Z: 40}}
	m, _ := mustFuse(t, Options{Voxel: 4, Fine: []Fine{{box, 0.5}}}, slab(200, 5, 0, 1, askew, geom.Vec{}))
	if f := checkManifold(t, m); f.euler() != 1 {
		t.Errorf("Euler characteristic %d of a disc, want 1", f.euler())
	}
	n := askew.Col(2)
	if w := worst(m, func(p geom.Vec) float64 { return p.Dot(n) }); w > 0.02 {
		t.Errorf("%.3f mm off the plane", w)
	}
	for _, apart := range []float64{0, 0.2} {
		m, _ = mustFuse(t, Options{Voxel: 4, Fine: []Fine{{box, 0.5}}}, slab(200, 5, apart, 1, askew, geom.Vec{}), slab(30, 0.4, 0, 1, askew, geom.Vec{}))
		if f := checkManifold(t, m); apart == 0 && f.euler() != 1 {
			t.Errorf("with a dense view: Euler characteristic %d of a disc, want 1", f.euler())
		}
		for i := range int32(m.Vertices()) {
			if p := m.At(i); p.Norm() < 10 && math.Abs(p.Dot(n)) > 0.02 {
				t.Fatalf("the sparse view moves the dense one by %.3f mm", p.Dot(n))
			}
		}
	}
}

// TestFineRefusals: finer cells that make no sense, and ones that do not fit.
func TestFineRefusals(t *testing.T) {
	v := slab(60, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	box := geom.Box{Min: geom.Vec{X: -10, Y: -10, Z: -10}, Max: geom.Vec{X: 10, Y: 10, Z: 10}}
	for name, f := range map[string]Fine{"nothing": {box, 0}, "an empty box": {geom.EmptyBox(), 1}, "far too fine": {box, 0.01}} {
		_, _, err := Fuse(context.Background(), 1, func(int) bool { return false }, func(context.Context, int) (View, error) { return v, nil }, Options{Voxel: 3, Fine: []Fine{f}})
		if err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// TestFollow: where a followed view is denser than half a cell there are smaller cells, and
// a groove of less than two cells, which it resolved, is closer to what it is; where it is
// not that dense there are none.
func TestFollow(t *testing.T) {
	const h, width, depth = 3.0, 4.0, 1.0
	const middle = 1.5 // between two places of the grid
	height := func(x float64) float64 { return -depth * math.Exp(-4*(x-middle)*(x-middle)/(width*width)) }
	groove := func(step float64) View {
		return patch(int(90/step), step*step, func(u, v float64) (geom.Vec, geom.Vec, bool) {
			p := geom.Vec{X: 90 * (u - 0.5), Y: 90 * (v - 0.5)}
			p.Z = height(p.X)
			return p, geom.Vec{X: 8 * (p.X - middle) / (width * width) * p.Z, Z: 1}.Unit(), true
		})
	}
	measure := func(o Options, v View) (off float64, triangles int) {
		m, _ := mustFuse(t, o, v, slab(200, 2, 0, 1, geom.Identity(), geom.Vec{X: 300}))
		if f := checkManifold(t, m); f.euler() != 2 {
			t.Errorf("Euler characteristic %d of two discs, want 2", f.euler())
		}
		for k := range m.Triangles() {
			a, b, c := m.Corners(k)
			for _, p := range []geom.Vec{a.Add(b).Scale(0.5), b.Add(c).Scale(0.5), c.Add(a).Scale(0.5)} {
				if math.Abs(p.X) < 40 && math.Abs(p.Y) < 40 {
					off = max(off, math.Abs(p.Z-height(p.X)))
				}
			}
		}
		return off, m.Triangles()
	}
	all := func(int) bool { return true }
	without, n := measure(Options{Voxel: h}, groove(0.5))
	with, more := measure(Options{Voxel: h, Follow: all}, groove(0.5))
	if with > 0.75*without || more < n+n/4 {
		t.Errorf("%.3f mm off with cells that follow and %.3f without; %d and %d triangles", with, without, more, n)
	}
	t.Logf("%.3f mm off with cells that follow, %.3f without; %d and %d triangles", with, without, more, n)
	if _, same := measure(Options{Voxel: h, Follow: all}, groove(2)); same > n+n/10 {
		t.Errorf("a view of 2 mm has %d triangles, without following %d", same, n)
	}
}
