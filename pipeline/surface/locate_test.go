package surface

import (
	"bufio"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/simulate"
)

// wide is how the tests scan: some 2,000 points a view.
func wide() viewing { return viewing{spacing: 16, noise: 0.5, tilt: 0.05} }

func locate(t testing.TB, source, target *scan.Cloud, o LocateOptions) []Placement {
	t.Helper()
	found, err := Locate(context.Background(), source, target, o)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func doubts(p *Placement) []DoubtKind {
	var out []DoubtKind
	for _, d := range p.Doubts {
		out = append(out, d.Kind)
	}
	return out
}

// Two views of one thing are placed on each other from any start.
func TestLocatePlacesTwoViews(t *testing.T) {
	for k, make := range []func(*rand.Rand) thing{machine, blob} {
		for _, known := range []bool{false, true} {
			p := newPair(uint64(k), make(rand.New(rand.NewPCG(uint64(k), 5))), wide(), false, 0.6)
			o := LocateOptions{}
			if known {
				o = p.sights
			}
			found := locate(t, p.source, p.target, o)
			dist, sigmas := p.off(&found[0])
			t.Logf("%s, sight known %v: overlap %.2f, %.2f mm, %.1f sigma off, score %.2f, %+v", p.kind, known, p.overlap, dist, sigmas, found[0].Score, found[0].Evidence)
			if !found[0].Confident() || dist > 2 || sigmas > 5 {
				t.Errorf("%s, sight known %v: %.2f mm, %.1f sigma off, doubts %v", p.kind, known, dist, sigmas, found[0].Doubts)
			}
		}
	}
}

// What has more than one right answer is never confident, and the others are there.
func TestLocateReturnsEveryAnswer(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	box, v := crate(r), wide()
	source, target := v.around(r, box, 6), v.around(r, box, 6).Moved(motion(20, 70, -50, 100, 2000, -30))
	found := locate(t, source, target, LocateOptions{})
	if len(found) < 4 || !slices.Contains(doubts(&found[0]), DoubtAmbiguous) {
		t.Fatalf("%d placements of a plain box on itself, doubts %v", len(found), found[0].Doubts)
	}
	for _, p := range found[:4] {
		if p.Meets() < 0.95 {
			t.Errorf("one of the four ways in which a box fits itself: %+v", p.Evidence)
		}
	}
	other := found[0].Doubts[slices.IndexFunc(found[0].Doubts, func(d Doubt) bool { return d.Kind == DoubtAmbiguous })].Other
	if other < 1 || other >= len(found) {
		t.Errorf("the doubt names placement %d of %d", other, len(found))
	}
}

// Shapes that slide on themselves are never confident, and the motions are named.
func TestLocateSaysWhatSlides(t *testing.T) {
	matt := simulate.Material{}
	cases := []struct {
		name  string
		shape simulate.Shape
		axis  geom.Vec
		loose int // motions, at least
	}{
		{"plane", simulate.Box{Half: geom.Vec{X: 2000, Y: 2000, Z: 1}}, geom.Vec{Z: 1}, 3},
		{"cylinder", simulate.Cylinder{Radius: 200, Length: 4000}, geom.Vec{X: 1}, 2},
		{"sphere", simulate.Sphere{Radius: 300}, geom.Vec{Z: 1}, 3},
	}
	for _, c := range cases {
		r := rand.New(rand.NewPCG(9, 9))
		v, body := wide(), thing{scene: simulate.NewScene(simulate.Along("", c.shape, geom.Vec{}, c.axis, matt))}
		source, target := v.look(r, body, geom.Vec{Z: -1}), v.look(r, body, geom.Vec{X: 0.3, Z: -1}).Moved(motion(10, 20, 30, 5, 5, 5))
		found, err := Locate(context.Background(), source, target, LocateOptions{})
		if errors.Is(err, ErrNoOverlap) {
			t.Logf("%s: %v", c.name, err)
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: score %.2f, loose %v, doubts %v", c.name, found[0].Score, found[0].Loose, doubts(&found[0]))
		if !slices.Contains(doubts(&found[0]), DoubtSliding) || len(found[0].Loose) < c.loose {
			t.Errorf("%s: loose %v, doubts %v", c.name, found[0].Loose, found[0].Doubts)
		}
	}
}

// hostile are scans that have no right place, or none with enough surface.
func hostile() []scanPair {
	r := rand.New(rand.NewPCG(10, 10))
	v := wide()
	a, b := machine(r), machine(r)
	good := newPair(1, a, v, false, 0.5)
	mirrored := Cause{Scale: 1, Mirrored: true}
	inside := Cause{Scale: 1, InsideOut: true}
	inch, metre, stretched := Cause{Scale: 25.4}, Cause{Scale: 1000}, Cause{Scale: 1.04}
	change := func(kind string, c Cause) scanPair {
		p := good
		p.kind = kind
		p.source, _ = c.apply(good.source, Sight{})
		return p
	}
	other := good
	other.kind, other.target = "another object", newPair(2, b, v, false, 0.5).target
	opposite := newPair(3, blob(r), v, false, math.Pi)
	opposite.kind = "opposite sides"
	sliver := good
	sliver.kind = "a twentieth in common"
	sliver.target = strip(good.target, 0.05)
	return []scanPair{change("mirrored", mirrored), change("inside out", inside), change("times 25.4", inch), change("times 1000", metre), change("times 1.04", stretched), other, opposite, sliver}
}

// strip keeps the points of a share of the cloud's width along x.
func strip(c *scan.Cloud, share float64) *scan.Cloud {
	b := c.Bounds()
	out := &scan.Cloud{Origin: c.Origin}
	for i := range c.X {
		if p := c.At(i); p.X < b.Min.X+share*b.Size().X {
			out.Append(p)
			out.NX, out.NY, out.NZ = append(out.NX, c.NX[i]), append(out.NY, c.NY[i]), append(out.NZ, c.NZ[i])
		}
	}
	return out
}

func TestLocateIsNeverSureOfWhatDoesNotFit(t *testing.T) {
	for _, p := range hostile() {
		found, err := Locate(context.Background(), p.source, p.target, LocateOptions{})
		if errors.Is(err, ErrNoOverlap) {
			t.Logf("%s: %v", p.kind, err)
			continue
		}
		if err != nil {
			t.Fatal(p.kind, err)
		}
		t.Logf("%s: score %.2f, %+v, %v", p.kind, found[0].Score, found[0].Evidence, doubts(&found[0]))
		if found[0].Confident() {
			t.Errorf("%s: confident of %+v", p.kind, found[0])
		}
		for _, d := range found[0].Doubts {
			if !strings.HasSuffix(d.Text, ".") || !strings.ContainsAny(d.Text, "0123456789") {
				t.Errorf("%s: %q is no sentence with a number", p.kind, d.Text)
			}
		}
	}
}

// What is wrong with a scan is found by undoing it.
func TestDiagnose(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 11))
	p := newPair(4, machine(r), wide(), false, 0.4)
	cases := []struct {
		name string
		done Cause
		want string
	}{
		{"mirrored", Cause{Scale: 1, Mirrored: true}, "a mirror image;"},
		{"inside out", Cause{Scale: 1, InsideOut: true}, "inside out"},
		{"in inches", Cause{Scale: 1 / 25.4}, "times 25.4"},
		{"in metres", Cause{Scale: 1 / 1000.0}, "times 1000"},
	}
	for _, c := range cases {
		source, _ := c.done.apply(p.source, Sight{})
		cause, ok, err := Diagnose(context.Background(), source, p.target, LocateOptions{})
		if err != nil || !ok || !strings.Contains(cause.Text, c.want) {
			t.Errorf("%s: %+v, %v, %v", c.name, cause, ok, err)
			continue
		}
		t.Logf("%s: %s", c.name, cause.Text)
		if dist, _ := p.off(&cause.Placement); dist > 2 {
			t.Errorf("%s: the changed scan is placed %.2f mm off", c.name, dist)
		}
	}
}

