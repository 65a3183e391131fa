package picture

import (
	"image"
	"image/color"
	"math"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// wallAndPost is what a scanner at zero sees of a wall at x = 4 m with a near
// post in front of its left half, in steps of 4 mrad.
func wallAndPost() *scan.Cloud {
	c := &scan.Cloud{}
	for az := -0.5; az < 0.5; az += 0.004 {
		for el := -0.3; el < 0.3; el += 0.004 {
			r := 4000 / (math.Cos(az) * math.Cos(el))
			if az > 0.2 && az < 0.25 {
				r = 1500
			}
			c.Append(geom.Vec{X: r * math.Cos(el) * math.Cos(az), Y: r * math.Cos(el) * math.Sin(az), Z: r * math.Sin(el)})
		}
	}
	return c
}

func rangeImage(t *testing.T, c *scan.Cloud, s Seen) *image.RGBA {
	t.Helper()
	img, err := RangeImage(t.Context(), c, s)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

func TestRangeImageIsSeenFromTheScanner(t *testing.T) {
	img := rangeImage(t, wallAndPost(), Seen{Title: "a"})
	b := img.Bounds()
	middle := seenHead + (b.Dy()-seenHead-seenFoot)/2
	// azimuth grows to the left: the post at +0.2 rad is left of the middle
	post, wall := img.RGBAAt(b.Dx()*275/1000, middle), img.RGBAAt(b.Dx()*7/10, middle)
	if luminance(post) >= luminance(wall)/2 {
		t.Errorf("the near post is %v, the far wall %v: near is dark in this map", post, wall)
	}
	for _, x := range []int{b.Dx() / 10, b.Dx() / 2, b.Dx() * 9 / 10} {
		if c := img.RGBAAt(x, middle); c == noData {
			t.Errorf("no surface at pixel %d", x)
		}
	}
}

func TestRangeImageMarksSpheres(t *testing.T) {
	at := geom.Vec{X: 4000, Y: -800}
	plain := rangeImage(t, wallAndPost(), Seen{})
	marked := rangeImage(t, wallAndPost(), Seen{Balls: []Ball{{Name: "1", At: at, Radius: 72.5, Used: true}}})
	p := look(wallAndPost(), seenWidth)
	x, y := p.place(at)
	changed := 0
	for dy := -25; dy <= 25; dy++ {
		for dx := -25; dx <= 25; dx++ {
			if plain.RGBAAt(int(x)+dx, seenHead+int(y)+dy) != marked.RGBAAt(int(x)+dx, seenHead+int(y)+dy) {
				changed++
			}
		}
	}
	if changed < 80 {
		t.Errorf("%d pixels around the sphere differ, want a ring", changed)
	}
	if plain.RGBAAt(5, seenHead+5) != marked.RGBAAt(5, seenHead+5) {
		t.Error("the mark changes pixels far from the sphere")
	}
}

func TestWidestGap(t *testing.T) {
	for _, c := range []struct {
		turn       []int
		first, run int
	}{
		{[]int{1, 1, 1, 1}, 0, 0},
		{[]int{1, 0, 0, 1}, 1, 2},
		{[]int{0, 1, 1, 0}, 3, 2}, // around the seam
		{[]int{1, 0, 1, 0, 0}, 3, 2},
	} {
		if first, run := widestGap(c.turn); run != c.run || run > 0 && first != c.first {
			t.Errorf("%v: got %d from %d, want %d from %d", c.turn, run, first, c.run, c.first)
		}
	}
}

func TestDensityShowsWallsDark(t *testing.T) {
	c := &scan.Cloud{}
	for x := range 200 {
		for y := range 200 {
			c.Append(geom.Vec{X: 10 * float64(x), Y: 10 * float64(y)}) // a floor
		}
		for z := range 100 {
			c.Append(geom.Vec{X: 1000, Y: 10 * float64(x), Z: 10 * float64(z)}) // a wall across it
		}
	}
	img, err := Density(t.Context(), c, Above, false, Seen{Title: "a"})
	if err != nil {
		t.Fatal(err)
	}
	dark := 0
	for y := range img.Bounds().Dy() - seenHead - seenFoot {
		for x := range img.Bounds().Dx() {
			if luminance(img.RGBAAt(x, y+seenHead)) < 0.1 {
				dark++
				if x < img.Bounds().Dx()*45/100 || x > img.Bounds().Dx()*55/100 {
					t.Fatalf("a dark pixel at %d, away from the wall", x)
				}
			}
		}
	}
	if dark < 100 {
		t.Errorf("%d dark pixels, want a line", dark)
	}
}

func TestOddScansAreDrawn(t *testing.T) {
	same := &scan.Cloud{}
	for range 5 {
		same.Append(geom.Vec{X: 3})
	}
	zero := &scan.Cloud{}
	zero.Append(geom.Vec{})
	for name, c := range map[string]*scan.Cloud{"nothing": {}, "one place": same, "zero": zero, "far": {X: []float32{1e12, -1e12}, Y: []float32{0, 1}, Z: []float32{-1e12, 2}}} {
		if img := rangeImage(t, c, Seen{}); img.Bounds().Empty() || img.Bounds().Dx() > 2*seenWidth || img.Bounds().Dy() > 2*mostTall {
			t.Errorf("%s: range image of %v", name, img.Bounds())
		}
		for _, side := range []Side{Above, Front} {
			if img, err := Density(t.Context(), c, side, true, Seen{}); err != nil || img.Bounds().Dx() > 2*seenWidth || img.Bounds().Dy() > 2*mostTall {
				t.Errorf("%s: density of %v, %v", name, img.Bounds(), err)
			}
		}
	}
}

func TestViridis(t *testing.T) {
	for i, want := range []color.RGBA{hex(0x440154), hex(0x472d7b), hex(0x3b528b)} { // CV-11.1
		if got := viridis(float64(i) / 8); got != want {
			t.Errorf("row %d: got %v, want %v", 32*i, got, want)
		}
	}
	if viridis(2) != hex(0xfde725) || viridis(-1) != hex(0x440154) {
		t.Error("values outside the scale do not take its ends")
	}
}

func TestTicks(t *testing.T) {
	got := ticks(900, 12_000)
	want := []float64{1000, 2000, 5000, 10_000}
	if len(got) != len(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-6 {
			t.Errorf("got %v, want %v", got, want)
		}
	}
}
