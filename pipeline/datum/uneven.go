package datum

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Uneven is how far an object stands out beyond its own mirror image at a place.
type Uneven struct {
	At, Normal geom.Vec // the normal points to the side seen
	Off        float64  // mm, positive outwards
}

// Unevenness compares points with normals with their mirror image in a plane: each with the
// nearest image point, within reach, that faces the same way within 45 degrees, along that
// one's normal. Places without such are left out. c should be thinned to what a picture
// shows; the work grows with the points within reach of each other.
func Unevenness(c *scan.Cloud, plane Element, reach float64) []Uneven {
	image := Symmetry{Normal: plane.Normal, Point: plane.Point}.Reflected(c)
	of := func(p geom.Vec) [3]int32 {
		f := func(x float64) int32 { return int32(math.Floor(x / reach)) }
		return [3]int32{f(p.X), f(p.Y), f(p.Z)}
	}
	cells := map[[3]int32][]int32{}
	for i := range image.X {
		if p := image.At(i); p.IsFinite() {
			cells[of(p)] = append(cells[of(p)], int32(i))
		}
	}
	var out []Uneven
	for i := range c.X {
		p, n := c.At(i), c.Normal(i)
		best, least := -1, reach*reach
		k := of(p)
		for j := range 27 {
			for _, q := range cells[[3]int32{k[0] + int32(j%3) - 1, k[1] + int32(j/3%3) - 1, k[2] + int32(j/9) - 1}] {
				if d := image.At(int(q)).Sub(p).Norm2(); d < least && image.Normal(int(q)).Dot(n) > math.Sqrt2/2 {
					best, least = int(q), d
				}
			}
		}
		if best >= 0 {
			out = append(out, Uneven{At: p, Normal: n, Off: p.Sub(image.At(best)).Dot(image.Normal(best))})
		}
	}
	return out
}
