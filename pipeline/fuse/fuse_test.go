package fuse

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

func within(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

func mustFuse(t testing.TB, o Options, views ...View) (*scan.Mesh, Stats) {
	t.Helper()
	m, s, err := Fuse(context.Background(), len(views),
		func(i int) bool { return views[i].Prefer },
		func(_ context.Context, i int) (View, error) { return views[i], nil }, o)
	if err != nil {
		t.Fatal(err)
	}
	return m, s
}

// patch samples the surface at(u, v) with its normals on a grid of n × n places, in
// the order of the parameters; each point stands for area mm². A point is left out
// where at says so.
func patch(n int, area float64, at func(u, v float64) (p, normal geom.Vec, ok bool)) View {
	v := View{Cloud: &scan.Cloud{}, ToCommon: geom.IdentityPose()}
	for i := range n {
		for j := range n {
			p, q, ok := at((float64(i)+0.5)/float64(n), (float64(j)+0.5)/float64(n))
			if !ok {
				continue
			}
			if v.Cloud.Len() == 0 {
				v.Cloud.Origin = p
			}
			v.Cloud.Append(p)
			v.Cloud.NX, v.Cloud.NY, v.Cloud.NZ = append(v.Cloud.NX, float32(q.X)), append(v.Cloud.NY, float32(q.Y)), append(v.Cloud.NZ, float32(q.Z))
			v.Weight, v.Area = append(v.Weight, 1), append(v.Area, float32(area))
		}
	}
	return v
}

// slab is a square of the given size at height z, seen from the side of sign, with
// points step apart, turned by r and moved by c.
func slab(size, step, z, sign float64, r geom.Mat, c geom.Vec) View {
	return patch(int(size/step), step*step, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		return r.MulVec(geom.Vec{X: size * (u - 0.5), Y: size * (v - 0.5), Z: z}).Add(c), r.MulVec(geom.Vec{Z: sign}), true
	})
}

var askew = geom.RotVec(geom.Vec{X: 0.5, Y: -0.3, Z: 0.2})

// sphere is a closed sphere; about as many points as give the step, spread evenly
// along a spiral (Fibonacci's).
func sphere(radius, step float64, c geom.Vec) View {
	n := int(math.Ceil(math.Sqrt(4*math.Pi*radius*radius) / step))
	k := 0
	return patch(n, 4*math.Pi*radius*radius/float64(n*n), func(_, _ float64) (geom.Vec, geom.Vec, bool) {
		z := 1 - (2*float64(k)+1)/float64(n*n)
		a := float64(k) * math.Pi * (3 - math.Sqrt(5))
		k++
		q := geom.Vec{X: math.Sqrt(1-z*z) * math.Cos(a), Y: math.Sqrt(1-z*z) * math.Sin(a), Z: z}
		return c.AddScaled(radius, q), q, true
	})
}

func torus(major, minor, step float64) View {
	n := int(2 * math.Pi * major / step)
	return patch(n, step*2*math.Pi*minor/float64(n), func(u, v float64) (geom.Vec, geom.Vec, bool) {
		a, b := 2*math.Pi*u, 2*math.Pi*v
		q := geom.Vec{X: math.Cos(b) * math.Cos(a), Y: math.Cos(b) * math.Sin(a), Z: math.Sin(b)}
		return geom.Vec{X: major * math.Cos(a), Y: major * math.Sin(a)}.AddScaled(minor, q), q, true
	})
}

// facts are what holds of every good mesh.
type facts struct {
	border, complex, turned int // edges of one triangle, of more than two, and run twice in one direction
	vertices, triangles     int
}

func factsOf(m *scan.Mesh) facts {
	f := facts{vertices: m.Vertices(), triangles: m.Triangles()}
	type use struct{ n, forward int }
	edges := map[[2]int32]use{}
	for i := range m.Tri {
		a, b := m.Tri[i], m.Tri[i-i%3+(i+1)%3]
		u := edges[[2]int32{min(a, b), max(a, b)}]
		u.n++
		if a < b {
			u.forward++
		}
		edges[[2]int32{min(a, b), max(a, b)}] = u
	}
	for _, u := range edges {
		switch {
		case u.n == 1:
			f.border++
		case u.n > 2:
			f.complex++
		case u.forward != 1:
			f.turned++
		}
	}
	return f
}

