package feature

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

// bumps is a wavy sheet of n by n points, about one unit apart: every place differs.
func bumps(seed uint64, n int) Points {
	r := rand.New(rand.NewPCG(seed, 4))
	var waves [6][4]float64
	for k := range waves {
		waves[k] = [4]float64{0.08 + 0.2*r.Float64(), 2 * math.Pi * r.Float64(), 2 * math.Pi * r.Float64(), 0.5 + 1.5*r.Float64()}
	}
	var p Points
	for i := range n {
		for j := range n {
			x, y := float64(i)+0.3*r.Float64(), float64(j)+0.3*r.Float64()
			var z, dx, dy float64
			for _, w := range waves {
				kx, ky := w[0]*math.Cos(w[1]), w[0]*math.Sin(w[1])
				phase := kx*x + ky*y + w[2]
				z += w[3] * math.Sin(phase)
				dx += w[3] * kx * math.Cos(phase)
				dy += w[3] * ky * math.Cos(phase)
			}
			p.At = append(p.At, geom.Vec{X: x, Y: y, Z: z})
			p.Normal = append(p.Normal, geom.Vec{X: -dx, Y: -dy, Z: 1}.Unit())
		}
	}
	return p
}

func (p Points) moved(pose geom.Pose, unit float64) Points {
	var out Points
	for i := range p.At {
		out.At = append(out.At, pose.Apply(p.At[i]).Scale(unit))
		out.Normal = append(out.Normal, pose.Turn(p.Normal[i]))
	}
	return out
}

// mirrored reflects at the plane x = 0.
func (p Points) mirrored() Points {
	flip := geom.Pose{R: geom.Diag(-1, 1, 1)}
	return p.moved(flip, 1)
}

func describe(t testing.TB, p Points, radius float64) []Descriptor {
	t.Helper()
	d, err := Describe(context.Background(), p, NewIndex(p.At, radius/2), radius)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func away() geom.Pose {
	return geom.Pose{R: geom.RotVec(geom.Vec{X: 1, Y: -2, Z: 0.5}), T: geom.Vec{X: 300, Y: -20, Z: 70}}
}

// The index finds what comparing with every point finds.
func TestIndexByExhaustion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		points := make([]geom.Vec, rapid.IntRange(0, 60).Draw(t, "n"))
		for i := range points {
			points[i] = randomVec(r, 10)
		}
		radius := rapid.Float64Range(0.1, 30).Draw(t, "radius")
		x, q := NewIndex(points, rapid.Float64Range(0.5, 20).Draw(t, "cell")), randomVec(r, 10)
		var want []int32
		nearest := int32(-1)
		for i, p := range points {
			if p.Dist(q) >= radius {
				continue
			}
			want = append(want, int32(i))
			if nearest < 0 || p.Dist(q) < points[nearest].Dist(q) {
				nearest = int32(i)
			}
		}
		got := x.Within(q, radius, nil)
		slices.Sort(got)
		if !slices.Equal(got, want) {
			t.Fatalf("within: got %v, want %v", got, want)
		}
		if k, d := x.Nearest(q, radius); k != nearest || k >= 0 && math.Abs(d-points[k].Dist(q)) > 1e-9 {
			t.Fatalf("nearest: got %d at %g, want %d", k, d, nearest)
		}
	})
}

// On a plane all three angles of eq. (1) are zero, the middle of their range: each
// third of the descriptor is one full bin.
func TestDescriptorOfAPlane(t *testing.T) {
	var p Points
	for i := range 100 {
		p.At, p.Normal = append(p.At, geom.Vec{X: float64(i % 10), Y: float64(i / 10)}), append(p.Normal, geom.Vec{Z: 1})
	}
	for i, d := range describe(t, p, 3.5) {
		for b, v := range d {
			if want := float32(map[bool]int{true: 1}[b%bins == bins/2]); v != want {
				t.Fatalf("point %d, bin %d: %g, want %g", i, b, v, want)
			}
		}
	}
}

// On a sphere the angles follow from the chord alone: alpha is zero, phi is
// -chord/2R to both sides, theta is the angle between the normals. With R = 10 and
// chords up to 4, phi stays within 0.2 and theta within 0.41.
func TestDescriptorOfASphere(t *testing.T) {
	var p Points
	for k := range 1200 {
		z := 1 - (2*float64(k)+1)/1200
		phi, s := float64(k)*math.Pi*(3-math.Sqrt(5)), math.Sqrt(1-z*z)
		n := geom.Vec{X: s * math.Cos(phi), Y: s * math.Sin(phi), Z: z}
		p.At, p.Normal = append(p.At, n.Scale(10)), append(p.Normal, n)
	}
	for i, d := range describe(t, p, 4) {
		var phi, theta float32
		for b := range bins {
			if b >= 4 && b <= 6 { // ±0.27 in phi
				phi += d[bins+b] * d[bins+b]
			}
			if b >= 4 && b <= 6 { // ±0.86 in theta
				theta += d[2*bins+b] * d[2*bins+b]
			}
		}
		if math.Abs(float64(d[bins/2])-1) > 1e-5 || math.Abs(float64(phi)-1) > 1e-5 || math.Abs(float64(theta)-1) > 1e-5 {
			t.Fatalf("point %d: %v", i, d)
		}
	}
}

