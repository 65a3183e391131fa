package format

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// absurd bounds a believable coordinate after scaling: 10^12, in millimetres two
// and a half times the way to the moon. What lies beyond was never measured, and
// its square would still not overflow a float32.
const absurd = 1e12

// Content is a whole scan file. Exactly one of Cloud and Mesh is set: Mesh where
// the file has triangles, Cloud otherwise, possibly without a point.
type Content struct {
	About         About
	Cloud         *scan.Cloud
	Mesh          *scan.Mesh
	LostTriangles int64 // triangles left out because a corner was invalid
	Blank         int64 // directions without a return
	invalid       int64
}

// Pose returns the pose that the file gives its scan numbered k, its translation
// multiplied by scale, and whether there is one.
func (a About) Pose(k int, scale float64) (geom.Pose, bool) {
	if k >= len(a.Scans) || a.Scans[k].Pose == nil {
		return geom.Pose{}, false
	}
	p := *a.Scans[k].Pose
	return geom.Pose{R: p.R, T: p.T.Scale(scale)}, true
}

// Invalid returns how many points were left out because a coordinate is NaN,
// infinite or absurd (beyond 10^12 after scaling).
func (c *Content) Invalid() int64 { return c.invalid }

// Read reads the scan numbered k, counted from 0, of the file at path and
// multiplies its coordinates by scale, such as 1000 for a file in metres. Most
// formats keep one scan a file. Points keep their order. The
// vertices of STL facets are welded where they are exactly equal; other formats
// keep the vertices they have. The origin is zero unless the points lie far away
// from it for their spread. Memory is bounded by about four times the file size.
func Read(ctx context.Context, path string, k int, scale float64) (Content, error) {
	r, err := Open(path)
	if err != nil {
		return Content{}, err
	}
	if err := r.Choose(k); err != nil {
		return Content{}, errors.Join(err, r.Close())
	}
	c, err := r.Content(ctx, scale)
	return c, errors.Join(err, r.Close())
}

// Content reads all of the chosen scan, or of the file where none was chosen;
// see Read. Several scans end up in one cloud, each in its own frame.
func (r *Reader) Content(ctx context.Context, scale float64) (Content, error) {
	r.want.colour = false
	c := collector{scale: scale, most: leastRoom + mostPerByte*r.size}
	points, triangles := r.room()
	c.reserve(points, triangles)
	if r.about.Format == "stl" {
		c.weld = newWelder(&c, triangles)
	}
	var b Batch
	for {
		if err := ctx.Err(); err != nil {
			return Content{}, err
		}
		err := r.Next(&b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Content{}, err
		}
		if err := c.add(&b); err != nil {
			return Content{}, r.named(err)
		}
		if c.seen == int64(len(b.X)) && r.about.Format == "text" {
			c.expect(r.rowsLike(len(b.X)))
		}
	}
	out, err := c.content(r.About())
	return out, r.named(err)
}

// room returns how many points and triangles to make room for: what the file
// claims, but no more than its size can hold. An ascii point takes 6 bytes, a
// binary one 12, one of an E57 file may take 3, a triangle 6; inside a compressed file nothing is known.
func (r *Reader) room() (points, triangles int) {
	left := r.src.left(0)
	perPoint := int64(12)
	switch {
	case r.about.Encoding == "ascii":
		perPoint = 6
	case r.about.Format == "e57":
		perPoint = 3 // three scaled integers of eight bits
	}
	if r.about.Format == "stl" { // each vertex of a closed mesh is in six facets
		return int(max(0, min(r.about.Points/6+3, left/perPoint))), int(max(0, min(r.about.Triangles, left/stlRecord)))
	}
	return int(max(0, min(r.about.Points, left/perPoint))), int(max(0, min(r.about.Triangles, left/6)))
}

// rowsLike estimates how many rows the whole file holds, a thirtieth more, after
// the first ones. Their length alone would mislead where coordinates grow or
// shrink on the way, so that a file that can be looked into is.
func (r *Reader) rowsLike(first int) int {
	perByte, content := float64(first)/float64(max(1, r.src.consumed)), float64(r.size)
	switch l := r.unpacking; {
	case l != nil:
		content *= float64(l.done) / float64(max(1, l.packed.done))
	case r.size > 2*lookPlaces*lookBytes:
		perByte = r.lineEndsPerByte()
	}
	return int(perByte * content * 31 / 30)
}

// lookPlaces spread evenly over a file, of lookBytes each, tell its mean line to
// a few parts in a thousand.
const (
	lookPlaces = 64
	lookBytes  = 4 << 10
)

func (r *Reader) lineEndsPerByte() float64 {
	raw := make([]byte, lookBytes)
	ends, seen := 0, 0
	for i := range int64(lookPlaces) {
		n, _ := r.at.ReadAt(raw, (r.size-lookBytes)*i/(lookPlaces-1)) // a fault of the medium shows when the place is read in earnest
		ends, seen = ends+bytes.Count(raw[:n], []byte{'\n'}), seen+n
	}
	return float64(ends) / float64(max(1, seen))
}