func (f facts) euler() int { return f.vertices - (3*f.triangles+f.border)/2 + f.triangles }

func checkManifold(t *testing.T, m *scan.Mesh) facts {
	t.Helper()
	f := factsOf(m)
	if f.triangles == 0 || f.complex > 0 || f.turned > 0 {
		t.Fatalf("%d triangles, %d complex edges, %d edges between triangles of opposite sense", f.triangles, f.complex, f.turned)
	}
	return f
}

// worst returns the largest |f| over the vertices.
func worst(m *scan.Mesh, f func(geom.Vec) float64) float64 {
	var w float64
	for i := range int32(m.Vertices()) {
		w = max(w, math.Abs(f(m.At(i))))
	}
	return w
}

func volume(m *scan.Mesh) float64 {
	var v float64
	o := m.Bounds().Center()
	for t := range m.Triangles() {
		a, b, c := m.Corners(t)
		v += a.Sub(o).Dot(b.Sub(o).Cross(c.Sub(o))) / 6
	}
	return v
}

// TestPlane: vertices lie on the plane to rounding at any tilt and 10 km away, the
// surface ends where the points end, and it is seen from the side it was seen from
// (CV-6.3).
func TestPlane(t *testing.T) {
	for _, c := range []geom.Vec{{}, {X: 1e7, Y: -1e7, Z: 1e7}} {
		m, _ := mustFuse(t, Options{Voxel: 3}, slab(200, 2, 0, 1, askew, c))
		f := checkManifold(t, m)
		n := askew.Col(2)
		if w := worst(m, func(p geom.Vec) float64 { return p.Sub(c).Dot(n) }); w > 3*leastShare+1e-3 {
			t.Errorf("at %v: %.2g mm off the plane", c, w)
		}
		if f.euler() != 1 {
			t.Errorf("Euler characteristic %d of a disc, want 1", f.euler())
		}
		within(t, "area", m.Area(), 200*200, 0.04*200*200) // the border is within a cell of the points'
		a, b, d := m.Corners(0)
		if b.Sub(a).Cross(d.Sub(a)).Dot(n) <= 0 {
			t.Error("triangles are clockwise seen from outside")
		}
	}
}

// TestSphereConverges: area and volume of a closed sphere, whose error falls with the
// square of the cell (CV-6.3), and its Euler characteristic.
func TestSphereConverges(t *testing.T) {
	const r = 60
	var areaError, volumeError []float64
	for _, h := range []float64{8, 4, 2} {
		m, _ := mustFuse(t, Options{Voxel: h}, sphere(r, h/3, geom.Vec{X: 0.3, Y: 5000.7, Z: -1.1}))
		if f := checkManifold(t, m); f.border != 0 || f.euler() != 2 {
			t.Errorf("voxel %v: %d border edges, Euler characteristic %d, want 0 and 2", h, f.border, f.euler())
		}
		areaError = append(areaError, m.Area()/(4*math.Pi*r*r)-1)
		volumeError = append(volumeError, volume(m)/(4*math.Pi*r*r*r/3)-1)
	}
	for i := range 2 {
		for _, e := range [][]float64{areaError, volumeError} {
			if ratio := e[i] / e[i+1]; ratio < 3 || ratio > 5 {
				t.Errorf("errors %.2e are not of second order", e)
			}
		}
	}
	within(t, "relative volume error at 2 mm", volumeError[2], 0, 3e-3)
}