// Descriptors do not change with place, direction or unit, but do with a mirror.
func TestDescriptorsAreBlindToMotion(t *testing.T) {
	p := bumps(1, 20)
	own, mirror := describe(t, p, 4), describe(t, p.mirrored(), 4)
	for _, unit := range []float64{1, 1e-3, 1e3} {
		d := describe(t, p.moved(away(), unit), 4*unit)
		for i := range d {
			if e := d[i].Distance2(&own[i]); e > 0.05 { // a pair at a bin's border may change sides
				t.Fatalf("in units of %g, point %d: %g", unit, i, e)
			}
		}
	}
	same := 0
	for i := range own {
		if own[i].Distance2(&mirror[i]) < 1e-6 {
			same++
		}
	}
	if same > len(own)/20 {
		t.Errorf("%d of %d descriptors do not tell a mirror image", same, len(own))
	}
}

func TestPlacesAloneAreEmpty(t *testing.T) {
	p := Points{At: []geom.Vec{{}, {X: 100}, {X: 100}}, Normal: []geom.Vec{{Z: 1}, {Z: 1}, {Z: 1}}}
	d := describe(t, p, 5)
	for i := range d {
		if !d[i].isEmpty() {
			t.Errorf("point %d has %v", i, d[i])
		}
	}
	if got := Distinct(d, 3); len(got) != 0 {
		t.Errorf("distinct places %v of none", got)
	}
	if pairs, err := Match(context.Background(), d, d, []int32{0, 1}, 2); err != nil || len(pairs) != 0 {
		t.Errorf("places alone match %v, %v", pairs, err)
	}
}

// What stands out of a plane is distinct.
func TestDistinctFindsTheBump(t *testing.T) {
	var p Points
	for i := range 900 {
		x, y := float64(i%30), float64(i/30)
		d := geom.Vec{X: x - 15, Y: y - 15}
		n, z := geom.Vec{Z: 1}, 0.0
		if r := d.Norm(); r < 5 {
			z = 2 * (1 + math.Cos(r*math.Pi/5))
			n = geom.Vec{Z: 1}.AddScaled(2*math.Pi/5*math.Sin(r*math.Pi/5), d.Unit()).Unit()
		}
		p.At, p.Normal = append(p.At, geom.Vec{X: x, Y: y, Z: z}), append(p.Normal, n)
	}
	for _, i := range Distinct(describe(t, p, 3), 60) {
		if d := math.Hypot(p.At[i].X-15, p.At[i].Y-15); d > 11 {
			t.Errorf("place %v is %.1f from the bump", p.At[i], d)
		}
	}
}

// Each place finds itself in a moved copy.
func TestMatchFindsTheSamePlace(t *testing.T) {
	p := bumps(2, 24)
	q := p.moved(away(), 1)
	a, b := describe(t, p, 6), describe(t, q, 6)
	places := Distinct(a, 200)
	pairs, err := Match(context.Background(), a, b, places, 2)
	if err != nil || len(pairs) != 400 {
		t.Fatalf("%d pairs, %v", len(pairs), err)
	}
	right := 0
	for k := 0; k < len(pairs); k += 2 {
		if pairs[k].Distance2 > pairs[k+1].Distance2 || pairs[k].From != places[k/2] {
			t.Fatalf("pairs %v and %v of place %d", pairs[k], pairs[k+1], places[k/2])
		}
		if pairs[k].From == pairs[k].To {
			right++
		}
	}
	if right < 190 {
		t.Errorf("%d of 200 places found themselves", right)
	}
}

// motionError is the largest distance between where a motion and the truth put the points.
func motionError(m Motion, truth geom.Pose, p Points) float64 {
	far := 0.0
	for _, q := range p.At {
		far = math.Max(far, m.Pose.Apply(q).Dist(truth.Apply(q)))
	}
	return far
}

// Nineteen pairs in twenty are wrong; the motion that the others agree on comes first.
func TestAgreeThroughWrongPairs(t *testing.T) {
	p := bumps(3, 40)
	q := p.moved(away(), 1)
	r := rand.New(rand.NewPCG(3, 3))
	var pairs []Pair
	for k := range 2000 {
		i := int32(r.IntN(len(p.At)))
		pair := Pair{From: i, To: int32(r.IntN(len(p.At)))}
		if k%20 == 0 {
			pair.To = i
		}
		pairs = append(pairs, pair)
	}
	found, err := Agree(context.Background(), p, q, pairs, 1, 10)
	if err != nil || len(found) == 0 {
		t.Fatal(found, err)
	}
	if d := motionError(found[0], away(), p); d > 0.5 || found[0].Support < 90 {
		t.Errorf("%.2f off with the support of %d pairs", d, found[0].Support)
	}
	mirrored, err := Agree(context.Background(), p, p.mirrored(), pairs, 1, 10)
	if err != nil || len(mirrored) > 0 && mirrored[0].Support > found[0].Support/3 {
		t.Errorf("a mirror image has %v, %v", mirrored, err)
	}
}

