package distance

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// mustWithin returns references to m that hold everything, and ever less.
func mustWithin(t testing.TB, m *scan.Mesh) (whole *Reference, less []*Reference) {
	t.Helper()
	whole, err := NewReference(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	for _, byEights := range []bool{false, true} {
		for _, bunches := range []int{fewestBunches, 2, 1} {
			x := &Index{mesh: m, slack: slackOf(m), lowest: 2}
			x.shelf.bunches = bunches
			if x.order, err = newOrder(context.Background(), m, byEights); err != nil {
				t.Fatal(err)
			}
			if err := x.pack(context.Background()); err != nil {
				t.Fatal(err)
			}
			less = append(less, &Reference{x: x})
		}
	}
	return whole, less
}

// meshesForReference are of kinds that make searches hard.
func meshesForReference() map[string]*scan.Mesh {
	r := rand.New(rand.NewPCG(9, 1))
	far := icosphere(3, 10)
	for range 3 {
		far.Append(geom.Vec{X: 1e7})
	}
	n := int32(far.Vertices())
	far.Tri = append(far.Tri, n-3, n-2, n-1)
	two := icosphere(3, 10)
	for i, n := int32(0), int32(two.Vertices()); i < n; i++ {
		two.Append(two.At(i).Add(geom.Vec{X: 1e5}))
	}
	for _, v := range slices.Clone(two.Tri) {
		two.Tri = append(two.Tri, v+int32(two.Vertices()/2))
	}
	flat := grid(40)
	flat.Origin = geom.Vec{X: 1e6, Y: -1e6}
	return map[string]*scan.Mesh{
		"triangles without order": randomSoup(r, 700),
		"a grid":                  flat,
		"a sphere":                icosphere(4, 10),
		"a far place":             far,
		"two bodies":              two,
		"no area":                 {X: make([]float32, 3), Y: []float32{0, 1, 2}, Z: make([]float32, 3), Tri: slices.Repeat([]int32{0, 1, 2, 1, 1, 1}, 200)},
	}
}

// grid is a square of n×n cells of 1 mm, two triangles each, in a shuffled order: many
// triangles are equally far from a place above a corner.
func grid(n int) *scan.Mesh {
	m := &scan.Mesh{}
	for y := range n + 1 {
		for x := range n + 1 {
			m.Append(geom.Vec{X: float64(x), Y: float64(y)})
		}
	}
	w := int32(n + 1)
	for _, c := range rand.New(rand.NewPCG(10, 1)).Perm(n * n) {
		v := int32(c/n)*w + int32(c%n)
		m.Tri = append(m.Tri, v, v+1, v+w+1, v, v+w+1, v+w)
	}
	return m
}

// placesAround are places above and below vertices, edges and faces, halfway between the
// bodies of a mesh, and anywhere.
func placesAround(r *rand.Rand, m *scan.Mesh) []geom.Vec {
	b := m.Bounds()
	p := []geom.Vec{b.Center(), b.Min, {X: math.NaN()}, {Y: math.Inf(1)}}
	for range 200 {
		t := r.IntN(m.Triangles())
		u, v, w := m.Corners(t)
		n := unitNormal(m, int32(t)).Scale(r.NormFloat64())
		p = append(p, u, u.Add(n), u.Add(v).Scale(0.5).Add(n), u.Add(v).Add(w).Scale(1.0/3).Add(n), between(u, v, r.Float64()).Add(n),
			u.Add(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}.Scale(10)), between(b.Center(), u, r.Float64()))
	}
	return p
}

func between(a, b geom.Vec, share float64) geom.Vec { return a.AddScaled(share, b.Sub(a)) }

