package coverage

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/scan"
)

// tube is the mantle of an upright pipe of 64 sides that stands on z0.
func tube(center geom.Vec, radius, z0, z1 float64) *scan.Mesh {
	m := &scan.Mesh{}
	const n, rows = 64, 12
	for k := range rows + 1 {
		for i := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
			m.Append(geom.Vec{X: center.X + radius*cos, Y: center.Y + radius*sin, Z: z0 + (z1-z0)*float64(k)/rows})
		}
	}
	for k := range int32(rows) {
		for i := range int32(n) {
			a, b := k*n+i, k*n+(i+1)%n
			m.Tri = append(m.Tri, a, b, b+n, a, b+n, a+n)
		}
	}
	return m
}

func joined(parts ...*scan.Mesh) *scan.Mesh {
	out := &scan.Mesh{}
	for _, m := range parts {
		base := int32(out.Vertices())
		for i := range m.Vertices() {
			out.Append(m.At(int32(i)))
		}
		for _, v := range m.Tri {
			out.Tri = append(out.Tri, base+v)
		}
	}
	return out
}

// What is missing at the least: a hole in a sheet all of it, the ring where a pipe stands
// on the sheet nothing, the open top of the pipe all of it.
func TestLeast(t *testing.T) {
	const cell = 20.0
	x, y := geom.Vec{X: 1000}, geom.Vec{Y: 1000}
	middle := geom.Vec{X: 500, Y: 500}
	round := func(i, j int) bool {
		return math.Hypot(20*float64(i)+10-500, 20*float64(j)+10-500) < 110
	}
	box := geom.Box{Max: geom.Vec{X: 1000, Y: 1000, Z: 2000}}
	pipe := math.Pi * 100 * 100 * math.Sin(2*math.Pi/64) / (2 * math.Pi / 64)
	sheet := panel(geom.Vec{Z: 500}, x, y, 50, func(i, j int) bool { return i >= 20 && i < 30 && j >= 20 && j < 35 })
	gaps := Gaps(sheet, &box, cell, 1)
	got := Least(gaps, cell)
	if len(got) != 1 || math.Abs(got[0].Least-200*300) > 1 || math.Abs(got[0].Whole-200*300) > 1 {
		t.Errorf("a square hole: %+v", got)
	}
	gaps[0].Reason = Open
	if got := Least(gaps, cell); len(got) != 0 {
		t.Errorf("what a scanner looked through: %+v", got)
	}
	standing := joined(panel(geom.Vec{Z: 500}, x, y, 50, round), tube(middle, 100, 510, 900))
	if got = Least(Gaps(standing, &box, cell, 1), cell); len(got) != 2 {
		t.Fatalf("a pipe on the sheet: %d clusters: %+v", len(got), got)
	}
	ring, top := got[0], got[1]
	if len(ring.Gaps) != 2 {
		ring, top = top, ring
	}
	if len(ring.Gaps) != 2 || ring.Whole < 1.8*pipe || ring.Least > 0.25*pipe {
		t.Errorf("the ring where they touch: %+v, the pipe's section is %.0f", ring, pipe)
	}
	if math.Abs(top.Least-pipe) > 1 {
		t.Errorf("the open end: %+v, want %.0f", top, pipe)
	}
}

// No surface that spans an edge has less area than the edge's vector area.
func TestVectorAreaIsTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-100, 100)
		var loop []geom.Vec
		for range rapid.IntRange(3, 20).Draw(t, "corners") {
			loop = append(loop, geom.Vec{X: at.Draw(t, "x"), Y: at.Draw(t, "y"), Z: at.Draw(t, "z")})
		}
		m := &scan.Mesh{}
		order := make([]int32, len(loop))
		for i, p := range loop {
			order[i] = m.Append(p)
		}
		g := newGap(m, order)
		apex := geom.Vec{X: at.Draw(t, "x"), Y: at.Draw(t, "y"), Z: at.Draw(t, "z")}
		area := 0.0
		for i, p := range g.Loop {
			area += p.Sub(apex).Cross(g.Loop[(i+1)%len(g.Loop)].Sub(apex)).Norm() / 2
		}
		if area < g.Area*(1-1e-6)-1e-3 {
			t.Errorf("a cone over the edge has %.3f mm², the vector area is %.3f", area, g.Area)
		}
	})
}

