package picture

import (
	"cmp"
	"image/color"
	"math"
	"slices"

	"trammel/pipeline/geom"
)

var (
	front  = color.RGBA{0xd2, 0xcb, 0xbe, 255} // outsides
	behind = color.RGBA{0x86, 0x9a, 0xb4, 255} // insides
	border = red
)

// shader knows what a triangle needs to colour its samples.
type shader struct {
	r       *raster
	normals [3]geom.Vec // turned to the eye
	values  [3]float64
	shares  [3]float64
	base    color.RGBA
	valued  bool
	shared  bool
}

func (r *raster) shaderOf(i, j, k int32) shader {
	a, b, c := r.mesh.At(i), r.mesh.At(j), r.mesh.At(k)
	face := b.Sub(a).Cross(c.Sub(a)).Unit()
	s := shader{r: r, base: front, valued: r.o.Values != nil, shared: r.o.Share != nil}
	isBehind := face.Dot(r.camera.in) > 0
	if isBehind {
		face, s.base = face.Scale(-1), behind
	}
	for n, v := range [3]int32{i, j, k} {
		s.normals[n] = face
		if r.normal != nil {
			smooth := r.normal[v].Unit()
			if isBehind {
				smooth = smooth.Scale(-1)
			}
			// Across a sharp edge the face's own normal tells more.
			if smooth.Dot(face) > 0.8 {
				s.normals[n] = smooth
			}
		}
		if s.valued {
			s.values[n] = float64(r.o.Values[v])
		}
		if s.shared {
			s.shares[n] = float64(r.o.Share[v])
		}
	}
	return s
}

// shade returns the colour at the barycentric weights; x and y are the sample,
// for the hatch.
func (s *shader) shade(a, b, c float64, x, y int) color.RGBA {
	n := s.normals[0].Scale(a).AddScaled(b, s.normals[1]).AddScaled(c, s.normals[2]).Unit()
	light := s.r.camera.light(n)
	if s.shared {
		return dim(between(s.base, sharedBlue, a*s.shares[0]+b*s.shares[1]+c*s.shares[2]), light)
	}
	if !s.valued {
		return dim(s.base, light)
	}
	v := a*s.values[0] + b*s.values[1] + c*s.values[2]
	base := Deviation(v, s.r.o.Limit)
	isBeyond := math.Abs(v) > s.r.o.Limit || math.IsNaN(v)
	if isBeyond && (x+y)/finer%hatchPitch < 2 {
		base = dim(base, 0.45)
	}
	return dim(base, 0.62+0.38*light) // gentle, so that colours can be compared with the scale
}

// sharedBlue is light enough for shades to show on it.
var sharedBlue = color.RGBA{0x7f, 0xb4, 0xdc, 255}

// between passes from one colour to another.
func between(from, to color.RGBA, share float64) color.RGBA {
	share = min(max(share, 0), 1)
	f := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + share*(float64(b)-float64(a)))) }
	return color.RGBA{f(from.R, to.R), f(from.G, to.G), f(from.B, to.B), 255}
}

// hatchPitch is the pitch in pixels of the stripes on what is off the scale:
// colour must not be the only cue (WCAG 1.4.1).
const hatchPitch = 7

// light is ambient, a key light from over the left shoulder and a weak one from
// the eye, from 0 to 1.
func (c *camera) light(n geom.Vec) float64 {
	key := c.up.Scale(0.7).AddScaled(-0.5, c.right).AddScaled(-0.9, c.in).Unit()
	return 0.3 + 0.4*max(0, n.Dot(key)) + 0.34*max(0, -n.Dot(c.in))
}

func dim(c color.RGBA, by float64) color.RGBA {
	f := func(v uint8) uint8 { return uint8(math.Round(float64(v) * min(1, max(0, by)))) }
	return color.RGBA{f(c.R), f(c.G), f(c.B), 255}
}

// borderEdges returns the edges that belong to one triangle only, in order.
func borderEdges(tri []int32) [][2]int32 {
	edges := make([][2]int32, 0, len(tri))
	for t := 0; t+2 < len(tri); t += 3 {
		for k := range 3 {
			a, b := tri[t+k], tri[t+(k+1)%3]
			edges = append(edges, [2]int32{min(a, b), max(a, b)})
		}
	}
	slices.SortFunc(edges, func(a, b [2]int32) int { return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1])) })
	var single [][2]int32
	for i, e := range edges {
		isFirst := i == 0 || edges[i-1] != e
		isLast := i+1 == len(edges) || edges[i+1] != e
		if isFirst && isLast {
			single = append(single, e)
		}
	}
	return single
}

// drawBorder draws the border where it is not hidden.
func (r *raster) drawBorder() {
	for _, e := range borderEdges(r.mesh.Tri) {
		i, j := e[0], e[1]
		dx, dy := float64(r.x[j]-r.x[i]), float64(r.y[j]-r.y[i])
		steps := int(math.Ceil(max(math.Abs(dx), math.Abs(dy), 1)))
		if steps > 4*(r.w+r.h) {
			continue // far outside the picture
		}
		for s := range steps + 1 {
			f := float64(s) / float64(steps)
			r.dot(float64(r.x[i])+f*dx, float64(r.y[i])+f*dy, float64(r.z[i])+f*float64(r.z[j]-r.z[i]))
		}
	}
}

// dot sets a pixel's worth of samples; a border lies in its own surface, so it
// may be a little deeper than the samples next to it.
func (r *raster) dot(x, y, z float64) {
	const bias = 3 * finer
	for k := range finer * finer {
		px, py := int(math.Floor(x))+k%finer, int(math.Floor(y))+k/finer
		if px < 0 || py < 0 || px >= r.w || py >= r.h {
			continue
		}
		if at := py*r.w + px; z < float64(r.depth[at])+bias {
			r.pixels[at] = border
		}
	}
}