// TestTorusConverges: a surface that bends both ways, of Euler characteristic 0.
func TestTorusConverges(t *testing.T) {
	const major, minor = 60, 25
	off := func(p geom.Vec) float64 { return math.Hypot(math.Hypot(p.X, p.Y)-major, p.Z) - minor }
	var errs []float64
	for _, h := range []float64{4, 2} {
		m, _ := mustFuse(t, Options{Voxel: h}, torus(major, minor, h/3))
		if f := checkManifold(t, m); f.border != 0 || f.euler() != 0 {
			t.Errorf("voxel %v: %d border edges, Euler characteristic %d, want none and 0", h, f.border, f.euler())
		}
		errs = append(errs, worst(m, off))
	}
	if ratio := errs[0] / errs[1]; ratio < 3 || ratio > 5.5 {
		t.Errorf("errors %.2e are not of second order", errs)
	}
}

// TestThinPlate: a plate of three cells seen from both sides keeps two sides at their
// places (CV-6.1, thin wall).
func TestThinPlate(t *testing.T) {
	for _, r := range []geom.Mat{geom.Identity(), askew} {
		m, _ := mustFuse(t, Options{Voxel: 2}, slab(150, 1, 3, 1, r, geom.Vec{}), slab(150, 1, -3, -1, r, geom.Vec{}))
		checkManifold(t, m)
		n := r.Col(2)
		if w := worst(m, func(p geom.Vec) float64 { return math.Abs(p.Dot(n)) - 3 }); w > 0.05 {
			t.Errorf("%.3f mm off the two sides", w)
		}
		within(t, "area of both sides", m.Area(), 2*150*150, 0.04*2*150*150)
	}
}

// TestHoleStays: nothing is drawn over a hole wider than the cover reaches, and its
// border lies within a cell of the points'.
func TestHoleStays(t *testing.T) {
	const radius = 15
	v := patch(100, 4, func(u, v float64) (geom.Vec, geom.Vec, bool) {
		p := geom.Vec{X: 200 * (u - 0.5), Y: 200 * (v - 0.5)}
		return p, geom.Vec{Z: 1}, p.Norm() > radius
	})
	m, _ := mustFuse(t, Options{Voxel: 3}, v)
	if f := checkManifold(t, m); f.euler() != 0 {
		t.Errorf("Euler characteristic %d of a ring, want 0", f.euler())
	}
	inner := math.Inf(1)
	for i := range int32(m.Vertices()) {
		inner = min(inner, m.At(i).Norm())
	}
	within(t, "radius of the hole", inner, radius, 3)
}

// TestOffsetViews: views with offsets ε and equal weights lie at the mean of ε, and
// with weights at the weighted mean (CV-6.1, CV-6.3).
func TestOffsetViews(t *testing.T) {
	offsets, weights := []float64{1, -2, 0.5}, []float32{1, 2, 1}
	var equal, weighted []View
	for i, e := range offsets {
		equal = append(equal, slab(120, 1.5, e, 1, geom.Identity(), geom.Vec{}))
		w := slab(120, 1.5, e, 1, geom.Identity(), geom.Vec{})
		for k := range w.Weight {
			w.Weight[k] = weights[i]
		}
		weighted = append(weighted, w)
	}
	middle := func(m *scan.Mesh) float64 {
		sum, n := 0.0, 0
		for i := range int32(m.Vertices()) {
			if p := m.At(i); math.Abs(p.X) < 40 && math.Abs(p.Y) < 40 {
				sum, n = sum+p.Z, n+1
			}
		}
		return sum / float64(n)
	}
	m, _ := mustFuse(t, Options{Voxel: 4}, equal...)
	within(t, "equal weights", middle(m), -0.5/3, 0.15)
	m, _ = mustFuse(t, Options{Voxel: 4}, weighted...)
	within(t, "weights 1, 2, 1", middle(m), -0.625, 0.15)
}

