package sticker

import (
	"math"

	"trammel/pipeline/geom"
)

// Skin is the smooth surface around a sticker and below it, as the scan that shows the
// sticker has it: a paraboloid over the tangent plane.
type Skin struct {
	At   geom.Vec   // in the middle of the sticker, on the skin
	U, N geom.Vec   // unit: a direction along the skin, and the one to the outside
	Unit float64    // mm, of the terms below
	Fit  [6]float64 // mm, of the terms 1, x, y, x², xy, y²; the first is zero
}

// Local returns a place's coordinates along U and N × U, and its height above the skin,
// all in mm.
func (s *Skin) Local(p geom.Vec) (x, y, above float64) {
	d := p.Sub(s.At)
	x, y = d.Dot(s.U), d.Dot(s.N.Cross(s.U))
	t := terms(flat{x: x, y: y}, s.Unit)
	above = d.Dot(s.N)
	for i, c := range s.Fit {
		above -= c * t[i]
	}
	return x, y, above
}

// Moved carries the skin along with its scan.
func (s *Skin) Moved(p geom.Pose) Skin {
	return Skin{At: p.Apply(s.At), U: p.Turn(s.U), N: p.Turn(s.N), Unit: s.Unit, Fit: s.Fit}
}

// Zone is a sticker, or a piece of a long one, as it lies on its skin.
type Zone struct {
	Skin
	Round         bool
	HalfX, HalfY  float64 // half sizes along U and across, mm; of a round one its radius
	Height, Sigma float64 // above the skin, mm
	Spacing       float64 // of the points of the scan that shows it, mm
}

// Zone returns the disc as it lies on its skin.
func (d *Disc) Zone() Zone {
	r := d.Diameter / 2
	return Zone{Skin: d.Skin, Round: true, HalfX: r, HalfY: r, Height: d.Height, Sigma: d.Sigma, Spacing: d.Spacing}
}

// Reach is how far from the middle anything of the zone or beside it lies, mm.
func (z *Zone) Reach() float64 {
	if z.Round {
		return z.far()
	}
	return math.Hypot(z.HalfX, z.far())
}

// margin beyond a sticker's edge belongs to neither side: points and faces there mix
// both.
func (z *Zone) margin() float64 { return edgeSpacings * z.Spacing }

const edgeSpacings = 1.5

// far is the outer end of what counts as beside a zone.
func (z *Zone) far() float64 {
	if z.Round {
		return math.Max(outside*z.Unit, z.HalfX+2*z.margin())
	}
	return z.HalfY + math.Max(besideWidth, 2*z.margin())
}

// besideWidth is the width of the skin beside a strip that counts, mm.
const besideWidth = 10.0

// Covers reports whether a place belongs to the sticker, its edge included: what is
// left out where bare skin takes its place.
func (z *Zone) Covers(p geom.Vec) bool {
	x, y, above := z.Local(p)
	return z.covers(x, y) && math.Abs(above) < mostAbove
}

// mostAbove keeps other parts out, such as the back of a thin plate: skins that are
// compared lie closer, mm.
const mostAbove = 1.5

func (z *Zone) covers(x, y float64) bool {
	m := z.margin()
	if z.Round {
		return math.Hypot(x, y) <= z.HalfX+m
	}
	return math.Abs(x) <= z.HalfX+m && math.Abs(y) <= z.HalfY+m
}

// core reports whether a place lies well on the sticker.
func (z *Zone) core(x, y float64) bool {
	if z.Round {
		return math.Hypot(x, y) <= coreShare*z.HalfX
	}
	return math.Abs(x) <= z.HalfX && math.Abs(y) <= coreShare*z.HalfY
}

const coreShare = 0.8

// patches beside a zone, each about as large as its core for a disc.
const patches = 6

// beside returns which patch beside the zone a place lies in, or -1.
func (z *Zone) beside(x, y float64) int {
	if z.covers(x, y) {
		return -1
	}
	if z.Round {
		if math.Hypot(x, y) > z.far() {
			return -1
		}
		return min(patches-1, int((math.Atan2(y, x)/(2*math.Pi)+0.5)*patches))
	}
	if math.Abs(x) > z.HalfX || math.Abs(y) > z.far() {
		return -1
	}
	k := min(patches/2-1, int((x/z.HalfX+1)/2*patches/2))
	if y > 0 {
		k += patches / 2
	}
	return k
}
