package coverage

import (
	"context"
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// panel is a mesh of n by n squares over corner + s·u + t·v, without those that leave
// out takes; it looks along u × v.
func panel(corner, u, v geom.Vec, n int, leaveOut func(i, j int) bool) *scan.Mesh {
	m := &scan.Mesh{}
	for j := range n + 1 {
		for i := range n + 1 {
			m.Append(corner.AddScaled(float64(i)/float64(n), u).AddScaled(float64(j)/float64(n), v))
		}
	}
	for j := range n {
		for i := range n {
			if leaveOut != nil && leaveOut(i, j) {
				continue
			}
			a := int32(j*(n+1) + i)
			b, c, d := a+1, a+int32(n)+2, a+int32(n)+1
			m.Tri = append(m.Tri, a, b, c, a, c, d)
		}
	}
	return m
}

func TestGapInASheet(t *testing.T) {
	m := panel(geom.Vec{Z: 500}, geom.Vec{X: 1000}, geom.Vec{Y: 1000}, 20, func(i, j int) bool { return i >= 8 && i < 12 && j >= 6 && j < 10 })
	gaps := Gaps(m, nil, 0, 1)
	if len(gaps) != 2 {
		t.Fatalf("%d gaps, want the hole and the back", len(gaps))
	}
	back, hole := gaps[0], gaps[1]
	if math.Abs(hole.Area-200*200) > 1 || hole.Center.Dist(geom.Vec{X: 500, Y: 400, Z: 500}) > 1e-6 || hole.Normal.Dist(geom.Vec{Z: 1}) > 1e-9 {
		t.Errorf("hole: area %.0f at %v, normal %v", hole.Area, hole.Center, hole.Normal)
	}
	if math.Abs(back.Area-1e6) > 1 || back.Normal.Dist(geom.Vec{Z: -1}) > 1e-9 {
		t.Errorf("back: area %.0f, normal %v", back.Area, back.Normal)
	}
	sum := 0.0
	for _, p := range hole.Places {
		sum += p.Area
	}
	if math.Abs(sum-hole.Area) > 1e-6*hole.Area {
		t.Errorf("the pieces of the closing face have %.1f mm² of %.1f", sum, hole.Area)
	}
	box := geom.Box{Max: geom.Vec{X: 1000, Y: 1000, Z: 900}}
	if gaps := Gaps(m, &box, 20, 1); len(gaps) != 1 || gaps[0].Area != hole.Area {
		t.Errorf("with the box that cut the sheet: %d gaps", len(gaps))
	}
	if gaps := Gaps(m, nil, 0, 50_000); len(gaps) != 1 {
		t.Errorf("%d gaps of more than 50000 mm²", len(gaps))
	}
	if gaps := Gaps(&scan.Mesh{}, nil, 0, 1); len(gaps) != 0 {
		t.Errorf("%d gaps in nothing", len(gaps))
	}
}

// view makes the points that a scanner at zero sees of a wall 6 m ahead, 8 m wide and
// high, half a degree apart, each direction as look says: a depth factor, 0 for nothing.
func view(look func(y, z float64) float64) *scan.Cloud {
	c := &scan.Cloud{}
	for a := -33.0; a <= 33; a += 0.1 {
		for e := -33.0; e <= 33; e += 0.1 {
			y, z := 6000*math.Tan(a*math.Pi/180), 6000*math.Tan(e*math.Pi/180)
			if f := look(y, z); f > 0 {
				c.Append(geom.Vec{X: 6000, Y: y, Z: z}.Scale(f))
			}
		}
	}
	return c
}

// faceGap is an opening of 400 mm in a face 3 m ahead that looks along n.
func faceGap(n geom.Vec) Gap {
	u := n.Perpendicular()
	v := n.Cross(u)
	g := Gap{Center: geom.Vec{X: 3000}, Normal: n, Area: 160000}
	for i := range 5 {
		for j := range 5 {
			at := g.Center.AddScaled(80*float64(i-2), u).AddScaled(80*float64(j-2), v)
			g.Places = append(g.Places, Place{At: at, Normal: n, Area: 6400})
			g.Loop = append(g.Loop, at)
		}
	}
	return g
}

func TestExplain(t *testing.T) {
	towards := geom.Vec{X: -1}
	near := func(y, z float64) bool { return math.Abs(y) < 900 && math.Abs(z) < 900 }
	cases := []struct {
		name string
		look func(y, z float64) float64
		n    geom.Vec
		want Reason
		best string
	}{
		{"the wall behind it was seen", func(float64, float64) float64 { return 1 }, towards, Open, ""},
		{"nothing came back", func(y, z float64) float64 {
			if near(y, z) {
				return 0
			}
			return 1
		}, towards, Mute, "s"},
		{"nothing came back, seen flat", func(y, z float64) float64 {
			if near(y, z) {
				return 0
			}
			return 1
		}, geom.Vec{X: -0.1, Z: 1}.Unit(), Grazing, "s"},
		{"something stands a metre before it", func(y, z float64) float64 {
			if near(y, z) {
				return 0.33
			}
			return 1
		}, towards, Hidden, ""},
		{"it is seen over its own edge", func(y, z float64) float64 {
			if near(y, z) {
				return 0.48
			}
			return 1
		}, geom.Vec{X: -0.1, Z: 1}.Unit(), Grazing, "s"},
		{"the same from below", func(y, z float64) float64 {
			if near(y, z) {
				return 0.48
			}
			return 1
		}, geom.Vec{X: 0.1, Z: 1}.Unit(), Hidden, ""},
	}
	for _, c := range cases {
		g := faceGap(c.n)
		g.Explain([]*Sight{NewSight("s", view(c.look), geom.IdentityPose())}, 50)
		if g.Reason != c.want || g.Best != c.best {
			t.Errorf("%s: %q by %q, want %q by %q", c.name, g.Reason, g.Best, c.want, c.best)
		}
	}
	g := faceGap(towards)
	g.Explain(nil, 50)
	if g.Reason != Hidden {
		t.Errorf("without a set-up: %q", g.Reason)
	}
	behind := faceGap(towards)
	for i := range behind.Places {
		behind.Places[i].At.X = -3000
	}
	behind.Explain([]*Sight{NewSight("s", view(func(float64, float64) float64 { return 1 }), geom.IdentityPose())}, 50)
	if behind.Reason != Hidden {
		t.Errorf("behind the scanner: %q", behind.Reason)
	}
}

// One who sees a gap through a set-up that was moved and turned sees the same.
func TestSightsAreCarried(t *testing.T) {
	toCommon := geom.Pose{R: geom.RotVec(geom.Vec{X: 0.4, Y: -0.2, Z: 2}), T: geom.Vec{X: 900, Y: -4000, Z: 1300}}
	g := faceGap(geom.Vec{X: -1})
	for i, p := range g.Places {
		g.Places[i] = Place{At: toCommon.Apply(p.At), Normal: toCommon.Turn(p.Normal), Area: p.Area}
	}
	g.Explain([]*Sight{NewSight("s", view(func(float64, float64) float64 { return 1 }), toCommon)}, 50)
	if g.Reason != Open {
		t.Errorf("got %q", g.Reason)
	}
}

// A set-up below sees the gap below; one above, behind the sheet, one too far and one
// too flat see nothing of it.
func TestNext(t *testing.T) {
	m := panel(geom.Vec{Z: 1000}, geom.Vec{X: 1000}, geom.Vec{Y: 1000}, 50, nil)
	gaps := Gaps(m, nil, 0, 1)
	places := []geom.Vec{{X: 500, Y: 500}, {X: 500, Y: 500, Z: 2500}, {X: 500, Y: 500, Z: -9000}, {X: 4000, Y: 500, Z: 800}}
	got, err := Next(context.Background(), m, 20, gaps, places, 5000)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{1e6, 0, 0, 0} {
		if math.Abs(got[i].Adds-want) > 1e-3*1e6 || got[i].At != places[i] {
			t.Errorf("from %v: %.0f mm², want %.0f", places[i], got[i].Adds, want)
		}
	}
	shelf := panel(geom.Vec{X: -500, Y: -500, Z: 600}, geom.Vec{X: 2000}, geom.Vec{Y: 2000}, 100, nil)
	both := &scan.Mesh{X: append(m.X, shelf.X...), Y: append(m.Y, shelf.Y...), Z: append(m.Z, shelf.Z...)}
	if got, err = Next(context.Background(), both, 20, gaps, places[:1], 5000); err != nil || got[0].Adds > 1e4 {
		t.Errorf("through a shelf: %+v, %v", got, err)
	}
	gaps[0].Reason = Open
	if got, err = Next(context.Background(), m, 20, gaps, places[:1], 5000); err != nil || got[0].Adds != 0 {
		t.Errorf("of a gap that is open: %+v, %v", got, err)
	}
}

func BenchmarkNext(b *testing.B) {
	m := panel(geom.Vec{Z: 1000}, geom.Vec{X: 4000}, geom.Vec{Y: 2000}, 200, nil)
	gaps := Gaps(m, nil, 0, 1)
	var places []geom.Vec
	for k := range 96 {
		places = append(places, geom.Vec{X: 4000 * math.Cos(float64(k)), Y: 3000 * math.Sin(float64(k)), Z: 20 * float64(k)})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Next(context.Background(), m, 20, gaps, places, 25000); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(places)*len(gaps[0].Places)*b.N)/b.Elapsed().Seconds(), "sights/s")
}
