package picture

import (
	"image/color"
	"math"
	"testing"
)

func hex(v uint32) color.RGBA { return color.RGBA{uint8(v >> 16), uint8(v >> 8), uint8(v), 255} }

// TestContrast holds the table of CV-11.2 (formula of WCAG 2.2, w3c/wcag).
func TestContrast(t *testing.T) {
	for _, c := range []struct {
		a    uint32
		want float64
	}{
		{0x000000, 21},
		{0x767676, 4.5422}, {0x777777, 4.4781}, {0x949494, 3.0335}, {0x959595, 2.9953},
		{0x595959, 7.0047}, {0x5a5a5a, 6.8969}, {0xff0000, 3.9985}, {0x0000ff, 8.5925}, {0x00ff00, 1.3722},
		{178<<16 | 24<<8 | 43, 6.866}, {33<<16 | 102<<8 | 172, 5.897},
		{179<<16 | 88<<8 | 6, 4.866}, {84<<16 | 39<<8 | 136, 10.382},
	} {
		if got := Contrast(hex(c.a), white); math.Abs(got-c.want) > 0.0006 {
			t.Errorf("%06x on white: got %.4f, want %.4f", c.a, got, c.want)
		}
	}
}

func TestOurColoursCanBeRead(t *testing.T) {
	for name, c := range map[string]color.RGBA{"ink": ink, "faint": faint} {
		if got := Contrast(c, white); got < 4.5 {
			t.Errorf("text in %s has a contrast of %.2f, want 4.5", name, got)
		}
	}
	for name, c := range map[string]color.RGBA{"blue": blue, "red": red} {
		if got := Contrast(c, white); got < 3 {
			t.Errorf("symbols in %s have a contrast of %.2f, want 3", name, got)
		}
	}
}

// TestVik holds the rows of the map that CV-11.1 lists (F. Crameri, 2023).
func TestVik(t *testing.T) {
	for row, want := range map[int]uint32{
		0: 0x001261, 32: 0x034481, 64: 0x307da6, 96: 0x94bed2, 127: 0xebe6e2,
		128: 0xece5e0, 160: 0xdbaa8d, 192: 0xc27041, 224: 0x912d06, 255: 0x590008,
	} {
		if got := vik(float64(row) / 255); got != hex(want) {
			t.Errorf("row %d: got %v, want %06x", row, got, want)
		}
	}
}

func TestDeviationScale(t *testing.T) {
	for _, c := range []struct {
		value, limit float64
		want         color.RGBA
	}{
		{-2, 2, hex(0x001261)}, {2, 2, hex(0x590008)}, {2.01, 2, over}, {-2.01, 2, under},
		{math.NaN(), 2, noData}, {math.Inf(1), 2, over}, {math.Inf(-1), 2, under}, {1, 0, noData}, {1, math.NaN(), noData},
	} {
		if got := Deviation(c.value, c.limit); got != c.want {
			t.Errorf("%g of %g: got %v, want %v", c.value, c.limit, got, c.want)
		}
	}
	if zero := Deviation(0, 5); Contrast(zero, white) > 1.3 {
		t.Errorf("zero is %v, want the light middle of the map", zero)
	}
	seen := map[color.RGBA]bool{over: true, under: true, noData: true}
	for i := range 1001 {
		if c := vik(float64(i) / 1000); seen[c] {
			t.Errorf("%v means two things", c)
		}
	}
}