// collector turns batches into flat float32 buffers.
type collector struct {
	scale      float64
	origin     geom.Vec
	hasOrigin  bool
	cloud      scan.Cloud
	tri        []int32
	seen       int64   // points met, valid or not
	bad        []int32 // numbers of the invalid ones, ascending
	badCorners int64
	lost       int64
	blank      int64
	most       int64 // bytes that the points and triangles may take
	weld       *welder
}

const (
	// A file may fill leastRoom bytes of memory, and mostPerByte more for each of its
	// own. Three coordinates in memory are twelve bytes; a measured point has noise
	// in its digits, and no format or compression brings that below three.
	leastRoom   = 64 << 20
	mostPerByte = 4
)

// hasRoom reports whether what was gathered is still believable for the file.
func (c *collector) hasRoom() bool {
	taken := len(c.cloud.X) + len(c.cloud.Y) + len(c.cloud.Z) + len(c.cloud.NX) + len(c.cloud.NY) + len(c.cloud.NZ) +
		len(c.cloud.Intensity) + len(c.cloud.Row) + len(c.cloud.Column) + len(c.tri)
	if c.weld != nil {
		taken += 4 * len(c.weld.slots) // of four numbers each
	}
	return 4*int64(taken) <= c.most
}

func (c *collector) reserve(points, triangles int) {
	c.cloud.X, c.cloud.Y, c.cloud.Z = make([]float32, 0, points), make([]float32, 0, points), make([]float32, 0, points)
	if triangles > 0 {
		c.tri = make([]int32, 0, 3*triangles)
	}
}

// expect makes room for a number of points, once the first are there: columns
// that grow as they go would be held twice at the end. It takes no more than the
// file may.
func (c *collector) expect(points int) {
	columns := []*[]float32{&c.cloud.X, &c.cloud.Y, &c.cloud.Z, &c.cloud.NX, &c.cloud.NY, &c.cloud.NZ, &c.cloud.Intensity}
	columns = slices.DeleteFunc(columns, func(v *[]float32) bool { return len(*v) == 0 })
	points = min(points, int(c.most)/4/max(1, len(columns)))
	for _, v := range columns {
		*v = slices.Grow(*v, max(0, points-len(*v)))
	}
}

func (c *collector) add(b *Batch) error {
	if c.seen+int64(len(b.X)) > math.MaxInt32 {
		return broken("more than 2^31 points in one file")
	}
	c.blank += b.Blank
	if !c.hasOrigin && len(b.X) > 0 {
		c.origin, c.hasOrigin = chooseOrigin(b, c.scale), true
		c.cloud.Origin = c.origin
	}
	if c.weld != nil {
		c.weld.add(b)
	} else {
		c.addPoints(b)
	}
	if !c.hasRoom() {
		return broken("it unpacks to more points than a measured file of its size can hold (%d so far); if it is sound, export it in a plainer format", c.seen)
	}
	if c.weld != nil {
		return nil
	}
	c.tri = grown(c.tri, len(b.Tri))
	for _, i := range b.Tri {
		if i < 0 || i > math.MaxInt32 {
			return broken("a face refers to point %d, which the file cannot have", i)
		}
		c.tri = append(c.tri, int32(i))
	}
	return nil
}

// addPoints appends the valid points of b. All are first written in one sweep
// and taken as valid; only where one is not, the sweep's end is tidied up.
func (c *collector) addPoints(b *Batch) {
	n, start := len(b.X), len(c.cloud.X)
	var okX, okY, okZ bool
	c.cloud.X, okX = appendScaled(c.cloud.X, b.X, c.scale, c.origin.X)
	c.cloud.Y, okY = appendScaled(c.cloud.Y, b.Y, c.scale, c.origin.Y)
	c.cloud.Z, okZ = appendScaled(c.cloud.Z, b.Z, c.scale, c.origin.Z)
	c.cloud.NX = appendOptional(c.cloud.NX, b.NX, start, cap(c.cloud.X))
	c.cloud.NY = appendOptional(c.cloud.NY, b.NY, start, cap(c.cloud.X))
	c.cloud.NZ = appendOptional(c.cloud.NZ, b.NZ, start, cap(c.cloud.X))
	c.cloud.Intensity = appendOptional(c.cloud.Intensity, b.Intensity, start, cap(c.cloud.X))
	c.cloud.Row = appendOptional(c.cloud.Row, b.Row, start, cap(c.cloud.X))
	c.cloud.Column = appendOptional(c.cloud.Column, b.Column, start, cap(c.cloud.X))
	if !okX || !okY || !okZ {
		c.dropInvalid(b, start)
	}
	c.seen += int64(n)
}

