package reduce

import (
	"context"
	"fmt"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func surfaceOf(t *testing.T, m *scan.Mesh) *surface {
	t.Helper()
	order, err := orderOf(context.Background(), m)
	if err != nil {
		t.Fatal(err)
	}
	return newSurface(m, order)
}

// rough is a sheet with holes, fins that stand on it, loose and degenerate triangles and
// unused vertices.
func rough(side int) *scan.Mesh {
	m := sheet(side, 2, waves)
	rng := rand.New(rand.NewPCG(5, uint64(side)))
	n := int32(m.Vertices())
	kept := m.Tri[:0]
	for k := 0; k < len(m.Tri); k += 3 {
		if rng.IntN(400) > 0 {
			kept = append(kept, m.Tri[k:k+3]...)
		}
	}
	m.Tri = kept
	for range side {
		a := rng.Int32N(n - 1)
		top := m.Append(m.At(a).Add(geom.Vec{Z: 3}))
		m.Append(geom.Vec{Z: 9}) // of no triangle
		m.Tri = append(m.Tri, a, a+1, top, a, a, top)
	}
	return m
}

// TestPiecesAreTheWhole: a first level piece by piece out of the mesh leaves bit by bit what
// one over the surface in memory leaves, whatever the number of workers.
func TestPiecesAreTheWhole(t *testing.T) {
	fine := Region{Box: geom.Box{Min: geom.Vec{X: 50, Y: 50, Z: -50}, Max: geom.Vec{X: 300, Y: 150, Z: 50}}, Factor: 4}
	for _, c := range []struct {
		m *scan.Mesh
		o Options
	}{
		{sheet(230, 2, waves), Options{Triangles: 9000}},
		{rough(300), Options{Triangles: 60_000}},
		{rough(250), Options{Deviation: 0.3, Finer: []Region{fine}}},
		{rough(250), Options{Triangles: 5000, Deviation: 1, Cell: 4}},
	} {
		want := surfaceOf(t, c.m)
		d := c.o.demand(c.m)
		want.halved = d.halved
		if err := want.classify(context.Background(), d); err != nil {
			t.Fatal(err)
		}
		goal, ok := levelGoal(want.triangles(), c.o.Triangles)
		if !ok {
			t.Fatalf("%+v: no level for %d triangles", c.o, want.triangles())
		}
		before := want.triangles()
		if err := want.level(context.Background(), goal); err != nil {
			t.Fatal(err)
		}
		if want.triangles() > before/2 {
			t.Errorf("%+v: %d triangles of %d are left", c.o, want.triangles(), before)
		}
		for _, workers := range []int{1, 3} {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
			got, err := c.o.begin(context.Background(), c.m)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%+v: %d workers: the surface differs: %s", c.o, workers, difference(got, want))
			}
		}
	}
}

// difference names the fields that differ.
func difference(a, b *surface) (names []string) {
	x, y := reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem()
	for i := range x.NumField() {
		if fmt.Sprint(x.Field(i)) != fmt.Sprint(y.Field(i)) {
			names = append(names, x.Type().Field(i).Name)
		}
	}
	return names
}