// TestHoldingLessChangesNothing: what is measured is the same to the last bit, whatever is
// held, and the same as what an index says that holds all fans.
func TestHoldingLessChangesNothing(t *testing.T) {
	ctx := context.Background()
	other := icosphere(2, 11)
	for name, m := range meshesForReference() {
		whole, less := mustWithin(t, m)
		p := placesAround(rand.New(rand.NewPCG(11, 1)), m)
		finite := slices.DeleteFunc(slices.Clone(p), func(v geom.Vec) bool { return !v.IsFinite() })
		want := answersOf(t, whole, other, p, finite)
		for _, limit := range []float64{math.Inf(1), 0.7, 0, math.NaN()} {
			indexed, err := mustBuild(t, m).ClosestAll(ctx, p, limit)
			if err != nil {
				t.Fatal(err)
			}
			got, err := whole.ClosestAll(ctx, p, limit)
			if err != nil || !slices.Equal(got, indexed) {
				t.Errorf("%s, limit %v: the reference says other than the index, %v", name, limit, err)
			}
			for _, r := range less {
				if got, err := r.ClosestAll(ctx, p, limit); err != nil || !slices.Equal(got, indexed) {
					t.Errorf("%s, limit %v, by eights %v, %d bunches: other hits, %v", name, limit, r.x.order.byEights, r.x.shelf.bunches, err)
				}
			}
		}
		for _, r := range less {
			if got := answersOf(t, r, other, p, finite); !reflect.DeepEqual(got, want) {
				t.Errorf("%s, by eights %v, %d bunches: other answers", name, r.x.order.byEights, r.x.shelf.bunches)
			}
		}
	}
}

type answers struct {
	departure Departure
	triangles []int32
}

func answersOf(t *testing.T, r *Reference, other *scan.Mesh, p, finite []geom.Vec) (a answers) {
	t.Helper()
	var err error
	if a.departure, err = r.Departure(context.Background(), other, Options{Samples: 3000, Limit: 1}); err != nil {
		t.Fatal(err)
	}
	if a.triangles, err = r.Triangles(context.Background(), finite); err != nil {
		t.Fatal(err)
	}
	return a
}

// TestLowestOfTheSame: above the corners and the middles of edges of a grid several
// triangles are equally far; the one of the lowest number is named.
func TestLowestOfTheSame(t *testing.T) {
	m := grid(30)
	whole, less := mustWithin(t, m)
	r := rand.New(rand.NewPCG(12, 1))
	for range 300 {
		p := geom.Vec{X: float64(r.IntN(61)) / 2, Y: float64(r.IntN(61)) / 2, Z: float64(r.IntN(3))}
		want, least := int32(-1), math.Inf(1)
		for i := range int32(m.Triangles()) {
			var c corners
			c.load(m, i)
			if d2, _, _ := c.closest(p); d2 < least {
				want, least = i, d2
			}
		}
		for _, ref := range append(less, whole) {
			if got, err := ref.Triangles(context.Background(), []geom.Vec{p}); err != nil || got[0] != want {
				t.Fatalf("closest to %v is triangle %d, want %d, %v", p, got[0], want, err)
			}
		}
	}
}

// TestSignsOfReference: the sign is right outside and inside of each vertex and of the
// middle of each edge.
func TestSignsOfReference(t *testing.T) {
	m := icosphere(4, 10)
	var p []geom.Vec
	for i, v := range m.Tri {
		a, b := m.At(v), m.At(m.Tri[i/3*3+(i+1)%3])
		p = append(p, a.Scale(1.01), a.Scale(0.99), between(a, b, 0.5).Scale(1.01), between(a, b, 0.5).Scale(0.99))
	}
	_, less := mustWithin(t, m)
	for _, r := range less {
		hits, err := r.ClosestAll(context.Background(), p, 1)
		if err != nil {
			t.Fatal(err)
		}
		for i, h := range hits {
			if outside := i%2 == 0; h.Triangle < 0 || (h.Signed > 0) != outside {
				t.Fatalf("point %d at %v: %+v", i, p[i], h)
			}
		}
	}
}

// TestFans: the tree finds the triangles around a vertex that going through all finds.
func TestFans(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := randomSoup(r, fan*fan+1+r.IntN(300))
		for v := range m.Vertices() / 2 { // others at the same place
			m.X[2*v+1], m.Y[2*v+1], m.Z[2*v+1] = m.X[2*v], m.Y[2*v], m.Z[2*v]
		}
		fans := make([][]int32, m.Vertices())
		for i, v := range m.Tri {
			fans[v] = append(fans[v], int32(i/3))
		}
		whole, less := mustWithin(t, m)
		for _, ref := range append(less, whole) {
			s := ref.x.searcher()
			for v, want := range fans {
				if got := ref.x.fanOf(int32(v), s); !slices.Equal(got, want) {
					rt.Fatalf("around vertex %d: %v, want %v", v, got, want)
				}
			}
		}
	})
}

