// Package scan holds the buffers that scans travel in: point clouds and
// triangle meshes as flat slices, so that ten million points cost what their
// numbers cost and no more.
//
// Coordinates are float32 millimetres relative to a float64 Origin. Whoever
// fills a buffer chooses an origin near the points; a float32 then keeps 0.5 µm
// at 5 m. The slices of one buffer have equal lengths. Buffers do no work of
// their own beyond access, bounds and motion.
package scan

import (
	"errors"

	"trammel/pipeline/geom"
)

// ErrTruncated says that a file ends before the content that its header promises.
var ErrTruncated = errors.New("the file is shorter than its header promises")

// ErrFormat says that a file is not a scan of the format it seems to be.
var ErrFormat = errors.New("not a readable scan")

// Cloud is a set of points. The optional slices are nil or as long as X.
type Cloud struct {
	Origin     geom.Vec  // millimetres, added to every coordinate
	X, Y, Z    []float32 // millimetres, relative to Origin
	NX, NY, NZ []float32 // optional unit normals, pointing to the side seen
	Intensity  []float32 // optional, in the file's own scale
	// Row and Column are optional: the places in the grid that an instrument
	// scans in, so that neighbours in the grid are neighbours in direction.
	Row, Column []int32
}

// Len returns the number of points.
func (c *Cloud) Len() int { return len(c.X) }

// At returns point i in full precision.
func (c *Cloud) At(i int) geom.Vec {
	return geom.Vec{X: c.Origin.X + float64(c.X[i]), Y: c.Origin.Y + float64(c.Y[i]), Z: c.Origin.Z + float64(c.Z[i])}
}

// Append adds the point p, given in the frame of the cloud.
func (c *Cloud) Append(p geom.Vec) {
	c.X = append(c.X, float32(p.X-c.Origin.X))
	c.Y = append(c.Y, float32(p.Y-c.Origin.Y))
	c.Z = append(c.Z, float32(p.Z-c.Origin.Z))
}

// Normal returns the normal of point i; the cloud must have normals.
func (c *Cloud) Normal(i int) geom.Vec {
	return geom.Vec{X: float64(c.NX[i]), Y: float64(c.NY[i]), Z: float64(c.NZ[i])}
}

// Keep drops the points from start on whose place in keep is false, in place; the
// order of the others stays. start + len(keep) is the number of points.
func (c *Cloud) Keep(start int, keep []bool) {
	for _, v := range []*[]float32{&c.X, &c.Y, &c.Z, &c.NX, &c.NY, &c.NZ, &c.Intensity} {
		*v = compact(*v, start, keep)
	}
	c.Row, c.Column = compact(c.Row, start, keep), compact(c.Column, start, keep)
}

// compact leaves an absent column, which is shorter than the points, alone.
func compact[T float32 | int32](v []T, start int, keep []bool) []T {
	if len(v) < start+len(keep) {
		return v
	}
	k := start
	for i, ok := range keep {
		if ok {
			v[k] = v[start+i]
			k++
		}
	}
	return v[:k]
}

// HasNormals reports whether every point has a normal.
func (c *Cloud) HasNormals() bool { return len(c.NX) == len(c.X) && len(c.X) > 0 }

// Bounds returns the smallest box that holds all points.
func (c *Cloud) Bounds() geom.Box { return bounds(c.Origin, c.X, c.Y, c.Z) }

// Mesh is a triangle mesh. Triangle t has the corners Tri[3t], Tri[3t+1] and
// Tri[3t+2], counter-clockwise seen from outside.
type Mesh struct {
	Origin  geom.Vec  // millimetres, added to every coordinate
	X, Y, Z []float32 // vertices, millimetres, relative to Origin
	Tri     []int32   // three vertex indices a triangle
}

// Vertices returns the number of vertices.
func (m *Mesh) Vertices() int { return len(m.X) }

// Triangles returns the number of triangles.
func (m *Mesh) Triangles() int { return len(m.Tri) / 3 }

// At returns vertex i in full precision.
func (m *Mesh) At(i int32) geom.Vec {
	return geom.Vec{X: m.Origin.X + float64(m.X[i]), Y: m.Origin.Y + float64(m.Y[i]), Z: m.Origin.Z + float64(m.Z[i])}
}

// Append adds a vertex, given in the frame of the mesh, and returns its index.
func (m *Mesh) Append(p geom.Vec) int32 {
	m.X = append(m.X, float32(p.X-m.Origin.X))
	m.Y = append(m.Y, float32(p.Y-m.Origin.Y))
	m.Z = append(m.Z, float32(p.Z-m.Origin.Z))
	return int32(len(m.X) - 1)
}

