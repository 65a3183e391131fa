// Package sticker finds the small round targets and the tape that were stuck to an
// object's skin: thin raised discs and strips on an otherwise smooth surface.
//
// In comes a scan with normals, all of one instrument, and the diameters that were
// used, if they are known; out come the discs with their place, diameter and height. At
// every place the surface around, without its middle, is fitted by a paraboloid (a
// least-squares fit of six terms, as for curvature in S. Petitjean, A survey of methods
// for recovering quadrics in triangle meshes, ACM Computing Surveys 34, 2002); a disc is a
// middle that stands above it by more than chance, flat, round and with an edge. What
// chance does is taken from the scan itself: the spread of the same figure over all places,
// so that noise which is alike between neighbours does not pass for discs.
//
// Tape, whose long sides leave no surface all around to fit, is found by those: as two
// lines along which the skin steps up and down again (FindStrips). Judge asks what another
// instrument saw of a sticker's place. Nothing is said of what the scan's spacing does not
// resolve.
package sticker

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Options of Find.
type Options struct {
	Diameters []float64 // that were used, mm; none: from 3 to 12 mm
}

// Disc is a raised disc on the skin.
type Disc struct {
	Center   geom.Vec // on the skin below it, frame of the scan
	Normal   geom.Vec // unit, to the outside
	Diameter float64  // mm
	Height   float64  // mm
	Sigma    float64  // standard uncertainty of Height, mm
	Points   int      // on the disc
	Spacing  float64  // of the points around, mm
	Skin     Skin     // around it
}

const (
	// Heights of targets and tape, mm: from printed foil to magnetic discs (common
	// practice, no source).
	lowest, highest = 0.04, 0.6
	// leastPoints on a disc and around it: fewer do not tell a disc from noise.
	leastPoints = 6
	leastAround = 30
	leastInner  = 3 // on its middle, and just outside it
	// clear is how many times above its uncertainty, and above what chance does over
	// the scan, a disc must stand. The smooth square metre has some 10,000 places that
	// are far enough apart to be independent.
	clear = 6.0
	// The surface around is taken between these radii, in radii of the disc.
	inside, outside = 1.3, 2.4
	// sizeSlack is how far a measured diameter may be off one that was used.
	sizeSlack = 0.25
)

// Find returns the discs in a scan, by their place in the search. c must have
// normals. The error is that of ctx.
func Find(ctx context.Context, c *scan.Cloud, o Options) ([]Disc, error) {
	if !c.HasNormals() {
		return nil, nil
	}
	sizes := o.Diameters
	if len(sizes) == 0 {
		sizes = []float64{3.5, 5, 7, 10}
	}
	sizes = slices.Sorted(slices.Values(sizes))
	var all []Disc
	for _, size := range sizes {
		s := newSearch(c, size/2)
		found, err := s.run(ctx)
		if err != nil {
			return nil, err
		}
		for _, d := range found {
			if fits(d.Diameter, o.Diameters) {
				all = append(all, d)
			}
		}
	}
	return distinct(all), nil
}

// fits reports whether a measured diameter is one of those used, or any from 3 to 12 mm
// where none is named.
func fits(d float64, used []float64) bool {
	if len(used) == 0 {
		return d > 3*(1-sizeSlack) && d < 12*(1+sizeSlack)
	}
	return slices.ContainsFunc(used, func(u float64) bool { return math.Abs(d/u-1) <= sizeSlack })
}

// distinct keeps the highest of discs that overlap, in units of their uncertainty.
func distinct(all []Disc) []Disc {
	slices.SortStableFunc(all, func(a, b Disc) int { return cmp.Compare(b.Height/b.Sigma, a.Height/a.Sigma) })
	var out []Disc
	for _, d := range all {
		if !slices.ContainsFunc(out, func(o Disc) bool { return o.Center.Dist(d.Center) < (o.Diameter+d.Diameter)/2 }) {
			out = append(out, d)
		}
	}
	return out
}

// search looks for discs of about one radius: first everywhere on the means of cells
// of half the radius, then with all points where something stands out.
type search struct {
	radius       float64
	coarse, fine *field
}

// field is a set of points to look at.
type field struct {
	cloud  *scan.Cloud
	weight []float64 // points behind each point
	grid   *cells
}

func newSearch(c *scan.Cloud, radius float64) *search {
	thin, weight := means(c, radius/2)
	ones := make([]float64, c.Len())
	for i := range ones {
		ones[i] = 1
	}
	return &search{radius: radius, coarse: &field{thin, weight, newCells(thin, outside*radius)}, fine: &field{c, ones, newCells(c, outside*radius)}}
}

// blockSeeds is the number of places in one piece of parallel work.
const blockSeeds = 512

func (s *search) run(ctx context.Context) ([]Disc, error) {
	rises := make([]rise, s.coarse.cloud.Len())
	err := par.Blocks(ctx, len(rises), blockSeeds, func(_, lo, hi int) error {
		var near []flat
		for i := lo; i < hi; i++ {
			rises[i], near = s.measure(s.coarse, s.coarse.cloud.At(i), s.coarse.cloud.Normal(i), near)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	chance := spread(rises)
	var order []int
	for i, r := range rises {
		if r.ok && r.height > lowest && r.height < highest && r.height > clear*r.sigma && r.height > clear*chance {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(rises[b].height/rises[b].sigma, rises[a].height/rises[a].sigma) })
	var out []Disc
	var near []flat
	for _, i := range order {
		if slices.ContainsFunc(out, func(d Disc) bool { return d.Center.Dist(rises[i].center) < d.Diameter/2 }) {
			continue
		}
		var d Disc
		var ok bool
		if d, near, ok = s.settle(rises[i], near); ok {
			out = append(out, d)
		}
	}
	return out, ctx.Err()
}

// spread is the standard deviation of the heights over the scan, by their median
// absolute value: most places have no disc.
func spread(rises []rise) float64 {
	var abs []float64
	for _, r := range rises {
		if r.ok {
			abs = append(abs, math.Abs(r.height))
		}
	}
	return sigmaOf(abs)
}

// sigmaOf is the standard deviation of normal values of that magnitude, by their median;
// abs is put in order.
func sigmaOf(abs []float64) float64 {
	if len(abs) == 0 {
		return 0
	}
	slices.Sort(abs)
	return 1.4826 * abs[len(abs)/2]
}
