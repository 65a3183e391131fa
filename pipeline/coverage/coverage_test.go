package coverage

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// sheet is a box around a horizontal surface of 900 by 900 mm.
func sheet(spacing float64) job.Region {
	return job.Region{Name: "underside", Share: 0.95, Spacing: spacing,
		Box: geom.Box{Max: geom.Vec{X: 900, Y: 900, Z: 90}}}
}

// lattice adds points at a spacing over x of [x0, x1), half a spacing off the border.
func lattice(g *Region, at geom.Vec, x0, x1, spacing float64) {
	for x := x0 + spacing/2; x < x1; x += spacing {
		for y := spacing / 2; y < 900; y += spacing {
			g.AddPoint(at.Add(geom.Vec{X: x, Y: y, Z: 45}))
		}
	}
	g.EndScan(0)
}

// A square lattice of spacing s puts (cell/s)² points on a cell's face, so that the
// spacing comes back exactly where cells hold whole numbers of lattice steps.
func TestSpacingOfKnownLattices(t *testing.T) {
	cases := []struct {
		name              string
		limit, spacing    float64
		seen, spacingBack float64
		findings          int
	}{
		{"at the limit", 10, 10, 1, 10, 0},
		{"twice as dense", 10, 5, 1, 5, 0},
		{"three times as dense", 30, 10, 1, 10, 0},
		{"half as sparse again", 10, 15, 0, 15, 1},
		{"three times too sparse", 10, 30, 0, 30, 1},
	}
	for _, c := range cases {
		g := NewRegion(sheet(c.limit), 1)
		lattice(g, geom.Vec{}, 0, 900, c.spacing)
		r := g.Result(Hole{})
		if r.Seen != c.seen || math.Abs(r.Spacing-c.spacingBack) > 1e-9 || len(r.Findings) != c.findings {
			t.Errorf("%s: seen %.3f at %.3f mm with %d findings, want %.0f at %.0f mm with %d", c.name, r.Seen, r.Spacing, len(r.Findings), c.seen, c.spacingBack, c.findings)
		}
		if r.Name != "underside" || r.Share != 0.95 || r.Limit != c.limit {
			t.Errorf("%s: the demand came back as %+v", c.name, r)
		}
	}
}

func TestShareOfAHalfDenseSurface(t *testing.T) {
	g := NewRegion(sheet(10), 1)
	lattice(g, geom.Vec{}, 0, 600, 10)
	lattice(g, geom.Vec{}, 600, 900, 30)
	r := g.Result(Hole{})
	if math.Abs(r.Seen-2.0/3) > 1e-9 || r.Spacing != 30 {
		t.Errorf("seen %.4f at %.1f mm, want 2/3 at 30 mm", r.Seen, r.Spacing)
	}
	if len(r.Findings) != 1 {
		t.Fatalf("got %d findings", len(r.Findings))
	}
	f := r.Findings[0]
	if f.Code != job.RegionUncovered || f.Severity != job.Hold || f.Subject != "underside" {
		t.Errorf("got %+v", f)
	}
	for _, part := range []string{"67 %", "95 % are required", "10", "30", "To do: scan it"} {
		if !strings.Contains(f.Text, part) {
			t.Errorf("the text does not say %q: %s", part, f.Text)
		}
	}
}

// A surface's last cells hold only a strip of it: they are not taken for sparse.
func TestClippedCellsAreNotSparse(t *testing.T) {
	g := NewRegion(sheet(10), 1)
	lattice(g, geom.Vec{}, 0, 610, 10) // cells are 30 mm wide: 20 and a third
	if r := g.Result(Hole{}); r.Seen != 1 {
		t.Errorf("seen %.4f of a surface that is dense to its border", r.Seen)
	}
}