// appendScaled appends scale·v − origin and reports whether all of scale·v is valid.
func appendScaled(dst []float32, v []float64, scale, origin float64) ([]float32, bool) {
	at := len(dst)
	dst = grown(dst, len(v))[:at+len(v)]
	out := dst[at:][:len(v)]
	ok := true
	for i, x := range v {
		x *= scale
		if !(math.Abs(x) < absurd) {
			ok = false
		}
		out[i] = float32(x - origin)
	}
	return dst, ok
}

// grown makes room for n more, and half of what is there at least. append alone
// takes a quarter, and so leaves five times the final size behind on its way
// instead of three times.
func grown[T any](v []T, n int) []T {
	if cap(v)-len(v) >= n {
		return v
	}
	return slices.Grow(v, max(n, len(v)/2))
}

// appendOptional appends a column that a file has for all its points or for none.
func appendOptional[T float32 | int32](dst, v []T, before, room int) []T {
	if len(v) == 0 || len(dst) != before {
		return dst
	}
	if dst == nil {
		dst = make([]T, 0, room)
	}
	return append(dst, v...)
}

func (c *collector) isValid(b *Batch, i int) bool {
	return math.Abs(b.X[i]*c.scale) < absurd && math.Abs(b.Y[i]*c.scale) < absurd && math.Abs(b.Z[i]*c.scale) < absurd
}

func (c *collector) dropInvalid(b *Batch, start int) {
	keep := make([]bool, len(b.X))
	for i := range b.X {
		keep[i] = c.isValid(b, i)
		if !keep[i] {
			c.bad = append(c.bad, int32(c.seen+int64(i)))
		}
	}
	c.cloud.Keep(start, keep)
}

func (c *collector) content(about About) (Content, error) {
	out := Content{About: about, invalid: int64(len(c.bad)) + c.badCorners}
	if err := c.settleTriangles(); err != nil {
		return Content{}, err
	}
	out.LostTriangles, out.Blank = c.lost, c.blank
	if len(c.tri) == 0 && c.lost == 0 {
		out.About.Mesh = false
		out.Cloud = &c.cloud
		return out, nil
	}
	out.Mesh = &scan.Mesh{Origin: c.origin, X: c.cloud.X, Y: c.cloud.Y, Z: c.cloud.Z, Tri: c.tri}
	return out, nil
}

// settleTriangles checks every corner against the points there are and closes
// the gaps that invalid points leave in the numbering.
func (c *collector) settleTriangles() error {
	if c.weld != nil {
		return nil
	}
	for _, i := range c.tri {
		if int64(i) >= c.seen {
			return broken("a face refers to point %d (counted from 0), the file has %d", i, c.seen)
		}
	}
	if len(c.bad) == 0 {
		return nil
	}
	k := 0
	for t := 0; t < len(c.tri); t += 3 {
		i, okI := c.renumber(c.tri[t])
		j, okJ := c.renumber(c.tri[t+1])
		l, okL := c.renumber(c.tri[t+2])
		if !okI || !okJ || !okL {
			c.lost++
			continue
		}
		c.tri[k], c.tri[k+1], c.tri[k+2] = i, j, l
		k += 3
	}
	c.tri = c.tri[:k]
	return nil
}

func (c *collector) renumber(i int32) (int32, bool) {
	before, isBad := slices.BinarySearch(c.bad, i)
	return i - int32(before), !isBad
}

// farForItsSpread is the distance from zero, in spreads of the points, beyond
// which an origin near them is chosen: a float32 then still resolves 64·2⁻²⁴,
// four millionths, of the spread.
const farForItsSpread = 64

// chooseOrigin returns zero, or where the first points lie far from it for their
// spread, a round point near their median. Medians stand stray zeros.
func chooseOrigin(b *Batch, scale float64) geom.Vec {
	x, dx := medianAndSpread(b.X, scale)
	y, dy := medianAndSpread(b.Y, scale)
	z, dz := medianAndSpread(b.Z, scale)
	far := max(math.Abs(x), math.Abs(y), math.Abs(z))
	if far <= farForItsSpread*max(dx, dy, dz) {
		return geom.Vec{}
	}
	step := math.Pow(10, math.Floor(math.Log10(far))-5)
	return geom.Vec{X: step * math.Round(x/step), Y: step * math.Round(y/step), Z: step * math.Round(z/step)}
}

func medianAndSpread(v []float64, scale float64) (median, spread float64) {
	s := make([]float64, 0, len(v))
	for _, x := range v {
		if x *= scale; math.Abs(x) < absurd {
			s = append(s, x)
		}
	}
	if len(s) == 0 {
		return 0, 0
	}
	slices.Sort(s)
	median = s[len(s)/2]
	for i := range s {
		s[i] = math.Abs(s[i] - median)
	}
	slices.Sort(s)
	return median, s[len(s)/2]
}
