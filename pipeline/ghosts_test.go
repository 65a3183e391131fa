package pipeline

import (
	"context"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"trammel/pipeline/fuse"
	"trammel/pipeline/geom"
	"trammel/pipeline/normal"
	"trammel/pipeline/scan"
	"trammel/pipeline/simulate"
)

var (
	matt     = simulate.Material{Reflectance: 0.6}
	person   = simulate.At("person", simulate.Cylinder{Radius: 200, Length: 1700}, geom.Vec{X: 1500, Y: -300, Z: 850}, matt)
	moved    = simulate.At("crate", simulate.Box{Half: geom.Vec{X: 250, Y: 200, Z: 300}}, geom.Vec{X: -1400, Y: 700, Z: 300}, matt)
	yardRods = []simulate.Part{
		simulate.At("rod", simulate.Cylinder{Radius: 6, Length: 1400}, geom.Vec{X: 900, Y: 900, Z: 700}, matt),
		simulate.At("rod", simulate.Cylinder{Radius: 15, Length: 1400}, geom.Vec{X: -900, Y: -900, Z: 700}, matt),
		simulate.Along("rod", simulate.Cylinder{Radius: 10, Length: 1500}, geom.Vec{Y: 900, Z: 1000}, geom.Vec{X: 1}, matt),
		simulate.Along("rod", simulate.Cylinder{Radius: 4, Length: 1500}, geom.Vec{Y: -900, Z: 1100}, geom.Vec{X: 1, Z: 0.3}, matt),
		simulate.At("sheet", simulate.Box{Half: geom.Vec{X: 300, Y: 1.5, Z: 200}}, geom.Vec{X: 300, Y: -800, Z: 500}, matt),
	}
)

// yard is a floor, a body, thin parts, and what stands about besides.
func yard(more ...simulate.Part) *simulate.Scene {
	parts := append([]simulate.Part{
		simulate.At("floor", simulate.Box{Half: geom.Vec{X: 9000, Y: 9000, Z: 20}}, geom.Vec{Z: -20}, matt),
		simulate.At("wall", simulate.Box{Half: geom.Vec{X: 9000, Y: 20, Z: 2500}}, geom.Vec{Y: 8000, Z: 2500}, matt),
		simulate.At("body", simulate.Box{Half: geom.Vec{X: 500, Y: 300, Z: 250}}, geom.Vec{Z: 700}, matt),
	}, yardRods...)
	return simulate.NewScene(append(parts, more...)...)
}

// yardViews scans the yard from five places; what is in more stands there for one of them.
func yardViews(t *testing.T, more map[int]simulate.Part) []fuse.View {
	t.Helper()
	return yardViewsOff(t, more, 0)
}

// yardViewsOff is the same with set-ups that stand elsewhere than their poses say, by so many
// standard deviations of 0.5 mm an axis and 0.1 mrad, and with parts that are there for all.
func yardViewsOff(t *testing.T, more map[int]simulate.Part, sigmas float64, always ...simulate.Part) []fuse.View {
	t.Helper()
	rng := rand.New(rand.NewPCG(11, uint64(sigmas)))
	off := func(size float64) geom.Vec {
		return geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}.Scale(size * sigmas)
	}
	var out []fuse.View
	for i := range 5 {
		a := 2 * math.Pi * (float64(i) + 0.15) / 5
		at := geom.Vec{X: 3600 * math.Cos(a), Y: 3600 * math.Sin(a), Z: 1500}
		pose := geom.Pose{R: geom.RotVec(geom.Vec{Z: a + math.Pi}), T: at}
		scene := yard(always...)
		if p, ok := more[i]; ok {
			scene = yard(append(slices.Clone(always), p)...)
		}
		c, err := simulate.NewTripod(0.2).Scan(t.Context(), scene, pose, uint64(i+1))
		if err != nil {
			t.Fatal(err)
		}
		raw := *c
		thin, v, err := normal.Thin(t.Context(), c, normal.Options{Kind: normal.Station}, yardCell)
		if err != nil {
			t.Fatal(err)
		}
		pose = geom.Pose{R: geom.RotVec(off(1e-4)).Mul(pose.R), T: pose.T.Add(off(0.5))}
		view := cloudView(thin, v, pose, 1, yardCell)
		view.Sight = func(ctx context.Context) (*fuse.Sight, error) { return fuse.NewSight(ctx, &raw) }
		out = append(out, view)
	}
	return out
}

const yardCell = 6

func fuseYard(t *testing.T, views []fuse.View, looks bool, memory int64) (*scan.Mesh, fuse.Stats) {
	t.Helper()
	box := geom.Box{Min: geom.Vec{X: -2200, Y: -2200, Z: -100}, Max: geom.Vec{X: 2200, Y: 2200, Z: 2000}}
	m, s, err := fuse.Fuse(t.Context(), len(views), func(int) bool { return false }, func(_ context.Context, i int) (fuse.View, error) {
		v := views[i]
		if !looks {
			v.Sight = nil
		}
		return v, nil
	}, fuse.Options{Voxel: yardCell, Box: &box, Memory: memory})
	if err != nil {
		t.Fatal(err)
	}
	return m, s
}

// areaNear sums up the triangles of a mesh that lie within two cells of a part, above the
// floor.
func areaNear(m *scan.Mesh, above float64, parts ...simulate.Part) float64 {
	scene, sum := simulate.NewScene(parts...), 0.0
	for k := range m.Triangles() {
		a, b, c := m.Corners(k)
		p := a.Add(b).Add(c).Scale(1.0 / 3)
		if p.Z < above {
			continue
		}
		if d, _ := scene.Distance(p); d < 2*yardCell {
			sum += b.Sub(a).Cross(c.Sub(a)).Norm() / 2
		}
	}
	return sum
}