// TestPrefer: where the preferred view saw the surface it is taken, whichever comes
// first; beyond, the other one; between them there is no step.
func TestPrefer(t *testing.T) {
	hand := slab(100, 1.5, 0.6, 1, geom.Identity(), geom.Vec{})
	hand.Prefer = true
	tripod := slab(240, 2, 0, 1, geom.Identity(), geom.Vec{})
	first, _ := mustFuse(t, Options{Voxel: 3}, tripod, hand)
	second, _ := mustFuse(t, Options{Voxel: 3}, hand, tripod)
	if !reflect.DeepEqual(first, second) {
		t.Error("the order of the views matters")
	}
	checkManifold(t, first)
	for i := range int32(first.Vertices()) {
		p := first.At(i)
		switch far := max(math.Abs(p.X), math.Abs(p.Y)); {
		case far < 42:
			within(t, "height under the preferred view", p.Z, 0.6, 0.02)
		case far > 58 && far < 110:
			within(t, "height beyond it", p.Z, 0, 0.02)
		}
	}
	for k := range first.Triangles() {
		a, b, c := first.Corners(k)
		if up := b.Sub(a).Cross(c.Sub(a)).Unit().Z; up < 0.9 && first.Bounds().Grow(-8).Contains(geom.Vec{X: a.X, Y: a.Y, Z: first.Bounds().Center().Z}) {
			t.Fatalf("a triangle at %v stands at %.0f degrees", a, math.Acos(up)*180/math.Pi)
		}
	}
}

// TestNoiseAverages: noise of sigma leaves less than a third of it on the surface when
// a cell holds nine points, and no bias.
func TestNoiseAverages(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	const sigma = 0.5
	v := slab(240, 1, 0, 1, askew, geom.Vec{})
	n := askew.Col(2)
	for i := range v.Cloud.X {
		e := sigma * r.NormFloat64()
		v.Cloud.X[i] += float32(e * n.X)
		v.Cloud.Y[i] += float32(e * n.Y)
		v.Cloud.Z[i] += float32(e * n.Z)
	}
	m, _ := mustFuse(t, Options{Voxel: 3}, v)
	var sum, squares float64
	for i := range int32(m.Vertices()) {
		d := m.At(i).Dot(n)
		sum, squares = sum+d, squares+d*d
	}
	count := float64(m.Vertices())
	if rms := math.Sqrt(squares / count); rms > sigma/3 {
		t.Errorf("rms %.3f mm from noise of %.3f", rms, sigma)
	}
	within(t, "bias", sum/count, 0, 0.01)
}

// TestLoneReturnsGrowNoSkin: single points off the surface are left out and counted.
func TestLoneReturnsGrowNoSkin(t *testing.T) {
	v := slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	lone := patch(5, 2.25, func(u, w float64) (geom.Vec, geom.Vec, bool) {
		return geom.Vec{X: 100 * (u - 0.5), Y: 100 * (w - 0.5), Z: 40}, geom.Vec{Z: 1}, true
	})
	m, s := mustFuse(t, Options{Voxel: 3}, v, lone)
	if top := m.Bounds().Max.Z; top > 1 {
		t.Errorf("skin at %.1f mm over the surface", top)
	}
	checkManifold(t, m)
	if s.Crumbs > 25 {
		t.Errorf("%d crumbs of 25 lone returns", s.Crumbs)
	}
}

// TestBoxAndEmpty: what lies outside the box is counted, and nothing gives nothing.
func TestBoxAndEmpty(t *testing.T) {
	box := geom.Box{Min: geom.Vec{X: -30, Y: -30, Z: -30}, Max: geom.Vec{X: 30, Y: 30, Z: 30}}
	m, s := mustFuse(t, Options{Voxel: 3, Box: &box}, slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{}))
	within(t, "area in the box", m.Area(), 3600, 0.12*3600)
	if s.Trimmed+s.Points != 6400 || s.Points != 1600 {
		t.Errorf("%d used and %d trimmed of 6400 points, want 1600 used", s.Points, s.Trimmed)
	}
	means := slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	for range means.Cloud.X {
		means.Count = append(means.Count, 3)
	}
	if _, s = mustFuse(t, Options{Voxel: 3, Box: &box}, means); s.Points != 3*1600 || s.Trimmed != 3*4800 {
		t.Errorf("%d used and %d trimmed of 6400 means of three points, want 4800 used", s.Points, s.Trimmed)
	}
	m, _ = mustFuse(t, Options{Voxel: 3}, View{Cloud: &scan.Cloud{}, ToCommon: geom.IdentityPose()})
	if m.Triangles() != 0 {
		t.Errorf("%d triangles of nothing", m.Triangles())
	}
}

