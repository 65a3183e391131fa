package sticker

import (
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// tape is a strip on a sheet.
type tape struct {
	x, y, angle, length, width, height float64
}

func (t tape) on(x, y float64) bool {
	sin, cos := math.Sincos(t.angle)
	dx, dy := x-t.x, y-t.y
	return math.Abs(dx*cos+dy*sin) < t.length/2 && math.Abs(dy*cos-dx*sin) < t.width/2
}

// sheet is skin with tapes and other things on it, bent to a cylinder about Y.
type sheet struct {
	side, bend, noise, alike, spacing float64
	tapes                             []tape
	other                             func(x, y float64) float64
}

func (s sheet) scan(seed uint64) *scan.Cloud {
	random := rand.New(rand.NewPCG(seed, 21))
	n := int(s.side / s.spacing)
	shared := map[[2]int]float64{}
	c := &scan.Cloud{}
	for i := range n {
		for j := range n {
			x, y := (float64(i)+0.6*random.Float64())*s.spacing, (float64(j)+0.6*random.Float64())*s.spacing
			key := [2]int{int(x / 3), int(y / 3)}
			if _, ok := shared[key]; !ok {
				shared[key] = random.NormFloat64()
			}
			h := s.noise * (math.Sqrt(s.alike)*shared[key] + math.Sqrt(1-s.alike)*random.NormFloat64())
			for _, t := range s.tapes {
				if t.on(x, y) {
					h += t.height
				}
			}
			if s.other != nil {
				h += s.other(x, y)
			}
			p, out := s.at(x, y, h)
			c.Append(p)
			wobble := out.Add(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}.Scale(0.04)).Unit()
			c.NX, c.NY, c.NZ = append(c.NX, float32(wobble.X)), append(c.NY, float32(wobble.Y)), append(c.NZ, float32(wobble.Z))
		}
	}
	return c
}

func (s sheet) at(x, y, h float64) (p, out geom.Vec) {
	a := (x - s.side/2) / s.bend
	out = geom.Vec{X: math.Sin(a), Z: math.Cos(a)}
	return geom.Vec{Y: y}.AddScaled(s.bend+h, out), out
}

// tapesOn lays nine tapes on a sheet of 450 mm, one in each ninth, of sizes at random.
func tapesOn(seed uint64, heights [2]float64) []tape {
	random := rand.New(rand.NewPCG(seed, 31))
	var out []tape
	for i := range 3 {
		for k := range 3 {
			t := tape{width: 10 + 50*random.Float64()*random.Float64(), angle: math.Pi * random.Float64()}
			t.length = math.Min(110, math.Max(30, t.width*(1.6+2*random.Float64())))
			t.height = heights[0] + (heights[1]-heights[0])*random.Float64()
			t.x, t.y = 75+150*float64(i)+8*random.Float64(), 75+150*float64(k)+8*random.Float64()
			out = append(out, t)
		}
	}
	return out
}

