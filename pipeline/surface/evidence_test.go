package surface

import (
	"math"
	"slices"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/surface/feature"
)

// sheet is a flat square of points one mm apart in the plane z = height.
func sheet(side int, height float64) feature.Points {
	var p feature.Points
	for i := range side * side {
		p.At = append(p.At, geom.Vec{X: float64(i % side), Y: float64(i / side), Z: height})
		p.Normal = append(p.Normal, geom.Vec{Z: 1})
	}
	return p
}

func compared(source, target feature.Points) comparison {
	c := comparison{source: source, target: target, cell: 1, tolerance: 0.25, most: mostExamined}
	c.sourceIndex, c.targetIndex = feature.NewIndex(source.At, 3), feature.NewIndex(target.At, 3)
	return c
}

// Two sheets of 400 places: what is on each other meets, what is a little before each
// other contradicts, what is far away or looks the other way says nothing.
func TestEvidenceOfTwoSheets(t *testing.T) {
	half := geom.Vec{X: 10}
	cases := []struct {
		name               string
		pose               geom.Pose
		meets, contradicts float64
	}{
		{"in place", geom.IdentityPose(), 1, 0},
		{"within the tolerance", geom.Pose{R: geom.Identity(), T: geom.Vec{Z: 0.2}}, 1, 0},
		{"a scanner's warp apart", geom.Pose{R: geom.Identity(), T: geom.Vec{Z: 0.4}}, 0, 0},
		{"one before the other", geom.Pose{R: geom.Identity(), T: geom.Vec{Z: 1}}, 0, 1},
		{"one behind the other", geom.Pose{R: geom.Identity(), T: geom.Vec{Z: -1}}, 0, 1},
		{"far away", geom.Pose{R: geom.Identity(), T: geom.Vec{Z: 30}}, 0, 0},
		{"half beside", geom.Pose{R: geom.Identity(), T: half}, 0.525, 0}, // ten of twenty rows, and the one that is a cell beside
		{"back to back", geom.Pose{R: geom.RotVec(geom.Vec{X: math.Pi}), T: geom.Vec{Y: 19, Z: -0.1}}, 0, 0},
	}
	c := compared(sheet(20, 0), sheet(20, 0))
	for _, k := range cases {
		e := c.examine(k.pose)
		if math.Abs(e.SourceMeets-k.meets) > 0.03 || math.Abs(e.TargetMeets-k.meets) > 0.03 || math.Abs(e.Contradicts-k.contradicts) > 0.03 {
			t.Errorf("%s: %+v, want %g and %g", k.name, e, k.meets, k.contradicts)
		}
		if s := e.score(); s < 0 || s > e.Meets() {
			t.Errorf("%s: score %g", k.name, s)
		}
	}
}

// A scanner that saw a wall looked through what stands before it, not through what
// stands behind or beside it; at any place of the wall and for both kinds of sight.
func TestFreeSight(t *testing.T) {
	wall := sheet(100, 0)
	cases := []struct {
		name  string
		sight Sight
	}{
		{"from a place", Sight{Known: true, Vec: geom.Vec{X: 40, Y: 60, Z: 200}}},
		{"along a direction", Sight{Known: true, Parallel: true, Vec: geom.Vec{X: 0.1, Z: -1}}},
	}
	places := []struct {
		name    string
		at      geom.Vec
		blocked bool
	}{
		{"before", geom.Vec{X: 50, Y: 50, Z: 20}, true},
		{"just before", geom.Vec{X: 50, Y: 50, Z: 2}, false},
		{"on", geom.Vec{X: 50, Y: 50}, false},
		{"behind", geom.Vec{X: 50, Y: 50, Z: -20}, false},
		{"beside", geom.Vec{X: 150, Y: 50, Z: 20}, false},
		{"at the border", geom.Vec{X: 50, Y: 99.5, Z: 5}, false},
	}
	for _, c := range cases {
		m := newDepthMap(c.sight, wall, 1, 3)
		for _, p := range places {
			if got := m.isBlocked(p.at); got != p.blocked {
				t.Errorf("%s, %s: %v", c.name, p.name, got)
			}
		}
	}
}

