package surface

import (
	"context"
	"fmt"
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
	"trammel/pipeline/surface/feature"
)

// locator holds both surfaces at the sizes that the search needs. Everything is
// in local frames with the first point of each cloud as zero point, so that a far origin
// costs no digits.
type locator struct {
	source, target side
	cell           float64 // of the coarse clouds, mm
	grain          float64 // of the fine ones
	noise          float64 // of a distance between the two fine clouds in place, one sigma
	coarse, fine   comparison
	coarsely       *preparedPair
}

// side is one of the two clouds.
type side struct {
	center      geom.Vec // in the frame of the cloud
	cloud       *scan.Cloud
	box         geom.Box
	area        float64 // mm²
	spacing     float64 // mm, of the points kept
	coarseCloud *scan.Cloud
	fineCloud   *scan.Cloud
	coarse      feature.Points
	sparse      feature.Points // for point pairs
	noise       float64        // of a distance between two halves of the cloud, one sigma
	sight       Sight
	depth       *depthMap // nil where the sight is not known
}

// Sizes that bound the work, for a minute's hand scan as for a day's object.
const (
	mostPoints   = 1 << 20 // points of a cloud that are looked at
	coarsePoints = 3000    // of the smaller surface
	mostCoarse   = 40_000  // of the larger surface
	sparsePoints = 400     // of the source for point pairs
	mostSparse   = 2000    // of the target for them
	fineShare    = 3       // fine cells a coarse one, unless the points lie wider
)

func newLocator(ctx context.Context, source, target *scan.Cloud, o LocateOptions) (*locator, error) {
	l := &locator{source: newSide(source), target: newSide(target)}
	l.source.sight, l.target.sight = o.SourceSight.relative(l.source.center), o.TargetSight.relative(l.target.center)
	sides := []*side{&l.source, &l.target}
	for _, s := range sides {
		if s.cloud.Len() < minPairs {
			return nil, fmt.Errorf("a cloud has %d points with normals, at least %d are needed: %w", s.cloud.Len(), minPairs, ErrNoOverlap)
		}
	}
	l.choose(o.Grain)
	err := par.Each(ctx, len(sides), func(i int) error { return l.thin(sides[i]) })
	if err != nil {
		return nil, err
	}
	l.compare()
	return l, nil
}

// thin makes the sizes of a cloud that the search needs.
func (l *locator) thin(s *side) error {
	s.fineCloud = Thin(s.cloud, l.grain)
	s.coarseCloud = Thin(s.cloud, l.cell)
	if s.coarseCloud.Len() < minPairs/2 || s.fineCloud.Len() < minPairs {
		return fmt.Errorf("a surface has %d places %.3g mm wide, too few to recognise; one cloud is %.3g times as wide as the other: %w",
			s.coarseCloud.Len(), l.cell, l.ratio(), ErrNoOverlap)
	}
	s.coarse = pointsOf(s.coarseCloud, mostCoarse)
	s.sparse = pointsOf(Thin(s.cloud, math.Max(math.Sqrt(l.source.area/sparsePoints), l.cell)), mostSparse)
	s.noise = ownNoise(s.cloud, l.grain)
	if s.sight.Known {
		s.depth = newDepthMap(s.sight, pointsOf(s.fineCloud, s.fineCloud.Len()), l.grain, nearCells*l.cell)
	}
	return nil
}

// ratio is how much wider the wider cloud is.
func (l *locator) ratio() float64 {
	a, b := l.source.box.Size().Norm(), l.target.box.Size().Norm()
	return math.Max(a, b) / math.Min(a, b)
}

// newSide copies what is usable of a cloud: finite points with unit normals, every
// k-th of a large one.
func newSide(c *scan.Cloud) side {
	s := side{cloud: &scan.Cloud{}, box: geom.EmptyBox()}
	if !c.HasNormals() {
		return s
	}
	step := (c.Len() + mostPoints - 1) / mostPoints
	for i := 0; i < c.Len(); i += step {
		p, n := c.At(i), c.Normal(i)
		if !p.IsFinite() || !(math.Abs(n.Norm2()-1) < 0.1) {
			continue
		}
		if s.cloud.Len() == 0 {
			s.center = p
		}
		s.cloud.Append(p.Sub(s.center))
		s.cloud.NX, s.cloud.NY, s.cloud.NZ = append(s.cloud.NX, c.NX[i]), append(s.cloud.NY, c.NY[i]), append(s.cloud.NZ, c.NZ[i])
	}
	if s.cloud.Len() > 0 {
		s.box = s.cloud.Bounds()
		s.measure()
	}
	return s
}

// measure takes area and spacing from the number of cells that the points lie in.
func (s *side) measure() {
	s.spacing = spacing(s.cloud)
	s.area = s.spacing * s.spacing * float64(s.cloud.Len())
}

// choose sets cell and grain: the smaller surface gets coarsePoints, the larger no
// more than mostCoarse, and no cell is finer than what holds four points.
func (l *locator) choose(grain float64) {
	small, large := math.Min(l.source.area, l.target.area), math.Max(l.source.area, l.target.area)
	spacing := math.Max(l.source.spacing, l.target.spacing)
	l.cell = math.Max(math.Sqrt(small/coarsePoints), math.Sqrt(large/mostCoarse))
	l.cell = math.Max(l.cell, 2*spacing)
	l.grain = math.Max(l.cell/fineShare, 1.5*spacing)
	if grain > 0 {
		l.grain = math.Min(grain, l.cell)
	}
}

// pointsOf returns every k-th point so that there are at most so many.
func pointsOf(c *scan.Cloud, most int) feature.Points {
	var p feature.Points
	for i := 0; i < c.Len(); i += 1 + c.Len()/(most+1) {
		p.At, p.Normal = append(p.At, c.At(i)), append(p.Normal, c.Normal(i))
	}
	return p
}

// ownNoise is the robust standard deviation of the distances between two halves of a
// cloud, each thinned: what noise, spacing and bends leave between surfaces in place.
func ownNoise(c *scan.Cloud, grain float64) float64 {
	var half [2]*scan.Cloud
	for k := range half {
		half[k] = &scan.Cloud{Origin: c.Origin}
		for i := k; i < c.Len(); i += 2 {
			half[k].X, half[k].Y, half[k].Z = append(half[k].X, c.X[i]), append(half[k].Y, c.Y[i]), append(half[k].Z, c.Z[i])
			half[k].NX, half[k].NY, half[k].NZ = append(half[k].NX, c.NX[i]), append(half[k].NY, c.NY[i]), append(half[k].NZ, c.NZ[i])
		}
		half[k] = Thin(half[k], grain)
	}
	halves := newComparison(half[0], half[1], grain)
	if half[0].Len() == 0 || half[1].Len() == 0 {
		return 0
	}
	return madToSigma * float64(middle(halves.distances(geom.IdentityPose())))
}
