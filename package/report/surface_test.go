package report

import (
	"math"
	"strings"
	"testing"

	"trammel/pipeline"
	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// TestSurfaceFacts: what was fused, closed, left out and met arrives in the job's units, in
// the document for programs and in that for people.
func TestSurfaceFacts(t *testing.T) {
	b := measured(length.Inch)
	b.Mesh.Raw = []pipeline.RawDistance{{File: 0, Points: 12345, Beyond: 7, Median: -25.4, RMS: 50.8, P999: 76.2, Max: 101.6, MaxAt: geom.Vec{X: 254}}}
	b.Mesh.Fusion = fuse.Stats{Points: 1000, Trimmed: 20, Crumbs: 3, Area: 645.16, Views: []fuse.Tally{{View: 0, Left: fuse.Left{Read: 1100, Edges: 50, Flat: 20, Hidden: 10}, Outside: 20, OutsideArea: 6451.6, Used: 1000}},
		Ghosts: []fuse.Ghost{{Center: geom.Vec{Z: 25.4}, Area: 1290.32}}, Pieces: []fuse.Piece{{At: geom.Vec{Y: 25.4}, Area: 645.16}},
		Closed: []fuse.Hole{{Size: 25.4, Area: 1290.32}}, Doubles: []fuse.Double{{Gap: 12.7, Area: 645.16}}, Seam: fuse.Seam{Area: 645.16, Mean: -2.54, RMS: 5.08, Places: 7, Unknown: 2, Median: 12.7, P95: 25.4, Noise: 2.54, Worst: fuse.Step{At: geom.Vec{Z: 50.8}, Size: -25.4, Noise: 1.27}}}
	b.Mesh.FusedFiles = []int{0}
	b.Levels = []pipeline.Level{{Surface: &scan.Mesh{Tri: []int32{0, 1, 2}}, DeviationMax: 2.54}}
	r := NewReport(b, Context{})
	m := r.Mesh
	for name, x := range map[string]struct{ got, want float64 }{
		"median": {m.Raw[0].Median, -1}, "rms": {m.Raw[0].RMS, 2}, "99.9 %": {m.Raw[0].P999, 3}, "largest": {m.Raw[0].Max, 4}, "where": {m.Raw[0].At[0], 10},
		"crumbs": {m.Fusion.CrumbArea, 1}, "piece": {m.Fusion.Pieces[0].At[1], 1}, "hole": {m.Fusion.Closed[0].Size, 1}, "area of the hole": {m.Fusion.Closed[0].Area, 2},
		"read": {float64(m.Fusion.Scans[0].Read), 1100}, "area outside": {m.Fusion.Scans[0].OutsideArea, 10}, "ghost": {m.Fusion.Ghosts[0].Area, 2}, "where the ghost was": {m.Fusion.Ghosts[0].At[2], 1}, "gap": {m.Fusion.Doubles[0].Gap, 0.5}, "step": {m.Fusion.Seam.Mean, -0.1}, "its rms": {m.Fusion.Seam.RMS, 0.2}, "its area": {m.Fusion.Seam.Area, 1}, "median step": {m.Fusion.Seam.Median, 0.5}, "95 %": {m.Fusion.Seam.P95, 1}, "clearest": {m.Fusion.Seam.Clearest.Step, -1}, "where it is": {m.Fusion.Seam.Clearest.At[2], 2}, "its sigma": {m.Fusion.Seam.Clearest.Sigma, 0.05}, "level": {m.Levels[0].Deviation.Max, 0.1},
	} {
		if math.Abs(x.got-x.want) > 1e-9 {
			t.Errorf("%s = %v, want %v", name, x.got, x.want)
		}
	}
	page, err := HTML(r, Pictures{})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"1 hole was closed", "Points fused", "the others lie", "became of the scans", "3 pieces floating, 1 in² in all; 1 piece that others looked through", "others looked through it; only ", "measured at 7 places: half are below 0.500", "the clearest is -1.000", "2 further places", "against the reduced mesh"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}
