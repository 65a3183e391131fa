package fuse

import (
	"math"
	"math/bits"
	"slices"

	"trammel/pipeline/geom"
)

// Double is a place where the fused views show one surface twice. The mean of the two
// is in the mesh, or both are; neither is what stands there.
type Double struct {
	Center geom.Vec // in the frame of the result
	Area   float64  // mm²
	Gap    float64  // mm, the mean distance between the two
	View   int      // the view that lies apart from those fused before it; -1 where the two stand side by side in the mesh
}

// Views that are a wall apart disagree by the same amount all over a block, which noise
// does not. A block keeps the largest such disagreement of a view with those before.
type wall struct {
	nx, ny, nz, weight float32 // sum of the normals of all views so far, weighted, and the sum of the weights
	gap                float32 // cells
	places             int32   // that show the gap
	view               int32   // that shows it
	views, last        int32   // how many views saw the block, and which came last
	seam               agreement
}

// take counts a view that covers some places of the block, and what it says of the seam.
func (w *wall) take(places int, view int32, seam *agreement) {
	if places >= leastSeen {
		w.views, w.last = w.views+1, view
	}
	w.seam.add(seam)
}

const (
	// parallel is the least length of a mean of unit normals, and the least cosine between
	// two means, for walls that face the same way: a cone of half angle 37 degrees, spread
	// evenly, has a mean of 0.9. The two sides of a plate have one of nothing.
	parallel = 0.9
	// leastPlaces is the number of places, of about 200 in a block that a wall passes, that
	// a disagreement must be seen at.
	leastPlaces = 24
	// shared is the number of places that a sample reaches, within 1.6 cells sideways and
	// the band: so many places have one another's noise.
	shared = 28
	// surely is how many standard errors of a block a disagreement must have. A million
	// blocks of noise alone have none of five.
	surely = 5
	// leastStep is the gap, as a share of a cell, below which walls are one surface to the
	// grid.
	leastStep = 0.5
	// leastWall is the least area of a double wall, in faces of a cell: four of a block's.
	leastWall = 4 * side * side
	// mostDoubles is how many are listed, the largest ones.
	mostDoubles = 20
)

// agreement compares a view with those before it, place by place.
type agreement struct {
	n                      float64 // places
	sum, squares, variance float64 // of the differences, cells; of their noise, mm²
	pull, mass             float64 // the differences by the weight of the view, and the weight
}

// scale counts places of a band that is wider than usual for what they are of that.
func (a *agreement) scale(by float64) {
	a.n, a.sum, a.squares, a.variance, a.pull, a.mass = by*a.n, by*a.sum, by*a.squares, by*a.variance, by*a.pull, by*a.mass
}

func (a *agreement) add(b *agreement) {
	a.n += b.n
	a.sum += b.sum
	a.squares += b.squares
	a.variance += b.variance
	a.pull += b.pull
	a.mass += b.mass
}

// judge keeps what a view and those before disagree on in a block.
func (g *grid) judge(id int32, s *sums, a *agreement) {
	w := &g.walls[id]
	facing := w.faces(s)
	w.nx, w.ny, w.nz, w.weight = w.nx+s.nx, w.ny+s.ny, w.nz+s.nz, w.weight+s.weight
	if !facing || a.n < leastPlaces {
		return
	}
	n := a.n
	mean := a.sum / n
	scatter := math.Sqrt(max(0, a.squares/n-mean*mean))
	noise := math.Sqrt(a.variance/n*min(1, shared/n)) / g.o.Voxel
	gap := math.Abs(mean)
	if gap > max(leastStep, g.o.Step/g.o.Voxel, 2*scatter, surely*noise) && gap > float64(w.gap) {
		w.gap, w.places, w.view = float32(gap), int32(a.n), int32(g.tree.view)
	}
}

// faces reports whether a view and those before it see a block from the same side.
func (w *wall) faces(s *sums) bool {
	before, now := geom.Vec{X: float64(w.nx), Y: float64(w.ny), Z: float64(w.nz)}, geom.Vec{X: float64(s.nx), Y: float64(s.ny), Z: float64(s.nz)}
	a, b := before.Norm(), now.Norm()
	return a > parallel*float64(w.weight) && b > parallel*float64(s.weight) && before.Dot(now) > parallel*a*b
}

// farSheet is how far behind a sheet another one is looked for, in cells.
const farSheet = side

