package picture

import (
	"image/color"
	"math"
)

// Colours of all pictures. The categorical ones are those of M. Okabe and K. Ito,
// Color Universal Design (2008; values from memory), which people with the usual
// kinds of colour blindness tell apart; text is dark on white (CV-11.2).
var (
	white    = color.RGBA{255, 255, 255, 255}
	ink      = color.RGBA{0x22, 0x22, 0x22, 255} // text and axes, 15.9:1 on white
	faint    = color.RGBA{0x76, 0x76, 0x76, 255} // secondary text, 4.54:1 on white
	hairline = color.RGBA{0xd4, 0xd4, 0xd4, 255} // grid, carries no information of its own
	pale     = color.RGBA{0xf0, 0xf0, 0xf0, 255} // the object's outline, filled
	blue     = color.RGBA{0x00, 0x72, 0xb2, 255}
	red      = color.RGBA{0xd5, 0x5e, 0x00, 255}
	sight    = color.RGBA{0x94, 0xb4, 0xc8, 255}
	noData   = color.RGBA{0xa8, 0xa8, 0xa8, 255}
	over     = color.RGBA{0xf0, 0xe4, 0x42, 255} // beyond the upper end of the scale
	under    = color.RGBA{0x00, 0xc8, 0x9b, 255} // beyond the lower end
)

// vikStops are rows 0 to 255 of the map vik of F. Crameri, Scientific colour maps
// 8.0 (2023, Zenodo 8035877, MIT licence), as far as CV-11.1 lists them; between
// them the colour is interpolated.
var vikStops = [...]struct {
	row int
	hex uint32
}{
	{0, 0x001261}, {32, 0x034481}, {64, 0x307da6}, {96, 0x94bed2}, {127, 0xebe6e2},
	{128, 0xece5e0}, {160, 0xdbaa8d}, {192, 0xc27041}, {224, 0x912d06}, {255, 0x590008},
}

// Deviation returns the colour of a signed value on the symmetric scale from
// -limit (blue) over zero (near white) to +limit (dark red). Values beyond and
// values that are not a number have colours of their own, outside the map.
func Deviation(value, limit float64) color.RGBA {
	switch {
	case math.IsNaN(value) || !(limit > 0):
		return noData
	case value > limit:
		return over
	case value < -limit:
		return under
	}
	return vik((value/limit + 1) / 2)
}

// vik returns the colour at t from 0 to 1.
func vik(t float64) color.RGBA {
	row := 255 * t
	i := 1
	for i < len(vikStops)-1 && float64(vikStops[i].row) < row {
		i++
	}
	a, b := vikStops[i-1], vikStops[i]
	f := (row - float64(a.row)) / float64(b.row-a.row)
	mix := func(shift int) uint8 {
		x, y := float64(a.hex>>shift&255), float64(b.hex>>shift&255)
		return uint8(math.Round(x + f*(y-x)))
	}
	return color.RGBA{mix(16), mix(8), mix(0), 255}
}

// Contrast returns the ratio of relative luminances of WCAG 2.2, from 1 to 21;
// text needs 4.5, graphics 3.
func Contrast(a, b color.RGBA) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(c color.RGBA) float64 {
	linear := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
}
