// Package normal finds out from where a cloud was seen, and gives every point a
// normal that points to the side seen.
//
// In comes a cloud of a single view, in the frame of its file; out come its normals,
// the kind of view, and for each point the cosine of incidence and whether it lies
// at a depth edge. Two kinds of view are told apart by the data alone: a station,
// whose scanner stands at the zero point of the frame and whose points are spread
// evenly over directions, and a parallel projection along an unknown direction,
// whose points are spread evenly over a plane (see kind.go). The points are then
// binned in that picture, and each is fitted with a plane, depth over the two
// lateral coordinates, through its neighbours in the picture on the same side of any
// depth jump. Range noise lies along the line of sight, so this is the least-squares
// fit for it (B. Curless & M. Levoy, A Volumetric Method for Building Complex Models
// from Range Images, SIGGRAPH 96, §3, make the same choice), and all of it is done in
// linear time.
//
// What was seen from several places at once is refused with ErrView: such a file must
// bring its normals with it.
package normal

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// ErrView says that a cloud is not a picture of a surface from one place or
// direction.
var ErrView = errors.New("the points are not spread like a view from one place")

// ErrFew says that a cloud has too few points to tell anything.
var ErrFew = errors.New("too few points for normals")

// Kind says how a cloud was seen.
type Kind int

// The kinds of view. Auto is for Options alone: the data decide.
const (
	Auto     Kind = iota
	Station       // lines of sight leave the zero point of the frame
	Parallel      // lines of sight are parallel
)

// Options of Estimate. The zero value lets the data decide.
type Options struct {
	Kind Kind // when it is known
}

// View is what was found out about a cloud. The slices have one element a point.
type View struct {
	Kind      Kind
	Position  geom.Vec  // of the scanner in the frame of the cloud, for a Station
	Direction geom.Vec  // unit vector from the scanner to the scene, for Parallel
	Spacing   float64   // between neighbouring lines of sight: radians for a Station, mm for Parallel
	Noise     float64   // mm, 1 sigma along the line of sight: median of the residuals to the local planes
	Cos       []float32 // cosine of the angle of incidence, in (0, 1]
	Edge      []bool    // at a depth edge, or alone: may be a mixed pixel; nil after Thin
	Edges     int       // how many points are at a depth edge, or alone
	Count     []float32 // how many points each stands for; nil for one
}

// blockSize is the number of points in one piece of parallel work.
const blockSize = 4096

// minPoints is the least number of points that fill enough cells to judge a spread.
const minPoints = 100

// Estimate fills c.NX, c.NY and c.NZ with unit normals and returns what it found out
// about the view. Points that are not finite get the normal of their line of sight
// and count as edges. It returns ErrFew, or ErrView when the kind is to be found and
// neither fits.
func Estimate(ctx context.Context, c *scan.Cloud, o Options) (View, error) {
	if c.Len() < minPoints {
		return View{}, fmt.Errorf("%w: %d, at least %d are needed", ErrFew, c.Len(), minPoints)
	}
	v, pic, err := look(ctx, c, o, 0)
	if err != nil {
		return View{}, err
	}
	if err := v.fit(ctx, c, pic); err != nil {
		return View{}, err
	}
	if v.Kind == Parallel && looksInward(c, nil) {
		v.turn(c)
	}
	return v, nil
}

// look finds out how the cloud was seen and bins it in that picture.
func look(ctx context.Context, c *scan.Cloud, o Options, least float64) (View, *picture, error) {
	eye, err := findEye(c, o.Kind)
	if err != nil {
		return View{}, nil, err
	}
	pic, err := newPicture(ctx, c, eye, pointsPerCell, least)
	if err != nil {
		return View{}, nil, err
	}
	v := View{Kind: eye.kind, Direction: eye.forward, Spacing: pic.cell / math.Sqrt(pic.fill())}
	if eye.kind == Station {
		v.Direction = geom.Vec{}
	}
	return v, pic, nil
}