// The closing face of a sheet that was seen from one side stands for its back.
func TestBehind(t *testing.T) {
	m := panel(geom.Vec{Z: 500}, geom.Vec{X: 1000}, geom.Vec{Y: 1000}, 50, func(i, j int) bool { return i >= 20 && i < 30 && j >= 20 && j < 30 })
	gaps, backs := Gaps(m, nil, 0, 1), NewBacks(m, 20)
	share := func(g Gap) float64 {
		behind, all := 0.0, 0.0
		for _, p := range g.Places {
			if all += p.Area; backs.Behind(p) {
				behind += p.Area
			}
		}
		return behind / all
	}
	if back := share(gaps[0]); back < 0.9 {
		t.Errorf("%.2f of the back lie behind the sheet", back)
	}
	if hole := share(gaps[1]); hole > 0 {
		t.Errorf("%.2f of the hole lie behind the sheet", hole)
	}
}

// Gaps that are known lower the share and hold the job; those that may be there are told.
func TestGapsCount(t *testing.T) {
	cases := []struct {
		name     string
		hole     Hole
		seen     float64
		severity job.Severity
		says     string
	}{
		{"none", Hole{Seen: 100}, 1, "", ""},
		{"too much", Hole{Seen: 90, Known: 10, Missing: 12}, 0.9, job.Hold, "Only 90 % of the surface in region underside were seen"},
		{"perhaps too much", Hole{Seen: 98, Known: 2, Missing: 10}, 0.98, job.Note, "about 9 % may lie in gaps"},
		{"little", Hole{Seen: 98, Known: 2, Missing: 3}, 0.98, "", ""},
		{"nothing known", Hole{}, 1, "", ""},
	}
	for _, c := range cases {
		g := NewRegion(sheet(10), 1)
		lattice(g, geom.Vec{}, 0, 900, 10)
		r := g.Result(c.hole)
		if math.Abs(r.Seen-c.seen) > 1e-9 || r.Dense != 1 {
			t.Errorf("%s: seen %.3f, dense %.3f", c.name, r.Seen, r.Dense)
		}
		switch {
		case c.severity == "" && len(r.Findings) > 0:
			t.Errorf("%s: %+v", c.name, r.Findings)
		case c.severity != "" && (len(r.Findings) != 1 || r.Findings[0].Severity != c.severity || !strings.Contains(r.Findings[0].Text, c.says)):
			t.Errorf("%s: %+v", c.name, r.Findings)
		}
	}
}

// Two instruments, the one square on a third of the sheet, the other flat on all of it, and
// a third one of no known place.
func TestByInstrument(t *testing.T) {
	g := NewRegion(sheet(10), 4)
	fill := func(instrument int, x1, spacing, degrees float64) {
		for x := spacing / 2; x < x1; x += spacing {
			for y := spacing / 2; y < 900; y += spacing {
				p := geom.Vec{X: x, Y: y, Z: 45}
				g.AddPoint(p)
				if degrees > 0 {
					g.AddSight(p, math.Cos(degrees*math.Pi/180))
				}
			}
		}
		g.EndScan(instrument)
	}
	fill(0, 300, 10, 20)
	fill(1, 900, 10, 80)
	fill(3, 900, 30, 0)
	r := g.Result(Hole{Seen: 3, Known: 1})
	if len(r.By) != 3 || r.By[0].Instrument != 0 || r.By[2].Instrument != 3 {
		t.Fatalf("%+v", r.By)
	}
	for i, want := range []Seen{
		{0, 0.25, 0.25, 10, Squint{1, 20, 0}},
		{1, 0.75, 0.75, 10, Squint{1, 80, 1}},
		{3, 0, 0.75, 30, Squint{}},
	} {
		got := r.By[i]
		if math.Abs(got.Seen-want.Seen) > 1e-9 || math.Abs(got.Any-want.Any) > 1e-9 || math.Abs(got.Spacing-want.Spacing) > 1e-9 ||
			math.Abs(got.Squint.Median-want.Squint.Median) > 1e-3 || got.Squint.Grazing != want.Squint.Grazing || got.Squint.Known != want.Squint.Known {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
	if s := r.Squint; math.Abs(s.Median-80) > 1e-3 || math.Abs(s.Grazing-2.0/3) > 1e-9 || s.Known != 1 {
		t.Errorf("together: %+v", s)
	}
	if math.Abs(r.Seen-0.75) > 1e-9 {
		t.Errorf("seen %.3f", r.Seen)
	}
}
