package mount

import "math"

// node is a place where a lattice of points goes on, and whether a point is there.
type node struct {
	x, y  float64
	found bool
	point int     // that is there
	class int     // how many rows foretell it, from 0 for one
	hit   float64 // share of such places in the solid of the face that hold a point
}

// lattice is what the order of a face's points foretells across an edge: scanners
// look along rows, so that the places of points that are missing are known, too.
type lattice struct {
	nodes []node
	taken []bool  // face points that lie at foretold places
	share float64 // of the points in the solid that are foretold
}

// classes of foretold places: one row, two, three or more. Where scans lie over
// each other, points of two of them make a row by chance, and what it foretells is
// mostly not there.
const classes = 3

const (
	rowSlack    = 0.12 // of a step: how far a row may swerve from one point to the next
	sameNode    = 0.2  // spacings: foretold places, and a point there, that are one
	longestStep = 1.7  // spacings: the diagonal of a square lattice, and some
	leastHit    = 0.7  // below this the points lie too irregularly to say where one is missing
	leastNodes  = 20   // to know a share to a tenth
)

// foretell follows rows of three points towards the edge one step further. gap is
// the distance of a place outside the edge. The share of hits is measured the same
// way at an edge that is moved into the solid, where every point is seen; classes
// of places that are mostly not hit foretell nothing.
func (f *face) foretell(gap func(x, y float64) float64, spacing float64) lattice {
	const inSolid = 2.5 // spacings
	moved := func(x, y float64) float64 { return gap(x, y) - inSolid*spacing }
	trial := f.rows(moved, spacing)
	var hits, all [classes]float64
	for _, n := range trial.nodes {
		all[n.class]++
		if n.found {
			hits[n.class]++
		}
	}
	good := func(class int) bool { return all[class] >= leastNodes && hits[class] >= leastHit*all[class] }
	trial.keep(good)
	taken, solid := 0.0, 0.0
	for i := range f.x {
		if math.Abs(moved(f.x[i], f.y[i])) < spacing {
			solid++
			if trial.taken[i] {
				taken++
			}
		}
	}
	out := f.rows(gap, spacing)
	out.keep(good)
	for i := range out.nodes {
		n := &out.nodes[i]
		n.hit = (hits[n.class] + 0.5) / (all[n.class] + 1)
	}
	out.share = taken / math.Max(1, solid)
	return out
}

// keep drops the nodes of other classes and sets their points free.
func (l *lattice) keep(good func(class int) bool) {
	var kept []node
	for _, n := range l.nodes {
		if good(n.class) {
			kept = append(kept, n)
		} else if n.found {
			l.taken[n.point] = false
		}
	}
	l.nodes = kept
}

// rows finds the foretold places within one spacing of an edge.
func (f *face) rows(gap func(x, y float64) float64, spacing float64) lattice {
	l := lattice{taken: make([]bool, len(f.x))}
	index := f.index()
	var sums [][3]float64
	for i := range f.x {
		x, y := f.x[i], f.y[i]
		g := gap(x, y)
		if g > (1+longestStep)*spacing || g < -spacing {
			continue
		}
		index.around(x, y, longestStep*spacing, func(k int) {
			dx, dy := f.x[k]-x, f.y[k]-y
			step := math.Hypot(dx, dy)
			if step < 0.3*spacing || gap(f.x[k], f.y[k]) < g {
				return
			}
			far := index.nearest(x+2*dx, y+2*dy, rowSlack*step)
			if far < 0 {
				return
			}
			nx, ny := x-(f.x[far]-x)/2, y-(f.y[far]-y)/2
			if math.Abs(gap(nx, ny)) < spacing {
				sums = gather2(sums, nx, ny, sameNode*spacing)
			}
		})
	}
	for _, s := range sums {
		n := node{x: s[0] / s[2], y: s[1] / s[2], class: min(int(s[2]), classes) - 1}
		if k := index.nearest(n.x, n.y, sameNode*spacing); k >= 0 && !l.taken[k] {
			n.x, n.y, n.found, n.point = f.x[k], f.y[k], true, k
			l.taken[k] = true
		}
		l.nodes = append(l.nodes, n)
	}
	return l
}

// gather2 adds a place to the sum of those within reach, or begins a new one.
func gather2(sums [][3]float64, x, y, reach float64) [][3]float64 {
	for i, s := range sums {
		if math.Hypot(s[0]/s[2]-x, s[1]/s[2]-y) < reach {
			sums[i] = [3]float64{s[0] + x, s[1] + y, s[2] + 1}
			return sums
		}
	}
	return append(sums, [3]float64{x, y, 1})
}
