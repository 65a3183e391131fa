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

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.12g, want %.12g ± %g", what, got, want, tol)
	}
}

// meshOf builds a mesh from vertices and triangles around an origin.
func meshOf(origin geom.Vec, v []geom.Vec, tri []int32) *scan.Mesh {
	m := &scan.Mesh{Origin: origin, Tri: tri}
	for _, p := range v {
		m.Append(p.Add(origin))
	}
	return m
}

// icosphere subdivides an icosahedron; every vertex lies at distance r.
func icosphere(level int, r float64) *scan.Mesh {
	const g = math.Phi
	v := []geom.Vec{{X: -1, Y: g}, {X: 1, Y: g}, {X: -1, Y: -g}, {X: 1, Y: -g}, {Y: -1, Z: g}, {Y: 1, Z: g}, {Y: -1, Z: -g}, {Y: 1, Z: -g}, {X: g, Z: -1}, {X: g, Z: 1}, {X: -g, Z: -1}, {X: -g, Z: 1}}
	tri := []int32{0, 11, 5, 0, 5, 1, 0, 1, 7, 0, 7, 10, 0, 10, 11, 1, 5, 9, 5, 11, 4, 11, 10, 2, 10, 7, 6, 7, 1, 8, 3, 9, 4, 3, 4, 2, 3, 2, 6, 3, 6, 8, 3, 8, 9, 4, 9, 5, 2, 4, 11, 6, 2, 10, 8, 6, 7, 9, 8, 1}
	for i := range v {
		v[i] = v[i].Unit()
	}
	for range level {
		v, tri = subdivide(v, tri)
	}
	for i := range v {
		v[i] = v[i].Scale(r)
	}
	return meshOf(geom.Vec{}, v, tri)
}

func subdivide(v []geom.Vec, tri []int32) ([]geom.Vec, []int32) {
	mids := map[[2]int32]int32{}
	mid := func(a, b int32) int32 {
		k := [2]int32{min(a, b), max(a, b)}
		if _, ok := mids[k]; !ok {
			v = append(v, v[a].Add(v[b]).Unit())
			mids[k] = int32(len(v) - 1)
		}
		return mids[k]
	}
	var out []int32
	for t := 0; t < len(tri); t += 3 {
		a, b, c := tri[t], tri[t+1], tri[t+2]
		ab, bc, ca := mid(a, b), mid(b, c), mid(c, a)
		out = append(out, a, ab, ca, b, bc, ab, c, ca, bc, ab, bc, ca)
	}
	return v, out
}

// cube is [-1,1]³ with outward triangles, scaled by s and moved to the origin.
func cube(origin geom.Vec, s float64) *scan.Mesh {
	b := geom.Box{Min: geom.Vec{X: -s, Y: -s, Z: -s}, Max: geom.Vec{X: s, Y: s, Z: s}}
	v := b.Corners()
	tri := []int32{0, 1, 3, 0, 3, 2, 4, 6, 7, 4, 7, 5, 0, 4, 5, 0, 5, 1, 2, 3, 7, 2, 7, 6, 0, 2, 6, 0, 6, 4, 1, 5, 7, 1, 7, 3}
	return meshOf(origin, v[:], tri)
}

func mustBuild(t testing.TB, m *scan.Mesh) *Index {
	t.Helper()
	x, err := Build(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// TestCubeClosedForm compares with the distance of a point to a cube, which has a
// closed form inside and outside; the sign is decided at faces, edges and corners.
func TestCubeClosedForm(t *testing.T) {
	for _, origin := range []geom.Vec{{}, {X: 1e7}, {X: -1e7, Y: 1e7, Z: 1e6}} {
		x := mustBuild(t, cube(origin, 1))
		rapid.Check(t, func(rt *rapid.T) {
			c := rapid.Float64Range(-3, 3)
			p := geom.Vec{X: c.Draw(rt, "x"), Y: c.Draw(rt, "y"), Z: c.Draw(rt, "z")}
			h, ok := x.Closest(p.Add(origin), math.Inf(1))
			if want := cubeDistance(p); !ok || math.Abs(h.Signed-want) > 1e-8 {
				rt.Fatalf("signed distance of %v = %v, %v, want %v", p, h.Signed, ok, want)
			}
			if d := h.Point.Dist(p.Add(origin)); math.Abs(d-h.Distance) > 1e-8 {
				rt.Fatalf("closest point is %v away, distance says %v", d, h.Distance)
			}
		})
	}
}

// cubeDistance is the usual closed form of the signed distance to [-1,1]³.
func cubeDistance(p geom.Vec) float64 {
	q := geom.Vec{X: math.Abs(p.X) - 1, Y: math.Abs(p.Y) - 1, Z: math.Abs(p.Z) - 1}
	return q.Max(geom.Vec{}).Norm() + math.Min(max(q.X, q.Y, q.Z), 0)
}

// TestSignAtEveryFeature asks outside and inside of each vertex and edge of a
// spiky star, where a face normal alone gives wrong signs (Bærentzen & Aanæs 2005).
func TestSignAtEveryFeature(t *testing.T) {
	m := icosphere(1, 1)
	for v := range 12 { // pull the twelve original corners out to thin spikes
		m.X[v], m.Y[v], m.Z[v] = 6*m.X[v], 6*m.Y[v], 6*m.Z[v]
	}
	x := mustBuild(t, m)
	for v := range int32(m.Vertices()) {
		p := m.At(v)
		for _, f := range []float64{1.05, 0.95} {
			if h, _ := x.Closest(p.Scale(f), math.Inf(1)); (h.Signed > 0) != (f > 1) {
				t.Errorf("vertex %d times %v: signed %v", v, f, h.Signed)
			}
		}
	}
}

// TestAgainstExhaustiveSearch compares tree and plain loop on random triangles,
// among them needles and points, at random limits.
func TestAgainstExhaustiveSearch(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		m := randomSoup(r, 1+r.IntN(200))
		x := mustBuild(t, m)
		for range 20 {
			p := geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
			limit := math.Inf(1)
			if r.IntN(3) == 0 {
				limit = r.Float64()
			}
			want := found{d2: limit * limit, place: -1}
			for i := range m.Triangles() {
				x.try(x.local(p), int32(i), &want)
			}
			got, ok := x.Closest(p, limit)
			if ref := x.hit(x.local(p), &want, x.searcher()); got != ref || ok != (want.place >= 0) {
				rt.Fatalf("%d triangles, query %v, limit %v: got %+v want %+v", m.Triangles(), p, limit, got, ref)
			}
		}
	})
}

