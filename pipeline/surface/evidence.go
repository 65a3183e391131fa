package surface

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/surface/feature"
)

// Evidence is what the whole of both surfaces says about a placement.
type Evidence struct {
	SourceMeets float64 // share of the source's surface that lies on the target, 0 to 1
	TargetMeets float64 // share of the target's surface that lies on the source
	Contradicts float64 // of the places where both surfaces are near, the share at which they run beside or through each other
	Blocked     float64 // share of the surface that stands in the other scanner's free sight; 0 when no sight is known
	Tolerance   float64 // largest distance at which surfaces count as meeting, mm
	Beside      float64 // share of the places that meet which lie beside the three planes with the most of them; only for the best placement
	Places      int     // places that meet, of both surfaces: the weight of the evidence
}

// Meets returns the share of the smaller surface that lies on the other.
func (e *Evidence) Meets() float64 { return math.Max(e.SourceMeets, e.TargetMeets) }

// score is what meets less what contradicts.
func (e *Evidence) score() float64 {
	return math.Max(0, e.Meets()*(1-worthless*e.Contradicts))
}

// worthless is the inverse of the share of contradictions at which a placement counts
// nothing: surfaces laid through each other at random contradict in a tenth to a fifth of
// their near places.
const worthless = 4

// comparison looks at two clouds, thinned alike, in any placement.
type comparison struct {
	source, target           feature.Points
	sourceIndex, targetIndex *feature.Index
	cell                     float64 // to which they were thinned
	tolerance                float64
	most                     int // places of each cloud that are looked at
}

// Bounds of the places that are looked at: shares are then known to 3 % while
// placements are screened, and to a percent when they are judged.
const (
	mostScreened = 1000
	mostExamined = 10_000
)

func newComparison(source, target *scan.Cloud, cell float64) comparison {
	c := comparison{source: pointsOf(source, source.Len()), target: pointsOf(target, target.Len()), cell: cell, tolerance: cell / 2, most: mostExamined}
	c.sourceIndex, c.targetIndex = feature.NewIndex(c.source.At, nearCells*cell), feature.NewIndex(c.target.At, nearCells*cell)
	return c
}

// compare prepares both comparisons. Surfaces meet when they are no farther apart
// than four sigma of the noise, or a quarter of a fine cell where the points are too wide
// for the noise to be all that matters; coarse ones within half a cell.
func (l *locator) compare() {
	l.noise = math.Hypot(l.source.noise, l.target.noise)
	l.coarse = newComparison(l.source.coarseCloud, l.target.coarseCloud, l.cell)
	l.fine = newComparison(l.source.fineCloud, l.target.fineCloud, l.grain)
	l.coarse.most = mostScreened
	l.fine.tolerance = math.Max(4*l.noise, l.grain/4)
	l.coarse.tolerance = math.Max(l.coarse.tolerance, l.fine.tolerance)
}

const (
	nearCells = 3   // surfaces within so many cells can contradict each other
	foot      = 1.0 // in cells: how far beside the nearest point its plane speaks
	clear     = 2   // in tolerances: surfaces farther apart than this are not one, nearer ones may be a scanner's warp
	alike     = 0.7 // cosine from which two faces are the same one: 45 degrees
)

// tally counts places of one cloud by what the other says.
type tally struct{ all, meets, contradicts int }

// examine compares the clouds under a placement.
func (c *comparison) examine(sourceToTarget geom.Pose) Evidence {
	s := c.look(c.source, c.target, c.targetIndex, sourceToTarget)
	t := c.look(c.target, c.source, c.sourceIndex, sourceToTarget.Inverse())
	e := Evidence{SourceMeets: share(s.meets, s.all), TargetMeets: share(t.meets, t.all), Tolerance: c.tolerance, Places: s.meets + t.meets}
	e.Contradicts = share(s.contradicts+t.contradicts, s.contradicts+t.contradicts+s.meets+t.meets)
	return e
}

func share(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

// look goes through the places of one cloud.
func (c *comparison) look(from, to feature.Points, index *feature.Index, pose geom.Pose) tally {
	var t tally
	for i := 0; i < len(from.At); i += 1 + len(from.At)/(c.most+1) {
		t.all++
		switch c.weigh(pose.Apply(from.At[i]), pose.Turn(from.Normal[i]), to, index) {
		case placeMeets:
			t.meets++
		case placeContradicts:
			t.contradicts++
		case placeIsSilent:
		}
	}
	return t
}

// weight is what one place says about a placement.
type weight int

const (
	placeIsSilent    weight = iota // nothing of the other surface is near, or only its border or another face
	placeMeets                     // it lies on the other surface
	placeContradicts               // it lies before or behind it, looking the same way
)

// weigh compares the place p with the normal n with the other surface next to it.
func (c *comparison) weigh(p, n geom.Vec, to feature.Points, index *feature.Index) weight {
	j, _ := index.Nearest(p, nearCells*c.cell)
	if j < 0 {
		return placeIsSilent
	}
	between := n.Add(to.Normal[j]).Unit() // bends add nothing to distances along it, see pairs.go
	d := between.Dot(p.Sub(to.At[j]))
	switch {
	case n.Dot(to.Normal[j]) < alike || p.AddScaled(-d, between).Dist(to.At[j]) > foot*c.cell:
		return placeIsSilent
	case math.Abs(d) <= c.tolerance:
		return placeMeets
	case math.Abs(d) > clear*c.tolerance:
		return placeContradicts
	}
	return placeIsSilent
}

// distances returns the distances of the source's places from the target.
func (c *comparison) distances(pose geom.Pose) []float32 {
	var out []float32
	for i, q := range c.source.At {
		p, n := pose.Apply(q), pose.Turn(c.source.Normal[i])
		j, _ := c.targetIndex.Nearest(p, nearCells*c.cell)
		if j >= 0 && n.Dot(c.target.Normal[j]) > alike {
			out = append(out, float32(math.Abs(n.Add(c.target.Normal[j]).Unit().Dot(p.Sub(c.target.At[j])))))
		}
	}
	return out
}
