package pipeline

import (
	"strings"
	"testing"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/network"
	"trammel/pipeline/posegraph"
	"trammel/pipeline/scan"
	"trammel/pipeline/sphere"
	"trammel/pipeline/surface"
)

func twoScans() (*Built, []placed) {
	b := &Built{}
	b.Job = &job.Sheet{Instruments: []job.Instrument{{Name: "tripod", Kind: job.Station, Noise: 1}}}
	b.ToFrame = geom.IdentityPose()
	b.Files = []File{{Path: "a.ply", Kind: job.Station}, {Path: "b.ply", Kind: job.Station}}
	var list []placed
	for i := range b.Files {
		list = append(list, b.placedAt(i, geom.IdentityPose(), -1, func(geom.Vec) geom.Mat { return geom.Diag(0.01, 0.01, 0.01) }))
	}
	return b, list
}

// A motion between two scans is a warning if a third one shows it too, or cannot see it,
// and a note if a third one sees both where they are.
func TestMotionsAreRefuted(t *testing.T) {
	places := func(normal geom.Vec, mean float64) []surface.Patch {
		var out []surface.Patch
		for i := range 100 {
			out = append(out, surface.Patch{At: geom.Vec{X: float64(i)}, Normal: normal, Sigma: 0.05, Mean: mean})
		}
		return out
	}
	pair := func(a, b int, normal geom.Vec, mean float64) Overlap {
		o := Overlap{A: a, B: b, Places: places(normal, mean), Distances: surface.Distances{Median: mean, MAD: 0.3}}
		o.Motion = &surface.Motion{Shift: normal.Scale(-mean), Lowers: mean, Sigma: 0.02, Before: mean, After: 0.05}
		return o
	}
	up, side := geom.Vec{Z: 1}, geom.Vec{X: 1}
	cases := []struct {
		name    string
		a, b    Overlap // of the third scan with the first, and with the second
		refuted bool
	}{
		{name: "both stand where they were", a: pair(0, 2, up, 0.02), b: pair(1, 2, up, 0.02), refuted: true},
		{name: "the second has moved", a: pair(0, 2, up, 0.02), b: pair(2, 1, up, 1.8)},
		{name: "the first has moved", a: pair(2, 0, up, -1.8), b: pair(1, 2, up, 0.02)},
		{name: "the third one sees nothing of it", a: pair(0, 2, side, 0.02), b: pair(1, 2, side, 0.02)},
	}
	for _, c := range cases {
		b, list := threeScans()
		b.Overlaps = []Overlap{pair(0, 1, up, 1.8), c.a, c.b}
		b.judgeOverlaps(list)
		if got := b.Overlaps[0]; got.Refuted != c.refuted || got.Suggested == c.refuted {
			t.Errorf("%s: refuted %v, suggested %v", c.name, got.Refuted, got.Suggested)
		}
		if says := len(b.Findings) > 0 && strings.Contains(b.Findings[0].Text, "other scans see both"); says != c.refuted {
			t.Errorf("%s: %+v", c.name, b.Findings)
		}
	}
}

func threeScans() (*Built, []placed) {
	b, list := twoScans()
	b.Files = append(b.Files, File{Path: "c.ply", Kind: job.Station})
	return b, append(list, b.placedAt(2, geom.IdentityPose(), -1, func(geom.Vec) geom.Mat { return geom.Diag(0.01, 0.01, 0.01) }))
}

// A pair is blamed on a motion only where a motion explains it; a surface that two
// scans see differently in places is a note; a sound pair is nothing.
func TestJudgeOverlap(t *testing.T) {
	places := func(n int, mean float64) []surface.Patch {
		var out []surface.Patch
		for i := range 100 {
			p := surface.Patch{At: geom.Vec{X: float64(i)}, Normal: geom.Vec{Z: 1}, Sigma: 0.05}
			if i < n {
				p.Mean = mean
			}
			out = append(out, p)
		}
		return out
	}
	moved := &surface.Motion{Shift: geom.Vec{Z: -3}, Lowers: 3, Sigma: 0.02, Before: 3, After: 0.1}
	bulge := &surface.Motion{Shift: geom.Vec{Z: -1}, Lowers: 1, Sigma: 0.2, Before: 1.5, After: 1.1}
	sound := &surface.Motion{Lowers: 0.2, Sigma: 0.02, Before: 0.25, After: 0.1}
	cases := []struct {
		name     string
		o        Overlap
		severity job.Severity
		says     string
	}{
		{"a set-up 3 mm off", Overlap{Motion: moved, Places: places(100, 3), Distances: surface.Distances{Median: 1, MAD: 0.3}}, job.Warn, "would take off 3.00 mm"},
		{"a translucent tank", Overlap{Motion: bulge, Places: places(20, 3), Distances: surface.Distances{Median: 0.1, MAD: 0.3}}, job.Note, "20 % of the pieces"},
		{"a large median alone", Overlap{Places: places(100, 5), Distances: surface.Distances{Median: 5, MAD: 0.3}}, job.Warn, "5.00 mm from"},
		{"a sound pair", Overlap{Motion: sound, Places: places(0, 0), Distances: surface.Distances{Median: 0.1, MAD: 0.3}}, "", ""},
	}
	for _, c := range cases {
		b, list := twoScans()
		c.o.A, c.o.B = 0, 1
		b.Overlaps = []Overlap{c.o}
		b.judgeOverlaps(list)
		if c.severity == "" {
			if len(b.Findings) > 0 {
				t.Errorf("%s: %+v", c.name, b.Findings)
			}
			continue
		}
		if len(b.Findings) != 1 || b.Findings[0].Code != job.OverlapBias || b.Findings[0].Severity != c.severity || !strings.Contains(b.Findings[0].Text, c.says) {
			t.Errorf("%s: got %+v", c.name, b.Findings)
		}
	}
}

