package picture

import (
	"bytes"
	"context"
	"errors"
	"image"
	"image/color"
	"math"
	"runtime"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// square is a square of two triangles in the plane z, facing up, with the given
// half side in millimetres.
func square(half, z float32) *scan.Mesh {
	return &scan.Mesh{
		X: []float32{-half, half, half, -half}, Y: []float32{-half, -half, half, half}, Z: []float32{z, z, z, z},
		Tri: []int32{0, 1, 2, 0, 2, 3},
	}
}

func add(a, b *scan.Mesh) *scan.Mesh {
	n := int32(a.Vertices())
	m := &scan.Mesh{X: append(a.X, b.X...), Y: append(a.Y, b.Y...), Z: append(a.Z, b.Z...), Tri: a.Tri}
	for _, v := range b.Tri {
		m.Tri = append(m.Tri, n+v)
	}
	return m
}

var above = View{Direction: geom.Vec{Z: -1}, Up: geom.Vec{Y: 1}}

func render(t *testing.T, m *scan.Mesh, o RenderOptions) *image.RGBA {
	t.Helper()
	img, err := Render(context.Background(), m, o)
	if err != nil {
		t.Fatal(err)
	}
	if o.Width > 0 && img.Bounds() != image.Rect(0, 0, o.Width, o.Height) {
		t.Fatalf("got %v, want %d × %d", img.Bounds(), o.Width, o.Height)
	}
	return img
}

// covered counts the pixels that are not white, below the caption and above the bar.
func covered(img *image.RGBA) int {
	n := 0
	for y := 50; y < img.Rect.Max.Y-50; y++ {
		for x := range img.Rect.Max.X {
			if img.RGBAAt(x, y) != white {
				n++
			}
		}
	}
	return n
}

// TestScaleOfThePicture renders a square in a frame twice its size: the picture
// keeps a margin of 6 % on each side, which makes the area known.
func TestScaleOfThePicture(t *testing.T) {
	frame := geom.Box{Min: geom.Vec{X: -200, Y: -200}, Max: geom.Vec{X: 200, Y: 200}}
	img := render(t, square(100, 0), RenderOptions{Width: 400, Height: 400, View: above, Frame: &frame})
	const want = (0.88 * 400 / 2) * (0.88 * 400 / 2)
	if got := float64(covered(img)); math.Abs(got-want) > 3*math.Sqrt(want) {
		t.Errorf("got %g pixels, want %g", got, want)
	}
}

func TestNearHidesFar(t *testing.T) {
	o := RenderOptions{Width: 300, Height: 300, View: above, Limit: 10, Values: []float32{5, 5, 5, 5, -5, -5, -5, -5}}
	m := add(square(100, 10), square(100, 0))
	if c := render(t, m, o).RGBAAt(90, 150); c.R < c.B {
		t.Errorf("the middle is %v, want the warm colour of the upper square", c)
	}
	o.View = View{Direction: geom.Vec{Z: 1}, Up: geom.Vec{Y: 1}}
	if c := render(t, m, o).RGBAAt(90, 150); c.R > c.B {
		t.Errorf("the middle is %v from below, want the cold colour of the lower square", c)
	}
}

func TestBacksAreBluish(t *testing.T) {
	o := RenderOptions{Width: 300, Height: 300, View: above}
	if c := render(t, square(100, 0), o).RGBAAt(150, 150); c.R <= c.B {
		t.Errorf("the front is %v, want it warm", c)
	}
	o.View = View{Direction: geom.Vec{Z: 1}, Up: geom.Vec{Y: 1}}
	if c := render(t, square(100, 0), o).RGBAAt(150, 150); c.R >= c.B {
		t.Errorf("the back is %v, want it bluish", c)
	}
}

func TestBorderIsDrawn(t *testing.T) {
	count := func(m *scan.Mesh) int {
		img := render(t, m, RenderOptions{Width: 300, Height: 300, View: above, Border: true})
		n := 0
		for i := 0; i < len(img.Pix); i += 4 {
			if (color.RGBA{img.Pix[i], img.Pix[i+1], img.Pix[i+2], 255}) == border {
				n++
			}
		}
		return n
	}
	if n := count(square(100, 0)); n < 3*264 || n > 2*4*264 {
		t.Errorf("got %d border pixels, want the four sides of 264 pixels", n)
	}
	if e := borderEdges(square(1, 0).Tri); len(e) != 4 {
		t.Errorf("got %d border edges, want 4: the diagonal is none", len(e))
	}
}

func TestOffScaleIsHatched(t *testing.T) {
	o := RenderOptions{Width: 400, Height: 300, View: above, Limit: 1, Values: []float32{9, 9, 9, 9}}
	img := render(t, square(100, 0), o)
	shades := map[color.RGBA]bool{}
	for x := 100; x < 160; x++ {
		shades[img.RGBAAt(x, 150)] = true
	}
	if len(shades) < 2 {
		t.Errorf("got the shades %v along a line, want stripes", shades)
	}
}

func TestOddMeshes(t *testing.T) {
	nan := float32(math.NaN())
	for name, m := range map[string]*scan.Mesh{
		"a point":     {X: []float32{1, 1, 1}, Y: []float32{2, 2, 2}, Z: []float32{3, 3, 3}, Tri: []int32{0, 1, 2}},
		"a line":      {X: []float32{0, 1, 2}, Y: []float32{0, 1, 2}, Z: []float32{0, 1, 2}, Tri: []int32{0, 1, 2}},
		"not numbers": {X: []float32{nan, 1, 0}, Y: []float32{0, 0, 1}, Z: []float32{0, nan, 0}, Tri: []int32{0, 1, 2}},
		"very long":   {X: []float32{0, 1e30, 0}, Y: []float32{0, 0, 1}, Z: []float32{0, 0, 0}, Tri: []int32{0, 1, 2}},
	} {
		t.Run(name, func(t *testing.T) {
			render(t, m, RenderOptions{Width: 60, Height: 60, Border: true, Values: []float32{nan, 0, 1}})
			frame := geom.Box{Min: geom.Vec{X: -1, Y: -1, Z: -1}, Max: geom.Vec{X: 1, Y: 1, Z: 1}}
			render(t, m, RenderOptions{Width: 60, Height: 60, Border: true, Flat: true, Frame: &frame})
		})
	}
	if _, err := Render(context.Background(), &scan.Mesh{}, RenderOptions{}); !errors.Is(err, ErrNothing) {
		t.Errorf("got %v, want ErrNothing", err)
	}
}

// bowl is a wavy surface with about 2·n² triangles.
func bowl(n int) (*scan.Mesh, []float32) {
	m := &scan.Mesh{}
	var values []float32
	for i := range n * n {
		x, y := float64(i%n)/float64(n), float64(i/n)/float64(n)
		m.Append(geom.Vec{X: 1000 * x, Y: 1000 * y, Z: 80 * math.Sin(9*x) * math.Cos(7*y)})
		values = append(values, float32(math.Sin(20*x*y)))
		if v := int32(i); i%n > 0 && i >= n {
			m.Tri = append(m.Tri, v-int32(n)-1, v-int32(n), v, v-int32(n)-1, v, v-1)
		}
	}
	return m, values
}

func TestSamePixelsWithAnyNumberOfWorkers(t *testing.T) {
	m, values := bowl(60)
	before := runtime.GOMAXPROCS(0)
	defer runtime.GOMAXPROCS(before)
	var want []byte
	for _, workers := range []int{1, 2, 3, 8} {
		runtime.GOMAXPROCS(workers)
		var b bytes.Buffer
		if err := EncodePNG(&b, render(t, m, RenderOptions{Width: 500, Height: 400, Values: values, Border: true})); err != nil {
			t.Fatal(err)
		}
		if want != nil && !bytes.Equal(want, b.Bytes()) {
			t.Errorf("%d workers: other bytes", workers)
		}
		want = b.Bytes()
	}
}

func BenchmarkRender(b *testing.B) {
	m, _ := bowl(320)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Render(context.Background(), m, RenderOptions{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(m.Triangles())*float64(b.N)/b.Elapsed().Seconds(), "triangles/s")
}

// TestEdges: a square of two triangles shows its rim and one diagonal, and nothing of
// what is behind it.
func TestEdges(t *testing.T) {
	square := &scan.Mesh{X: []float32{0, 100, 100, 0, 0, 100, 50}, Y: []float32{0, 0, 100, 100, 100, 0, 50}, Z: []float32{0, 0, 0, 0, -5, -5, -5},
		Tri: []int32{0, 1, 2, 0, 2, 3, 4, 5, 6}}
	o := RenderOptions{Width: 200, Height: 200, View: View{Direction: geom.Vec{Z: -1}, Up: geom.Vec{Y: 1}}, Flat: true}
	plain, err := Render(context.Background(), square, o)
	if err != nil {
		t.Fatal(err)
	}
	o.Edges = true
	edged, err := Render(context.Background(), square, o)
	if err != nil {
		t.Fatal(err)
	}
	darker := func(x, y int) bool { return edged.RGBAAt(x, y).R < plain.RGBAAt(x, y).R-20 }
	for _, c := range []struct {
		name string
		x, y int
		want bool
	}{{"the shared diagonal", 70, 129, true}, {"above it", 70, 100, false}, {"below it", 130, 100, false}, {"the edge of what is behind", 70, 70, false}} {
		got := false
		for dx := -1; dx <= 1; dx++ {
			got = got || darker(c.x+dx, c.y)
		}
		if got != c.want {
			t.Errorf("%s: darker is %v, want %v", c.name, got, c.want)
		}
	}
}
