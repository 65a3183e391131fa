package distance

import (
	"context"
	"errors"
	"math/rand/v2"
	"reflect"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// TestFollowerSeesWhatAFreshMeasurementSees: while a mesh loses, gains and moves triangles,
// and is renumbered, what the Follower says is what measuring everything says to the last
// bit, whatever it keeps and whatever the reference holds.
func TestFollowerSeesWhatAFreshMeasurementSees(t *testing.T) {
	ctx, o := context.Background(), Options{Samples: 5000, Limit: 1}
	r := rand.New(rand.NewPCG(6, 1))
	a, now := icosphere(4, 100), icosphere(3, 100)
	var followers []*Follower
	for _, most := range []int64{0, 4 * 6000, 4 * 100, 1} {
		w, err := NewFollowerWithin(ctx, a, o, most)
		if err != nil {
			t.Fatal(err)
		}
		followers = append(followers, w)
	}
	followed := 0
	for round := range 12 {
		want, err := OneSided(ctx, a, now, o)
		if err != nil {
			t.Fatal(err)
		}
		ref, err := NewReferenceWithin(ctx, now, int64(round%2))
		if err != nil {
			t.Fatal(err)
		}
		for i, w := range followers {
			if w.last != nil {
				if c, err := newChange(ctx, w.last, now); err != nil {
					t.Fatal(err)
				} else if c != nil {
					followed++
				}
			}
			got, err := w.Departure(ctx, ref)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got, want) {
				t.Errorf("round %d, follower %d: %+v, want %+v", round, i, got, want)
			}
		}
		now = altered(r, now, round)
	}
	if followed != 3*10 { // of 12 rounds all but the first and the one that moves everything
		t.Errorf("the change was followed %d times, want 30", followed)
	}
	if n := len(followers[3].nearest); n != 0 || followers[3].last != nil {
		t.Errorf("without room %d places and the last mesh are kept", n)
	}
}

// TestCornerTable: it finds the last of the triangles with the same corners, in the same
// order of corners alone.
func TestCornerTable(t *testing.T) {
	m := randomSoup(rand.New(rand.NewPCG(8, 1)), 500)
	for i := range 50 {
		m.Tri = append(m.Tri, m.Tri[3*i:3*i+3]...)
	}
	want := map[corners]int32{}
	var c corners
	for i := range int32(m.Triangles()) {
		c.load(m, i)
		want[c] = i + 1
	}
	h := newCornerTable(m)
	for i := range int32(m.Triangles()) {
		c.load(m, i)
		turned := corners{c[3], c[4], c[5], c[6], c[7], c[8], c[0], c[1], c[2]}
		if *h.slot(&c) != want[c] || *h.slot(&turned) != want[turned] {
			t.Fatalf("triangle %d: found as %d and turned as %d, want %d and %d", i, *h.slot(&c), *h.slot(&turned), want[c], want[turned])
		}
	}
}

// altered moves a few vertices, leaves a few triangles out, puts a few in twice, turns a
// few, and shuffles all; in round 7 it moves everything.
func altered(r *rand.Rand, m *scan.Mesh, round int) *scan.Mesh {
	out := &scan.Mesh{Origin: m.Origin}
	for i := range int32(m.Vertices()) {
		p := m.At(i)
		if round == 7 || r.IntN(100) == 0 {
			p = p.Add(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
		}
		out.Append(p)
	}
	for _, t := range r.Perm(m.Triangles()) {
		tri, turn := m.Tri[3*t:3*t+3], max(0, r.IntN(150)-147)
		for range max(0, min(2, r.IntN(50)/2)) {
			out.Tri = append(out.Tri, tri[turn], tri[(turn+1)%3], tri[(turn+2)%3])
			if r.IntN(60) > 0 {
				break
			}
		}
	}
	return out
}

func TestFollowerRefuses(t *testing.T) {
	if _, err := NewFollower(context.Background(), &scan.Mesh{}, Options{}); !errors.Is(err, ErrEmpty) {
		t.Errorf("of nothing: %v", err)
	}
	loose := icosphere(1, 1)
	loose.Tri[2] = 1000
	if _, err := NewFollower(context.Background(), loose, Options{}); !errors.Is(err, ErrIndex) {
		t.Errorf("of a broken mesh: %v", err)
	}
}