// Only what the sizes allow is tried, and nothing for clouds without points.
func TestCauses(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 16))
	c := wide().look(r, blob(r), geom.Vec{Z: 1})
	scaled := func(f float64) *scan.Cloud {
		cause := Cause{Scale: f}
		out, _ := cause.apply(c, Sight{})
		return out
	}
	cases := []struct {
		name           string
		source, target *scan.Cloud
		first          Cause
		count          int
	}{
		{"of one size", c, c, Cause{Scale: 1, InsideOut: true}, 4}, // and a tenth, in centimetres
		{"in inches", scaled(1 / 25.4), c, Cause{Scale: 25.4}, 2},  // or centimetres
		{"a thousand times as wide", scaled(1000), c, Cause{Scale: 1.0 / 1000}, 1},
		{"without points", &scan.Cloud{}, c, Cause{}, 0},
	}
	for _, k := range cases {
		got := causes(k.source, k.target)
		if len(got) != k.count || k.count > 0 && fmt.Sprint(got[0]) != fmt.Sprint(k.first) {
			t.Errorf("%s: %d causes, want %d: %+v", k.name, len(got), k.count, got)
		}
	}
}

// The unit of length and the place of the frames change nothing but the numbers.
func TestLocateInAnyUnitAndPlace(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 12))
	p := newPair(5, blob(r), wide(), false, 0.5)
	for _, c := range []struct{ unit, far float64 }{{1e-3, 0}, {1e3, 0}, {1, 1e7}} {
		scaled := Cause{Scale: c.unit}
		s, _ := scaled.apply(p.source, Sight{})
		q, _ := scaled.apply(p.target, Sight{})
		away := geom.Vec{X: c.far, Y: -c.far / 2}
		found := locate(t, shifted(s, away), shifted(q, away), LocateOptions{})
		pose := found[0].SourceToTarget
		pose.T = pose.T.Sub(away).Add(pose.R.MulVec(away)).Scale(1 / c.unit)
		back := Placement{Result: Result{SourceToTarget: pose}}
		if dist, _ := p.off(&back); !found[0].Confident() || dist > 2 {
			t.Errorf("in units of %g at %g km: %.2f mm off, doubts %v", c.unit, c.far/1e6, dist, found[0].Doubts)
		}
	}
}

