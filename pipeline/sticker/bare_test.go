package sticker

import (
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
)

// view is what one instrument has of a disc of 8 mm on flat skin.
type view struct {
	spacing, noise float64
	alike          float64 // part of the noise that neighbours within 3 mm share
	scans          int     // each a little off the others
	rise           float64 // of the disc
	hole           float64 // radius without points, mm
	offset         float64
}

func (v view) points(random *rand.Rand) [][]geom.Vec {
	var out [][]geom.Vec
	shared := map[[2]int]float64{}
	for range v.scans {
		off := v.offset + 0.3*v.noise*random.NormFloat64()
		var own []geom.Vec
		n := int(24 / v.spacing)
		for i := range n {
			for j := range n {
				x, y := -12+v.spacing*(float64(i)+random.Float64()), -12+v.spacing*(float64(j)+random.Float64())
				r := math.Hypot(x, y)
				if r < v.hole {
					continue
				}
				key := [2]int{int(math.Floor(x / 3)), int(math.Floor(y / 3))}
				if _, ok := shared[key]; !ok {
					shared[key] = random.NormFloat64()
				}
				h := off + v.noise*(math.Sqrt(v.alike)*shared[key]+math.Sqrt(1-v.alike)*random.NormFloat64())
				if r < 4 {
					h += v.rise
				}
				own = append(own, geom.Vec{X: x, Y: y, Z: h + (x*x+2*x*y)/500})
			}
		}
		out = append(out, own)
	}
	return out
}

// zoneOf is the disc as a fine scan shows it, on skin of the shape of view.
func zoneOf(height float64) *Zone {
	return &Zone{Skin: Skin{U: geom.Vec{X: 1}, N: geom.Vec{Z: 1}, Unit: 4, Fit: [6]float64{0, 0, 0, 16. / 500, 32. / 500, 0}},
		Round: true, HalfX: 4, HalfY: 4, Height: height, Sigma: 0.01, Spacing: 1}
}

// A sticker never passes for bare skin, and bare skin does where it can be told.
func TestJudgeSimulated(t *testing.T) {
	runs := 1000
	if testing.Short() {
		runs = 200
	}
	cases := []struct {
		name   string
		height float64
		view   view
		bare   [2]float64 // share of Bare, from and to
	}{
		{"bare, as fine", 0.2, view{spacing: 1, noise: 0.05, scans: 1}, [2]float64{0.98, 1}},
		{"bare, coarser", 0.2, view{spacing: 1.5, noise: 0.05, scans: 2}, [2]float64{0.95, 1}},
		{"bare, thin", 0.1, view{spacing: 1, noise: 0.05, scans: 1}, [2]float64{0.5, 1}},
		{"bare, sixteen set-ups", 0.5, view{spacing: 4, noise: 0.3, scans: 16}, [2]float64{0.5, 1}},
		{"the same sticker", 0.2, view{spacing: 1, noise: 0.05, scans: 1, rise: 0.2}, [2]float64{0, 0.002}},
		{"the same sticker, noisy", 0.2, view{spacing: 1, noise: 0.2, scans: 1, rise: 0.2}, [2]float64{0, 0.004}},
		{"the same sticker, thin", 0.06, view{spacing: 1, noise: 0.05, scans: 1, rise: 0.06}, [2]float64{0, 0.004}},
		{"the same sticker, sixteen set-ups", 0.3, view{spacing: 4, noise: 1, scans: 16, rise: 0.3}, [2]float64{0, 0.004}},
		{"the same sticker, noise that neighbours share", 0.2, view{spacing: 1, noise: 0.1, alike: 0.5, scans: 1, rise: 0.2}, [2]float64{0, 0.01}},
		{"a tripod scanner, one set-up", 0.3, view{spacing: 6, noise: 1, scans: 1}, [2]float64{0, 0}},
		{"a hole in the middle", 0.2, view{spacing: 1, noise: 0.05, scans: 1, hole: 2}, [2]float64{0, 0}},
		{"bare, but elsewhere", 0.2, view{spacing: 1, noise: 0.05, scans: 1, offset: 0.3}, [2]float64{0, 0}},
	}
	for k, c := range cases {
		random := rand.New(rand.NewPCG(uint64(k), 8))
		answers := map[Answer]float64{}
		for range runs {
			answers[Judge(zoneOf(c.height), c.view.points(random)).Answer] += 1 / float64(runs)
		}
		t.Logf("%s: bare %.3f, raised %.3f, apart %.3f, noisy %.3f, sparse %.3f, unseen %.3f", c.name, answers[Bare], answers[Raised], answers[Apart], answers[Noisy], answers[Sparse], answers[Unseen])
		if answers[Bare] < c.bare[0] || answers[Bare] > c.bare[1]+1e-12 {
			t.Errorf("%s: %.3f are called bare, want %v", c.name, answers[Bare], c.bare)
		}
	}
}

func TestJudgeWithoutPoints(t *testing.T) {
	nan := math.NaN()
	for name, scans := range map[string][][]geom.Vec{"none": nil, "an empty scan": {{}}, "no numbers": {{{X: nan, Y: nan, Z: nan}}}} {
		if v := Judge(zoneOf(0.2), scans); v.Answer != Unseen {
			t.Errorf("%s: %+v", name, v)
		}
	}
}
