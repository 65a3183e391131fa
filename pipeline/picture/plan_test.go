package picture

import (
	"bytes"
	"fmt"
	"image/png"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg/vgsvg"
	"pgregory.net/rapid"

	"trammel/pipeline/geom"
)

// site is a plan of n set-ups and spheres around an object.
func site(n int) *Plan {
	p := &Plan{Title: "Set-ups and spheres", AxesName: "datum", Outline: &geom.Box{Min: geom.Vec{X: -2000, Y: -900}, Max: geom.Vec{X: 2000, Y: 900}}}
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		p.SetUps = append(p.SetUps, SetUp{Name: fmt.Sprintf("s%02d", i+1), At: geom.Vec{X: 4000 * math.Cos(a), Y: 4000 * math.Sin(a)}, Cov: geom.Diag(0.04, 0.01, 0.01), Held: i != 1})
		p.Spheres = append(p.Spheres, Target{Name: fmt.Sprintf("S%d", i+1), At: geom.Vec{X: 3000 * math.Cos(a+0.4), Y: 2500 * math.Sin(a+0.4)}, Moved: i == 2})
		p.Sights = append(p.Sights, Sight{SetUp: i, Sphere: i, Used: true}, Sight{SetUp: i, Sphere: (i + 1) % n})
	}
	return p
}

func svg(t *testing.T, d Drawing) string {
	t.Helper()
	var b bytes.Buffer
	if err := SVG(&b, d); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestPlanSaysWhatItShows(t *testing.T) {
	got := svg(t, site(8))
	for _, want := range []string{"s01", "s08", "S1", "S8", "sphere that moved", "set-up not tied", "datum axes", "2 m", "one standard uncertainty, enlarged"} {
		if !strings.Contains(got, want) {
			t.Errorf("the plan does not say %q", want)
		}
	}
	if again := svg(t, site(8)); again != got {
		t.Error("the same plan gave other bytes")
	}
	p := site(8)
	if half := 0.2 * p.sheet().perMM * p.magnification(p.sheet()); half > largestEllipse || half < largestEllipse/2.5 {
		t.Errorf("the largest ellipse is %.1f points long, want nearly %d", half, largestEllipse)
	}
	fixed := site(8)
	fixed.Magnification = 250
	if !strings.Contains(svg(t, fixed), "enlarged 250 times") {
		t.Error("the magnification asked for is not stated")
	}
}

func TestPlanAsPNG(t *testing.T) {
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := PNG(w, site(5), 96); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same plan gave other bytes")
	}
	img, err := png.Decode(&a)
	if err != nil || img.Bounds().Dx() != 768 {
		t.Errorf("got %v, %v, want a picture of 8 inches at 96 dpi", img.Bounds(), err)
	}
}

func TestEllipseAxes(t *testing.T) {
	// A covariance of 4 and 1 mm² about an axis at 30 degrees.
	s, c := math.Sincos(math.Pi / 6)
	cov := geom.Rows(geom.Vec{X: c, Y: -s}, geom.Vec{X: s, Y: c}, geom.Vec{Z: 1}).Congruent(geom.Diag(4, 1, 9))
	major, minor, d := planAxes(cov)
	if math.Abs(major-2) > 1e-12 || math.Abs(minor-1) > 1e-12 || math.Abs(math.Abs(d.x)-c) > 1e-12 || math.Abs(math.Abs(d.y)-s) > 1e-12 {
		t.Errorf("got %g, %g along %v, want 2, 1 along (%g, %g)", major, minor, d, c, s)
	}
}

// TestLabelsDoNotCollide draws random sites: no name may cover another or a symbol
// as long as there is room.
func TestLabelsDoNotCollide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &labeller{pen: newPen(vgsvg.New(planWidth, planHeight))}
		n := rapid.IntRange(1, 20).Draw(t, "symbols")
		var at []point
		for range n {
			q := point{rapid.Float64Range(60, planWidth-60).Draw(t, "x"), rapid.Float64Range(planFoot+20, planHeight-planTop-20).Draw(t, "y")}
			at = append(at, q)
			l.avoid(q, 8)
		}
		for i, q := range at {
			before := len(l.taken)
			l.put(q, 8, fmt.Sprintf("s%02d", i))
			mine := l.taken[before]
			crowded := 0
			for _, other := range at {
				if math.Hypot(other.x-q.x, other.y-q.y) < 100 {
					crowded++
				}
			}
			if crowded > 4 {
				continue
			}
			for k, other := range l.taken[:before] {
				if a := mine.overlap(other); a > 1e-6 {
					t.Fatalf("name %d covers %d by %.1f square points", i, k, a)
				}
			}
		}
	})
}

func TestOddPlans(t *testing.T) {
	nan := geom.Vec{X: math.NaN()}
	for name, p := range map[string]*Plan{
		"empty":        {},
		"one place":    {SetUps: []SetUp{{Name: "s01"}}},
		"not numbers":  {SetUps: []SetUp{{Name: "s01", At: nan}}, Spheres: []Target{{At: geom.Vec{X: 5}, Cov: geom.Diag(math.NaN(), 1, 1)}}},
		"wrong sights": {Sights: []Sight{{SetUp: 3, Sphere: -1}}},
	} {
		if got := svg(t, p); !strings.HasSuffix(strings.TrimSpace(got), "</svg>") {
			t.Errorf("%s: not a whole picture", name)
		}
	}
}

func TestHistogramCounts(t *testing.T) {
	nan := float32(math.NaN())
	h := &Histogram{Title: "Deviation", Unit: "mm", Limit: 1, Values: []float32{-1, -1.01, 0, 0.999, 1, 1.5, nan, float32(math.Inf(1))}}
	c := h.count()
	if c.total != 7 || c.invalid != 1 || c.bars[0] != 1 || c.bars[1] != 1 || c.bars[histBins+1] != 2 || c.bars[histBins] != 2 || c.bars[1+histBins/2] != 1 {
		t.Errorf("got %+v", c)
	}
	if got := svg(t, h); !strings.Contains(got, "7 values, 3 beyond the scale") || !strings.Contains(got, "1 places without a value") {
		t.Error("the caption does not give the counts")
	}
	for _, odd := range []*Histogram{{}, {Values: []float32{nan}}, {Values: []float32{0, 0}}} {
		svg(t, odd)
	}
}

func TestRoundLength(t *testing.T) {
	for most, want := range map[float64]float64{1: 1, 1.9: 1, 2: 2, 4.9: 2, 5: 5, 99: 50, 1234: 1000, 0.03: 0.02, 0: 1, math.Inf(1): 1} {
		if got := roundLength(most); math.Abs(got-want) > 1e-12*want {
			t.Errorf("%g: got %g, want %g", most, got, want)
		}
	}
}
