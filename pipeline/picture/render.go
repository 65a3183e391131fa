package picture

import (
	"context"
	"errors"
	"image"
	"image/color"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// View is a direction to look in and the direction that is up in the picture.
type View struct {
	Name          string
	Direction, Up geom.Vec
}

// Views returns the usual views of an object with X forward and Z up.
func Views() []View {
	z := geom.Vec{Z: 1}
	return []View{
		{"from the left front", geom.Vec{X: -1, Y: -1.2, Z: -0.7}, z},
		{"from the right rear", geom.Vec{X: 1, Y: 1.2, Z: -0.7}, z},
		{"from the left", geom.Vec{Y: -1}, z},
		{"from the front", geom.Vec{X: -1}, z},
		{"from above", geom.Vec{Z: -1}, geom.Vec{Y: 1}},
		{"from below", geom.Vec{Z: 1}, geom.Vec{Y: 1}},
	}
}

// RenderOptions steer Render; zero values take what is in brackets.
type RenderOptions struct {
	Width, Height int       // pixels [1200 × 800]
	View          View      // [the first of Views]
	Frame         *geom.Box // what must be in the picture [the mesh]
	Flat          bool      // a face each its own shade, instead of smooth ones
	Border        bool      // draw edges with one triangle only
	Edges         bool      // draw the edges of all triangles
	Values        []float32 // a value per vertex in the picture's unit, coloured by Deviation; NaN is no data
	Limit         float64   // of the value scale [the largest magnitude]
	Unit          string    // of the values, for the scale [mm]
	Share         []float32 // a share per vertex, 0 in the usual colour to 1 in blue
}

// ErrNothing says that there is nothing to draw.
var ErrNothing = errors.New("nothing to draw")

// finer is the supersampling: each pixel is the mean of finer² samples.
const finer = 2

// Render draws a shaded orthographic picture of the mesh with a bar of known
// length, and a colour scale where there are values. Faces seen from behind are
// bluish, so that an open or inside-out surface shows. The same mesh and options
// give the same pixels. The error is ErrNothing for a mesh without triangles.
func Render(ctx context.Context, m *scan.Mesh, o RenderOptions) (*image.RGBA, error) {
	if m.Triangles() == 0 {
		return nil, ErrNothing
	}
	o = o.filled(m)
	c := newCamera(o)
	r := &raster{o: o, camera: c, mesh: m, w: finer * o.plotWidth(), h: finer * o.Height}
	r.project()
	r.depth, r.pixels = make([]float32, r.w*r.h), make([]color.RGBA, r.w*r.h)
	err := par.Blocks(ctx, r.h, bandRows, func(_, lo, hi int) error {
		r.band(lo, hi)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if o.Border {
		r.drawBorder()
	}
	return annotate(r.shrink(), o, c), nil
}

func (o RenderOptions) filled(m *scan.Mesh) RenderOptions {
	if o.Width <= 0 || o.Height <= 0 {
		o.Width, o.Height = 1200, 800
	}
	if o.View.Direction == (geom.Vec{}) {
		o.View = Views()[0]
	}
	if o.Frame == nil || o.Frame.IsEmpty() || !o.Frame.Size().IsFinite() {
		b := finiteBounds(m)
		o.Frame = &b
	}
	if o.Unit == "" {
		o.Unit = "mm"
	}
	if len(o.Values) != m.Vertices() {
		o.Values = nil
	}
	if len(o.Share) != m.Vertices() {
		o.Share = nil
	}
	if o.Limit <= 0 {
		for _, v := range o.Values {
			if a := math.Abs(float64(v)); a > o.Limit && !math.IsInf(a, 0) {
				o.Limit = a
			}
		}
	}
	return o
}

// finiteBounds are the bounds of the vertices that are numbers.
func finiteBounds(m *scan.Mesh) geom.Box {
	b := geom.EmptyBox()
	for i := range m.Vertices() {
		if p := m.At(int32(i)); p.IsFinite() {
			b = b.Extend(p)
		}
	}
	if b.IsEmpty() {
		return geom.Box{}
	}
	return b
}

// scaleWidth is the strip on the right that holds the colour scale, pixels.
const scaleWidth = 110

func (o RenderOptions) plotWidth() int {
	if o.Values != nil && o.Width > 2*scaleWidth {
		return o.Width - scaleWidth
	}
	return o.Width
}

// camera maps the mesh's frame to samples: x right, y down, z away.
type camera struct {
	right, up, in geom.Vec
	center        geom.Vec
	perMM         float64 // samples a millimetre
	midX, midY    float64
}

// margin is the share of the picture that is left free on each side.
const margin = 0.06

func newCamera(o RenderOptions) *camera {
	in := o.View.Direction.Unit()
	right := in.Cross(o.View.Up).Unit()
	if right == (geom.Vec{}) {
		right = in.Perpendicular()
	}
	c := &camera{in: in, right: right, up: right.Cross(in), center: o.Frame.Center()}
	var halfX, halfY float64
	for _, p := range o.Frame.Corners() {
		d := p.Sub(c.center)
		halfX, halfY = max(halfX, math.Abs(d.Dot(c.right))), max(halfY, math.Abs(d.Dot(c.up)))
	}
	w, h := float64(finer*o.plotWidth()), float64(finer*o.Height)
	c.midX, c.midY = w/2, h/2
	c.perMM = (1 - 2*margin) / 2 * min(w/max(halfX, 1e-9), h/max(halfY, 1e-9))
	return c
}

// raster is the picture being made.
type raster struct {
	o       RenderOptions
	camera  *camera
	mesh    *scan.Mesh
	w, h    int
	x, y, z []float32  // projected vertices
	normal  []geom.Vec // of vertices, for smooth shades
	depth   []float32  // of samples, 0 for none yet
	pixels  []color.RGBA
}

func (r *raster) project() {
	n := r.mesh.Vertices()
	r.x, r.y, r.z = make([]float32, n), make([]float32, n), make([]float32, n)
	for i := range n {
		d := r.mesh.At(int32(i)).Sub(r.camera.center)
		r.x[i] = float32(r.camera.midX + r.camera.perMM*d.Dot(r.camera.right))
		r.y[i] = float32(r.camera.midY - r.camera.perMM*d.Dot(r.camera.up))
		r.z[i] = float32(r.camera.perMM * d.Dot(r.camera.in))
	}
	if !r.o.Flat {
		r.smoothNormals()
	}
}

// smoothNormals are the sums of the faces' vector areas at each vertex.
func (r *raster) smoothNormals() {
	r.normal = make([]geom.Vec, r.mesh.Vertices())
	for t := range r.mesh.Triangles() {
		a, b, c := r.mesh.Corners(t)
		area := b.Sub(a).Cross(c.Sub(a))
		for _, v := range r.mesh.Tri[3*t : 3*t+3] {
			r.normal[v] = r.normal[v].Add(area)
		}
	}
}

// bandRows is the height of the strips that are drawn independently.
const bandRows = 64

// band draws all triangles as far as they are in the rows lo to hi.
func (r *raster) band(lo, hi int) {
	for i := lo * r.w; i < hi*r.w; i++ {
		r.depth[i], r.pixels[i] = float32(math.Inf(1)), white
	}
	for t := range r.mesh.Triangles() {
		i, j, k := r.mesh.Tri[3*t], r.mesh.Tri[3*t+1], r.mesh.Tri[3*t+2]
		top, bottom := min(r.y[i], r.y[j], r.y[k]), max(r.y[i], r.y[j], r.y[k])
		if bottom >= float32(lo) && top < float32(hi) {
			r.triangle(i, j, k, lo, hi)
		}
	}
}

// triangle fills the samples whose centres are inside, by barycentric weights.
func (r *raster) triangle(i, j, k int32, lo, hi int) {
	ax, ay := float64(r.x[i]), float64(r.y[i])
	bx, by := float64(r.x[j])-ax, float64(r.y[j])-ay
	cx, cy := float64(r.x[k])-ax, float64(r.y[k])-ay
	area := bx*cy - by*cx
	if area == 0 {
		return
	}
	s := r.shaderOf(i, j, k)
	near := r.nearEdge(area, bx, by, cx, cy)
	left, right := min(0, bx, cx)+ax, max(0, bx, cx)+ax
	top, bottom := min(0, by, cy)+ay, max(0, by, cy)+ay
	x0, x1 := max(0, int(math.Ceil(left-0.5))), min(r.w-1, int(math.Floor(right-0.5)))
	y0, y1 := max(lo, int(math.Ceil(top-0.5))), min(hi-1, int(math.Floor(bottom-0.5)))
	za, zb, zc := float64(r.z[i]), float64(r.z[j]), float64(r.z[k])
	for y := y0; y <= y1; y++ {
		py := float64(y) + 0.5 - ay
		for x := x0; x <= x1; x++ {
			px := float64(x) + 0.5 - ax
			u, v := (px*cy-py*cx)/area, (bx*py-by*px)/area
			w := 1 - u - v
			if u < 0 || v < 0 || w < 0 {
				continue
			}
			at := y*r.w + x
			if z := float32(w*za + u*zb + v*zc); z < r.depth[at] {
				r.depth[at] = z
				r.pixels[at] = s.shade(w, u, v, x, y)
				if w < near[0] || u < near[1] || v < near[2] {
					r.pixels[at] = dim(r.pixels[at], edgeDim)
				}
			}
		}
	}
}

// edgeDim is how much darker the edges of triangles are drawn than their faces.
const edgeDim = 0.55

// nearEdge returns the barycentric weights below which a sample of a triangle, given by
// its doubled area and two sides, lies within half a pixel of an edge.
func (r *raster) nearEdge(area, bx, by, cx, cy float64) (near [3]float64) {
	if !r.o.Edges {
		return near
	}
	half := finer / 2 / math.Abs(area)
	return [3]float64{half * math.Hypot(bx-cx, by-cy), half * math.Hypot(cx, cy), half * math.Hypot(bx, by)}
}

// shrink averages the samples of each pixel.
func (r *raster) shrink() *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, r.o.Width, r.o.Height))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	for y := range r.o.Height {
		for x := range r.w / finer {
			var sum [3]int
			for k := range finer * finer {
				c := r.pixels[(finer*y+k/finer)*r.w+finer*x+k%finer]
				sum[0], sum[1], sum[2] = sum[0]+int(c.R), sum[1]+int(c.G), sum[2]+int(c.B)
			}
			const n = finer * finer
			img.SetRGBA(x, y, color.RGBA{uint8((sum[0] + n/2) / n), uint8((sum[1] + n/2) / n), uint8((sum[2] + n/2) / n), 255})
		}
	}
	return img
}