// sheetsAt looks behind the surface in a block, along the axis that its normal is
// nearest to, for another one that faces the same way with no back in between. One who
// looked at the one behind looked through the one in front.
func (g *grid) sheetsAt(id int32) found {
	w := &g.walls[id]
	n := [3]float32{w.nx, w.ny, w.nz}
	if (geom.Vec{X: float64(w.nx), Y: float64(w.ny), Z: float64(w.nz)}).Norm() <= parallel*float64(w.weight) {
		return found{}
	}
	axis := 0
	for k := range n {
		if n[k]*n[k] > n[axis]*n[axis] {
			axis = k
		}
	}
	next := [3]int{1, 1, 1}
	next[axis] = 0
	if n[axis] < 0 {
		next[axis] = 2
	}
	behind := g.index.find(g.at[id].plus(next[0] + 3*next[1] + 9*next[2]).key())
	if behind < 0 {
		return found{}
	}
	f := found{view: -1}
	slope := math.Abs(float64(n[axis])) / float64(w.weight)
	for lines := g.enteredTwice(id, behind, axis, n[axis] < 0); lines != 0; lines &= lines - 1 {
		if gap := behindOn(g.valuesOf(id), g.valuesOf(behind), axis, bits.TrailingZeros64(lines), n[axis] < 0); gap > 0 {
			f.area, f.gap = f.area+1/slope, f.gap+float64(gap)
		}
	}
	if f.area > 0 {
		f.gap /= f.area // summed once a line of area 1/slope: this turns it to the normal
	}
	return f
}

// enteredTwice returns a bit for each line of places along an axis through a block and the
// one behind, inwards, that enters the surface in the block and once more.
func (g *grid) enteredTwice(id, behind int32, axis int, upwards bool) (twice uint64) {
	var all [2 * side]signs
	for k, b := range [2]int32{id, behind} {
		var layers [side]signs
		layerSigns(g.blocks[b], &layers, side)
		across(&layers, (*[side]signs)(all[k*side:]), axis)
	}
	if !upwards {
		slices.Reverse(all[:side])
		slices.Reverse(all[side:])
	}
	once := uint64(0)
	for k := range 2*side - 1 {
		from, to := all[k], all[k+1]
		enters := from.known & to.known & to.inside &^ from.inside
		twice |= once & enters
		if k < side {
			once |= enters
		}
	}
	return twice
}

// across turns the layers of a block into slices across an axis, a bit a line along it.
func across(layers, slices *[side]signs, axis int) {
	if axis == 2 {
		*slices = *layers
		return
	}
	for z, l := range layers {
		for k := range side {
			slices[k].known |= rowAcross(l.known, axis, k) << (z * side)
			slices[k].inside |= rowAcross(l.inside, axis, k) << (z * side)
		}
	}
}

// rowAcross returns row k of a layer for axis 1, column k for axis 0.
func rowAcross(layer uint64, axis, k int) uint64 {
	if axis == 1 {
		return layer >> (k * side) & firstRow
	}
	const gather = 0x0102040810204080 // brings the first bits of eight bytes together in the last one
	return layer >> k & firstColumn * gather >> (side * (side - 1))
}

// behindOn follows a line of places along an axis through a block and the one behind,
// inwards, and returns how many places lie between two entries of the surface that
// begin in the block, or 0.
func behindOn(front, back values, axis, line int, upwards bool) int {
	u, v := otherAxes(axis)
	stride := [3]int{1, side, side * side}
	first := line%side*stride[u] + line/side*stride[v]
	var known, inside uint32
	var jump uint32 // the distance leaps from this place to the next: two sheets, no surface
	last := float32(0)
	for k := range 2 * side {
		b, at := front, k
		if k >= side {
			b, at = back, k-side
		}
		if !upwards {
			at = side - 1 - at
		}
		d, ok := b.value(first + at*stride[axis])
		if !ok {
			continue
		}
		if known>>k&1 == 0 && k > 0 && known>>(k-1)&1 == 1 && d-last > 2 {
			jump |= 1 << (k - 1)
		}
		known |= 1 << k
		if d < 0 {
			inside |= 1 << k
		}
		last = d
	}
	pairs := known & (known >> 1)
	enters := pairs & (inside >> 1) &^ inside
	leaves := pairs & inside &^ (inside >> 1) &^ jump
	for e := enters & (1<<side - 1); e != 0; e &= e - 1 {
		from := bits.TrailingZeros32(e)
		rest := enters >> (from + 1) << (from + 1)
		if rest == 0 {
			return 0
		}
		to := bits.TrailingZeros32(rest)
		between := leaves & (1<<to - 1) >> from << from
		if between == 0 && to-from <= farSheet {
			return to - from
		}
	}
	return 0
}
