package fuse

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// gridOf fills n³ blocks with a field of the place.
func gridOf(n int, voxel float64, field func(p geom.Vec) float64) *grid {
	g := newTree(Options{Voxel: voxel}).levels[0]
	for k := range n * n * n {
		c := coord{int32(k%n - n/2), int32(k/n%n - n/2), int32(k/(n*n) - n/2)}
		id := g.block(c)
		b := g.blocks[id]
		for i := range b.mean {
			p := geom.Vec{X: float64(int(c.x)*side + i%side), Y: float64(int(c.y)*side + i/side%side), Z: float64(int(c.z)*side + i/side/side)}
			d := field(p.Scale(voxel)) / voxel
			b.mean[i], b.weight[i], b.cover[i] = packMean(float32(min(max(d, -band), band))), packWeight(1), complete
		}
	}
	return g
}

// TestRandomFieldIsClosed: random signs on a grid that is outside at its border give a
// closed surface of consistent sense, whatever faces are ambiguous (CV-6.2).
func TestRandomFieldIsClosed(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, share := range []float64{0.1, 0.3, 0.5, 0.7, 0.9} {
		g := gridOf(3, 1, func(p geom.Vec) float64 {
			if max(math.Abs(p.X), math.Abs(p.Y), math.Abs(p.Z)) > 7 || r.Float64() > share {
				return 1
			}
			return -1
		})
		m, err := g.tree.extract(context.Background(), new(census), everything(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if f := checkManifold(t, m.Mesh); f.border != 0 {
			t.Errorf("share %v: %d border edges", share, f.border)
		}
	}
}

// TestRandomFieldWithGaps: where places are unknown the surface has a border and stays
// a manifold.
func TestRandomFieldWithGaps(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 2))
	g := gridOf(2, 1, func(geom.Vec) float64 { return r.NormFloat64() })
	for _, b := range g.blocks {
		for i := range b.cover {
			if r.IntN(10) == 0 {
				b.cover[i] = 0
			}
		}
	}
	m, err := g.tree.extract(context.Background(), new(census), everything(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if f := checkManifold(t, m.Mesh); f.border == 0 {
		t.Error("no border beside unknown places")
	}
}

// TestSphereField: every vertex of the field |x| - R satisfies
// -h²/(8(R-h)) ≤ |v| - R ≤ 0, and the mesh has the Euler characteristic of a sphere
// (CV-6.3). The one-sided bound catches interpolation with the wrong weight.
func TestSphereField(t *testing.T) {
	const r, h = 60.0, 4.0
	g := gridOf(6, h, func(p geom.Vec) float64 { return p.Sub(geom.Vec{X: 0.3, Y: -0.7, Z: 0.11}).Norm() - r })
	m, err := g.tree.extract(context.Background(), new(census), everything(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if f := checkManifold(t, m.Mesh); f.border != 0 || f.euler() != 2 {
		t.Errorf("%d border edges, Euler characteristic %d, want 0 and 2", f.border, f.euler())
	}
	lo, hi := -h*h/(8*(r-h)), leastShare*h // a vertex keeps this share of an edge from its ends
	for i := range int32(m.Vertices()) {
		if e := m.At(i).Sub(geom.Vec{X: 0.3, Y: -0.7, Z: 0.11}).Norm() - r; e < lo-hi || e > hi {
			t.Fatalf("vertex at %.6f from the sphere, not in [%.6f, 0]", e, lo)
		}
	}
}
