package surface

import (
	"context"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/surface/feature"
)

// A few steps bring a rough placement much nearer, also where only some of the
// target's places are kept for the search: the index finds among all of them.
func TestNudge(t *testing.T) {
	source, target := bracket(1, 0.3, 0.1, 1), bracket(2, 0.3, 0, 1)
	l, err := newLocator(context.Background(), source, target, LocateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	truth := geom.Pose{R: geom.Identity(), T: l.source.center.Sub(l.target.center)}
	rough := motion(3, -2, 4, 12, -9, 8).After(truth)
	want := l.nudge(rough)
	before, after := l.apart(rough, truth), l.apart(want, truth)
	t.Logf("%.1f mm off before, %.1f mm after", before, after)
	if after > 0.3*before {
		t.Errorf("%.1f mm off before, %.1f mm after", before, after)
	}
	l.target.coarse = feature.Points{At: l.target.coarse.At[:100], Normal: l.target.coarse.Normal[:100]}
	if got := l.nudge(rough); got != want {
		t.Errorf("with fewer places kept: %v, want %v", got, want)
	}
}