// fit fills normals, incidence, edges and noise.
func (v *View) fit(ctx context.Context, c *scan.Cloud, pic *picture) error {
	n := c.Len()
	c.NX, c.NY, c.NZ = make([]float32, n), make([]float32, n), make([]float32, n)
	v.Cos, v.Edge = make([]float32, n), make([]bool, n)
	put := func(i int32, f *fitted) {
		c.NX[i], c.NY[i], c.NZ[i] = float32(f.normal.X), float32(f.normal.Y), float32(f.normal.Z)
		v.Cos[i], v.Edge[i] = float32(f.cos), f.isEdge
	}
	residuals := make([][]float32, par.Count(len(pic.rows), rowsPerBlock))
	var windows sync.Pool
	err := par.Blocks(ctx, len(pic.rows), rowsPerBlock, func(block, lo, hi int) error {
		w := worker{pic: pic, cloud: c}
		w.visit(lo, hi, &windows, visitor{rough: put, smooth: func(p content, _ *cell, f *facet) {
			for k, i := range p.points {
				g := f.fitted
				g.isEdge = f.isOff(p.x[k], p.y[k], p.z[k])
				put(i, &g)
			}
		}})
		residuals[block] = w.residuals
		return nil
	})
	for _, i := range pic.lost() {
		put(i, &fitted{normal: pic.eye.forward.Scale(-1), cos: 1, isEdge: true})
	}
	v.Noise = median(residuals)
	for _, e := range v.Edge {
		if e {
			v.Edges++
		}
	}
	return err
}

// minNoiseCos keeps points seen at more than 60 degrees from the noise: there the
// spot is twice as long as wide and incidence dominates the residual (CV-12.1).
const minNoiseCos = 0.5

// median returns that of at most 64 Ki of the values: its standard error is then
// below a hundredth of their scatter.
func median(parts [][]float32) float64 {
	n := 0
	for _, part := range parts {
		n += len(part)
	}
	if n == 0 {
		return 0
	}
	step := (n + sampled - 1) / sampled
	var v []float32
	for at, part := 0, 0; part < len(parts); part++ {
		for ; at < len(parts[part]); at += step {
			v = append(v, parts[part][at])
		}
		at -= len(parts[part])
	}
	slices.Sort(v)
	return float64(v[len(v)/2])
}

// looksInward decides the sign that a parallel projection leaves open: the outside of
// an object is seen when normals point away from the middle of the points on balance.
// count says how many points each stands for; nil says one.
func looksInward(c *scan.Cloud, count []float32) bool {
	var middle geom.Vec
	for i := range c.X {
		middle = middle.Add(geom.Vec{X: float64(c.X[i]), Y: float64(c.Y[i]), Z: float64(c.Z[i])})
	}
	middle = middle.Scale(1 / float64(max(c.Len(), 1)))
	sum := 0.0
	for i := range c.X {
		d := geom.Vec{X: float64(c.X[i]), Y: float64(c.Y[i]), Z: float64(c.Z[i])}.Sub(middle).Dot(c.Normal(i))
		if count != nil {
			d *= float64(count[i])
		}
		sum += d
	}
	return sum < 0
}

// turn makes the view look from the other side.
func (v *View) turn(c *scan.Cloud) {
	v.Direction = v.Direction.Scale(-1)
	for i := range c.NX {
		c.NX[i], c.NY[i], c.NZ[i] = -c.NX[i], -c.NY[i], -c.NZ[i]
	}
}

// Weights returns the weight of each point in a mean: the squared cosine of its
// incidence (CV-12.1), and zero at edges and beyond 75 degrees, where the spot is
// four times as long as wide.
func (v *View) Weights() []float32 {
	const minCos = 0.2588 // cos 75°
	w := make([]float32, len(v.Cos))
	for i, cos := range v.Cos {
		if !v.Edge[i] && cos > minCos {
			w[i] = cos * cos
		}
	}
	return w
}
