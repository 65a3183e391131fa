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
// and is renumbered, what the Follower says is what measuring everything says.
func TestFollowerSeesWhatAFreshMeasurementSees(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 1))
	a, now := icosphere(4, 100), icosphere(3, 100)
	w, err := NewFollower(context.Background(), a, Options{Samples: 5000, Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	for round := range 12 {
		ref, err := NewReference(context.Background(), now)
		if err != nil {
			t.Fatal(err)
		}
		got, err := w.Departure(context.Background(), ref)
		if err != nil {
			t.Fatal(err)
		}
		want, err := OneSided(context.Background(), a, now, Options{Samples: 5000, Limit: 1})
		if err != nil {
			t.Fatal(err)
		}
		within(t, "rms", got.RMS, want.RMS, 1e-12*want.RMS)
		within(t, "max", got.Max, want.Max, 1e-12*want.Max)
		within(t, "99.9 %", got.P999, want.P999, 1e-6*want.P999)
		if got.Samples != want.Samples || got.MaxAt.Dist(want.MaxAt) > 1e-9 || !reflect.DeepEqual(got.Over, want.Over) {
			t.Errorf("round %d: %d samples, largest at %v, %d over; want %d, %v, %d", round, got.Samples, got.MaxAt, len(got.Over), want.Samples, want.MaxAt, len(want.Over))
		}
		now = altered(r, now, round)
	}
}

// altered moves a few vertices, leaves a few triangles out, puts a few in twice, and turns
// and shuffles all; in round 7 it moves everything.
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
		tri, turn := m.Tri[3*t:3*t+3], r.IntN(3)
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