func TestJudgeBend(t *testing.T) {
	along, across := geom.Vec{X: 1}, [2]geom.Vec{{Y: 1}, {Z: 1}}
	sagged := surface.Bend{Length: 4000, Along: along, Across: across, Bow: [2]float64{0.1, -2.5}, Sigma: [4]float64{0.1, 0.1, 1e-5, 0.2}, Explained: 0.9}
	sound := surface.Bend{Length: 4000, Along: along, Across: across, Bow: [2]float64{0.1, -0.2}, Sigma: [4]float64{0.1, 0.1, 1e-5, 0.2}, Explained: 0.1}
	for name, x := range map[string]surface.Bend{"sagged": sagged, "sound": sound} {
		b, _ := twoScans()
		b.judgeBend(Bent{Instrument: "hand", Bend: x})
		if got := len(b.Findings) == 1 && b.Findings[0].Code == job.NotRigid && strings.Contains(b.Findings[0].Text, "(0.00, 0.00, -1.00)"); got != (name == "sagged") {
			t.Errorf("%s: %+v", name, b.Findings)
		}
	}
}

// What surfaces say is entered among the set-ups: places, ties that contradict, and
// a set-up that slides.
func TestSurfaceTiesAreEntered(t *testing.T) {
	b, _ := twoScans()
	b.Files = append(b.Files, File{Path: "c.ply", Kind: job.Station}, File{Path: "d.ply", Kind: job.Station})
	cloud := surface.Thin(cube(), 1)
	y := &tying{built: b, checked: &b.Checked}
	for i := range b.Files {
		y.bodies = append(y.bodies, body{file: i, toNetwork: geom.IdentityPose(), placed: i < 3, solved: -1, cloud: thinned{Cloud: cloud}})
	}
	y.bodies[3].why = "nothing meets it"
	tie := func(a, b int, at geom.Vec, sigma float64) {
		var cov fit.Mat6
		for k := range 3 {
			cov[7*k], cov[7*(k+3)] = 1e-8, sigma*sigma
		}
		y.ties = append(y.ties, posegraph.Tie{A: a, B: b, BToA: geom.Pose{R: geom.Identity(), T: at}, Cov: cov, Score: 1})
		y.fits = append(y.fits, surface.Result{RMS: 0.5})
	}
	tie(0, 1, geom.Vec{X: 1000}, 0.1)
	tie(1, 2, geom.Vec{X: 1000}, 0.1)
	tie(0, 2, geom.Vec{X: 2000}, 0.1)
	tie(0, 2, geom.Vec{X: 2050}, 0.1) // wrong
	if err := y.adjust(); err != nil {
		t.Fatal(err)
	}
	if len(b.Stations) != 4 || !b.Stations[2].Linked || b.Stations[3].Linked || b.Stations[2].ToNetwork.T.Dist(geom.Vec{X: 2000}) > 0.3 || b.Stations[2].BySurface == nil {
		t.Errorf("set-ups: %+v", b.Stations)
	}
	codes := map[job.Code]string{}
	for _, f := range b.Findings {
		codes[f.Code] = f.Subject
	}
	if codes[job.OverlapBias] != "c.ply" || codes[job.StationUnlinked] != "d.ply" || len(codes) != 2 {
		t.Errorf("findings: %+v", b.Findings)
	}
	loose, _ := twoScans()
	y = &tying{built: loose, checked: &loose.Checked, bodies: []body{{file: 0, placed: true, solved: -1, cloud: thinned{Cloud: cloud}}, {file: 1, placed: true, solved: -1, cloud: thinned{Cloud: cloud}}}}
	tie(0, 1, geom.Vec{X: 1000}, 30)
	if err := y.adjust(); err != nil {
		t.Fatal(err)
	}
	if len(loose.Findings) != 1 || loose.Findings[0].Code != job.LayoutWeak {
		t.Errorf("a set-up held to 30 mm: %+v", loose.Findings)
	}
}

// Spheres seen by a set-up that its surface tied must be where the network has them.
func TestSurfaceTiesMeetSpheres(t *testing.T) {
	for name, at := range map[string]geom.Vec{"agrees": {X: 1000.1}, "is off": {X: 1004}, "is another one": {X: 1500}} {
		c := &Checked{Files: []File{{Path: "a.ply", Spheres: []sphere.Sphere{{Center: at, Cov: geom.Diag(0.01, 0.01, 0.01), Nominal: 145, Usable: true}}}}}
		c.Stations = []Station{{File: 0, ToNetwork: geom.IdentityPose(), Linked: true, Solved: -1, BySurface: &SurfaceTie{}}}
		c.Network = &network.Result{Spheres: []network.SphereResult{{ID: "S1", Center: geom.Vec{X: 1000}, Cov: geom.Diag(0.01, 0.01, 0.01)}}}
		c.meetSpheres()
		if got := len(c.Findings) == 1 && c.Findings[0].Code == job.OverlapBias && strings.Contains(c.Findings[0].Text, "S1 4.00 mm"); got != (name == "is off") {
			t.Errorf("a sphere that %s: %+v", name, c.Findings)
		}
	}
}

// cube is the upper side of a box, with normals.
func cube() *scan.Cloud {
	c := &scan.Cloud{}
	for i := range 20 {
		for j := range 20 {
			c.Append(geom.Vec{X: 50 * float64(i), Y: 50 * float64(j)})
			c.NX, c.NY, c.NZ = append(c.NX, 0), append(c.NY, 0), append(c.NZ, 1)
		}
	}
	return c
}
