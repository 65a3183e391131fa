package reduce

import (
	"math"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// detail says how exact the result has to be at each place: by the regions asked
// for, and by the spots where an earlier attempt came out too far off.
type detail struct {
	regions   []Region
	allowed   float64 // mm, root mean square distance to the planes of a vertex where the factor is 1
	isLimited bool    // whether allowed stops collapses
	cell      float64 // mm, edge length of the cells of spots
	spots     map[[3]int32]int
}

func newDetail(o *Options) *detail {
	return &detail{regions: o.Finer, allowed: startShare * o.Deviation, spots: map[[3]int32]int{}}
}

// isGraded says whether some places have to be more exact than others.
func (d *detail) isGraded() bool { return len(d.regions)+len(d.spots) > 0 }

// maxDoublings: a spot gets errors at most 64 times smaller than its surroundings.
const maxDoublings = 6

// factorAt returns by how much errors at p shall be smaller than elsewhere.
func (d *detail) factorAt(p geom.Vec) float64 {
	f := 1.0
	for _, r := range d.regions {
		if r.Factor > f && r.Box.Contains(p) {
			f = r.Factor
		}
	}
	if len(d.spots) > 0 {
		f *= float64(int(1) << min(d.spots[d.cellOf(p)], maxDoublings))
	}
	return f
}

// boostAt returns by what the cost of a collapse at p is multiplied. At one cost for
// all, an edge of length l has the error l² and the cost l⁴ times the area l²: an
// error smaller by f needs a cost larger by f³.
func (d *detail) boostAt(p geom.Vec) float64 {
	f := d.factorAt(p)
	return f * f * f
}

// limitAt returns the largest mean squared distance to the planes at p, in mm².
func (d *detail) limitAt(p geom.Vec) float64 {
	if !d.isLimited {
		return math.Inf(1)
	}
	e := d.allowed / d.factorAt(p)
	return e * e
}

func (d *detail) cellOf(p geom.Vec) [3]int32 {
	c := func(x float64) int32 { return int32(max(-1<<30, min(1<<30, math.Floor(x/d.cell)))) }
	return [3]int32{c(p.X), c(p.Y), c(p.Z)}
}

// refine halves the error around the places, in cells of about two edges of the
// reduced mesh and in all cells beside them.
func (d *detail) refine(places []geom.Vec, reduced *scan.Mesh) {
	if d.cell == 0 {
		d.cell = 3 * math.Sqrt(reduced.Area()/float64(reduced.Triangles()))
	}
	touched := map[[3]int32]bool{}
	for _, p := range places {
		c := d.cellOf(p)
		for i := range 27 {
			touched[[3]int32{c[0] + int32(i/9) - 1, c[1] + int32(i/3%3) - 1, c[2] + int32(i%3) - 1}] = true
		}
	}
	for c := range touched { // every cell once, so the order does not matter
		d.spots[c]++
	}
}