func TestLocateOnAnyNumberOfProcessors(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 13))
	p := newPair(6, machine(r), wide(), false, 0.5)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		got := fmt.Sprintf("%v", locate(t, p.source, p.target, p.sights)) // %v prints the shortest digits that are exact
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d processors give another result:\n%s\n%s", n, got, want)
		}
	}
}

func TestLocateRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(14, 14))
	c := wide().look(r, blob(r), geom.Vec{Z: 1})
	bare := &scan.Cloud{X: c.X, Y: c.Y, Z: c.Z}
	few := strip(c, 0.01)
	nan := &scan.Cloud{X: slices.Repeat([]float32{float32(math.NaN())}, c.Len()), Y: c.Y, Z: c.Z, NX: c.NX, NY: c.NY, NZ: c.NZ}
	zero := make([]float32, c.Len())
	point := &scan.Cloud{X: zero, Y: zero, Z: zero, NX: c.NX, NY: c.NY, NZ: c.NZ}
	line := &scan.Cloud{X: c.X, Y: zero, Z: zero, NX: c.NX, NY: c.NY, NZ: c.NZ}
	blind := &scan.Cloud{X: c.X, Y: c.Y, Z: c.Z, NX: zero, NY: zero, NZ: zero}
	for name, bad := range map[string]*scan.Cloud{"no normals": bare, "empty": {}, "few": few, "no numbers": nan, "one point": point, "a line": line, "normals of no length": blind} {
		for _, k := range [][2]*scan.Cloud{{bad, c}, {c, bad}} {
			found, err := Locate(context.Background(), k[0], k[1], LocateOptions{})
			if errors.Is(err, ErrNoOverlap) {
				continue
			}
			if err != nil || found[0].Confident() {
				t.Errorf("%s: got %v, %v", name, found, err)
			}
		}
	}
}

func TestLocateStops(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 15))
	c := wide().look(r, blob(r), geom.Vec{Z: 1})
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Locate(ctx, c, c, LocateOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

// A real outdoor scan (ETH Zurich ASL, libpointmatcher examples) fits itself after any
// motion, and a copy 1.04 times as large is not taken for the same.
func TestLocateScaledRealScan(t *testing.T) {
	c, scaled := lidar(t, "car_cloud400.csv.gz"), lidar(t, "car_cloud400_scaled.csv.gz")
	away := motion(5, -8, 100, 3000, -2000, 500)
	found := locate(t, c, c.Moved(away), LocateOptions{})
	e := away.Inverse().After(found[0].SourceToTarget)
	t.Logf("the same: score %.2f, %+v, doubts %v", found[0].Score, found[0].Evidence, found[0].Doubts)
	if geom.Angle(e.R) > 1e-4 || e.T.Norm() > 1 {
		t.Errorf("the same scan is %.2g rad and %.2f mm off", geom.Angle(e.R), e.T.Norm())
	}
	found, err := Locate(context.Background(), scaled, c, LocateOptions{})
	if errors.Is(err, ErrNoOverlap) {
		return
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("1.04 times: score %.2f, %+v, doubts %v", found[0].Score, found[0].Evidence, found[0].Doubts)
	if found[0].Confident() {
		t.Errorf("a copy 1.04 times as large is confident: %+v", found[0].Evidence)
	}
}

func lidar(t *testing.T, name string) *scan.Cloud {
	t.Helper()
	f, err := os.Open("../../../shared/data/registration-pairs/lidar-400/" + name)
	if err != nil {
		t.Skip("the registration pairs are not here; they stand in shared/data/registration-pairs:", err)
	}
	defer func() { _ = f.Close() }()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	c := &scan.Cloud{}
	for s := bufio.NewScanner(z); s.Scan(); {
		if v := numbers(s.Text()); len(v) == 6 { // the header has no numbers
			c.Append(geom.Vec{X: v[0], Y: v[1], Z: v[2]}.Scale(1000))
			c.NX, c.NY, c.NZ = append(c.NX, float32(v[3])), append(c.NY, float32(v[4])), append(c.NZ, float32(v[5]))
		}
	}
	return c
}
