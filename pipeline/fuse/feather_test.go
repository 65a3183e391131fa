package fuse

import (
	"context"
	"math"
	"reflect"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// steepest returns the largest slope of the triangles of a mesh of level slabs, but for those
// near its border.
func steepest(m *scan.Mesh) float64 {
	var most float64
	inner := m.Bounds().Grow(-12)
	for k := range m.Triangles() {
		a, b, c := m.Corners(k)
		middle := a.Add(b).Add(c).Scale(1.0 / 3)
		n := b.Sub(a).Cross(c.Sub(a))
		if n.Norm() > 0.2 && middle.X > inner.Min.X && middle.X < inner.Max.X && middle.Y > inner.Min.Y && middle.Y < inner.Max.Y {
			most = max(most, math.Hypot(n.X, n.Y)/n.Z)
		}
	}
	return most
}

// TestFeather: across the stated width the surface passes from one view to the other with the
// slope of a cubic, 1.5 times the step over the width; inside, the preferred view alone
// counts, outside the other one, with cells of one size or finer ones.
func TestFeather(t *testing.T) {
	const step, width, h = 0.6, 30.0, 3.0
	hand := slab(140, 0.9, step, 1, geom.Identity(), geom.Vec{})
	hand.Prefer = true
	tripod := slab(260, 2, 0, 1, geom.Identity(), geom.Vec{})
	for name, o := range map[string]Options{
		"one size":  {Voxel: h},
		"two sizes": {Voxel: h, Follow: func(i int) bool { return i == 1 }},
	} {
		sharp, _ := mustFuse(t, o, tripod, hand)
		o.Feather = width
		m, s := mustFuse(t, o, tripod, hand)
		if f := checkManifold(t, m); f.euler() != 1 {
			t.Errorf("%s: Euler characteristic %d of a disc, want 1", name, f.euler())
		}
		for i := range int32(m.Vertices()) {
			p := m.At(i)
			switch far := max(math.Abs(p.X), math.Abs(p.Y)); {
			case far < 70-width-2*h:
				within(t, name+": height under the preferred view", p.Z, step, 0.02)
			case far > 70+h && far < 120:
				within(t, name+": height beyond it", p.Z, 0, 0.02)
			case far < 120 && (p.Z < -0.01 || p.Z > step+0.01):
				t.Errorf("%s: %.3f mm high at %v, not between the two", name, p.Z, p)
			}
		}
		before, after := steepest(sharp), steepest(m)
		if after > 2*1.5*step/width || before < 2*after {
			t.Errorf("%s: slope %.4f with a feather and %.4f without; a cubic has %.4f", name, after, before, 1.5*step/width)
		}
		within(t, name+": step", s.Seam.Mean, -step, 0.02)
	}
}

// TestFeatherKeepsEdges: where a plate ends for both, the preferred view counts up to the
// edge.
func TestFeatherKeepsEdges(t *testing.T) {
	hand := slab(100, 1, 0.6, 1, geom.Identity(), geom.Vec{})
	hand.Prefer = true
	m, _ := mustFuse(t, Options{Voxel: 3, Feather: 20}, slab(100, 3, 0, 1, geom.Identity(), geom.Vec{}), hand)
	for i := range int32(m.Vertices()) {
		if p := m.At(i); max(math.Abs(p.X), math.Abs(p.Y)) < 47 {
			within(t, "height", p.Z, 0.6, 0.02)
		}
	}
}

// TestFeatherInTiles: tiles do not show with a feather either.
func TestFeatherInTiles(t *testing.T) {
	hand := noisy(slab(80, 0.9, 0.5, 1, askew, geom.Vec{}), 0.1, 3)
	hand.Prefer = true
	views := []View{noisy(slab(160, 2, 0, 1, askew, geom.Vec{}), 0.3, 4), hand}
	o := Options{Voxel: 3, Feather: 15, Follow: func(i int) bool { return i == 1 }}
	m, _ := mustFuse(t, o, views...)
	var c, d census
	from := source{len(views), func(i int) bool { return views[i].Prefer }, func(_ context.Context, i int) (View, error) { return views[i], nil }}
	whole := newTree(o)
	if err := whole.follow(context.Background(), from); err != nil {
		t.Fatal(err)
	}
	if err := whole.addAll(context.Background(), from); err != nil {
		t.Fatal(err)
	}
	all, err := whole.extract(context.Background(), &c, everything(), 0)
	if err != nil {
		t.Fatal(err)
	}
	cut := &surface{Mesh: &scan.Mesh{Origin: whole.origin}}
	for z := int32(-20); z < 20; z += 2 {
		if err := whole.addSlab(context.Background(), layers{z, z + 2}, from, &d, cut); err != nil {
			t.Fatal(err)
		}
	}
	if !reflect.DeepEqual(all, cut) || m.Triangles() == 0 {
		t.Errorf("in slabs %d triangles, as a whole %d", cut.Triangles(), all.Triangles())
	}
}

// TestSharpness: a spot within what a point reaches anyway takes nothing from it; one twice as
// wide leaves it a quarter.
func TestSharpness(t *testing.T) {
	within(t, "small spot", Sharpness(4, 9, 2), 1, 0)
	within(t, "spot of the double reach", Sharpness(1, 4*(2*lateral)*(2*lateral), 2), 0.25, 1e-12)
	within(t, "sparse point", Sharpness(100, 169, 2), 1, 1e-12)
	within(t, "no spot", Sharpness(4, 0, 2), 1, 0)
}