// Corners returns the corners of triangle t.
func (m *Mesh) Corners(t int) (a, b, c geom.Vec) {
	return m.At(m.Tri[3*t]), m.At(m.Tri[3*t+1]), m.At(m.Tri[3*t+2])
}

// Bounds returns the smallest box that holds all vertices.
func (m *Mesh) Bounds() geom.Box { return bounds(m.Origin, m.X, m.Y, m.Z) }

// Area returns the sum of the triangles' areas in mm².
func (m *Mesh) Area() float64 {
	var sum float64
	for t := range m.Triangles() {
		a, b, c := m.Corners(t)
		sum += b.Sub(a).Cross(c.Sub(a)).Norm()
	}
	return sum / 2
}

func bounds(origin geom.Vec, x, y, z []float32) geom.Box {
	if len(x) == 0 {
		return geom.EmptyBox()
	}
	x0, x1 := minMax(x)
	y0, y1 := minMax(y)
	z0, z1 := minMax(z)
	return geom.Box{
		Min: origin.Add(geom.Vec{X: float64(x0), Y: float64(y0), Z: float64(z0)}),
		Max: origin.Add(geom.Vec{X: float64(x1), Y: float64(y1), Z: float64(z1)}),
	}
}

func minMax(v []float32) (lo, hi float32) {
	lo, hi = v[0], v[0]
	for _, x := range v {
		lo, hi = min(lo, x), max(hi, x)
	}
	return lo, hi
}

// Cloud returns the vertices as points with normals: the mean of the normals of
// the triangles around a vertex, weighted by area. A vertex without a triangle
// gets the zero normal. The coordinate slices are shared with the mesh.
func (m *Mesh) Cloud() *Cloud {
	c := &Cloud{Origin: m.Origin, X: m.X, Y: m.Y, Z: m.Z}
	c.NX, c.NY, c.NZ = make([]float32, len(m.X)), make([]float32, len(m.X)), make([]float32, len(m.X))
	for t := range m.Triangles() {
		p, q, r := m.Corners(t)
		n := q.Sub(p).Cross(r.Sub(p))
		for _, v := range m.Tri[3*t : 3*t+3] {
			c.NX[v] += float32(n.X)
			c.NY[v] += float32(n.Y)
			c.NZ[v] += float32(n.Z)
		}
	}
	for i := range c.NX {
		n := c.Normal(i).Unit()
		c.NX[i], c.NY[i], c.NZ[i] = float32(n.X), float32(n.Y), float32(n.Z)
	}
	return c
}

// Moved returns the cloud carried by a motion; the new origin is the old one's
// image, so that the float32 parts stay as small as they were.
func (c *Cloud) Moved(p geom.Pose) *Cloud {
	out := &Cloud{Origin: p.Apply(c.Origin), Intensity: c.Intensity, Row: c.Row, Column: c.Column}
	out.X, out.Y, out.Z = turned(p, c.X, c.Y, c.Z)
	if c.HasNormals() {
		out.NX, out.NY, out.NZ = turned(p, c.NX, c.NY, c.NZ)
	}
	return out
}

func turned(p geom.Pose, x, y, z []float32) (tx, ty, tz []float32) {
	tx, ty, tz = make([]float32, len(x)), make([]float32, len(x)), make([]float32, len(x))
	for i := range x {
		v := p.Turn(geom.Vec{X: float64(x[i]), Y: float64(y[i]), Z: float64(z[i])})
		tx[i], ty[i], tz[i] = float32(v.X), float32(v.Y), float32(v.Z)
	}
	return tx, ty, tz
}

// Join returns one cloud of all parts, in the frame that they share. It has
// normals if every part with points has.
func Join(parts []*Cloud) *Cloud {
	out := &Cloud{}
	normals := true
	for _, p := range parts {
		if p.Len() > 0 {
			normals = normals && p.HasNormals()
			if out.Origin == (geom.Vec{}) {
				out.Origin = p.Origin
			}
		}
	}
	for _, p := range parts {
		for i := range p.X {
			out.Append(p.At(i))
		}
		if normals && p.Len() > 0 {
			out.NX, out.NY, out.NZ = append(out.NX, p.NX...), append(out.NY, p.NY...), append(out.NZ, p.NZ...)
		}
	}
	return out
}