func findStrips(t testing.TB, c *scan.Cloud) []Strip {
	t.Helper()
	found, err := FindStrips(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// tally counts what was found of a sheet's tapes, and what is none.
type stripTally struct {
	found, wrong          int
	width, length, height float64 // largest errors, mm
	missed                []tape
}

func (n *stripTally) add(s sheet, got []Strip) {
	used := make([]bool, len(s.tapes))
	for _, g := range got {
		at := -1
		for i, tape := range s.tapes {
			if p, _ := s.at(tape.x, tape.y, 0); !used[i] && g.Center.Dist(p) < tape.length/2 {
				at = i
				break
			}
		}
		if at < 0 {
			n.wrong++
			continue
		}
		tape := s.tapes[at]
		used[at] = true
		n.found++
		n.width, n.length, n.height = math.Max(n.width, math.Abs(g.Width-tape.width)), math.Max(n.length, math.Abs(g.Length-tape.length)), math.Max(n.height, math.Abs(g.Height-tape.height))
	}
	for i, is := range used {
		if !is {
			n.missed = append(n.missed, s.tapes[i])
		}
	}
}

func (n *stripTally) String() string {
	return fmt.Sprintf("%d of %d found, %d wrong; width off by %.1f mm, length by %.1f mm, height by %.3f mm at most", n.found, n.found+len(n.missed), n.wrong, n.width, n.length, n.height)
}

// tapeCases are skins and the thickness of the tapes on them.
func tapeCases() []struct {
	name    string
	sheet   sheet
	heights [2]float64
} {
	return []struct {
		name    string
		sheet   sheet
		heights [2]float64
	}{
		{"flat", sheet{bend: 1e6, noise: 0.05, spacing: 1}, [2]float64{0.1, 0.5}},
		{"bent", sheet{bend: 300, noise: 0.05, spacing: 1}, [2]float64{0.05, 0.5}},
		{"thin", sheet{bend: 800, noise: 0.05, spacing: 1}, [2]float64{0.05, 0.1}},
		{"noise that neighbours share", sheet{bend: 500, noise: 0.05, spacing: 1, alike: 0.4}, [2]float64{0.12, 0.4}},
		{"coarse", sheet{bend: 700, noise: 0.05, spacing: 1.6}, [2]float64{0.1, 0.5}},
	}
}

func TestFindsTape(t *testing.T) {
	cases := tapeCases()
	if testing.Short() {
		cases = cases[1:2]
	}
	var total, hits int
	for k, c := range cases {
		var n stripTally
		s := c.sheet
		s.side, s.tapes = 450, tapesOn(uint64(10*k), c.heights)
		n.add(s, findStrips(t, s.scan(uint64(10*k))))
		t.Logf("%s: %s; missed %+v", c.name, &n, n.missed)
		most := 10.0 // mm; the ends of what is as thin as the noise are not so clear
		if c.heights[1] <= 2*c.sheet.noise {
			most = 40
		}
		if n.wrong > 0 || n.width > 2 || n.length > most || n.height > 0.04 {
			t.Errorf("%s: %s", c.name, &n)
		}
		total, hits = total+len(s.tapes), hits+n.found
	}
	if float64(hits) < 0.93*float64(total) { // three of 45; the study has enough for 95 %
		t.Errorf("%d of %d tapes found", hits, total)
	}
}

var study = flag.Bool("study", false, "run the long simulations")

// TestTapeStudy counts what is found of some nine hundred tapes of all sizes, and on 20
// square metres of skin without any.
func TestTapeStudy(t *testing.T) {
	if !*study {
		t.Skip("long: run with -study")
	}
	var all, bare stripTally
	var heights = [2]float64{lowestTape, highestTape}
	for n := range 100 {
		s := sheet{side: 450, bend: []float64{1e6, 300, 500, 800}[n%4], noise: 0.05, spacing: 1, alike: 0.3 * float64(n%3)}
		skin := s
		s.tapes = tapesOn(uint64(1000+n), heights)
		all.add(s, findStrips(t, s.scan(uint64(1000+n))))
		bare.add(skin, findStrips(t, skin.scan(uint64(5000+n))))
	}
	t.Logf("tapes: %s", &all)
	t.Logf("%.1f m² of bare skin: %d strips", 100*0.45*0.45, bare.wrong)
	for _, m := range all.missed {
		t.Logf("missed: %.0f by %.0f by %.3f mm", m.length, m.width, m.height)
	}
	if total := float64(all.found + len(all.missed)); float64(all.found) < 0.95*total || bare.wrong+all.wrong > 20 {
		t.Errorf("%s; on bare skin %d", &all, bare.wrong)
	}
}

// Thickness of tape, mm (common practice, no source).
const lowestTape, highestTape = 0.05, 0.5

// Skin without tape: smooth, with noise that neighbours share, bent both ways, with
// things that are raised but no tape.
func TestFindsNoTapeWhereNoneIs(t *testing.T) {
	wave := func(x, y float64) float64 { return 1.5*math.Sin(x/40) + math.Cos(y/35) }
	cases := map[string]sheet{
		"smooth":             {bend: 1e6, noise: 0.05, spacing: 1},
		"shared noise":       {bend: 300, noise: 0.05, spacing: 1, alike: 0.5},
		"coarse, shared":     {bend: 300, noise: 0.1, spacing: 2, alike: 0.5},
		"waves":              {bend: 500, noise: 0.05, spacing: 1, other: wave},
		"a step":             {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return 0.3 * step(x > 200) }},
		"stairs":             {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return 0.2 * math.Floor(x/30) }},
		"a groove":           {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return -0.3 * step(math.Abs(x-200) < 12) }},
		"a rounded rib":      {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return 0.4 * math.Exp(-(x-200)*(x-200)/(2*100)) }},
		"a high rib":         {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return 3 * step(math.Abs(x-200) < 15) }},
		"flat into cylinder": {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, _ float64) float64 { return -math.Max(0, x-200) * math.Max(0, x-200) / 400 }},
		"targets":            {bend: 1e6, noise: 0.03, spacing: 1, other: func(x, y float64) float64 { return 0.3 * step(math.Hypot(math.Mod(x, 60)-30, math.Mod(y, 60)-30) < 4) }},
	}
	names := []string{"shared noise", "smooth", "coarse, shared", "waves", "a step", "stairs", "a groove", "a rounded rib", "a high rib", "flat into cylinder", "targets"}
	if testing.Short() {
		names = names[:1]
	}
	for k, name := range names {
		s := cases[name]
		s.side = 300
		if found := findStrips(t, s.scan(uint64(70+k))); len(found) > 0 {
			t.Errorf("%s: %d strips, the first %+v", name, len(found), found[0])
		}
	}
}

func TestStripsSameOnAnyNumberOfProcessors(t *testing.T) {
	s := sheet{side: 200, bend: 500, noise: 0.05, spacing: 1.5, tapes: []tape{{100, 100, 0.4, 120, 25, 0.2}}}
	c := s.scan(1)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	want := ""
	for _, n := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(n)
		got := fmt.Sprint(findStrips(t, c))
		if want == "" {
			want = got
		}
		if got != want || got == "[]" {
			t.Errorf("%d processors: %s, want %s", n, got, want)
		}
	}
}

func TestStripsOfNothing(t *testing.T) {
	nan := float32(math.NaN())
	for name, c := range map[string]*scan.Cloud{
		"empty": {}, "no normals": {X: []float32{1}, Y: []float32{1}, Z: []float32{1}},
		"no numbers": {X: []float32{nan}, Y: []float32{nan}, Z: []float32{nan}, NX: []float32{nan}, NY: []float32{0}, NZ: []float32{1}},
	} {
		if found := findStrips(t, c); len(found) > 0 {
			t.Errorf("%s: %+v", name, found)
		}
	}
}

func BenchmarkFindStrips(b *testing.B) {
	s := sheet{side: 450, bend: 500, noise: 0.05, spacing: 1, tapes: tapesOn(1, [2]float64{0.1, 0.3})}
	c := s.scan(1)
	b.ReportAllocs()
	for b.Loop() {
		findStrips(b, c)
	}
	b.ReportMetric(float64(c.Len()*b.N)/b.Elapsed().Seconds(), "points/s")
}
