package reduce

import (
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// TestCorner: three perpendicular planes of weight 1 through p₀ give Δ(v) = |v-p₀|²,
// least at p₀ (CV-5.1).
func TestCorner(t *testing.T) {
	p0 := geom.Vec{X: 3, Y: -2, Z: 5}
	var f form
	for _, n := range []geom.Vec{{X: 1}, {Y: 1}, {Z: -1}} {
		f.addPlane(n, p0, 1)
	}
	v := geom.Vec{X: 1, Y: 1, Z: 1}
	within(t, "Δ(v)", f.at(v), v.Sub(p0).Norm2(), 1e-12)
	within(t, "Δ(p₀)", f.at(p0), 0, 1e-12)
	d, ok := f.minimum()
	if !ok || d.Dist(p0) > 1e-12 {
		t.Errorf("minimum at %v, %v, want %v", d, ok, p0)
	}
}

// TestCrease: on a right-angled crease along x, Δ = y² + z² (CV-5.1), which has no
// single minimum.
func TestCrease(t *testing.T) {
	var f form
	f.addPlane(geom.Vec{Y: 1}, geom.Vec{}, 1)
	f.addPlane(geom.Vec{Z: 1}, geom.Vec{X: 9}, 1)
	within(t, "Δ", f.at(geom.Vec{X: 7, Y: 2, Z: 3}), 13, 1e-12)
	if d, ok := f.minimum(); ok {
		t.Errorf("a crease has its minimum at %v", d)
	}
	f.addPoint(geom.Vec{X: 4, Y: 1}, 1e-9)
	if d, ok := f.minimum(); !ok || d.Dist(geom.Vec{X: 4}) > 1e-6 {
		t.Errorf("with a point at x = 4 the minimum is at %v, %v", d, ok)
	}
}

// TestTripleCountedPlane: a plane that is counted three times makes √Δ too large by
// √3: Δ is not a distance (CV-5.1).
func TestTripleCountedPlane(t *testing.T) {
	var f form
	for range 3 {
		f.addPlane(geom.Vec{Z: 1}, geom.Vec{}, 1)
	}
	within(t, "Δ", f.at(geom.Vec{Z: 2}), 12, 1e-12)
}

// TestMovesAndSums: a quadric means the same from every origin, and the form of two
// merged vertices is the sum of theirs.
func TestMovesAndSums(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	v := func() geom.Vec { return geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()} }
	for range 200 {
		var f, g form
		for range 4 {
			f.addPlane(v().Unit(), v(), r.Float64())
			g.addPlane(v().Unit(), v(), r.Float64())
		}
		e, x := v(), v()
		q := g.quadric()
		want := f.at(x) + g.at(x.Sub(e))
		f.add(&q, e)
		within(t, "sum", f.at(x), want, 1e-5*(1+want))
		moved := f.moved(e)
		there := moved.form()
		within(t, "moved", there.at(x.Sub(e)), want, 1e-5*(1+want))
	}
}

// TestMinimumOn: the constrained minimum keeps the constraint, and no neighbour that
// keeps it too is lower.
func TestMinimumOn(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 1))
	v := func() geom.Vec { return geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()} }
	for range 200 {
		var f form
		for range 5 {
			f.addPlane(v().Unit(), v(), 1)
		}
		g, s := v(), r.NormFloat64()
		d, ok := f.minimumOn(g, s)
		if !ok {
			t.Fatal("five planes at random have no minimum")
		}
		within(t, "g·d", g.Dot(d), s, 1e-9)
		step := g.Cross(v()).Unit().Scale(0.1)
		if f.at(d.Add(step)) < f.at(d) || f.at(d.Sub(step)) < f.at(d) {
			t.Error("a neighbour on the constraint is lower")
		}
	}
}

// TestQueueOrder: edges leave by bucket, and none above the limit.
func TestQueueOrder(t *testing.T) {
	q := newQueue(4)
	r := rand.New(rand.NewPCG(3, 1))
	for i := range int32(1000) {
		q.push(i, i+1, 0, r.ExpFloat64())
	}
	q.push(-1, -1, 7, 0)
	last, n := 0, 0
	for {
		e, ok := q.pop(bucketOf(1))
		if !ok {
			break
		}
		if n == 0 && e.u != -1 {
			t.Error("an edge of no cost does not come first")
		}
		if q.lowest < last || q.lowest > bucketOf(1) {
			t.Fatalf("bucket %d after %d, limit %d", q.lowest, last, bucketOf(1))
		}
		last = q.lowest
		n++
	}
	if n < 660 || n > 780 { // 1 - exp(-1.25) of the 1000 lie below the end of that bucket: 713
		t.Errorf("%d edges came", n)
	}
}