// TestGhostsAreLeftOut: somebody who stood there for one of five set-ups, and a crate that was
// there for another, are left out and listed; thin rods, a thin sheet, the body and the
// floor stay as they are, and without ghosts nothing changes.
func TestGhostsAreLeftOut(t *testing.T) {
	if testing.Short() {
		t.Skip("scans a yard ten times")
	}
	views := yardViews(t, map[int]simulate.Part{1: person, 3: moved})
	with, listed := fuseYard(t, views, true, 0)
	without, _ := fuseYard(t, views, false, 0)
	const above = 250 // looks past feet end on the floor not far behind
	for _, p := range []simulate.Part{person, moved} {
		left, was := areaNear(with, above, p), areaNear(without, above, p)
		t.Logf("%s: %.0f cm² of %.0f left", p.Name, left/100, was/100)
		if left > 0.01*was || was < 1e5 {
			t.Errorf("%s: %.0f cm² of %.0f are left", p.Name, left/100, was/100)
		}
	}
	keep := yardRods
	left, was := areaNear(with, above, keep...), areaNear(without, above, keep...)
	t.Logf("thin parts: %.0f cm² of %.0f left", left/100, was/100)
	if left < 0.999*was || was < 1e5 {
		t.Errorf("of thin parts %.0f cm² of %.0f are left", left/100, was/100)
	}
	cut, s := fuseYard(t, views, true, 120e6)
	if !reflect.DeepEqual(with, cut) || !reflect.DeepEqual(listed.Ghosts, s.Ghosts) || s.Tiles < 2 {
		t.Errorf("in %d tiles %d triangles, as a whole %d; ghosts %+v, %+v", s.Tiles, cut.Triangles(), with.Triangles(), s.Ghosts, listed.Ghosts)
	}
	if len(listed.Ghosts) != 2 || listed.Ghosts[0].View != 1 && listed.Ghosts[0].View != 3 {
		t.Errorf("listed: %+v", listed.Ghosts)
	}

	views = yardViews(t, nil)
	with, s = fuseYard(t, views, true, 0)
	without, _ = fuseYard(t, views, false, 0)
	if !reflect.DeepEqual(with, without) || len(s.Ghosts) > 0 {
		t.Errorf("without ghosts: %d triangles, %d where nobody looks; ghosts %+v", with.Triangles(), without.Triangles(), s.Ghosts)
	}
}

// touched are real parts within a hand's breadth of the person and of the crate, rods of 4 to
// 15 mm radius and a sheet of 3 mm, and a wire mesh, which most of the five set-ups see at a
// grazing angle.
func touched() []simulate.Part {
	x, y := 1500.0, -300.0
	out := []simulate.Part{
		simulate.At("rod", simulate.Cylinder{Radius: 4, Length: 1500}, geom.Vec{X: x - 240, Y: y, Z: 800}, matt),
		simulate.At("rod", simulate.Cylinder{Radius: 15, Length: 1500}, geom.Vec{X: x + 60, Y: y - 250, Z: 800}, matt),
		simulate.Along("rod", simulate.Cylinder{Radius: 5, Length: 900}, geom.Vec{X: -1400, Y: 450, Z: 640}, geom.Vec{X: 1, Z: 0.1}, matt),
		simulate.At("sheet", simulate.Box{Half: geom.Vec{X: 150, Y: 1.5, Z: 150}}, geom.Vec{X: -1000, Y: 700, Z: 500}, matt),
	}
	for k := range 9 {
		out = append(out, simulate.At("wire", simulate.Cylinder{Radius: 2.5, Length: 500}, geom.Vec{X: -1200 + 50*float64(k), Y: -600, Z: 800}, matt),
			simulate.Along("wire", simulate.Cylinder{Radius: 2.5, Length: 450}, geom.Vec{X: -1000, Y: -600, Z: 600 + 50*float64(k)}, geom.Vec{X: 1}, matt))
	}
	return out
}

// TestGhostsLeaveWhatTheyTouch: what really stands beside somebody who walked by stays, with
// poses that are off by a standard deviation or by three, and where nobody walked by nothing
// is left out.
func TestGhostsLeaveWhatTheyTouch(t *testing.T) {
	if testing.Short() {
		t.Skip("scans a yard twenty times")
	}
	for _, sigmas := range []float64{1, 3} {
		views := yardViewsOff(t, map[int]simulate.Part{1: person, 3: moved}, sigmas, touched()...)
		with, listed := fuseYard(t, views, true, 0)
		without, _ := fuseYard(t, views, false, 0)
		const above = 250
		for _, p := range append(slices.Clone(yardRods), touched()...) {
			if left, was := areaNear(with, above, p), areaNear(without, above, p); left < 0.995*was {
				t.Errorf("%v sigma: of a %s %.1f cm² of %.1f are left", sigmas, p.Name, left/100, was/100)
			}
		}
		left, was := areaNear(with, above, person, moved), areaNear(without, above, person, moved)
		if left > 0.2*was || len(listed.Ghosts) < 2 {
			t.Errorf("%v sigma: %.0f cm² of %.0f of person and crate are left", sigmas, left/100, was/100)
		}
		t.Logf("%v sigma: %.0f cm² of %.0f of person and crate left, %d pieces", sigmas, left/100, was/100, len(listed.Ghosts))
		views = yardViewsOff(t, nil, sigmas, touched()...)
		with, s := fuseYard(t, views, true, 0)
		if without, _ = fuseYard(t, views, false, 0); !reflect.DeepEqual(with, without) || len(s.Ghosts) > 0 {
			t.Errorf("%v sigma: without ghosts %d triangles, %d where nobody looks; %+v", sigmas, with.Triangles(), without.Triangles(), s.Ghosts)
		}
	}
}