// TestHeld: the whole is held where it fits, then all but two levels, then eights where
// the triangles follow the surface; and searchers get what is left.
func TestHeld(t *testing.T) {
	for _, n := range []int{1, 8, 9, 64, 65, 512, 513, 5000, 33_001} {
		loose, row := grid(130), grid(40)
		loose.Tri, row.Tri = loose.Tri[:3*n], nil
		for i := range int32(n) { // up and down the first rows
			row.Tri = append(row.Tri, i%1000, i%1000+1, i%1000+42)
		}
		whole, single, eights := treeBytes(n, 0, false), treeBytes(n, 2, false), treeBytes(n, 2, true)
		for name, m := range map[string]*scan.Mesh{"loose": loose, "row": row} {
			for _, c := range []struct{ bound, held int64 }{{0, whole}, {whole, whole}, {whole - 1, single}, {single, single}, {single - 1, eights}, {1, eights}} {
				if n <= fan*fan {
					c.held = whole
				} else if name == "loose" {
					c.held = max(c.held, single)
				}
				r, err := NewReferenceWithin(context.Background(), m, c.bound)
				if err != nil {
					t.Fatal(err)
				}
				held := int64(4 * len(r.x.order.number))
				for _, level := range r.x.levels {
					held += int64(len(level)) * nodeSize
				}
				if held != c.held || r.x.order.byEights != (n > fan*fan && c.held == eights) {
					t.Errorf("%d triangles %s within %d bytes: %d held, want %d", n, name, c.bound, held, c.held)
				}
			}
		}
	}
	x := &Index{mesh: &scan.Mesh{Tri: make([]int32, 3<<20)}}
	most := treeBytes(1<<20, 2, false) + 8e6
	if _, err := x.limit(context.Background(), most); err != nil {
		t.Fatal(err)
	}
	if kept := int64(x.shelf.bunches) * bunchSize * int64(runtime.GOMAXPROCS(0)); kept > 8e6 || x.shelf.bunches < mostBunches && 2*kept <= 8e6 {
		t.Errorf("bunches of %d bytes where 8,000,000 are left", kept)
	}
}

// TestWorkersDoNotMatterToLess: one worker and several find the same, and leave no more
// searchers behind than there were workers.
func TestWorkersDoNotMatterToLess(t *testing.T) {
	m := icosphere(5, 100)
	p := placesAround(rand.New(rand.NewPCG(14, 1)), m)
	for len(p) < 10_000 {
		p = append(p, p...)
	}
	run := func(workers int) []Hit {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		_, less := mustWithin(t, m)
		hits, err := less[0].ClosestAll(context.Background(), p, math.Inf(1))
		if err != nil {
			t.Fatal(err)
		}
		if n := len(less[0].x.shelf.free); n == 0 || n > workers {
			t.Errorf("%d searchers for %d workers", n, workers)
		}
		return hits
	}
	want := run(1)
	for _, workers := range []int{2, 3, 8} {
		if !slices.Equal(run(workers), want) {
			t.Errorf("%d workers give another result", workers)
		}
	}
}

func TestReferenceRefuses(t *testing.T) {
	if _, err := NewReferenceWithin(context.Background(), &scan.Mesh{}, 1); !errors.Is(err, ErrEmpty) {
		t.Errorf("of nothing: %v", err)
	}
	loose := icosphere(1, 1)
	loose.Tri[2] = 1000
	if r, err := NewReferenceWithin(context.Background(), loose, 1); !errors.Is(err, ErrIndex) || r != nil {
		t.Errorf("of a broken mesh: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, less := mustWithin(t, icosphere(3, 1))
	if _, err := less[0].ClosestAll(ctx, make([]geom.Vec, 10), 1); !errors.Is(err, context.Canceled) {
		t.Errorf("error = %v, want context.Canceled", err)
	}
}