// Sparse scans do not add up to a dense one: nine of them at three times the
// limit are nine poor looks at the surface, each with its own error of placement.
func TestBestScanDecides(t *testing.T) {
	g := NewRegion(sheet(10), 1)
	for i := range 9 {
		lattice(g, geom.Vec{X: float64(i % 3), Y: float64(i / 3)}, 0, 900, 30)
	}
	if r := g.Result(Hole{}); r.Seen != 0 {
		t.Errorf("nine sparse scans count as %.2f dense", r.Seen)
	}
	lattice(g, geom.Vec{}, 0, 900, 10)
	if r := g.Result(Hole{}); r.Seen != 1 || r.Findings != nil {
		t.Errorf("one dense scan among them: seen %.2f, %v", r.Seen, r.Findings)
	}
}

func TestRegionWithoutPoints(t *testing.T) {
	g := NewRegion(sheet(10), 1)
	g.AddPoint(geom.Vec{X: -1, Y: 5, Z: 5})
	g.AddPoint(geom.Vec{X: math.NaN(), Y: 5, Z: 5})
	g.AddPoint(geom.Vec{X: math.Inf(1), Y: 5, Z: 5})
	g.EndScan(0)
	r := g.Result(Hole{})
	if r.Seen != 0 || r.Spacing != 0 || len(r.Findings) != 1 {
		t.Fatalf("got %+v", r)
	}
	if text := r.Findings[0].Text; !strings.Contains(text, "no scan has any point there") || !strings.Contains(text, "Only 0 %") {
		t.Errorf("got %s", text)
	}
}

// The memory of a region must not follow its box: a flat or very large box gets
// wider cells, not billions of them.
func TestCellsAreBounded(t *testing.T) {
	cases := []struct {
		name string
		size geom.Vec
	}{
		{"flat", geom.Vec{X: 1e4, Y: 3e3}},
		{"a line", geom.Vec{X: 1e8}},
		{"a hall", geom.Vec{X: 1e5, Y: 1e5, Z: 1e4}},
		{"a point", geom.Vec{}},
	}
	for _, c := range cases {
		g := NewRegion(job.Region{Name: c.name, Spacing: 0.1, Share: 1, Box: geom.Box{Max: c.size}}, 1)
		if len(g.slot) > maxCells {
			t.Errorf("%s: %d cells, at most %d are meant", c.name, len(g.slot), maxCells)
		}
		g.AddPoint(g.Box().Max) // the far corner belongs to the last cell
		g.EndScan(0)
		if g.slot[len(g.slot)-1] == 0 || g.best[g.slot[len(g.slot)-1]-1] != 1 {
			t.Errorf("%s: the far corner was not counted", c.name)
		}
	}
}

// Moving the region and its points together, or scaling both, changes nothing.
func TestSameAnywhereAndInAnyScale(t *testing.T) {
	base := NewRegion(sheet(16), 1)
	lattice(base, geom.Vec{}, 0, 450, 16)
	lattice(base, geom.Vec{}, 450, 900, 64)
	want := base.Result(Hole{})
	rapid.Check(t, func(t *rapid.T) {
		shift := geom.Vec{X: float64(rapid.IntRange(-1e7, 1e7).Draw(t, "x")), Z: 1e7}
		r := sheet(16)
		r.Box = geom.Box{Min: r.Box.Min.Add(shift), Max: r.Box.Max.Add(shift)}
		g := NewRegion(r, 1)
		lattice(g, shift, 0, 450, 16)
		lattice(g, shift, 450, 900, 64)
		if got := g.Result(Hole{}); got.Seen != want.Seen || got.Spacing != want.Spacing {
			t.Errorf("at %v: seen %.4f at %.3f mm, want %.4f at %.3f mm", shift, got.Seen, got.Spacing, want.Seen, want.Spacing)
		}
	})
}

func BenchmarkAddPoint(b *testing.B) {
	g := NewRegion(sheet(2), 1)
	p := geom.Vec{X: 1, Y: 1, Z: 45}
	b.ReportAllocs()
	for b.Loop() {
		p.X = math.Mod(p.X+17.3, 900)
		g.AddPoint(p)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