func TestAgreeOnNothing(t *testing.T) {
	p := bumps(4, 10)
	for _, pairs := range [][]Pair{nil, {{From: 1, To: 1}}, {{From: 1, To: 1}, {From: 1, To: 2}}} {
		if found, err := Agree(context.Background(), p, p, pairs, 1, 10); err != nil || len(found) != 0 {
			t.Errorf("%v: got %v, %v", pairs, found, err)
		}
	}
}

// wedge is three plates at odd angles: no place of them looks special.
func wedge(seed uint64, n int) Points {
	r := rand.New(rand.NewPCG(seed, 6))
	corners := [][3]geom.Vec{
		{{}, {X: 40}, {Y: 30}},
		{{}, {X: 5, Z: 25}, {X: 40}},
		{{Y: 30}, {X: 38, Y: 4}, {X: 3, Z: 18}},
	}
	var p Points
	for k := range n {
		c := corners[k%3]
		p.At = append(p.At, c[0].AddScaled(r.Float64(), c[1]).AddScaled(r.Float64(), c[2]))
		p.Normal = append(p.Normal, c[1].Cross(c[2]).Unit())
	}
	return p
}

func TestVoteOnPlates(t *testing.T) {
	p, q := wedge(1, 300), wedge(2, 900).moved(away(), 1)
	found, err := Vote(context.Background(), p, q, 20)
	if err != nil || len(found) == 0 {
		t.Fatal(found, err)
	}
	best := math.Inf(1)
	for k, m := range found {
		if k > 0 && m.Support > found[k-1].Support {
			t.Errorf("motion %d has more votes than the one before", k)
		}
		best = math.Min(best, motionError(m, away(), p))
	}
	if best > 8 { // a fifteenth of a turn over 40
		t.Errorf("the nearest of %d motions is %.1f off", len(found), best)
	}
}

func TestVoteOnNothing(t *testing.T) {
	p := bumps(5, 6)
	one := Points{At: make([]geom.Vec, 9), Normal: slices.Repeat([]geom.Vec{{Z: 1}}, 9)}
	for _, c := range [][2]Points{{{}, p}, {p, {}}, {one, p}, {one, one}} {
		if found, err := Vote(context.Background(), c[0], c[1], 5); err != nil || len(found) != 0 {
			t.Errorf("got %v, %v", found, err)
		}
	}
}

func TestDifferentJoinsLikeMotions(t *testing.T) {
	turn := func(a, x float64, support int) Motion {
		return Motion{Pose: geom.Pose{R: geom.RotVec(geom.Vec{Z: a}), T: geom.Vec{X: x}}, Support: support}
	}
	all := []Motion{turn(0, 0, 5), turn(0.1, 1, 7), turn(2, 0, 9), turn(0, 50, 1)}
	got := Different(all, geom.Vec{}, 3, 10)
	if len(got) != 3 || got[0].Support != 12 || got[1].Support != 9 || got[2].Support != 1 {
		t.Errorf("got %v", got)
	}
	if got := Different(all, geom.Vec{}, 3, 1); len(got) != 1 {
		t.Errorf("asked for one, got %v", got)
	}
}

func TestFeaturesOnAnyNumberOfProcessors(t *testing.T) {
	p := bumps(6, 20)
	q := p.moved(away(), 1)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		a, b := describe(t, p, 5), describe(t, q, 5)
		pairs, err := Match(context.Background(), a, b, Distinct(a, 150), 3)
		if err != nil {
			t.Fatal(err)
		}
		agreed, err := Agree(context.Background(), p, q, pairs, 1, 20)
		if err != nil {
			t.Fatal(err)
		}
		voted, err := Vote(context.Background(), p, q, 20)
		if err != nil {
			t.Fatal(err)
		}
		got := fmt.Sprintf("%v %v %v", pairs, agreed, voted)
		if want == "" {
			want = got
		}
		if got != want {
			t.Errorf("%d processors give another result", n)
		}
	}
}

func BenchmarkDescribe(b *testing.B) {
	p := bumps(7, 100)
	x := NewIndex(p.At, 2)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Describe(context.Background(), p, x, 4); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(p.At))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

func BenchmarkMatch(b *testing.B) {
	p := bumps(8, 60)
	d := describe(b, p, 4)
	places := Distinct(d, 1000)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Match(context.Background(), d, d, places, 3); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(places)*len(d))*float64(b.N)/b.Elapsed().Seconds(), "comparisons/s")
}

func BenchmarkVote(b *testing.B) {
	p, q := wedge(1, 400), wedge(2, 2000)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Vote(context.Background(), p, q, 20); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(q.At))*float64(b.N)/b.Elapsed().Seconds(), "points/s")
}