func randomSoup(r *rand.Rand, n int) *scan.Mesh {
	m := &scan.Mesh{Origin: geom.Vec{X: 0.5}}
	for range n + 2 {
		m.Append(geom.Vec{X: r.NormFloat64(), Y: math.Round(r.NormFloat64()), Z: r.NormFloat64()})
	}
	for range 3 * n {
		m.Tri = append(m.Tri, int32(r.IntN(m.Vertices())))
	}
	return m
}

func TestDegenerateAndBroken(t *testing.T) {
	line := meshOf(geom.Vec{}, []geom.Vec{{}, {X: 1}, {X: 2}}, []int32{0, 1, 2, 0, 0, 0})
	h, ok := mustBuild(t, line).Closest(geom.Vec{X: 1.5, Y: 2}, 10)
	if !ok || h.Distance != 2 {
		t.Errorf("distance to a line = %v, %v, want 2", h.Distance, ok)
	}
	if _, ok := mustBuild(t, &scan.Mesh{}).Closest(geom.Vec{}, 1); ok {
		t.Error("an empty mesh has a closest point")
	}
	if _, ok := mustBuild(t, line).Closest(geom.Vec{X: math.NaN()}, 1); ok {
		t.Error("a query without coordinates has a closest point")
	}
	if _, ok := mustBuild(t, line).Closest(geom.Vec{}, math.NaN()); ok {
		t.Error("a limit that is no number finds something")
	}
	nan := meshOf(geom.Vec{}, []geom.Vec{{}, {X: 1}, {Y: math.Inf(1)}}, []int32{0, 1, 2})
	if _, err := Build(context.Background(), nan); !errors.Is(err, ErrNotFinite) {
		t.Errorf("infinite vertex: %v", err)
	}
	for _, bad := range []int32{3, -1} {
		line.Tri[5] = bad
		if _, err := Build(context.Background(), line); !errors.Is(err, ErrIndex) {
			t.Errorf("index %d: %v", bad, err)
		}
	}
}

// TestWorkersDoNotMatter compares everything that one and eight workers give.
func TestWorkersDoNotMatter(t *testing.T) {
	m, small := icosphere(5, 1000), icosphere(3, 1001)
	r := rand.New(rand.NewPCG(7, 7))
	p := make([]geom.Vec, 20_000)
	for i := range p {
		p[i] = geom.Vec{X: 1200 * r.NormFloat64(), Y: 1200 * r.NormFloat64(), Z: 1200 * r.NormFloat64()}
	}
	run := func(workers int) ([]Hit, Deviation) {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		hits, err := mustBuild(t, m).ClosestAll(context.Background(), p, 900)
		if err != nil {
			t.Fatal(err)
		}
		d, err := TwoSided(context.Background(), m, small, Options{Limit: 8})
		if err != nil {
			t.Fatal(err)
		}
		return hits, d
	}
	hits, dev := run(1)
	x := mustBuild(t, m)
	for i := range 500 {
		if h, _ := x.Closest(p[i], 900); h != hits[i] {
			t.Fatalf("batch and single differ at %v: %+v, %+v", p[i], hits[i], h)
		}
	}
	for _, workers := range []int{2, 3, 8} {
		if h, d := run(workers); !slices.Equal(h, hits) || !reflect.DeepEqual(d, dev) {
			t.Errorf("%d workers give another result", workers)
		}
	}
}

func TestStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := TwoSided(ctx, icosphere(3, 1), icosphere(2, 1), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("error = %v, want context.Canceled", err)
	}
}

// TestArranged: whatever the size, the tree holds each triangle once, and its boxes
// come out smaller than in the order of the curve.
func TestArranged(t *testing.T) {
	for _, level := range []int{0, 1, 4, 5} {
		m := icosphere(level, 100)
		order, err := HilbertOrder(context.Background(), m)
		if err != nil {
			t.Fatal(err)
		}
		before := leafSides(m, order)
		if err := arrange(context.Background(), order, middlesOf(m)); err != nil {
			t.Fatal(err)
		}
		after := leafSides(m, order)
		if m.Triangles() > runSize/8 && after >= 0.9*before {
			t.Errorf("%d triangles: boxes of %d have a side of %.3g mm in the middle, before %.3g", m.Triangles(), fan, after, before)
		}
		slices.Sort(order)
		for i, n := range order {
			if int(n) != i {
				t.Fatalf("%d triangles: number %d is missing or there twice", m.Triangles(), i)
			}
		}
	}
}

// leafSides returns the mean of the longest sides of the boxes around fan triangles each.
func leafSides(m *scan.Mesh, order []int32) float64 {
	var sum float64
	for lo := 0; lo < len(order); lo += fan {
		b := geom.EmptyBox()
		for _, t := range order[lo:min(lo+fan, len(order))] {
			u, v, w := m.Corners(int(t))
			b = b.Extend(u).Extend(v).Extend(w)
		}
		sum += max(b.Size().X, b.Size().Y, b.Size().Z)
	}
	return sum * fan / float64(len(order))
}

// TestBoxDistances compares the boxes' fast distances with the plain ones, bit for
// bit, also for boxes that are empty and limits that nothing meets.
func TestBoxDistances(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var n node
		n.clear()
		c := rapid.Float32Range(-1e6, 1e6)
		for i := range rapid.IntRange(0, fan).Draw(rt, "boxes") {
			for k := range 3 {
				u, v := c.Draw(rt, "u"), c.Draw(rt, "v")
				n.lo[k][i], n.hi[k][i] = min(u, v), max(u, v)
			}
		}
		var q query
		for k := range 3 {
			q.lo[k] = c.Draw(rt, "q")
			q.hi[k] = q.lo[k] + rapid.Float32Range(0, 1).Draw(rt, "slack")
		}
		most := rapid.OneOf(rapid.Float32Range(0, 1e13), rapid.Just(float32(math.MaxFloat32))).Draw(rt, "most")
		var got, want [fan]float32
		nearGot, nearWant := distances2(&n, &q, most, &got), distances2Plain(&n, &q, most, &want)
		if got != want || nearGot != nearWant {
			rt.Fatalf("distances %v near %08b, want %v near %08b", got, nearGot, want, nearWant)
		}
	})
}

// TestTriangleRegions compares the closest point of a triangle, needles among them,
// with the nearest of its three edges and, where p stands above its face, its plane. Of
// triangles of size 1 those that are a millionth wide have been off by up to two of that.
func TestTriangleRegions(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		c := rapid.Float32Range(-1, 1)
		var tri corners
		for i := range tri {
			tri[i] = c.Draw(rt, "corner")
		}
		if flat := rapid.Float32Range(0, 1e-4).Draw(rt, "flat"); rapid.Bool().Draw(rt, "needle") {
			for k := range 3 { // the third corner almost on the line through the others
				tri[6+k] = tri[k] + flat*tri[6+k] + rapid.Float32Range(-1, 2).Draw(rt, "along")*(tri[3+k]-tri[k])
			}
		}
		p := geom.Vec{X: float64(2 * c.Draw(rt, "x")), Y: float64(2 * c.Draw(rt, "y")), Z: float64(2 * c.Draw(rt, "z"))}
		d2, q, _ := tri.closest(p)
		if want := plainDistance(&tri, p); math.Abs(math.Sqrt(d2)-want) > 1e-5 || math.Abs(p.Dist(q)-math.Sqrt(d2)) > 1e-12 {
			rt.Fatalf("distance of %v to %v = %v, want %v", p, tri, math.Sqrt(d2), want)
		}
	})
}

func plainDistance(t *corners, p geom.Vec) float64 {
	v := [3]geom.Vec{}
	for i := range v {
		v[i] = geom.Vec{X: float64(t[3*i]), Y: float64(t[3*i+1]), Z: float64(t[3*i+2])}
	}
	n, best, above := t.normal(), math.Inf(1), true
	for i := range v {
		a, b := v[i], v[(i+1)%3]
		d2, _, _ := closestOnEdge(p, a, b, 0, 0, 0)
		best = min(best, math.Sqrt(d2))
		above = above && n.Cross(b.Sub(a)).Dot(p.Sub(a)) >= 0
	}
	if above && n.Norm() > 0 {
		return min(best, math.Abs(n.Dot(p.Sub(v[0]))))
	}
	return best
}
