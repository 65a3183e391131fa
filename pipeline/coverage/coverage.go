// Package coverage tells how much of the surface in a required region was seen.
//
// The region is cut into cells. A cell with points is seen surface, dense enough
// or too sparse; a cell without points is empty where a ray passed through it to
// something behind, and unknown otherwise. Where empty space meets unknown space
// with no surface between them, there must be surface that nobody saw: rays end
// on surfaces only, so the border of the unknown is either seen surface or unseen
// one. That border is measured as area and counts against the share. (Occupancy
// frontier, after C. Connolly, The determination of next best views, ICRA 1985.)
// The package knows nothing of what the object should look like.
package coverage

import (
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// Result is how well a region was seen.
type Result struct {
	Name     string
	Seen     float64 // share of the region's surface that was seen densely enough, 0 to 1
	Share    float64 // required
	Spacing  float64 // point spacing that 95 % of the seen surface reach, mm; 0 where nothing was seen
	Limit    float64 // largest allowed spacing, mm
	Sparse   float64 // share seen, but too sparsely
	Findings []job.Finding
}

// Region collects what was seen of one required region. Add the points of every
// scan and the rays of every set-up, then ask for the Result.
type Region struct {
	want       job.Region
	cell       float64
	nx, ny, nz int
	points     []int32 // a cell, of the instrument that saw it best
	current    []int32 // a cell, of the scan being added
	state      []uint8
}

const (
	unknown uint8 = iota
	empty
)

// maxCells bounds the memory of a region to 20 bytes times this.
const maxCells = 4_000_000

// NewRegion prepares a region. Cells are three spacings wide, so that a cell at
// the limit holds nine points and chance leaves hardly one empty, or wider where
// the region is very large for its spacing.
func NewRegion(r job.Region) *Region {
	size := r.Box.Size()
	cell := math.Max(3*r.Spacing, math.Cbrt(size.X*size.Y*size.Z/maxCells))
	g := &Region{want: r, cell: cell}
	count := func(x float64) int { return max(1, int(math.Ceil(x/cell))) }
	g.nx, g.ny, g.nz = count(size.X), count(size.Y), count(size.Z)
	n := g.nx * g.ny * g.nz
	g.points, g.current, g.state = make([]int32, n), make([]int32, n), make([]uint8, n)
	return g
}

// Box returns the region's box, in the datum's frame.
func (g *Region) Box() geom.Box { return g.want.Box }

func (g *Region) at(p geom.Vec) int {
	d := p.Sub(g.want.Box.Min).Scale(1 / g.cell)
	i, j, k := min(int(d.X), g.nx-1), min(int(d.Y), g.ny-1), min(int(d.Z), g.nz-1)
	return (k*g.ny+j)*g.nx + i
}

func (g *Region) center(c int) geom.Vec {
	i, j, k := c%g.nx, c/g.nx%g.ny, c/g.nx/g.ny
	return g.want.Box.Min.Add(geom.Vec{X: float64(i) + 0.5, Y: float64(j) + 0.5, Z: float64(k) + 0.5}.Scale(g.cell))
}

// AddPoint counts a point of the current scan, in the datum's frame; points
// outside the region are passed over.
func (g *Region) AddPoint(p geom.Vec) {
	if g.want.Box.Contains(p) {
		g.current[g.at(p)]++
	}
}

// EndScan closes the current scan: a place counts as seen as densely as the scan
// that saw it best saw it.
func (g *Region) EndScan() {
	for c, n := range g.current {
		g.points[c] = max(g.points[c], n)
		g.current[c] = 0
	}
}

// standoff is the clear space that a hand scanner needs in front of a surface, mm
// (common practice, no source).
const standoff = 300

// AddFree marks the space in front of a point p with the normal n as empty: a
// tracked scanner looked at it from there, though its file does not say whence.
// The space ends at the next seen surface. Add the points of the scan before.
func (g *Region) AddFree(p, n geom.Vec) {
	for d := g.cell; d <= standoff; d += g.cell / 2 {
		q := p.AddScaled(d, n)
		if !g.want.Box.Contains(q) {
			if d > 2*g.cell {
				return
			}
			continue
		}
		c := g.at(q)
		if g.points[c] > 0 && d > 2*g.cell {
			return
		}
		g.state[c] = empty
	}
}

// Carve marks the cells that a set-up saw through. sight says what lies in the
// direction of a place: the range at which its rays end there, and whether any
// came back.
func (g *Region) Carve(scanner geom.Vec, sight func(p geom.Vec) (ended float64, known bool)) {
	for c := range g.state {
		if g.state[c] == empty {
			continue
		}
		p := g.center(c)
		if ended, known := sight(p); known && ended > p.Dist(scanner)+g.cell {
			g.state[c] = empty
		}
	}
}

// Result judges the region.
func (g *Region) Result() Result {
	r := Result{Name: g.want.Name, Share: g.want.Share, Limit: g.want.Spacing}
	var dense, sparse, hidden float64
	var spacings []float64
	for c, n := range g.points {
		if n == 0 {
			if g.state[c] == unknown {
				hidden += g.frontier(c)
			}
			continue
		}
		// A surface through a cell covers about the cell's face; n points share it.
		s := g.cell / math.Sqrt(float64(n))
		if s <= g.want.Spacing*edgeSlack {
			dense++
		} else {
			sparse++
		}
		spacings = append(spacings, s)
	}
	total := dense + sparse + hidden
	if total > 0 {
		r.Seen, r.Sparse = dense/total, sparse/total
	}
	if len(spacings) > 0 {
		slices.Sort(spacings)
		r.Spacing = spacings[len(spacings)*95/100]
	}
	r.Findings = g.findings(r)
	return r
}

// edgeSlack allows for cells that the surface only clips: a quarter of a cell's
// face still counts, which halves the density seen.
const edgeSlack = 2

// frontier returns the area, in cell faces, where the unknown cell c meets empty
// ones. A flat border crosses one face a cell; a slanted one up to three, so the
// count is capped at the mean of √2.
func (g *Region) frontier(c int) float64 {
	i, j, k := c%g.nx, c/g.nx%g.ny, c/g.nx/g.ny
	faces := 0.0
	look := func(inside bool, d int) {
		if inside && g.points[c+d] == 0 && g.state[c+d] == empty {
			faces++
		}
	}
	look(i > 0, -1)
	look(i < g.nx-1, 1)
	look(j > 0, -g.nx)
	look(j < g.ny-1, g.nx)
	look(k > 0, -g.nx*g.ny)
	look(k < g.nz-1, g.nx*g.ny)
	return math.Min(faces, math.Sqrt2)
}

func (g *Region) findings(r Result) []job.Finding {
	if r.Seen >= r.Share {
		return nil
	}
	text := fmt.Sprintf("Only %.0f %% of the surface in region %s was seen with a point spacing of %s or less, %.0f %% are required",
		100*r.Seen, r.Name, length.Format(r.Limit, length.Millimetre), 100*r.Share)
	switch {
	case r.Spacing == 0:
		text += "; no scan has any point there. To do: check the region's box in the job sheet, then scan that region."
	case r.Sparse > 1-r.Seen-r.Sparse:
		text += fmt.Sprintf("; most of the rest (%.0f %%) was seen too sparsely. To do: scan it from nearer or more squarely.", 100*r.Sparse)
	default:
		text += "; the rest lies in the shade of what was seen. To do: scan it from another side, the underside with the hand scanner or a set-up near the floor."
	}
	return []job.Finding{{Code: job.RegionUncovered, Severity: job.Hold, Subject: r.Name, Text: text}}
}
