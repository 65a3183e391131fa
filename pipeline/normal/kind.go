package normal

import (
	"context"
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const (
	// judged is the number of points that the spread is judged on.
	judged = 200_000
	// judgedPerCell makes the counting noise of a cell a quarter of its count.
	judgedPerCell = 16
	// even: a picture as even as this from the zero point is a station, whatever
	// else it may look like; a wall is even from everywhere. The real range images whose
	// zero point is elsewhere have 0.58 and more (bunny_test.go).
	even = 0.15
	// farAway: no scanner stands a hundred times the size of what it saw away; a frame
	// whose zero point lies there is a surveyor's.
	farAway = 100
	// clearly: a parallel view must be more even than the station by this factor,
	// because far away the two look alike, and a station is what the frame says.
	clearly = 0.5
	// tolerated is the unevenness that a true view may have: the third power of the
	// cosine at the corners of a flat picture, 35 degrees off, or the crowding of a
	// turning mirror at 60 degrees of elevation make about 0.1; surfaces seen across
	// their own layers make 0.5 and more.
	tolerated = 0.3
)

// findEye decides from where the cloud was seen.
//
// A scanner spreads its lines of sight evenly over its picture. Seen from anywhere
// else the same points crowd where the surface is slanted or folds back. So the
// candidate with the most even picture is the right one: the zero point, or one of the
// axes of the frame or of the cloud's own principal axes.
func findEye(c *scan.Cloud, kind Kind) (eye, error) {
	if kind == Station {
		middle, spread := meanAndSpread(thin(c, judged/10))
		return newEye(Station, ahead(middle, spread)), nil
	}
	sample := thin(c, judged)
	middle, spread := meanAndSpread(sample)
	station := newEye(Station, ahead(middle, spread))
	best := station
	bestOf, stationIs := math.Inf(1), math.Inf(1)
	if kind == Auto && middle.Norm2() < farAway*farAway*spread.Trace() {
		stationIs = unevenness(sample, station)
	}
	for _, axis := range axes(spread) {
		e := newEye(Parallel, axis)
		if d := unevenness(sample, e); d < bestOf {
			best, bestOf = e, d
		}
	}
	switch {
	case kind == Auto && (stationIs <= even || stationIs <= tolerated && bestOf > clearly*stationIs):
		return station, nil
	case kind == Parallel || bestOf <= tolerated:
		return best, nil
	}
	return eye{}, fmt.Errorf("%w: unevenness %.2f from the zero point, %.2f along the best axis, at most %.2f is usual", ErrView, stationIs, bestOf, tolerated)
}

// ahead returns where a scanner at the zero point looks.
func ahead(middle geom.Vec, spread geom.Mat) geom.Vec {
	if middle.Norm2() < 0.1*spread.Trace() {
		return geom.Vec{X: 1} // seen all around: the frame's own z is as upright as any
	}
	return middle
}

// thin takes every k-th finite point of the cloud, about as many as are asked for.
func thin(c *scan.Cloud, most int) *scan.Cloud {
	step := (c.Len() + most - 1) / most
	s := &scan.Cloud{Origin: c.Origin}
	for i := 0; i < c.Len(); i += max(step, 1) {
		if c.At(i).IsFinite() {
			s.X, s.Y, s.Z = append(s.X, c.X[i]), append(s.Y, c.Y[i]), append(s.Z, c.Z[i])
		}
	}
	return s
}

// meanAndSpread returns the mean and the covariance of the points.
func meanAndSpread(c *scan.Cloud) (mean geom.Vec, covariance geom.Mat) {
	for i := range c.X {
		mean = mean.Add(c.At(i))
	}
	mean = mean.Scale(1 / float64(max(c.Len(), 1)))
	for i := range c.X {
		d := c.At(i).Sub(mean)
		covariance = covariance.Add(geom.Outer(d, d))
	}
	return mean, covariance.Scale(1 / float64(max(c.Len(), 1)))
}

// axes returns the directions along which a parallel view is looked for.
func axes(covariance geom.Mat) []geom.Vec {
	_, v := geom.Eigen(covariance)
	return []geom.Vec{{Z: 1}, {Y: 1}, {X: 1}, v.Col(0), v.Col(1), v.Col(2)}
}

// unevenness returns the variance of the number of points in a cell beyond that of
// chance, over the squared mean, and adds the share of cells in which the depth folds
// back. Only cells whose eight neighbours are occupied too count, which leaves the
// silhouette out.
func unevenness(c *scan.Cloud, e eye) float64 {
	p, err := newPicture(context.Background(), c, e, judgedPerCell, 0)
	if err != nil || len(p.rows) < 3 {
		return math.Inf(1)
	}
	var n, sum, squares, folds float64
	for k := 1; k+1 < len(p.rows); k++ {
		r := p.rows[k]
		for col := int32(1); col+1 < r.count; col++ {
			if !p.isInside(k, col) {
				continue
			}
			points := p.cells(r, col, col)
			x := float64(len(points))
			n, sum, squares = n+1, sum+x, squares+x*x
			if p.isFolded(c, points) {
				folds++
			}
		}
	}
	if n < 10 {
		return math.Inf(1)
	}
	mean := sum / n
	return max(0, squares/n-mean*mean-mean)/(mean*mean) + folds/n
}

// isFolded reports whether the points of a cell lie at depths that one surface could
// show only at more than 84 degrees, a slope of 10.
func (p *picture) isFolded(c *scan.Cloud, points []int32) bool {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, i := range points {
		d := c.At(int(i))
		z := d.Dot(p.eye.forward)
		if p.eye.kind == Station {
			z = d.Norm()
		}
		lo, hi = min(lo, z), max(hi, z)
	}
	return hi-lo > 10*p.cell*p.eye.size(c.At(int(points[0])))
}

// isInside reports whether a cell and all cells around it are occupied.
func (p *picture) isInside(k int, col int32) bool {
	r := p.rows[k]
	at := (float64(col) + 0.5) / float64(r.count)
	for _, s := range p.rows[k-1 : k+2] {
		c := int32(at * float64(s.count))
		for d := max(c-1, 0); d <= min(c+1, s.count-1); d++ {
			if len(p.cells(s, d, d)) == 0 {
				return false
			}
		}
	}
	return true
}