func TestSightMovesWithItsFrame(t *testing.T) {
	zero := geom.Vec{X: 5, Y: 6, Z: 7}
	if s := (Sight{Known: true, Vec: geom.Vec{X: 6}}).relative(zero); s.Vec != (geom.Vec{X: 1, Y: -6, Z: -7}) {
		t.Errorf("a place went to %v", s.Vec)
	}
	if s := (Sight{Known: true, Parallel: true, Vec: geom.Vec{X: 6}}).relative(zero); s.Vec != (geom.Vec{X: 6}) {
		t.Errorf("a direction went to %v", s.Vec)
	}
}

func placementOf(score, meets float64, loose int) Placement {
	p := Placement{Score: score, Evidence: Evidence{SourceMeets: meets}}
	for range loose {
		p.Loose = append(p.Loose, "a shift along (1.00, 0.00, 0.00)")
	}
	return p
}

// A second answer is a rival when it is nearly as good, or better but for sliding.
func TestRival(t *testing.T) {
	cases := []struct {
		name  string
		found []Placement
		want  int
	}{
		{"alone", []Placement{placementOf(0.9, 0.9, 0)}, 0},
		{"nearly as good", []Placement{placementOf(0.9, 0.9, 0), placementOf(0.8, 0.8, 0)}, 1},
		{"much worse", []Placement{placementOf(0.9, 0.9, 0), placementOf(0.5, 0.5, 0)}, 0},
		{"meets better, but slides", []Placement{placementOf(0.6, 0.6, 0), placementOf(0.4, 0.4, 0), placementOf(0.35, 0.7, 3)}, 2},
		{"slides, and meets less", []Placement{placementOf(0.6, 0.6, 0), placementOf(0.25, 0.5, 3)}, 0},
	}
	for _, c := range cases {
		if got := rival(c.found); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// A proposal that is a few cells and ten degrees off is nudged most of the way.
func TestNudgeGoesTowardsTheSurface(t *testing.T) {
	p := bracket(3, 0.3, 0, 1)
	l, err := newLocator(t.Context(), p, bracket(4, 0.3, 0, 1), LocateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	truth := geom.Pose{R: geom.Identity(), T: l.source.center.Sub(l.target.center)}
	for _, off := range []geom.Pose{motion(0, 0, 0, 30, -20, 25), motion(6, -5, 7, 10, 10, 10)} {
		mid := truth.Apply(l.source.box.Center())
		about := geom.Pose{R: off.R, T: mid.Sub(off.R.MulVec(mid)).Add(off.T)}
		start := about.After(truth)
		before, after := l.apart(start, truth), l.apart(l.nudge(start), truth)
		t.Logf("%.1f mm off before, %.1f mm after, cell %.1f mm", before, after, l.cell)
		if after > l.cell {
			t.Errorf("%.1f mm off before, %.1f mm after", before, after)
		}
	}
}

func TestNudgeWithoutASurfaceStays(t *testing.T) {
	p := bracket(5, 0.3, 0, 1)
	l, err := newLocator(t.Context(), p, p, LocateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	far := geom.Pose{R: geom.Identity(), T: geom.Vec{X: 1e5}}
	if got := l.nudge(far); got != far {
		t.Errorf("moved to %v", got)
	}
}

// corner is three sheets that meet at a point, and a pipe on one of them if asked.
func corner(seed uint64, pipe bool) *scene {
	s := newScene(seed, 0.3, 0.04)
	x, y, z := geom.Vec{X: 400}, geom.Vec{Y: 300}, geom.Vec{Z: 200}
	s.rectangle(geom.Vec{}, x, y, 8)
	s.rectangle(geom.Vec{}, y, z, 8)
	s.rectangle(geom.Vec{}, z, x, 8)
	if pipe {
		s.pipe(geom.Vec{X: 200, Y: 150}, 40, 120, 8)
	}
	return s
}

// Three planes hold all six motions and yet are every corner of a box; a pipe on one
// of them makes the difference.
func TestThreePlanesAreDoubted(t *testing.T) {
	for _, pipe := range []bool{false, true} {
		source, target := corner(1, pipe).cloud, corner(2, pipe).cloud.Moved(motion(30, -50, 100, 10, 20, 30))
		found := locate(t, source, target, LocateOptions{})
		got := slices.Contains(doubts(&found[0]), DoubtPlanes)
		t.Logf("pipe %v: beside %.3f, doubts %v", pipe, found[0].Beside, doubts(&found[0]))
		if got == pipe {
			t.Errorf("pipe %v: %.1f %% beside three planes, doubts %v", pipe, 100*found[0].Beside, found[0].Doubts)
		}
	}
}
