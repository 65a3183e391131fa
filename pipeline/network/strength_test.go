package network

import (
	"math"
	"strings"
	"testing"

	"trammel/pipeline/geom"
)

// Spheres nearly on a line along X leave the turn about it weak, and the words say so.
func TestStrengthNamesTheWeakTurn(t *testing.T) {
	near := []geom.Vec{{}, {X: 1000, Y: 40}, {X: 2500, Y: -120}, {X: 4100, Z: 110}, {X: 4900, Y: -30}}
	st, truth := sim{spheres: near, stations: 3, sigma: 0.1}.make(91)
	r := solve(t, st, Options{})
	for k := range st {
		x, ok := r.Strength(k)
		if !ok {
			t.Fatal("not tied")
		}
		axis := truth[0].Turn(x.TurnAxis)
		if math.Abs(axis.X) < 0.99 || x.Ratio < 10 {
			t.Errorf("%s: worst turn about %v, ratio %.1f", st[k].Name, axis, x.Ratio)
		}
		if !strings.Contains(x.Text, "about the line from S") {
			t.Error(x.Text)
		}
	}
	if _, ok := (&Result{Stations: []StationResult{{}}}).Strength(0); ok {
		t.Error("nothing is held, and something was said")
	}
}

// What a further set-up is said to bring is what a network with it has.
func TestAdviseSetUp(t *testing.T) {
	st, truth := sim{spheres: layout(), stations: 3, sigma: 0.2}.make(93)
	r := solve(t, st[:2], exactly)
	var points []geom.Vec
	for _, p := range targets() {
		points = append(points, truth[0].Inverse().Apply(p))
	}
	at := truth[0].Inverse().Apply(truth[2].T)
	promised, ok := r.withSetUp(st[:2], points, at, exactly.complete())
	before, _ := r.worst(points)
	if !ok || !(promised < before) {
		t.Fatalf("a set-up more gives %.3f mm, %.3f mm before", promised, before)
	}
	r3 := solve(t, st, exactly)
	if after, _ := r3.worst(points); r3.Inflated || math.Abs(after/promised-1) > 0.15 {
		t.Errorf("promised %.3f mm, found %.3f mm (%.3f before)", promised, after, before)
	}
	// Two set-ups that share all spheres gain little by a third, and are not sent back for it.
	if a, ok := r.AdviseSetUp(st[:2], points, []geom.Vec{at}, exactly); ok || a.Before != before {
		t.Errorf("got %+v, %v", a, ok)
	}
}
