package surface

import (
	"testing"

	"trammel/pipeline/geom"
)

// A guess that is roughly right leads to the right place, with the doubts that it has
// without; one that is wrong is not believed: the answer is what it would have been.
func TestGuessesAreCheckedNotBelieved(t *testing.T) {
	led := 0
	for seed := uint64(9000); seed < 9004; seed++ {
		p := pairOf(seed)
		plain, err := place(t.Context(), p, true)
		if err != nil {
			t.Fatal(err)
		}
		near := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.03, Y: -0.02, Z: 0.03}), T: geom.Vec{X: 40, Y: -30, Z: 50}}
		for name, guess := range map[string]geom.Pose{
			"near": near.After(p.sourceToTarget),
			"far":  {R: geom.RotVec(geom.Vec{X: 1, Y: 2}), T: geom.Vec{X: 900}},
		} {
			o := p.sights
			o.Guesses = []geom.Pose{guess}
			found, err := Locate(t.Context(), p.source, p.target, o)
			if err != nil {
				continue // nothing fits
			}
			dist, sigmas := p.off(&found[0])
			if found[0].Confident() && sigmas > 5 && p.overlap >= leastStudied {
				t.Errorf("seed %d, %s, a guess that is %s: confident and %.2f mm, %.1f sigma off", seed, p.kind, name, dist, sigmas)
			}
			if plain.sure && plain.isRight() && !found[0].Confident() {
				t.Errorf("seed %d, %s: sure without a guess, with one that is %s: %v", seed, p.kind, name, found[0].Doubts)
			}
			if found[0].Confident() && name == "near" {
				led++
			}
		}
	}
	if led == 0 {
		t.Error("no guess led anywhere")
	}
}