// TestRefusals: options and views that make no sense, and cells that do not fit.
func TestRefusals(t *testing.T) {
	v := slab(60, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	run := func(v View, o Options) error {
		_, _, err := Fuse(context.Background(), 1, func(int) bool { return false }, func(context.Context, int) (View, error) { return v, nil }, o)
		return err
	}
	for _, h := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if err := run(v, Options{Voxel: h}); !errors.Is(err, ErrOptions) {
			t.Errorf("voxel %v: %v", h, err)
		}
	}
	if err := run(View{Cloud: v.Cloud, ToCommon: v.ToCommon}, Options{Voxel: 3}); !errors.Is(err, ErrOptions) {
		t.Errorf("no weights: %v", err)
	}
	if err := run(v, Options{Voxel: 0.5, Memory: 100_000}); !errors.Is(err, ErrMemory) {
		t.Errorf("little memory: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, _, err := Fuse(ctx, 1, func(int) bool { return false }, func(context.Context, int) (View, error) { return v, nil }, Options{Voxel: 3})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestBadPoints: coordinates, normals and weights that are no numbers do no harm.
func TestBadPoints(t *testing.T) {
	v := slab(120, 1.5, 0, 1, geom.Identity(), geom.Vec{})
	nan := float32(math.NaN())
	v.Cloud.X[10], v.Cloud.NY[20], v.Weight[30], v.Area[40] = nan, nan, nan, nan
	v.Cloud.Z[50], v.Weight[60], v.Area[70], v.Weight[80] = float32(math.Inf(1)), float32(math.Inf(1)), float32(math.Inf(1)), -1
	m, _ := mustFuse(t, Options{Voxel: 3}, v)
	checkManifold(t, m)
	if w := worst(m, func(p geom.Vec) float64 { return p.Z }); !(w < 3*leastShare+1e-3) {
		t.Errorf("%v mm off the plane", w)
	}
}

// TestWorkersDoNotMatter compares every byte.
func TestWorkersDoNotMatter(t *testing.T) {
	views := []View{sphere(50, 1, geom.Vec{}), sphere(50.2, 1.3, geom.Vec{X: 0.2}), slab(150, 1, 0, 1, askew, geom.Vec{})}
	run := func(workers int) (*scan.Mesh, Stats) {
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(workers))
		return mustFuse(t, Options{Voxel: 2}, views...)
	}
	m, s := run(1)
	for _, workers := range []int{2, 3, 8} {
		if n, u := run(workers); !reflect.DeepEqual(m, n) || !reflect.DeepEqual(s, u) {
			t.Errorf("%d workers give another result", workers)
		}
	}
}

// TestUnitsDoNotMatter: everything 1024 times larger gives the same mesh, larger.
func TestUnitsDoNotMatter(t *testing.T) {
	v := sphere(50, 1.5, geom.Vec{X: 3})
	big := sphere(50*1024, 1.5*1024, geom.Vec{X: 3 * 1024})
	m, _ := mustFuse(t, Options{Voxel: 2}, v)
	n, _ := mustFuse(t, Options{Voxel: 2048}, big)
	if !reflect.DeepEqual(m.Tri, n.Tri) {
		t.Fatal("in another unit the mesh has other triangles")
	}
	for i := range int32(m.Vertices()) {
		if m.At(i).Scale(1024).Dist(n.At(i)) > 1 { // a thousandth of a millimetre before
			t.Fatalf("vertex %d: %v and %v", i, m.At(i), n.At(i))
		}
	}
}
